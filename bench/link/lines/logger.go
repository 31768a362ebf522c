package lines

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/sync/semaphore"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/quantity"
)

// Logger is a [link.Instrument] that reads the lines of a data logger.
//
// It reads the port when asked. The system holds what comes meanwhile (some
// kilobytes, 40 ms at 1 Mbaud at the least), so ask for the next sample as soon
// as one is there, from a goroutine of its own if need be.
type Logger struct {
	port  port.Port
	clock port.Clock

	closing context.Context // ends with Close
	close   context.CancelFunc

	// turn lets one Next at a time read. Not a mutex: it is waited for under a
	// context.
	turn *semaphore.Weighted

	// Below: touched only by whoever has the turn.
	parser *Parser
	buffer []byte
	ready  []result
}

type result struct {
	sample link.Sample
	err    error
}

var _ link.Instrument = (*Logger)(nil)

const (
	// readBuffer holds 80 ms of 1 Mbaud.
	readBuffer = 8192

	// linePause is the longest silence inside a line. Adapters gather bytes
	// for up to 16 ms (common practice, no source).
	linePause = 50 * time.Millisecond
)

// NewLogger reads lines of a format from a port, which stays the caller's.
func NewLogger(f *Format, p port.Port, clock port.Clock) *Logger {
	closing, stop := context.WithCancel(context.Background())
	return &Logger{
		port: p, clock: clock, closing: closing, close: stop, turn: semaphore.NewWeighted(1),
		parser: NewParser(f), buffer: make([]byte, readBuffer),
	}
}

// Channels returns what each sample holds.
func (l *Logger) Channels() []link.Channel { return l.parser.format.Channels() }

// Next waits for the next line and gives its sample; see [link.Instrument]. A
// line that can't be believed is a [*LineError] for this one call.
func (l *Logger) Next(ctx context.Context) (link.Sample, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(l.closing, cancel)()

	if l.closing.Err() != nil {
		return link.Sample{}, link.ErrClosed
	}
	sample, err := l.next(ctx)
	if err != nil && l.closing.Err() != nil {
		return link.Sample{}, link.ErrClosed
	}
	return sample, err
}

func (l *Logger) next(ctx context.Context) (link.Sample, error) {
	if err := l.turn.Acquire(ctx, 1); err != nil {
		return link.Sample{}, err
	}
	defer l.turn.Release(1)
	// Counted from here, not from the last line: one may have been waiting in
	// the system while nobody asked.
	start, before := l.clock.Now(), l.parser.stats
	for len(l.ready) == 0 {
		n, err := l.port.Read(ctx, l.buffer, linePause)
		now := l.clock.Now()
		switch {
		case errors.Is(err, port.ErrTimeout):
			l.parser.breakOff()
		case err != nil:
			return link.Sample{}, err
		}
		l.parser.Feed(l.buffer[:n], now, func(s link.Sample, err error) { l.ready = append(l.ready, result{s, err}) })
		// Also where bytes come, but no line ever ends.
		if limit := l.parser.format.staleAfter; len(l.ready) == 0 && now.Sub(start) >= limit {
			return link.Sample{}, fmt.Errorf("%w: no line for %s; %s", link.ErrStale, quantity.FormatDuration(limit), l.parser.stats.missing(before))
		}
	}
	if err := ctx.Err(); err != nil {
		return link.Sample{}, err
	}
	first := l.ready[0]
	l.ready = l.ready[1:]
	if s := first.sample; first.err == nil && !s.Moved.IsZero() && s.At.Sub(s.Moved) >= l.parser.format.staleAfter {
		return link.Sample{}, fmt.Errorf("%w: %w (for %s)", link.ErrStale, link.ErrHangs, quantity.FormatDuration(s.At.Sub(s.Moved)))
	}
	return first.sample, first.err
}

// Stats returns the counts so far. It waits for a running Next.
func (l *Logger) Stats(ctx context.Context) (Stats, error) {
	if err := l.turn.Acquire(ctx, 1); err != nil {
		return Stats{}, err
	}
	defer l.turn.Release(1)
	return l.parser.Stats(), nil
}

// Close lets every further Next return link.ErrClosed, also one that waits. The port
// stays open.
func (l *Logger) Close() error {
	l.close()
	return nil
}
