package learn

import "slices"

// Repeats reports whether two records hold the same readings at the same seconds in every channel that was measured in both: one
// measurement, kept or typed in twice under whatever name and date.
func (r *Record) Repeats(o *Record) bool {
	if !slices.Equal(r.Run.Time, o.Run.Time) {
		return false
	}
	common := false
	for _, a := range r.Run.Traces {
		b, ok := o.Run.Trace(a.Name)
		if !ok || a.Inferred || b.Inferred {
			continue
		}
		if !slices.EqualFunc(a.Values, b.Values, func(x, y float64) bool { return x == y || x != x && y != y }) {
			return false
		}
		common = true
	}
	return common
}

// repeated returns an error where one of some records repeats a record: counted twice, chance would look half as large as it is.
func repeated(r *Record, before []*Record) error {
	for _, o := range before {
		if r.Repeats(o) {
			return &UselessError{r.Name, "it holds the same readings as " + o.Name + ", which count once: leave one of the two out"}
		}
	}
	return nil
}
