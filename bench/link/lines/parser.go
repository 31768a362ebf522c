package lines

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"time"

	"quaybench/bench/link"
)

// What can be wrong with a line. Each comes inside a [*LineError].
var (
	ErrHalf    = errors.New("half a line")
	ErrNoise   = errors.New("bytes that are no text: check baud rate and earth")
	ErrTooLong = errors.New("a line that does not end: check baud rate and column list")
	ErrColumns = errors.New("another count of columns than the column list has")
	ErrNumber  = errors.New("not a number")
	ErrSum     = errors.New("the check sum does not fit")
	ErrBegins  = errors.New("a sentence of a kind of its own, and the column list does not say which kind is meant: write how its lines begin, for example begins = \"$IIMWV\"")
)

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

// Unwrap gives the kind.
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

// Bad is the count of lines that were not used.
func (s Stats) Bad() int64 {
	return s.Half + s.Noise + s.TooLong + s.Columns + s.Numbers + s.Sums + s.Impossible
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
	line   []byte // the unfinished line
	// skip is why what comes is thrown away up to the next line end.
	skip  error
	stats Stats
}

// NewParser makes a parser that joins a stream somewhere in a line: all up to
// the first line end is thrown away, as half a number looks like a number.
func NewParser(f *Format) *Parser {
	return &Parser{format: f, line: make([]byte, 0, maxLine), skip: ErrHalf}
}

// Stats gives the counts so far.
func (p *Parser) Stats() Stats { return p.stats }

// Feed takes bytes that arrived at a time, and hands each line that ends in
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

// Break says that the line fell silent: what is unfinished will not be
// finished, so all up to the next line end is half a line.
func (p *Parser) Break() {
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

// finish takes the gathered line.
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
	if skip == nil && p.format.begins != "" && !p.format.isOurs(line) {
		p.stats.Others++
		return
	}
	values, column, err := p.parse(line, skip)
	if err == nil {
		p.stats.Samples++
		emit(link.Sample{At: at, Values: values}, nil)
		return
	}
	p.count(err)
	shown := line[:min(len(line), shownText)]
	emit(link.Sample{}, &LineError{Line: p.stats.Lines, Column: column, Text: string(shown), Err: err})
}

func (p *Parser) count(err error) {
	counter := &p.stats.Impossible
	switch err {
	case ErrHalf:
		counter = &p.stats.Half
	case ErrNoise:
		counter = &p.stats.Noise
	case ErrTooLong:
		counter = &p.stats.TooLong
	case ErrColumns, ErrBegins:
		counter = &p.stats.Columns
	case ErrNumber:
		counter = &p.stats.Numbers
	case ErrSum:
		counter = &p.stats.Sums
	}
	*counter++
}

// parse reads the columns of a whole line.
func (p *Parser) parse(line []byte, skip error) (values []float64, column string, err error) {
	if skip != nil {
		return nil, "", skip
	}
	for _, b := range line {
		if (b < ' ' || b > '~') && b != '\t' {
			return nil, "", ErrNoise
		}
	}
	if p.format.begins == "" && isSentence(line) {
		return nil, "", ErrBegins
	}
	if p.format.xor {
		var ok bool
		if line, ok = checkSum(line); !ok {
			return nil, "", ErrSum
		}
	}
	columns := p.format.columns
	values = make([]float64, len(p.format.channels))
	for i, c := range columns {
		text, rest, more := p.format.cut(line)
		if more != (i < len(columns)-1) {
			return nil, "", ErrColumns
		}
		line = rest
		if c.channel < 0 {
			continue
		}
		channel := p.format.channels[c.channel]
		number, ok := parseNumber(text)
		if !ok {
			return nil, channel.Name, ErrNumber
		}
		value := c.SI(number)
		if !(value >= c.Min && value <= c.Max) {
			return nil, channel.Name, &link.ImpossibleError{Channel: channel, Value: value, Min: c.Min, Max: c.Max}
		}
		values[c.channel] = value
	}
	return values, "", nil
}

// isOurs reports whether a line begins as the list says, up to where its first column ends.
func (f *Format) isOurs(line []byte) bool {
	rest, ok := bytes.CutPrefix(line, []byte(f.begins))
	if !ok || len(rest) == 0 {
		return ok
	}
	last := f.begins[len(f.begins)-1]
	return rest[0] == f.delimiter || f.spaces && (rest[0] == ' ' || rest[0] == '\t') || last == f.delimiter || f.spaces && last == ' '
}

// isSentence reports whether a line names its kind, as those of NMEA 0183 do ($GPRMC,...): there may be others with as
// many columns, which mean other things.
func isSentence(line []byte) bool {
	return len(line) > 1 && (line[0] == '$' || line[0] == '!') && (line[1] >= 'A' && line[1] <= 'Z' || line[1] >= 'a' && line[1] <= 'z')
}

// cut takes the first column of a line; more tells whether a delimiter followed.
func (f *Format) cut(line []byte) (column, rest []byte, more bool) {
	if f.spaces {
		line = bytes.Trim(line, " \t")
		i := bytes.IndexAny(line, " \t")
		if i < 0 {
			return line, nil, false
		}
		return line[:i], line[i:], true
	}
	column, rest, more = bytes.Cut(line, []byte{f.delimiter})
	return bytes.Trim(column, " \t"), rest, more
}

// checkSum checks and takes off *hh, and a $ at the start, which NMEA 0183
// leaves out of the sum.
func checkSum(line []byte) (body []byte, ok bool) {
	line = bytes.TrimPrefix(line, []byte("$"))
	n := len(line) - 3
	if n < 0 || line[n] != '*' {
		return nil, false
	}
	want, err := strconv.ParseUint(string(line[n+1:]), 16, 8)
	if err != nil {
		return nil, false
	}
	var sum byte
	for _, b := range line[:n] {
		sum ^= b
	}
	return line[:n], sum == byte(want)
}

// parseNumber reads a decimal number: of what strconv takes, not the words
// (inf, nan), hexadecimal or underscores.
func parseNumber(text []byte) (float64, bool) {
	for _, b := range text {
		switch {
		case b >= '0' && b <= '9', b == '.', b == '-', b == '+', b == 'e', b == 'E':
		default:
			return 0, false
		}
	}
	number, err := strconv.ParseFloat(string(text), 64)
	return number, err == nil
}
