package bench

import (
	"errors"
	"fmt"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/verdict"
)

// A Sweep is a table of one or two keys: a row for each value, or each pair of values, that was tried.
type Sweep struct {
	Keys []string
	Rows []SweepRow
}

// A SweepRow is the outcome of one row.
type SweepRow struct {
	Values []string // as they were given, by Keys
	Level  verdict.Level
	First  string  // the part that is nearest its limit, or over it
	Used   float64 // share of the limit of that part
	Energy float64 // drawn from the battery, J
}

// Sweep simulates a programme with each value of whatever With takes (a setting, a value of the boat file, air, water or charge), or each
// pair of values of two: s.Sweep(p, "limits.motor_current",
// "140 A, 160 A, 180 A") or s.Sweep(p, "limits.motor_current", "140 A, 160 A", "ramp.rise", "1 s, 2 s"). Each value has its unit.
func (s *Script) Sweep(p *Programme, key, values string, second ...string) (*Sweep, error) {
	if len(second) != 0 && len(second) != 2 {
		return nil, errors.New("a sweep takes a setting and its values, and may take one more of both")
	}
	if len(second) == 2 && s.Setup.Variant().Name(second[0]) == s.Setup.Variant().Name(key) {
		return nil, fmt.Errorf("%s stands twice: a sweep takes one key, or two that differ", key)
	}
	t := &Sweep{Keys: []string{key}}
	inner := []string{""}
	if len(second) == 2 {
		t.Keys = append(t.Keys, second[0])
		inner = strings.Split(second[1], ",")
	}
	for _, v := range strings.Split(values, ",") {
		first, err := s.With(key, strings.TrimSpace(v))
		if err != nil {
			return nil, err
		}
		for _, w := range inner {
			run, row := first, SweepRow{Values: []string{strings.TrimSpace(v)}}
			if len(second) == 2 {
				row.Values = append(row.Values, strings.TrimSpace(w))
				if run, err = first.With(second[0], strings.TrimSpace(w)); err != nil {
					return nil, err
				}
			}
			r, err := run.Simulate(p)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", strings.Join(row.Values, ", "), err)
			}
			row.Level, row.Energy = r.Verdict.Level, r.Run.Energy.Battery
			for _, part := range r.Verdict.Parts {
				if part.Used > row.Used || row.First == "" {
					row.First, row.Used = part.Name, part.Used
				}
			}
			t.Rows = append(t.Rows, row)
		}
	}
	return t, nil
}

// Cheapest returns the row of least energy among those that stay clear; it is an error where none does.
func (t *Sweep) Cheapest() (SweepRow, error) {
	var best *SweepRow
	for i, r := range t.Rows {
		if r.Level == verdict.Clear && (best == nil || r.Energy < best.Energy) {
			best = &t.Rows[i]
		}
	}
	if best == nil {
		return SweepRow{Level: verdict.NotJudged}, errors.New("none of the values stays clear")
	}
	return *best, nil
}

// String returns the table as text, with the caution.
func (t *Sweep) String() string {
	var b strings.Builder
	for _, k := range t.Keys {
		fmt.Fprintf(&b, "%-24s", k)
	}
	fmt.Fprintf(&b, "%-8s%-24s%10s%14s\n", "verdict", "nearest its limit", "of limit", "energy")
	for _, r := range t.Rows {
		for _, v := range r.Values {
			fmt.Fprintf(&b, "%-24s", v)
		}
		fmt.Fprintf(&b, "%-8v%-24s%8.0f %%%14s\n", r.Level, r.First, 100*r.Used, quantity.FormatAuto(r.Energy, "J"))
	}
	b.WriteString(CautionLines() + "\n")
	return b.String()
}
