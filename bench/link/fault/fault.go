// Package fault is how lines misbehave: one by one, on demand, for tests and for practising with a simulated controller.
package fault

import (
	"errors"
	"time"

	"quaybench/bench/link/port"
)

// Fault is one way a request and reply line misbehaves during one exchange.
// Nil functions leave things as they are.
type Fault struct {
	Name string
	// Request changes what the far end gets; an empty result is a lost request.
	Request func(request []byte) []byte
	// Reply changes what comes back.
	Reply func(request, reply []byte) []Piece
}

// Piece is something that comes back over a line.
type Piece struct {
	After  time.Duration // since the piece before
	Bytes  []byte
	Unplug bool // the line is gone from here on
}

var errUnplugged = errors.New("no such device")

func lost(op string) error {
	return &port.LostError{Name: "misbehaving line", Op: op, Err: errUnplugged}
}
