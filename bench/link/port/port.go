// Package port is the serial line itself: bytes in and out, with a wait on
// every read, a time-out on every write, and a typed error for each way a line
// fails.
//
// Everything above it (Modbus frames, telemetry lines, the misbehaving lines
// of the tests) speaks to a [Port] and never to an operating system, so a real
// adapter ([Open]), a pseudo-terminal ([Pseudo]), a network or pseudo-terminal
// file ([Over]) and an in-memory pair ([Pipe]) are interchangeable.
package port

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Port is one end of a line. One goroutine may read while another writes and a
// third closes; two readers at once take turns.
//
// Whoever opened a Port closes it: code that is handed one never does.
type Port interface {
	// Read waits at most wait for something to arrive and returns what is
	// there, at least one byte. A wait of zero or less takes only what has
	// arrived already. The count is 0 exactly when the error is not nil:
	// [ErrTimeout] when nothing came, [ErrClosed], a [*LostError], or the
	// context's error.
	//
	// wait is part of the call because (0, nil), which serial libraries
	// return on a silent line, keeps io.ReadFull turning for ever.
	Read(ctx context.Context, p []byte, wait time.Duration) (int, error)

	// Write hands all of p to the line or fails with [ErrWriteTimeout],
	// [ErrClosed], a [*LostError] or the context's error; then an unknown
	// part of p may have gone out.
	Write(ctx context.Context, p []byte) error

	// Close gives the line back. A second Close does nothing.
	Close() error
}

var (
	// ErrTimeout reports that nothing arrived within the wait.
	ErrTimeout = errors.New("nothing arrived in time")

	// ErrWriteTimeout reports that the line did not take the bytes: flow control
	// holds it, or nobody empties the other end.
	ErrWriteTimeout = errors.New("the line did not take the bytes in time: check cable and adapter, then open the port again")

	// ErrClosed reports that this end was closed by its owner.
	ErrClosed = errors.New("port is closed")
)

// LostError reports that the line went away by itself: unplugged, powered off,
// the other end of a pseudo-terminal closed.
type LostError struct {
	Name string // the port, as it was opened
	Op   string // "read" or "write"
	Err  error  // what the system said
}

func (e *LostError) Error() string {
	return fmt.Sprintf("lost the line at %s in a %s: %v; check the plug, then open the port again", e.Name, e.Op, e.Err)
}

// Unwrap returns the system's own error.
func (e *LostError) Unwrap() error { return e.Err }
