package linktest

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"quaybench/bench/link/port"
)

// A recorded line is text, one entry a line:
//
//	# a comment
//	0.000000 > 11 03 00 6b 00 03 76 87     written to the line
//	0.012345 < 11 03 06 02 2b 00 00 00     read from it
//	0.512345 ! read                        the line was lost in a read (or write)
//
// The number is seconds since the recording began.

// Record wraps a port and notes on w what passes. The first error of w is
// given by Close; the line goes on without it.
func Record(p port.Port, w io.Writer, clock port.Clock) port.Port {
	return &recorder{Port: p, w: w, clock: clock, start: clock.Now()}
}

type recorder struct {
	port.Port
	clock port.Clock
	start time.Time

	mu  sync.Mutex
	w   io.Writer
	err error
}

func (r *recorder) note(sign, text string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.err == nil {
		_, r.err = fmt.Fprintf(r.w, "%.6f %s %s\n", r.clock.Now().Sub(r.start).Seconds(), sign, text)
	}
}

func (r *recorder) noteLoss(op string, err error) {
	var lost *port.LostError
	if errors.As(err, &lost) {
		r.note("!", op)
	}
}

func (r *recorder) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	n, err := r.Port.Read(ctx, p, wait)
	if n > 0 {
		r.note("<", fmt.Sprintf("% x", p[:n]))
	}
	r.noteLoss("read", err)
	return n, err
}

func (r *recorder) Write(ctx context.Context, p []byte) error {
	err := r.Port.Write(ctx, p)
	if err == nil {
		r.note(">", fmt.Sprintf("% x", p))
	}
	r.noteLoss("write", err)
	return err
}

func (r *recorder) Close() error {
	err := r.Port.Close()
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.err != nil {
		r.err = fmt.Errorf("record the line: %w", r.err)
	}
	return errors.Join(err, r.err)
}

// entry is one line of a recording.
type entry struct {
	line  int // in the text, from 1
	sign  byte
	bytes []byte
	op    string // with !
}

// PlaybackError is something that did not go as recorded.
type PlaybackError struct {
	Line   int // of the recording
	Reason string
}

func (e *PlaybackError) Error() string {
	return fmt.Sprintf("playback, line %d of the recording: %s", e.Line, e.Reason)
}

// Playback returns a port that behaves as recorded: it wants the same writes in
// the same order, and gives what was read after each at once, whatever the
// waits were. A write that was not recorded, and at Close every entry left
// over, is a [*PlaybackError].
func Playback(recording io.Reader) (port.Port, error) {
	p := &playback{}
	scanner := bufio.NewScanner(recording)
	for line := 1; scanner.Scan(); line++ {
		text := strings.TrimSpace(scanner.Text())
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		e, err := parseEntry(text)
		if err != nil {
			return nil, &PlaybackError{Line: line, Reason: err.Error()}
		}
		e.line = line
		p.entries = append(p.entries, e)
	}
	if err := scanner.Err(); err != nil {
		return nil, fmt.Errorf("read the recording: %w", err)
	}
	return p, nil
}

func parseEntry(text string) (e entry, err error) {
	fields := strings.Fields(text)
	if len(fields) < 3 || len(fields[1]) != 1 {
		return e, fmt.Errorf("%q is not a time, a sign and bytes", text)
	}
	e.sign = fields[1][0]
	switch e.sign {
	case '<', '>':
		e.bytes, err = hex.DecodeString(strings.Join(fields[2:], ""))
		return e, err
	case '!':
		e.op = fields[2]
		if e.op == "read" || e.op == "write" {
			return e, nil
		}
	}
	return e, fmt.Errorf("%q has no sign of < > or ! with read or write", text)
}

type playback struct {
	mu      sync.Mutex
	entries []entry
	failure error // the first
	lost    bool
	closed  bool
}

func (p *playback) fail(line int, format string, args ...any) error {
	err := &PlaybackError{Line: line, Reason: fmt.Sprintf(format, args...)}
	if p.failure == nil {
		p.failure = err
	}
	return err
}

// loss handles an entry by which the line was lost in op.
func (p *playback) loss(op string) bool {
	if len(p.entries) > 0 && p.entries[0].sign == '!' && p.entries[0].op == op {
		p.entries, p.lost = p.entries[1:], true
	}
	return p.lost
}

func (p *playback) check(ctx context.Context, op string) error {
	if p.closed {
		return port.ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if p.loss(op) {
		return &port.LostError{Name: "playback", Op: op, Err: io.ErrUnexpectedEOF}
	}
	return nil
}

func (p *playback) Read(ctx context.Context, buffer []byte, _ time.Duration) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(buffer) == 0 {
		return 0, nil
	}
	if err := p.check(ctx, "read"); err != nil {
		return 0, err
	}
	if len(p.entries) == 0 || p.entries[0].sign != '<' {
		return 0, port.ErrTimeout
	}
	first := &p.entries[0]
	n := copy(buffer, first.bytes)
	if first.bytes = first.bytes[n:]; len(first.bytes) == 0 {
		p.entries = p.entries[1:]
	}
	return n, nil
}

func (p *playback) Write(ctx context.Context, written []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.check(ctx, "write"); err != nil {
		return err
	}
	if len(p.entries) == 0 {
		return p.fail(0, "wrote % x after its end", written)
	}
	want := p.entries[0]
	if want.sign != '>' {
		return p.fail(want.line, "wrote % x before reading % x", written, want.bytes)
	}
	if string(want.bytes) != string(written) {
		return p.fail(want.line, "wrote % x, recorded was % x", written, want.bytes)
	}
	p.entries = p.entries[1:]
	return nil
}

func (p *playback) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return p.failure
	}
	p.closed = true
	if n := len(p.entries); n > 0 && p.failure == nil {
		return p.fail(p.entries[0].line, "%d entries were not used, from here on", n)
	}
	return p.failure
}
