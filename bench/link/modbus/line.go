package modbus

import (
	"context"
	"errors"
	"time"

	"quaybench/bench/link/port"
)

// line gathers frames from a port by length and by silence; master and server
// share it.
type line struct {
	port   port.Port
	timing Timing
	clock  port.Clock
	last   time.Time // when the line was last known to be busy
}

// receive waits for a first byte, then gathers until the line falls silent:
// t1.5 (as the operating system lets it be seen) while the frame is shorter
// than length says, t3.5 behind it, where a frame sent twice would show. A
// frame with a right sum is taken at once where eager says so; nil: never. It
// returns nothing if nothing came. length gives 0 while it can't tell.
func (l *line) receive(ctx context.Context, wait time.Duration, eager func(frame []byte) bool, length func(got []byte) int) ([]byte, error) {
	var buffer [2 * maxFrame]byte // a frame sent twice fits
	n := 0
	var latest time.Time
	for n < len(buffer) {
		m, err := l.port.Read(ctx, buffer[n:], wait)
		now := l.clock.Now()
		if errors.Is(err, port.ErrTimeout) {
			break
		}
		if err != nil {
			return buffer[:n], err
		}
		if n == 0 {
			// Nobody may stretch a frame by dribbling.
			latest = now.Add(time.Duration(len(buffer))*l.timing.Character + l.timing.pause())
		}
		n += m
		l.last = now
		if now.After(latest) {
			break
		}
		wait = l.timing.pause()
		if want := length(buffer[:n]); want > 0 && n >= want {
			if _, err := ParseFrame(buffer[:n]); err == nil && eager != nil && eager(buffer[:n]) {
				break
			}
			wait = l.timing.Between
		}
	}
	return buffer[:n], nil
}

// quiet throws away what has arrived and returns once the line was silent for
// t3.5, and not before until. It gives up with ok false at the time latest. Of
// what it throws away it gives the count and the first bytes, enough to see
// whether they were one frame.
func (l *line) quiet(ctx context.Context, until, latest time.Time) (stale []byte, count int, ok bool, err error) {
	var waste [maxFrame]byte
	for {
		now := l.clock.Now()
		if now.After(latest) {
			return stale, count, false, nil
		}
		if silent := l.last.Add(l.timing.Between); until.Before(silent) {
			until = silent
		}
		n, err := l.port.Read(ctx, waste[:], until.Sub(now))
		if errors.Is(err, port.ErrTimeout) {
			return stale, count, true, nil
		}
		if err != nil {
			return stale, count, false, err
		}
		count += n
		if len(stale) <= maxFrame {
			stale = append(stale, waste[:n]...)
		}
		l.last = l.clock.Now()
	}
}

func (l *line) send(ctx context.Context, f Frame) error {
	err := l.port.Write(ctx, f.Bytes())
	l.last = l.clock.Now()
	return err
}
