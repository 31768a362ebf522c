package record

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"
)

// Read reads a record; name is what errors call it. A file of any origin will do as long as its header row names
// columns and units and the first is the time. Errors are *FormatError, or the reader's own.
//
// A file that ends within a line, or has fewer rows than its head counts, was cut off: by a crash, a full disk, a pulled
// plug. What is there is read, and an event of the device "record" says what was lost. It says so too of more rows than
// counted.
func Read(name string, rd io.Reader) (*Run, error) {
	p := parser{file: name, run: new(Run), declared: map[string]traceEntry{}, gaps: map[*[]float64]bool{}}
	lines := bufio.NewReaderSize(rd, 64<<10)
	for {
		text, whole, err := nextLine(lines)
		p.line++
		switch {
		case errors.Is(err, errLong):
			return nil, p.fail(0, "this line is longer than %d bytes: it is no record", maxLine)
		case err != nil && !errors.Is(err, io.EOF):
			return nil, fmt.Errorf("%s cannot be read: %w", printable(name), err)
		}
		if !whole {
			return p.finish(len(text) > 0)
		}
		if err := p.take(text); err != nil {
			return nil, err
		}
	}
}

var errLong = errors.New("line too long")

// nextLine reads a line without its end; whole is false where the file ends within it.
func nextLine(rd *bufio.Reader) (line []byte, whole bool, err error) {
	for {
		part, err := rd.ReadSlice('\n')
		line = append(line, part...)
		switch {
		case len(line) > maxLine+2:
			return nil, false, errLong
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case err != nil:
			return line, false, err
		}
		return bytes.TrimSuffix(line[:len(line)-1], []byte("\r")), true, nil
	}
}

// parser is a record being read.
type parser struct {
	file     string
	line     int
	text     []byte
	run      *Run
	declared map[string]traceEntry
	gaps     map[*[]float64]bool // the series in which a cell may be empty
	columns  []column
	series   []*[]float64
	entries  int
	rows     *int // as the head counts them
}

// fail returns an error at a byte of the present line.
func (p *parser) fail(offset int, format string, args ...any) error {
	column := 1 + utf8.RuneCount(p.text[:min(max(offset, 0), len(p.text))])
	return &FormatError{p.file, p.line, column, fmt.Sprintf(format, args...)}
}

// take parses one whole line.
func (p *parser) take(text []byte) error {
	if p.line == 1 {
		text = bytes.TrimPrefix(text, []byte("\ufeff")) // a byte-order mark, as some spreadsheets write
	}
	p.text = text
	switch {
	case len(bytes.TrimSpace(text)) == 0, bytes.HasPrefix(text, []byte("##")):
		return nil
	case text[0] == '#':
		return p.comment(text[1:])
	case p.columns == nil:
		return p.header()
	}
	return p.row()
}

func (p *parser) comment(text []byte) error {
	if p.entries++; p.entries > maxEntries {
		return p.fail(0, "there are more than %d comment lines", maxEntries)
	}
	e, offset, err := parseEntry(text)
	if err != nil {
		return p.fail(offset+1, "%v", err)
	}
	if e.Rows != nil {
		if *e.Rows < 0 || p.columns != nil {
			return p.fail(1, "the number of rows is 0 or more, and stands above the header row")
		}
		p.rows = e.Rows
	}
	if t := e.Trace; t != nil {
		if p.columns != nil {
			return p.fail(0, "what is said of a trace must stand above the header row")
		}
		p.declared[t.Name] = *t
		return nil
	}
	if quote, err := p.run.merge(&e); err != nil {
		return p.fail(max(bytes.Index(p.text, []byte(quote)), 0), "%v", err)
	}
	return nil
}

// header reads the header row.
func (p *parser) header() error {
	rd := csv.NewReader(bytes.NewReader(p.text))
	cells, err := rd.Read()
	if err != nil {
		var wrong *csv.ParseError
		if errors.As(err, &wrong) {
			return p.fail(wrong.Column-1, "%v", wrong.Err)
		}
		return p.fail(0, "this is no header row: %v", err)
	}
	if len(cells) > maxColumns {
		return p.fail(0, "there are more than %d columns", maxColumns)
	}
	at := func(i int) int { _, column := rd.FieldPos(i); return column - 1 }
	if i := bytes.IndexByte(p.text, ';'); len(cells) == 1 && i >= 0 {
		return p.fail(i, "set commas between columns, and write numbers with a decimal point")
	}
	seen := map[string]bool{}
	for i, cell := range cells {
		c, err := parseColumn(cell)
		switch {
		case err != nil:
			return p.fail(at(i), "%v", err)
		case i == 0 && (c.name != "time" || c.scale.unit.Name() != "time"):
			return p.fail(at(i), "the first column is the time, as in \"time [s]\", not %s", shown(cell))
		case seen[c.name]:
			return p.fail(at(i), "two columns are called %s", shown(c.name))
		}
		seen[c.name] = true
		p.columns = append(p.columns, c)
	}
	return p.arrange(at)
}

// parseColumn reads a cell of the header row: a name and a unit in brackets.
func parseColumn(cell string) (column, error) {
	cell = strings.TrimSpace(cell)
	i := strings.LastIndex(cell, "[")
	switch {
	case i < 0 || !strings.HasSuffix(cell, "]"):
		return column{}, fmt.Errorf("the column %s names no unit; write it behind the name, as in \"voltage [V]\"", shown(cell))
	}
	name := strings.TrimSpace(cell[:i])
	if !nameable(name) {
		return column{}, fmt.Errorf("the column %s has no name that can be shown", shown(cell))
	}
	s, err := newScale(cell[i+1 : len(cell)-1])
	if err != nil {
		return column{}, fmt.Errorf("column %s: %w", shown(name), err)
	}
	return column{name: name, scale: s}, nil
}

// arrange creates the traces of the columns.
func (p *parser) arrange(at func(int) int) error {
	r := p.run
	p.series = []*[]float64{&r.Time}
	r.Traces = make([]Trace, 0, len(p.columns)) // the pointers into it must hold
	for i := 1; i < len(p.columns); i++ {
		c := p.columns[i]
		d := p.declared[c.name]
		delete(p.declared, c.name)
		r.Traces = append(r.Traces, Trace{Name: c.name, Unit: c.scale.unit.String(), Inferred: d.Inferred, Gaps: d.Gaps, Source: d.Source})
		t := &r.Traces[len(r.Traces)-1]
		var err error
		if t.Meter, err = d.readMeter(t.Unit); err != nil {
			return p.fail(at(i), "the meter of the trace %s: %v", shown(c.name), err)
		}
		if d.Gaps {
			p.gaps[&t.Values] = true
		}
		p.series = append(p.series, &t.Values)
		if !d.Band {
			continue
		}
		t.Low, t.High = []float64{}, []float64{}
		if d.Gaps {
			p.gaps[&t.Low], p.gaps[&t.High] = true, true
		}
		p.series = append(p.series, &t.Low, &t.High)
		for k, name := range t.columnNames()[1:] {
			if i+1+k >= len(p.columns) || p.columns[i+1+k].name != name {
				return p.fail(at(i), "the trace %s has a band, so a column %s belongs behind it", shown(c.name), shown(name))
			}
		}
		i += 2
	}
	for _, name := range slices.Sorted(maps.Keys(p.declared)) {
		return p.fail(0, "there is no column for the trace %s that is spoken of above", shown(name))
	}
	return nil
}

// row reads one sample.
func (p *parser) row() error {
	if cells := (len(p.run.Time) + 1) * len(p.columns); cells > maxCells {
		return p.fail(0, "the record holds more than %d values", maxCells)
	}
	rest, offset := p.text, 0
	for i := range p.columns {
		cell, after, more := bytes.Cut(rest, []byte(","))
		if more != (i < len(p.columns)-1) {
			return p.fail(offset, "this row has %d columns, the header row has %d", 1+bytes.Count(p.text, []byte(",")), len(p.columns))
		}
		number := bytes.Trim(cell, " \t\"") // some spreadsheets quote numbers
		v, err := p.columns[i].scale.value(string(number))
		if len(number) == 0 && p.gaps[p.series[i]] {
			v, err = math.NaN(), nil
		}
		if err != nil {
			return p.fail(offset, "column %s: %v", shown(p.columns[i].name), err)
		}
		if n := len(p.run.Time); i == 0 && n > 0 && v < p.run.Time[n-1] {
			return p.fail(offset, "time goes backwards: %g s comes after %g s", v, p.run.Time[n-1])
		}
		*p.series[i] = append(*p.series[i], v)
		rest, offset = after, offset+len(cell)+1
	}
	return nil
}

// finish closes the reading; torn says that the file ended within a line.
func (p *parser) finish(torn bool) (*Run, error) {
	r := p.run
	if p.columns == nil {
		p.text = nil
		return nil, p.fail(0, "there is no header row: the file is no record, or was cut off before its first sample")
	}
	last, n := 0.0, len(r.Time)
	if n > 0 {
		last = r.Time[n-1]
	}
	what := ""
	switch {
	case torn:
		what = fmt.Sprintf("the file was cut off within line %d: what came after %.6g s is lost", p.line, last)
	case p.rows == nil:
		r.Uncounted = true
	case n < *p.rows:
		what = fmt.Sprintf("the file was cut off: it has %d of its %d rows, and what came after %.6g s is lost", n, *p.rows, last)
	case n > *p.rows:
		what = fmt.Sprintf("the file has %d rows where its head counts %d: it was changed after it was written", n, *p.rows)
	}
	if what != "" {
		r.Events = append(r.Events, Event{At: last, Device: "record", Kind: Note, What: what})
	}
	sort.SliceStable(r.Events, func(i, j int) bool { return r.Events[i].At < r.Events[j].At })
	return r, nil
}
