package port

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sync/semaphore"
)

// Open opens the serial port at a. The result is real hardware: what is
// written to it can move a propeller. One process at a time holds a port, root's
// too.
func Open(a Address) (Port, error) {
	give, err := lock(a.Name)
	if err != nil {
		return nil, err
	}
	device, err := serial.Open(a.Name, a.mode())
	if err != nil {
		_ = give()
		return nil, fmt.Errorf("open %s: %w; see that the name is right, that no other program holds it and that you may use it", a, err)
	}
	p := newSerialPort(device, a)
	p.give = give
	return p, nil
}

// device is the part of serial.Port used here.
type device interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadTimeout(t time.Duration) error
	ResetOutputBuffer() error
	Close() error
}

// serialPort makes the library's port safe to use: its Read returns (0, nil)
// on a silent line, and never does where another program takes the bytes that it
// was woken for; its Write has no time-out and after Close writes to whatever
// file now has the old descriptor's number.
type serialPort struct {
	device device
	name   string
	baud   int
	give   func() error // gives the port's lock back; nil: it has none

	// One read and one write at a time; Close waits for both. Not mutexes:
	// these can be waited for under a context, and inside testing/synctest
	// such a wait lets time pass.
	reading  *semaphore.Weighted
	writing  *semaphore.Weighted
	arriving chan arrival // of the device's read that is under way; nil: there is none (under reading)
	kept     []byte       // arrived, and not asked for yet (under reading)
	stuck    bool         // a write never came back (under writing)
	closed   atomic.Bool
}

// An arrival holds the bytes of one read of the device, or its error.
type arrival struct {
	bytes []byte
	err   error
}

func newSerialPort(d device, a Address) *serialPort {
	return &serialPort{device: d, name: a.Name, baud: a.Baud, reading: semaphore.NewWeighted(1), writing: semaphore.NewWeighted(1)}
}

const (
	// readSlice is how long one read of the device lasts at most: the delay
	// with which an ended context or a Close is noticed.
	readSlice = 10 * time.Millisecond

	// readGrace is the time beyond its slice after which a read of the device counts
	// as silence. It stays under way, and what it brings later is kept.
	readGrace = 40 * time.Millisecond

	// writeGrace is what a write may take beyond its bytes' own time: far
	// more than any adapter needs, and short enough to say so while a person
	// waits.
	writeGrace = 500 * time.Millisecond

	// flushGrace is how long a stuck write gets to return once the output
	// buffer under it was emptied.
	flushGrace = 100 * time.Millisecond

	// bitsPerCharacter is the longest character: start, 8 data, parity, 2 stop.
	bitsPerCharacter = 12
)

func (s *serialPort) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	if len(p) == 0 {
		return 0, nil // asked for nothing; the library would call it a lost port
	}
	if err := s.reading.Acquire(ctx, 1); err != nil {
		return 0, err
	}
	defer s.reading.Release(1)
	for left := max(wait, 0); ; {
		if s.closed.Load() {
			return 0, ErrClosed
		}
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		if len(s.kept) > 0 {
			n := copy(p, s.kept)
			s.kept = s.kept[n:]
			return n, nil
		}
		slice := min(left, readSlice)
		came, err := s.await(slice, len(p))
		if err != nil {
			return 0, err
		}
		if !came { // the slice went by in silence
			if left -= slice; left <= 0 {
				return 0, ErrTimeout
			}
		}
	}
}

// await waits a slice for bytes, and reports whether any were kept. The library's read can't be called off, so it runs beside us.
func (s *serialPort) await(slice time.Duration, most int) (came bool, err error) {
	if s.arriving == nil {
		if err := s.device.SetReadTimeout(slice); err != nil {
			return false, s.lost("read", err)
		}
		arriving := make(chan arrival, 1)
		s.arriving = arriving
		go func() {
			buffer := make([]byte, most)
			n, err := s.device.Read(buffer)
			arriving <- arrival{buffer[:n], err}
		}()
	}
	timer := time.NewTimer(slice + readGrace)
	defer timer.Stop()
	select {
	case a := <-s.arriving:
		s.arriving, s.kept = nil, a.bytes
		if len(a.bytes) == 0 && a.err != nil {
			return false, s.lost("read", a.err)
		}
		return len(a.bytes) > 0, nil
	case <-timer.C:
		return false, nil
	}
}

func (s *serialPort) Write(ctx context.Context, p []byte) error {
	if err := s.writing.Acquire(ctx, 1); err != nil {
		return err
	}
	defer s.writing.Release(1)
	if s.closed.Load() {
		return ErrClosed
	}
	if s.stuck {
		return ErrWriteTimeout
	}
	// The library's write can't be called off, so it runs beside us.
	done := make(chan error, 1)
	var abandoned atomic.Bool
	go func() { done <- writeAll(s.device, p, &abandoned) }()

	bytesOwnTime := time.Duration(len(p)) * bitsPerCharacter * time.Second / time.Duration(s.baud)
	timer := time.NewTimer(writeGrace + bytesOwnTime)
	defer timer.Stop()
	var why error
	select {
	case err := <-done:
		if err != nil {
			return s.lost("write", err)
		}
		return nil
	case <-ctx.Done():
		why = ctx.Err()
	case <-timer.C:
		why = ErrWriteTimeout
	}
	// Throw the waiting bytes away: that lets the write return, and half a
	// command must not go out minutes later when the line wakes up.
	abandoned.Store(true)
	if err := s.device.ResetOutputBuffer(); err != nil {
		why = errors.Join(why, s.lost("write", err))
	}
	timer.Reset(flushGrace)
	select {
	case <-done:
	case <-timer.C:
		s.stuck = true
	}
	return why
}

func writeAll(d device, p []byte, abandoned *atomic.Bool) error {
	for len(p) > 0 && !abandoned.Load() {
		n, err := d.Write(p)
		if err != nil {
			return err
		}
		p = p[n:]
	}
	return nil
}

func (s *serialPort) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	// Wait for both directions: the library would close the descriptor under
	// a running call. Each ends by itself within its slice or its time-out, but a
	// read that waits for bytes which another program took.
	for _, turn := range []*semaphore.Weighted{s.reading, s.writing} {
		if err := turn.Acquire(context.Background(), 1); err != nil {
			return fmt.Errorf("close %s: %w", s.name, err)
		}
		defer turn.Release(1)
	}
	if s.give != nil {
		defer s.give()
	}
	closed := make(chan error, 1)
	go func() { closed <- s.device.Close() }()
	if s.arriving != nil { // the library would wait for its read, which never comes back: the system ends both
		return nil
	}
	if err := <-closed; err != nil {
		return fmt.Errorf("close %s: %w", s.name, err)
	}
	return nil
}

func (s *serialPort) lost(op string, err error) error {
	return &LostError{Name: s.name, Op: op, Err: err}
}
