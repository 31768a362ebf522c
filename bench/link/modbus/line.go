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
// returns nothing if nothing came. length gives 0 while it can't tell. Where
// this machine slept or was busy meanwhile, what has come by then counts.
func (l *line) receive(ctx context.Context, wait time.Duration, eager func(frame []byte) bool, length func(got []byte) int) ([]byte, error) {
	var buffer [2 * maxFrame]byte // a frame sent twice fits
	n := 0
	var latest time.Time
	begun := l.clock.Now()
	for n < len(buffer) {
		m, err := l.port.Read(ctx, buffer[n:], wait)
		now := l.clock.Now()
		if late := now.Sub(begun) - wait; late > l.timing.HandOver { // this machine was, and the line need not have been
			latest = latest.Add(late)
			if errors.Is(err, port.ErrTimeout) {
				m, err = l.port.Read(ctx, buffer[n:], 0)
			}
		}
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
		begun, wait = now, l.timing.pause()
		if want := length(buffer[:n]); want > 0 && n >= want {
			if _, err := ParseFrame(buffer[:n]); err == nil && eager != nil && eager(buffer[:n]) {
				break
			}
			wait = l.timing.Between
		}
	}
	return buffer[:n], nil
}

// quiet discards what has arrived and returns once the line was silent for
// t3.5, and not before until. It gives up with ok false at the time latest. Of
// what it throws away it gives the count and the first bytes, enough to see
// whether they were one frame.
func (l *line) quiet(ctx context.Context, until, latest time.Time) (stale []byte, count int, ok bool, err error) {
	var waste [maxFrame]byte
	for now := l.clock.Now(); ; now = l.last {
		if silent := l.last.Add(l.timing.Between); until.Before(silent) {
			until = silent
		}
		wait := until.Sub(now)
		n, err := l.port.Read(ctx, waste[:], wait)
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
		if late := l.last.Sub(now) - max(wait, 0); late > l.timing.HandOver { // this machine was
			latest = latest.Add(late)
		}
		if l.last.After(latest) {
			return stale, count, false, nil
		}
	}
}

func (l *line) send(ctx context.Context, f Frame) error {
	err := l.port.Write(ctx, f.Bytes())
	l.last = l.clock.Now()
	return err
}
