package fault

import (
	"context"
	"slices"
	"sync"
	"time"

	"quaybench/bench/link/port"
)

// FarEnd wraps the far end of a line, where a controller answers, so that whoever is at the near end meets the fault: at
// each reply, when is asked whether it strikes, with the number of the reply from 1. A fault of the request is met as
// silence. Once unplugged, the port is lost.
func FarEnd(p port.Port, clock port.Clock, f Fault, when func(number int) bool) port.Port {
	return &farEnd{Port: p, clock: clock, fault: f, when: when}
}

type farEnd struct {
	port.Port
	clock port.Clock
	fault Fault
	when  func(int) bool

	mu      sync.Mutex
	number  int
	request []byte // since the last reply
	gone    bool
}

func (e *farEnd) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	n, err := e.Port.Read(ctx, p, wait)
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.gone {
		return 0, lost("read")
	}
	e.request = append(e.request, p[:n]...)
	if over := len(e.request) - longest; over > 0 {
		e.request = slices.Delete(e.request, 0, over)
	}
	return n, err
}

// longest is the longest frame.
const longest = 256

func (e *farEnd) Write(ctx context.Context, reply []byte) error {
	pieces, err := e.strike(reply)
	if err != nil {
		return err
	}
	for _, piece := range pieces {
		if err := e.clock.Sleep(ctx, piece.After); err != nil {
			return err
		}
		if piece.Unplug {
			e.mu.Lock()
			e.gone = true
			e.mu.Unlock()
			return lost("write")
		}
		if len(piece.Bytes) > 0 {
			if err := e.Port.Write(ctx, piece.Bytes); err != nil {
				return err
			}
		}
	}
	return nil
}

// strike returns what goes back.
func (e *farEnd) strike(reply []byte) ([]Piece, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.gone {
		return nil, lost("write")
	}
	request := e.request
	e.request = nil
	e.number++
	switch {
	case !e.when(e.number):
		return []Piece{{Bytes: reply}}, nil
	case e.fault.Reply == nil || len(request) < 4:
		return nil, nil
	}
	return e.fault.Reply(request, reply), nil
}
