package lines

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/nmea"
)

// What can be wrong with a line. Each comes inside a [*LineError].
var (
	ErrHalf    = errors.New("half a line")
	ErrNoise   = errors.New("bytes that are no text: check baud rate and earth")
	ErrTooLong = errors.New("a line that does not end: check baud rate and column list")
	ErrColumns = errors.New("another count of columns than the column list has")
	ErrNumber  = errors.New("not a number")
	ErrSum     = errors.New("the check sum does not fit")
	ErrHeader  = fmt.Errorf("%w: another header stands above its columns now", link.ErrOther)
	ErrBegins  = errors.New("a sentence of a kind of its own, and the column list does not say which kind is meant: write how its lines begin, for example begins = \"$IIMWV\"")
)

// errPassedOver is a line that nobody asked for.
var errPassedOver = errors.New("a line of another kind")

// LineError is a line that can't be believed; nothing of it was used.
type LineError struct {
	Line   int64  // counted from 1, since the parser began
	Column string // name of the column, with ErrNumber and impossible values
	Text   string // what of the line is shown
	Err    error  // one of the errors above, or a *link.ImpossibleError
}

func (e *LineError) Error() string {
	if e.Column != "" {
		return fmt.Sprintf("telemetry line %d, %s: %v (%q)", e.Line, e.Column, e.Err, e.Text)
	}
	return fmt.Sprintf("telemetry line %d: %v (%q)", e.Line, e.Err, e.Text)
}

// Unwrap returns the kind.
func (e *LineError) Unwrap() error { return e.Err }

// Stats counts what a parser saw. Every line is a sample, a remark, empty, one
// of another kind, or in one of the counts of bad ones.
type Stats struct {
	Bytes   int64
	Lines   int64
	Samples int64
	Remarks int64 // and empty lines
	Others  int64 // that begin otherwise than the column list says

	Half, Noise, TooLong, Columns, Numbers, Sums, Impossible int64
}

// Bad returns the count of lines that were not used.
func (s Stats) Bad() int64 {
	return s.Half + s.Noise + s.TooLong + s.Columns + s.Numbers + s.Sums + s.Impossible
}

// missing returns in words what may be wrong where no reading has come since the counts were others.
func (s Stats) missing(before Stats) string {
	switch {
	case s.Bytes == before.Bytes:
		return "nothing came: check that the instrument runs, its plug, and the port"
	case s.Others > before.Others:
		return fmt.Sprintf("%d lines came of other kinds than the one that is meant, or said again what was known: check what it is set to send, and that it does not hang", s.Others-before.Others)
	}
	return "bytes came, but no whole line: check the baud rate"
}

// maxLine is the longest line taken, in bytes: far more than a logger with
// tens of columns sends.
const maxLine = 1024

// shownText is how much of a bad line an error shows.
const shownText = 80

// Parser makes samples of bytes as they come, however they are cut. It is for
// one goroutine.
type Parser struct {
	format *Format
	reads  decoder
	line   []byte // the unfinished line
	// skip is why what comes is thrown away up to the next line end.
	skip  error
	stats Stats
}

// NewParser returns a parser that joins a stream somewhere in a line: all up to
// the first line end is thrown away, as half a number looks like a number.
func NewParser(f *Format) *Parser {
	return &Parser{format: f, reads: f.begin(), line: make([]byte, 0, maxLine), skip: ErrHalf}
}

// Stats returns the counts so far.
func (p *Parser) Stats() Stats { return p.stats }

// Feed adds bytes that arrived at a time, and hands each line that ends in
// them to emit: as a sample, or as a [*LineError].
func (p *Parser) Feed(data []byte, at time.Time, emit func(link.Sample, error)) {
	p.stats.Bytes += int64(len(data))
	for {
		end := bytes.IndexByte(data, '\n')
		if end < 0 {
			p.gather(data)
			return
		}
		p.gather(data[:end])
		data = data[end+1:]
		p.finish(at, emit)
	}
}

// breakOff is called when the line fell silent: what is unfinished will not be
// finished, so all up to the next line end is half a line.
func (p *Parser) breakOff() {
	if len(p.line) > 0 && p.skip == nil {
		p.skip = ErrHalf
	}
}

func (p *Parser) gather(data []byte) {
	if room := maxLine - len(p.line); len(data) > room {
		data = data[:room]
		if p.skip == nil {
			p.skip = ErrTooLong
		}
	}
	p.line = append(p.line, data...)
}

// finish parses the gathered line.
func (p *Parser) finish(at time.Time, emit func(link.Sample, error)) {
	line := bytes.TrimSuffix(p.line, []byte("\r"))
	p.line = p.line[:0]
	skip := p.skip
	p.skip = nil
	p.stats.Lines++
	if skip == nil && (len(line) == 0 || line[0] == '#') {
		p.stats.Remarks++
		return
	}
	err := skip
	var d decoded
	column := ""
	if err == nil {
		d, column, err = p.reads.decode(line, at)
	}
	switch {
	case err == errPassedOver:
		p.stats.Others++
		return
	case err == nil:
		p.stats.Samples++
		emit(d.sample(at), nil)
		return
	}
	p.count(err)
	shown := line[:min(len(line), shownText)]
	emit(link.Sample{}, &LineError{Line: p.stats.Lines, Column: column, Text: string(shown), Err: err})
}

// sample returns the readings of a line as a sample.
func (d *decoded) sample(at time.Time) link.Sample {
	s := link.Sample{At: at, Values: d.values, Moved: d.moved}
	if d.fresh >= 0 && len(d.values) > 1 {
		s.Times = make([]time.Time, len(d.values))
		s.Times[d.fresh] = at
	}
	return s
}

func (p *Parser) count(err error) {
	counter := &p.stats.Impossible
	switch {
	case err == ErrHalf:
		counter = &p.stats.Half
	case err == ErrNoise:
		counter = &p.stats.Noise
	case err == ErrTooLong:
		counter = &p.stats.TooLong
	case err == ErrColumns, err == ErrBegins, err == ErrHeader, errors.As(err, new(*nmea.FormError)):
		counter = &p.stats.Columns
	case err == ErrNumber:
		counter = &p.stats.Numbers
	case err == ErrSum, err == nmea.ErrSum, err == nmea.ErrNoSum:
		counter = &p.stats.Sums
	}
	*counter++
}
