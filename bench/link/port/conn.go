package port

import (
	"context"
	"errors"
	"io"
	"os"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"
)

// Conn is anything with deadlines: a network connection to a serial server,
// the file of a pseudo-terminal.
type Conn interface {
	io.ReadWriteCloser
	SetReadDeadline(t time.Time) error
	SetWriteDeadline(t time.Time) error
}

// Over returns a Port of c; name is what its errors call it. Closing the Port
// closes c.
func Over(c Conn, name string) Port {
	return &connPort{conn: c, name: name, reading: semaphore.NewWeighted(1), writing: semaphore.NewWeighted(1)}
}

type connPort struct {
	conn    Conn
	name    string
	reading *semaphore.Weighted
	writing *semaphore.Weighted
	closed  atomic.Bool
}

func (c *connPort) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if err := c.reading.Acquire(ctx, 1); err != nil {
		return 0, err
	}
	defer c.reading.Release(1)
	// A deadline already past reads nothing at all, even what has arrived, so
	// "only what is there" is a very short wait.
	deadline := time.Now().Add(max(wait, 100*time.Microsecond))
	n, err := c.withDeadline(ctx, c.conn.SetReadDeadline, deadline, func() (int, error) { return c.conn.Read(p) })
	if n > 0 {
		return n, nil // an error beside it comes again at the next read
	}
	return 0, c.translate(ctx, "read", err, ErrTimeout)
}

func (c *connPort) Write(ctx context.Context, p []byte) error {
	if err := c.writing.Acquire(ctx, 1); err != nil {
		return err
	}
	defer c.writing.Release(1)
	_, err := c.withDeadline(ctx, c.conn.SetWriteDeadline, time.Now().Add(writeGrace), func() (int, error) { return c.conn.Write(p) })
	return c.translate(ctx, "write", err, ErrWriteTimeout)
}

// withDeadline runs act under a deadline that the end of ctx moves into the past.
func (c *connPort) withDeadline(ctx context.Context, set func(time.Time) error, deadline time.Time, act func() (int, error)) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	if err := set(deadline); err != nil {
		return 0, err
	}
	expired := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(expired)
		_ = set(time.Unix(1, 0)) // fails only on a closed line, where act fails too
	})
	n, err := act()
	if !stop() {
		<-expired // or it would shorten the next call's deadline
	}
	return n, err
}

func (c *connPort) translate(ctx context.Context, op string, err, late error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, os.ErrDeadlineExceeded):
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return late
	case ctx.Err() != nil && errors.Is(err, ctx.Err()):
		return err
	case c.closed.Load():
		return ErrClosed
	}
	return &LostError{Name: c.name, Op: op, Err: err}
}

func (c *connPort) Close() error {
	if c.closed.Swap(true) {
		return nil
	}
	return c.conn.Close()
}
