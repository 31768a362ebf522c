package record

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"reflect"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Writer writes a record sample by sample. Every call hands over whole lines in one write, so that after a crash the
// record is whole up to its last sample. One goroutine at a time.
type Writer struct {
	to      io.Writer
	columns []column // time first
	last    float64
	cells   int
	line    []byte
}

// column is one column of the file.
type column struct {
	name  string
	scale scale
	gaps  bool // a cell may be empty
}

// NewWriter writes what stands above the rows: all of head but its samples. head.Traces says which columns there are;
// a trace with a band (Low or High not nil) has three. How many rows will follow nobody knows yet, so the file has no
// count of them. Errors are *ValueError, or the writer's own.
func NewWriter(w io.Writer, head *Run) (*Writer, error) { return newWriter(w, head, nil) }

func newWriter(w io.Writer, head *Run, rows *int) (*Writer, error) {
	out := &Writer{to: w, last: math.Inf(-1)}
	var err error
	if out.columns, err = head.columns(); err != nil {
		return nil, err
	}
	entries, err := head.head(rows)
	if err == nil && len(entries) > maxEntries {
		err = &ValueError{"the run", fmt.Sprintf("has more than %d parts and events", maxEntries)}
	}
	if err != nil {
		return nil, err
	}
	var text bytes.Buffer
	for i, e := range entries {
		line, err := sound(e)
		if err != nil {
			return nil, err
		}
		text.Write(line)
		if i == 0 {
			text.WriteString(remark)
		}
	}
	names := make([]string, len(out.columns))
	for i, c := range out.columns {
		names[i] = c.name + " [" + c.scale.unit.String() + "]"
	}
	header := csv.NewWriter(&text)
	if err := header.Write(names); err != nil {
		return nil, fmt.Errorf("record: header row: %w", err)
	}
	header.Flush()
	_, err = w.Write(text.Bytes())
	return out, err
}

// sound returns an entry's line, or a *ValueError if Read would not give the same back.
func sound(e entry) ([]byte, error) {
	line, err := e.line()
	switch {
	case err != nil:
		return nil, &ValueError{"head", err.Error()}
	case len(line) > maxLine:
		return nil, &ValueError{"head", fmt.Sprintf("holds a text of more than %d bytes", maxLine)}
	case len(line) == 0:
		return nil, nil
	}
	if back, _, err := parseEntry(line[1:]); err != nil || !reflect.DeepEqual(back, e) {
		return nil, &ValueError{"head", fmt.Sprintf("holds a text that is not UTF-8 in %s", shown(string(line)))}
	}
	return line, nil
}

// columns lists the columns of a run's file, time first.
func (r *Run) columns() ([]column, error) {
	time, err := newScale("s")
	if err != nil {
		return nil, err
	}
	list := []column{{name: "time", scale: time}}
	seen := map[string]bool{"time": true}
	for i := range r.Traces {
		t := &r.Traces[i]
		where := fmt.Sprintf("trace %q", t.Name)
		s, err := newScale(t.Unit)
		if err != nil {
			return nil, &ValueError{where, "has an " + err.Error()}
		}
		for _, name := range t.columnNames() {
			switch {
			case !nameable(name):
				return nil, &ValueError{where, "has no name that can stand in a header row"}
			case seen[name]:
				return nil, &ValueError{where, fmt.Sprintf("needs a column %q, and another has that name", name)}
			}
			seen[name] = true
			list = append(list, column{name, s, t.Gaps})
		}
	}
	if len(list) > maxColumns {
		return nil, &ValueError{"the run", fmt.Sprintf("has more than %d columns", maxColumns)}
	}
	return list, nil
}

// nameable reports whether a name can stand in a header row.
func nameable(name string) bool {
	return name != "" && name == strings.TrimSpace(name) && utf8.ValidString(name) && strings.IndexFunc(name, unicode.IsControl) < 0
}

func (t *Trace) columnNames() []string {
	if t.banded() {
		return []string{t.Name, t.Name + " low", t.Name + " high"}
	}
	return []string{t.Name}
}

// Sample writes one row: the time in seconds and a value (SI) for each trace, for one with a band its value, low and
// high. Refused, with nothing written: too few or too many values, time that goes backwards, values that are not finite.
func (w *Writer) Sample(t float64, values ...float64) error {
	if len(values) != len(w.columns)-1 {
		return &ValueError{fmt.Sprintf("the sample at %g s", t), fmt.Sprintf("has %d values for %d columns", len(values), len(w.columns)-1)}
	}
	if t < w.last {
		return &ValueError{fmt.Sprintf("the sample at %g s", t), fmt.Sprintf("is earlier than the one before, at %g s", w.last)}
	}
	if w.cells += len(w.columns); w.cells > maxCells {
		return &ValueError{"the run", fmt.Sprintf("holds more than %d values", maxCells)}
	}
	w.line = w.line[:0]
	for i := range w.columns {
		v := t
		if i > 0 {
			v = values[i-1]
			w.line = append(w.line, ',')
		}
		if math.IsNaN(v) && w.columns[i].gaps {
			continue
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return &ValueError{fmt.Sprintf("%s at %g s", w.columns[i].name, t), fmt.Sprintf("is %g; a record holds numbers only", v)}
		}
		w.line = w.columns[i].scale.append(w.line, v)
	}
	w.line = append(w.line, '\n')
	w.last = t
	_, err := w.to.Write(w.line)
	return err
}

// Event writes an event, whenever it becomes known: Read puts the events in time order.
func (w *Writer) Event(e Event) error {
	line, err := eventOf(&e)
	if err != nil {
		return err
	}
	return w.entry(line)
}

func (w *Writer) entry(e entry) error {
	line, err := sound(e)
	if err != nil {
		return err
	}
	_, err = w.to.Write(line)
	return err
}

// Write writes a whole run, with the number of its rows. Read gives it back, to the last bit of every number. Errors are *ValueError for a run that
// no file can hold (then something may already be written), or the writer's own.
func Write(w io.Writer, r *Run) error {
	buffered := bufio.NewWriter(w)
	rows := len(r.Time)
	out, err := newWriter(buffered, r, &rows)
	if err != nil {
		return err
	}
	var series [][]float64
	for i := range r.Traces {
		t := &r.Traces[i]
		series = append(series, t.Values)
		if t.banded() {
			series = append(series, t.Low, t.High)
		}
	}
	for i, s := range series {
		if len(s) != len(r.Time) {
			return &ValueError{fmt.Sprintf("column %q", out.columns[i+1].name), fmt.Sprintf("has %d values for %d instants", len(s), len(r.Time))}
		}
	}
	values := make([]float64, len(series))
	for k, t := range r.Time {
		for i, s := range series {
			values[i] = s[k]
		}
		if err := out.Sample(t, values...); err != nil {
			return err
		}
	}
	return buffered.Flush()
}
