package record

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"quaybench/bench/quantity"
)

// Difference is how far a trace of one run lies from the same trace of another, b less a, over the time both cover.
type Difference struct {
	Trace   string
	Unit    string  // it is shown in; values are SI, of a temperature in kelvin
	Largest float64 // the largest difference by size, with its sign
	At      float64 // when, s
	RMS     float64 // root of the mean square over time, or of b's samples

	time, delta []float64 // straight between, and two at an instant where one of the runs jumps; or b's samples alone
	a, b        []float64
	low, high   []float64 // a's band; nil where it has none
	alone       bool      // nothing is known between the instants
}

// CompareError is a comparison that cannot be made.
type CompareError struct{ Reason string }

func (e *CompareError) Error() string { return "runs cannot be compared: " + e.Reason }

// Compare compares the named traces of two runs, or with no names all that both have, in a's order. Between samples
// either run is taken as straight. Errors are *CompareError: a trace that one run lacks, one of another kind in the
// other, no trace or no time in common.
func Compare(a, b *Run, traces ...string) ([]Difference, error) { return compare(a, b, false, traces) }

// CompareSamples compares as Compare does, but at the samples of b only: b was measured, and what went on between two of its
// samples (a person reads the meters once a hold; a computer slept) nobody knows.
func CompareSamples(a, b *Run, traces ...string) ([]Difference, error) {
	return compare(a, b, true, traces)
}

func compare(a, b *Run, alone bool, traces []string) ([]Difference, error) {
	if len(traces) == 0 {
		for i := range a.Traces {
			if _, ok := b.Trace(a.Traces[i].Name); ok {
				traces = append(traces, a.Traces[i].Name)
			}
		}
	}
	if len(traces) == 0 {
		return nil, &CompareError{"they have no trace in common"}
	}
	times, err := commonTimes(a, b)
	if err != nil {
		return nil, err
	}
	var out []Difference
	for _, name := range traces {
		of, ok := a.Trace(name)
		with, also := b.Trace(name)
		if !ok || !also {
			return nil, &CompareError{fmt.Sprintf("not both have a trace %q", name)}
		}
		if !sameKind(of.Unit, with.Unit) {
			return nil, &CompareError{fmt.Sprintf("the trace %q is in %s in one and in %s in the other", name, of.Unit, with.Unit)}
		}
		d := Difference{Trace: name, Unit: of.Unit, alone: alone}
		d.time, d.a = a.straight(times, of)
		_, d.b = b.straight(times, with)
		if of.Low != nil && of.High != nil {
			_, d.low = straight(times, a.Time, of.Low)
			_, d.high = straight(times, a.Time, of.High)
		}
		if alone {
			if d.keep(b.Time); len(d.time) == 0 {
				return nil, &CompareError{"one of them has no sample within the time of the other"}
			}
		}
		d.measure()
		out = append(out, d)
	}
	return out, nil
}

// commonTimes returns all instants of both runs within the time both cover.
func commonTimes(a, b *Run) ([]float64, error) {
	if len(a.Time) == 0 || len(b.Time) == 0 {
		return nil, &CompareError{"one of them has no sample"}
	}
	from := max(a.Time[0], b.Time[0])
	to := min(a.Time[len(a.Time)-1], b.Time[len(b.Time)-1])
	if from > to {
		return nil, &CompareError{fmt.Sprintf("one ends at %.6g s, before the other begins at %.6g s", to, from)}
	}
	times := []float64{from, to}
	for _, r := range []*Run{a, b} {
		for _, t := range r.Time {
			if t > from && t < to {
				times = append(times, t)
			}
		}
	}
	slices.Sort(times)
	return slices.Compact(times), nil
}

func sameKind(a, b string) bool {
	u, err := quantity.ParseUnit(a)
	v, other := quantity.ParseUnit(b)
	return a == b || err == nil && other == nil && u.Name() == v.Name()
}

// straight returns what the function straight does, for a trace of the run, which may have gaps.
func (r *Run) straight(times []float64, tr *Trace) (ends, out []float64) {
	at, values := r.known(tr)
	if len(at) == len(r.Time) {
		return straight(times, at, values)
	}
	whole := make([]float64, len(r.Time))
	for i, t := range r.Time {
		whole[i] = r.At(tr, t)
	}
	return straight(times, r.Time, whole)
}

// straight returns a trace at both ends of each stretch between the times, so that a jump at an instant has both sides.
func straight(times, at, values []float64) (ends, out []float64) {
	if len(times) == 1 {
		i := min(sort.SearchFloat64s(at, times[0]), len(at)-1)
		return times, []float64{values[i]}
	}
	for k := 1; k < len(times); k++ {
		t0, t1 := times[k-1], times[k]
		i := sort.SearchFloat64s(at, t1) // no sample lies inside the stretch, so the one before is at t0 or earlier
		slope := (values[i] - values[i-1]) / (at[i] - at[i-1])
		ends = append(ends, t0, t1)
		out = append(out, values[i-1]+slope*(t0-at[i-1]), values[i]-slope*(at[i]-t1))
	}
	return ends, out
}

// keep reduces both curves to these instants: after a jump.
func (d *Difference) keep(instants []float64) {
	var kept []int
	for _, t := range instants {
		if i := sort.SearchFloat64s(d.time, t); i < len(d.time) && d.time[i] == t {
			for i+1 < len(d.time) && d.time[i+1] == t {
				i++
			}
			if len(kept) == 0 || kept[len(kept)-1] != i {
				kept = append(kept, i)
			}
		}
	}
	for _, list := range []*[]float64{&d.time, &d.a, &d.b, &d.low, &d.high} {
		if *list == nil {
			continue
		}
		var some []float64
		for _, i := range kept {
			some = append(some, (*list)[i])
		}
		*list = some
	}
}

// measure fills in what follows from the two curves.
func (d *Difference) measure() {
	d.At = d.time[0]
	for i := range d.time {
		d.delta = append(d.delta, d.b[i]-d.a[i])
		if math.Abs(d.delta[i]) > math.Abs(d.Largest) {
			d.Largest, d.At = d.delta[i], d.time[i]
		}
	}
	var square float64
	if d.alone || len(d.time) == 1 {
		for _, x := range d.delta {
			square += x * x
		}
		d.RMS = math.Sqrt(square / float64(len(d.delta)))
		return
	}
	for i := 1; i < len(d.time); i += 2 { // the square of a straight line, integrated exactly
		x, y := d.delta[i-1], d.delta[i]
		square += (d.time[i] - d.time[i-1]) * (x*x + x*y + y*y) / 3
	}
	d.RMS = math.Sqrt(square / (d.time[len(d.time)-1] - d.time[0]))
}

// Parted returns the first instant from which the difference is more than a band (SI) in size; ok is false if it never is.
func (d *Difference) Parted(band float64) (at float64, ok bool) {
	return d.first(func(i int) float64 { return math.Abs(d.delta[i]) - band })
}

// LeftBand returns the first instant from which b lies outside a's own band; ok is false if it never does or a has none.
func (d *Difference) LeftBand() (at float64, ok bool) {
	if d.low == nil {
		return 0, false
	}
	return d.first(func(i int) float64 { return max(d.low[i]-d.b[i], d.b[i]-d.high[i]) })
}

// first returns when an excess, straight between the instants, first rises above zero.
func (d *Difference) first(excess func(i int) float64) (at float64, ok bool) {
	for i := range d.time {
		after := excess(i)
		if after <= 0 {
			continue
		}
		if i == 0 || d.alone {
			return d.time[i], true
		}
		before := min(excess(i-1), 0)
		return d.time[i-1] + (d.time[i]-d.time[i-1])*before/(before-after), true
	}
	return 0, false
}
