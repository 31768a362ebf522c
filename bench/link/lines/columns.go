package lines

import (
	"bytes"
	"math"
	"regexp"
	"strconv"
	"time"
	"unicode"
	"unicode/utf8"

	"quaybench/bench/link"
	"quaybench/bench/link/nmea"
)

// decode reads the columns of a line.
func (f *columns) decode(line []byte, at time.Time) (d decoded, column string, err error) {
	fail := func(column string, err error) (decoded, string, error) { return decoded{}, column, err }
	if f.header != "" && string(bytes.TrimSpace(line)) == f.header {
		return fail("", errPassedOver)
	}
	if f.begins != "" && !f.isOurs(line) {
		return fail("", errPassedOver)
	}
	if f.header != "" && f.isHeader(line) {
		return fail("", ErrHeader)
	}
	if err := printable(line); err != nil {
		return fail("", err)
	}
	if f.begins == "" && isSentence(line) {
		return fail("", ErrBegins)
	}
	if f.xor {
		var ok bool
		if line, ok = checkSum(line); !ok {
			return fail("", ErrSum)
		}
	}
	d = decoded{values: make([]float64, len(f.channels)), fresh: -1}
	for i, c := range f.list {
		text, rest, more := f.cut(line)
		if more != (i < len(f.list)-1) {
			return fail("", ErrColumns)
		}
		line = rest
		if c.clock {
			d.moved = f.clock.tell(f.clockShows(&c, text), at)
		}
		if c.channel < 0 {
			continue
		}
		channel := f.channels[c.channel]
		number, ok := f.number(text)
		if !ok {
			return fail(channel.Name, ErrNumber)
		}
		value := c.SI(number)
		if !(value >= c.Min && value <= c.Max) {
			return fail(channel.Name, &link.ImpossibleError{Channel: channel, Value: value, Min: c.Min, Max: c.Max})
		}
		d.values[c.channel] = value
	}
	return d, "", nil
}

// ofDay is a time of day, with what may stand before and after it.
var ofDay = regexp.MustCompile(`(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?`)

// clockShows returns what the column of a clock shows. It may show the same for what its last digit counts: a minute where it shows hours and
// minutes, a second where it shows no more.
func (f *columns) clockShows(c *column, text []byte) shows {
	now := shows{text: string(text), step: time.Second}
	last := func(text []byte) float64 { // digits behind the point
		if i := bytes.LastIndexAny(text, ".,"); i >= 0 {
			return math.Pow10(-(len(text) - i - 1))
		}
		return 1
	}
	if part := ofDay.FindSubmatch(text); part != nil {
		now.read, now.rate = true, true
		for i, unit := range []float64{3600, 60, 1} {
			n, _ := parseNumber(bytes.ReplaceAll(part[i+1], []byte{','}, []byte{'.'}))
			now.seconds += n * unit
		}
		now.step = time.Duration(last(part[3]) * float64(time.Second))
		if len(part[3]) == 0 {
			now.step = time.Minute
		}
		return now
	}
	n, ok := f.number(text)
	now.read, now.rate, now.seconds = ok, ok && !c.counts, n*c.second
	now.step = time.Duration(last(text) * c.second * float64(time.Second))
	return now
}

// isHeader reports whether a line is a list of names: as many columns as there are, none of them a number, each with a letter.
func (f *columns) isHeader(line []byte) bool {
	if !utf8.Valid(line) {
		return false
	}
	n := 0
	for more := true; more; {
		var text []byte
		text, line, more = f.cut(line)
		if _, is := f.number(text); is || bytes.IndexFunc(text, unicode.IsLetter) < 0 {
			return false
		}
		n++
	}
	return n > 1
}

// number reads a number as the lines write it.
func (f *columns) number(text []byte) (float64, bool) {
	if !f.comma {
		return parseNumber(text)
	}
	if bytes.IndexByte(text, '.') >= 0 {
		return 0, false
	}
	return parseNumber(bytes.ReplaceAll(text, []byte{','}, []byte{'.'}))
}

// printable reports a byte that no text has.
func printable(line []byte) error {
	for _, b := range line {
		if (b < ' ' || b > '~') && b != '\t' {
			return ErrNoise
		}
	}
	return nil
}

// isOurs reports whether a line begins as the list says, up to where its first column ends.
func (f *columns) isOurs(line []byte) bool {
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

// cut returns the first column of a line and the rest; more reports whether a delimiter followed.
func (f *columns) cut(line []byte) (column, rest []byte, more bool) {
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
	return line[:n], nmea.CheckSum(line[:n]) == byte(want)
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
