package bench

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"quaybench/bench/learn"
	"quaybench/bench/record"
)

// Learn finds the values of the boat that records tell, and what becomes of its margins: files that the command line names, records of
// step tests or readings as Readings takes them.
func (s *Script) Learn(names ...string) (*Learned, error) {
	records, err := s.records(names)
	if err != nil {
		return nil, err
	}
	if len(records) == 0 {
		return nil, fmt.Errorf("name one record or more to learn from: a file that the command line names")
	}
	return Learn(s.host.Context(), s.Setup, records, nil)
}

// Drift learns from the boat's records together, those that its book keeps and those named, and follows over them each value that wears.
func (s *Script) Drift(names ...string) (*Drifted, error) {
	records, err := s.records(names)
	if err != nil {
		return nil, err
	}
	var leftOut []string
	if s.host.Records != nil {
		if records, leftOut, err = s.host.Records(s.host.Context(), s.Setup, records); err != nil {
			return nil, err
		}
	}
	d, err := FindDrift(s.host.Context(), s.Setup, records)
	if err != nil {
		return nil, err
	}
	d.LeftOut = append(d.LeftOut, leftOut...)
	return d, nil
}

// Sheet lays out the readings of a trial, to be read by hand with some meters (none: those most people have), with what the boat file
// predicts for each: the name of a built-in trial, or of a trial file that the command line names.
func (s *Script) Sheet(trial string, meters ...string) (*Sheet, error) {
	t, err := s.host.Trial(trial)
	if err != nil {
		return nil, err
	}
	return MakeSheet(s.host.Context(), s.Setup, t, meters)
}

// Next asks which of the built-in trials narrows the tightest margin most, with the meters at hand; none: with sets that people usually have.
func (s *Script) Next(meters ...string) (*NextTests, error) {
	return FindNextTests(s.host.Context(), s.Setup, NextOptions{Meters: meters})
}

// records reads records and readings of the boat.
func (s *Script) records(names []string) (list []*learn.Record, err error) {
	for _, name := range names {
		r, err := s.record(name)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// record reads a record of the boat, or readings as one.
func (s *Script) record(name string) (*learn.Record, error) {
	text, err := s.file(name)
	if err != nil {
		return nil, err
	}
	if _, wrong := record.Read(name, bytes.NewReader(text)); wrong != nil {
		logged, err := s.Readings(name)
		if err != nil {
			return nil, fmt.Errorf("%w; and it is no record of this tool: %w", err, wrong)
		}
		var out bytes.Buffer
		if err := record.Write(&out, logged.Run); err != nil {
			return nil, err
		}
		text = out.Bytes()
	}
	return ReadRecord(s.Setup, name, text, nil)
}

// Summary returns what was learned in a few lines: the values that the records tell, with their 95 % intervals, the margins, and the caution.
func (l *Learned) Summary() string {
	var b strings.Builder
	for i := range l.Values {
		v := &l.Values[i]
		if !v.Told {
			continue
		}
		unit := v.Unit
		if v.Factor {
			unit = "%"
		}
		fmt.Fprintf(&b, "%s: %s before, now %s (%s to %s)", v.Name(), Format(v.Before, unit), Format(v.After, unit), Format(v.Low, unit), Format(v.High, unit))
		if ok, why := l.Counts(v); !ok {
			fmt.Fprintf(&b, "; not to be written: %s", why)
		}
		b.WriteString("\n")
	}
	for _, m := range l.Meters {
		b.WriteString(m + "\n")
	}
	for _, m := range l.Margins {
		fmt.Fprintf(&b, "margin of the %s in %s: %s ± %s, now %s ± %s\n", m.Part, m.Trial, Format(m.Before, m.Unit), Format(m.Around, m.Unit), Format(m.After, m.Unit), Format(m.AroundNow, m.Unit))
	}
	b.WriteString(CautionLines() + "\n")
	return b.String()
}

// Summary returns a drift in a few lines: what moved beyond chance, when it reaches a limit, and the caution.
func (d *Drifted) Summary() string {
	var b strings.Builder
	moved := 0
	for i := range d.Tracks {
		t := &d.Tracks[i]
		if !t.Moved {
			continue
		}
		moved++
		unit, n := t.Unit, len(t.Value)-1
		if t.Factor {
			unit = "%"
		}
		fmt.Fprintf(&b, "%s moved: %s, then %s", t.Key, Format(t.Value[0], unit), Format(t.Value[n], unit))
		if len(t.Like) > 0 {
			fmt.Fprintf(&b, " (or, in its place, %s)", strings.Join(t.Like, ", "))
		}
		if t.Cause != "" {
			b.WriteString(": " + t.Cause)
			if t.Returned {
				b.WriteString(" and back again")
			}
		}
		if text := d.AtOnce(t, time.DateOnly); text != "" {
			b.WriteString("; at once, " + text)
		}
		if text := d.Reaches(t, time.DateOnly); text != "" {
			b.WriteString("; " + text)
		}
		b.WriteString("\n")
	}
	if moved == 0 {
		fmt.Fprintf(&b, "nothing moved beyond chance over %d records\n", len(d.Records))
	}
	for _, why := range d.LeftOut {
		fmt.Fprintf(&b, "left out: %s\n", why)
	}
	b.WriteString(CautionLines() + "\n")
	return b.String()
}
