// Package instrument makes a [link.Instrument] of whatever hangs on a port: of a file that describes it, or of what it is heard
// to send.
package instrument

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/nmea"
	"quaybench/bench/link/port"
	"quaybench/bench/link/scpi"
)

// Format says what an instrument sends or answers. It does not change and is safe for several goroutines.
type Format interface {
	Title() string
	Channels() []link.Channel
	StaleAfter() time.Duration                          // no reading of a channel for so long is an error
	Open(p port.Port, clock port.Clock) link.Instrument // the port stays the caller's
}

var speaks = regexp.MustCompile(`(?m)^\s*speaks\s*=\s*["']([^"'\n]*)["']`)

// Load reads the description of an instrument: of a logger's lines, of one that speaks NMEA 0183, or of one that answers SCPI, as
// its key speaks has it. name appears in messages only. The error is [datafile.Problems].
func Load(name string, data []byte) (Format, error) {
	how := ""
	if m := speaks.FindSubmatch(data); m != nil {
		how = string(m[1])
	}
	var f Format
	var err error
	switch how {
	case "NMEA 0183":
		f, err = lines.LoadSentences(name, data)
	case "SCPI":
		f, err = scpi.Load(name, data)
	default:
		f, err = lines.Load(name, data)
	}
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Heard is what came while a port was listened to.
type Heard struct {
	Took  time.Duration // how long it was listened to
	Bytes int
	Noise int      // bytes that are no text
	Lines []string // whole ones, as they came; the first may have been cut
}

const (
	enoughLines = 200
	mostHeard   = 1 << 20 // bytes
)

// Listen listens to a port. It ends early where many lines came.
func Listen(ctx context.Context, p port.Port, clock port.Clock, how time.Duration) (h Heard, err error) {
	var text []byte
	buffer := make([]byte, 4096)
	begun := clock.Now()
	for until := begun.Add(how); ; {
		wait := until.Sub(clock.Now())
		if wait <= 0 || bytes.Count(text, []byte("\n")) > enoughLines || len(text) > mostHeard {
			break
		}
		n, err := p.Read(ctx, buffer, wait)
		if err != nil && !errors.Is(err, port.ErrTimeout) {
			return h, err
		}
		text = append(text, buffer[:n]...)
	}
	h.Took, h.Bytes = clock.Now().Sub(begun), len(text)
	for _, b := range text {
		if b < ' ' && b != '\t' && b != '\r' && b != '\n' || b == 0x7F || b >= 0xF8 {
			h.Noise++
		}
	}
	if end := bytes.LastIndexByte(text, '\n'); end >= 0 {
		for line := range bytes.SplitSeq(text[:end], []byte("\n")) {
			h.Lines = append(h.Lines, string(bytes.TrimSuffix(line, []byte("\r"))))
		}
	}
	return h, nil
}

// Sentences reports whether what was heard is NMEA 0183, which sentences with a speed were among it, and the format that they make;
// f is nil where none had one.
func (h *Heard) Sentences() (f Format, kinds []string, is bool) {
	right := 0
	var channels []string
	for _, line := range h.Lines {
		s, ok, err := nmea.Split([]byte(line))
		if !ok || err != nil {
			continue
		}
		right++
		if channel := nmea.Kinds()[s.Kind]; channel != "" {
			if !slices.Contains(kinds, s.Kind) {
				kinds = append(kinds, s.Kind)
			}
			if !slices.Contains(channels, channel) {
				channels = append(channels, channel)
			}
		}
	}
	slices.Sort(channels)
	slices.Reverse(channels) // over ground first, as a screen has it
	if is = right > 0 && 2*right >= len(h.Lines)-1; is && len(channels) > 0 {
		f = lines.Sentences(channels...)
	}
	return f, kinds, is
}

// Wrong returns what is wrong where no line that makes sense was heard; nil: there are lines.
func (h *Heard) Wrong(how time.Duration) error {
	switch {
	case h.Bytes == 0:
		return fmt.Errorf("nothing came within %v: check that it runs, its plug and the port; a meter that answers only when it is asked needs a file that says what to ask (speaks = \"SCPI\")", how)
	case h.Noise*20 > h.Bytes:
		return fmt.Errorf("of %d bytes that came %d are no text: check the baud rate", h.Bytes, h.Noise)
	case len(h.Lines) < 3:
		return fmt.Errorf("%d bytes came within %v, and %d whole lines: check the baud rate, or let it send more often", h.Bytes, how, len(h.Lines))
	}
	return nil
}
