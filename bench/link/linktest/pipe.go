package linktest

import (
	"context"
	"io"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"quaybench/bench/link/port"
)

// Pipe returns the two ends of a line in memory: what one end writes, the other
// reads, in order, at once. It waits with the time package only, so that
// inside testing/synctest a minute of silence costs nothing.
//
// Like a receiver without flow control it holds a limited number of unread
// bytes (1 MiB) and drops what comes beyond. When one end is closed the other
// first reads what is left and then has a [*port.LostError].
func Pipe() (a, b port.Port) {
	ab, ba := newLane(), newLane()
	return newPipeEnd(ba, ab, "pipe a"), newPipeEnd(ab, ba, "pipe b")
}

const laneCapacity = 1 << 20

// lane is one direction of a pipe.
type lane struct {
	mu     sync.Mutex
	bytes  []byte
	closed bool          // by either end
	news   chan struct{} // holds a token when bytes or closed changed
}

func newLane() *lane { return &lane{news: make(chan struct{}, 1)} }

func (l *lane) tell() {
	select {
	case l.news <- struct{}{}:
	default: // a token is already waiting
	}
}

func (l *lane) put(p []byte) (open bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return false
	}
	l.bytes = append(l.bytes, p[:min(len(p), laneCapacity-len(l.bytes))]...)
	l.tell()
	return true
}

func (l *lane) take(p []byte) (n int, open bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	n = copy(p, l.bytes)
	l.bytes = append(l.bytes[:0], l.bytes[n:]...)
	return n, !l.closed
}

func (l *lane) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.tell()
}

type pipeEnd struct {
	in, out *lane
	name    string
	reading *semaphore.Weighted
	mu      sync.Mutex
	closed  bool
}

func newPipeEnd(in, out *lane, name string) *pipeEnd {
	return &pipeEnd{in: in, out: out, name: name, reading: semaphore.NewWeighted(1)}
}

func (e *pipeEnd) isClosed() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.closed
}

func (e *pipeEnd) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if err := e.reading.Acquire(ctx, 1); err != nil {
		return 0, err
	}
	defer e.reading.Release(1)
	timer := time.NewTimer(max(wait, 0))
	defer timer.Stop()
	for {
		if e.isClosed() {
			return 0, port.ErrClosed
		}
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		n, open := e.in.take(p)
		if n > 0 {
			return n, nil
		}
		if !open {
			return 0, &port.LostError{Name: e.name, Op: "read", Err: io.EOF}
		}
		if wait <= 0 {
			return 0, port.ErrTimeout
		}
		select {
		case <-e.in.news:
		case <-ctx.Done():
		case <-timer.C:
			wait = 0 // look once more, then give up
		}
	}
}

func (e *pipeEnd) Write(ctx context.Context, p []byte) error {
	if e.isClosed() {
		return port.ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if !e.out.put(p) {
		return &port.LostError{Name: e.name, Op: "write", Err: io.ErrClosedPipe}
	}
	return nil
}

func (e *pipeEnd) Close() error {
	e.mu.Lock()
	e.closed = true
	e.mu.Unlock()
	e.in.close()
	e.out.close()
	return nil
}
