package learn

import (
	"math"
	"slices"

	"quaybench/bench/record"
)

// sameShare is the share of common readings that are equal from which on two records are one measurement, of those that change from row to row: typed in again with a slip put right, or with rows left out. Two
// outings by the same programme have far fewer in common, since meters with few digits repeat themselves by chance (common practice, no source).
const sameShare = 0.8

// Repeats reports whether two records hold the same readings at the same seconds in the channels that were measured in both, all but a few: one
// measurement, kept or typed in twice under whatever name and date.
func (r *Record) Repeats(o *Record) bool {
	same, all, rows := 0, 0, 0
	for i, t := range r.Run.Time {
		k, both := slices.BinarySearch(o.Run.Time, t)
		if !both {
			continue
		}
		rows++
		for _, a := range r.Run.Traces {
			b, ok := o.Run.Trace(a.Name)
			if !ok || a.Inferred || b.Inferred || a.Name == record.Lever || math.IsNaN(a.Values[i]) && math.IsNaN(b.Values[k]) {
				continue
			}
			if i > 0 && k > 0 && a.Values[i] == a.Values[i-1] && b.Values[k] == b.Values[k-1] {
				continue // what rests looks alike on any day
			}
			if all++; a.Values[i] == b.Values[k] {
				same++
			}
		}
	}
	shorter := min(len(r.Run.Time), len(o.Run.Time))
	return all > 0 && 2*rows >= shorter && float64(same) >= sameShare*float64(all)
}

// repeated returns an error where one of some records repeats a record: counted twice, chance would look half as large as it is.
func repeated(r *Record, before []*Record) error {
	for _, o := range before {
		if r.Repeats(o) {
			name := o.Name
			if name == r.Name {
				name = "another record of that name"
			}
			return &UselessError{r.Name, "it holds the same readings as " + name + ", all of them or nearly, which count once: leave one of the two out"}
		}
	}
	return nil
}
