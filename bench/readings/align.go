package readings

import (
	"fmt"
	"math"

	"quaybench/bench/quantity"
)

// longestPause is the time between the end of one file and the beginning of the next, by their clocks, from which on they are hardly one outing, s.
const longestPause = 1800.0

// Align puts the rows of the files of one record on one clock, whose zero is the record's begin. Files that all tell the time of day lie beside each other as they
// tell; any other begins where it begins. Rows that a shift puts before the record's begin are left out by name.
func Align(files []*Understood) error {
	ofDay, dated := len(files) > 1, true
	for _, u := range files {
		ofDay = ofDay && u.ofDay
		dated = dated && u.dated
	}
	begins := make([]float64, len(files)) // of the first row by the clock of all
	first := math.Inf(1)
	for i, u := range files {
		if u.aligned {
			return nil
		}
		if begins[i] = u.start; ofDay && !dated {
			begins[i] = math.Mod(u.start, 24*3600)
		}
		begins[i] += u.Run.Time[0]
		first = min(first, begins[i])
	}
	if ofDay {
		if err := oneOuting(files, begins); err != nil {
			return err
		}
	}
	for i, u := range files {
		u.aligned = true
		if ofDay {
			u.move(begins[i] - first - u.Run.Time[0])
		}
		if err := u.dropEarly(); err != nil {
			return err
		}
	}
	return nil
}

// oneOuting reports files that no other overlaps or joins within half an hour.
func oneOuting(files []*Understood, begins []float64) error {
	ends := make([]float64, len(files))
	for i, u := range files {
		ends[i] = begins[i] + u.Run.Time[len(u.Run.Time)-1] - u.Run.Time[0]
	}
	for i, u := range files {
		before, until := -1, math.Inf(-1) // the file that ends last of those that begin before
		for k := range files {
			if begins[k] < begins[i] && ends[k] > until {
				before, until = k, ends[k]
			}
		}
		if pause := begins[i] - until; before >= 0 && pause > longestPause {
			return fmt.Errorf("by their clocks %s begins %s after %s ends: where a clock is off (another zone, summer time) move it with --shift; two outings are two records", u.Name, quantity.FormatTime(pause), files[before].Name)
		}
	}
	return nil
}

// move moves all rows by a time, s.
func (u *Understood) move(by float64) {
	for i := range u.Run.Time {
		u.Run.Time[i] += by
	}
	u.GapAt += by
}

// dropEarly leaves out the rows before the record's begin.
func (u *Understood) dropEarly() error {
	n := 0
	for n < len(u.Run.Time) && u.Run.Time[n] < 0 {
		u.LeftOut = append(u.LeftOut, Row{u.lines[n], "it lies before the record's begin, where the shift of its clock puts it"})
		n++
	}
	if n == 0 {
		return nil
	}
	if u.Rows -= n; u.Rows < 2 {
		return &Error{u.Name, "its shift leaves fewer than 2 rows after the record's begin"}
	}
	u.Run.Time, u.lines = u.Run.Time[n:], u.lines[n:]
	for i := range u.Run.Traces {
		u.Run.Traces[i].Values = u.Run.Traces[i].Values[n:]
	}
	return nil
}

// AlsoIn remarks on a trace that a file named before has too.
func (u *Understood) AlsoIn(trace string) {
	for i := range u.Columns {
		if c := &u.Columns[i]; c.Is != Ignore && c.Is != Time && c.Is != Date && traceOf(c.Is) == trace && c.Note == "" {
			c.Note = "counts where no file named before it has this"
		}
	}
}
