package study

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"quaybench/bench/record"
	"quaybench/bench/simulate"

	"gonum.org/v1/gonum/mat"
)

// A study asks a fit, and the fit asks for runs. Unknowns go in as normal scores; what comes out for each is a list of responses of
// a run: the share of its limit that each part uses, how near each device came, what the run gains. A surface of second order is
// fitted to the runs that exist. Points where it can't tell on which side of a threshold they lie are simulated, nearest first,
// and it is fitted again. Where a run's verdict changes by a jump every point is simulated.

// answer is what one run says.
type answer struct {
	failed error
	values []float64 // responses; NaN: this run has none
	jump   string    // what changes a verdict by a jump: devices that opened, stops, protection that did not come
	parts  []record.Part
	nears  []simulate.Near
}

// impossible reports whether no drive can be built from a point's numbers, so that nothing was simulated.
func (a *answer) impossible() bool { return errors.As(a.failed, new(*simulate.NoDriveError)) }

// threshold is a value of a response at which something is decided.
type threshold struct {
	response int
	at       float64
	below    bool // it counts as passed below
	forbid   bool // what passes, jumps: no fit may decide that
}

const (
	firstBatch = 100 // runs that the first surface is fitted to, at least
	batch      = 120 // runs asked for between two surfaces: fixed, so that the answer depends on no number of cores
	fewPoints  = 200 // so few are all simulated
	mostUnsure = 0.8 // of the points that are left, after a few batches: where a surface tells so few, they are all simulated
)

// fit answers for the points of one trial.
type fit struct {
	inputs     int
	thresholds func(answers []*answer) []threshold // what is to be decided, as far as the answers show it
	runs       func(ctx context.Context, points []int) ([]*answer, error)

	rows     [][]float64 // scores of what was simulated
	answers  []*answer
	surface  *surface
	fittedTo int  // answers
	whole    bool // only runs decide: each point that is asked for is simulated
	decided  []threshold
	nearest  []float64 // per threshold decided: by how many bands the nearest point that was left to the surface lies off
	width    []float64 // the band there

	// pick, if not nil, chooses which of the unsure points to simulate next; none: they need not be known. off is by how many bands
	// each point lies beyond its nearest threshold (negative: short of it), NaN for one that was simulated; all 0 where only runs tell.
	pick func(unsure []int, off []float64) []int
}

// firstRuns returns the number of points to simulate before the first surface.
func firstRuns(inputs int) int { return max(firstBatch, leastRuns(inputs)) }

// leastRuns returns the number that carries a surface at all: a line in every input.
func leastRuns(inputs int) int { return max(50, inputs*6/5) }

// settle simulates points until the surface decides all others. got has the answer of each point that was simulated.
func (f *fit) settle(ctx context.Context, points [][]float64, got []*answer) error {
	ask := func(which []int) error {
		answers, err := f.runs(ctx, which)
		for i, a := range answers {
			if a == nil {
				continue
			}
			if got[which[i]] = a; !a.impossible() { // which tells nothing of the others
				f.rows, f.answers = append(f.rows, points[which[i]]), append(f.answers, a)
			}
		}
		return err
	}
	left := func() (out []int) {
		for i := range got {
			if got[i] == nil {
				out = append(out, i)
			}
		}
		return out
	}
	if len(f.answers) == 0 && f.pick == nil {
		for rest := left(); len(f.answers) < firstRuns(f.inputs) && len(rest) > 0; rest = left() {
			if err := ask(rest[:min(len(rest), firstRuns(f.inputs)-len(f.answers))]); err != nil {
				return err
			}
		}
	}
	for {
		rest := left()
		f.decided = f.thresholds(f.answers)
		if len(rest) == 0 {
			return nil
		}
		unsure, off := rest, make([]float64, len(points))
		switch f.whole = f.whole || f.jumps(); {
		case f.whole && f.pick == nil:
			return ask(rest)
		case !f.whole:
			if f.surface == nil || len(f.answers) > f.fittedTo {
				f.refit()
			}
			unsure, off = f.unsure(points, rest)
		}
		if f.pick == nil && float64(len(unsure)) > mostUnsure*float64(len(rest)) && len(f.answers) > 2*firstRuns(f.inputs) {
			f.whole = true
			return ask(rest)
		}
		next := unsure[:min(len(unsure), batch)]
		if f.pick != nil {
			next = f.pick(unsure, off)
		}
		if len(next) == 0 {
			return nil
		}
		if err := ask(next); err != nil {
			return err
		}
	}
}

// jumps reports whether a fit can't stand for the runs: one of them failed, or they differ in what acted.
func (f *fit) jumps() bool {
	for _, a := range f.answers {
		if a.failed != nil || a.jump != f.answers[0].jump {
			return true
		}
	}
	return false
}

// refit fits the surface to all answers.
func (f *fit) refit() {
	f.fittedTo = len(f.answers)
	rows, answers := f.rows, f.answers
	values := mat.NewDense(len(rows), len(answers[0].values), nil)
	for i, a := range answers {
		values.SetRow(i, a.values)
	}
	f.surface = newSurface(rows, values, f.decided, f.surface)
}

// unsure lists the points on whose side of a threshold the surface is not sure, the nearest to one first, and returns by how many
// bands each lies beyond a threshold.
func (f *fit) unsure(points [][]float64, rest []int) (out []int, off []float64) {
	columns, some := make([]int, len(f.decided)), make([][]float64, len(rest))
	for i, t := range f.decided {
		columns[i] = t.response
	}
	for i, k := range rest {
		some[i] = points[k]
	}
	values, wider := f.surface.at(some, columns)
	f.nearest, f.width = make([]float64, len(f.decided)), make([]float64, len(f.decided))
	for c := range f.nearest {
		f.nearest[c] = math.Inf(1)
	}
	within := make([]bands, len(f.decided))
	for c, t := range f.decided {
		within[c] = f.surface.bands(t.response)
	}
	near := make([]float64, len(points))
	off = make([]float64, len(points))
	for i := range off {
		off[i] = math.NaN()
	}
	for i, k := range rest {
		near[k], off[k] = math.Inf(1), math.Inf(-1)
		for c, t := range f.decided {
			beyond := values.At(i, c) - t.at
			if t.below {
				beyond = -beyond
			}
			band := within[c].at(values.At(i, c)) * wider.At(i, c)
			beyond /= band
			off[k] = max(off[k], beyond)
			if by := math.Abs(beyond); by < f.nearest[c] {
				f.nearest[c], f.width[c] = by, band
			}
			if t.forbid {
				beyond = min(beyond, 0)
			}
			near[k] = min(near[k], math.Abs(beyond))
		}
		if near[k] < 1 {
			out = append(out, k)
		}
	}
	slices.SortStableFunc(out, func(a, b int) int { return cmp.Compare(near[a], near[b]) })
	return out, off
}

// closest returns the band of the share that came nearest to its limit of all that the surface decided about, and by how many bands
// it stayed off; +Inf where the surface decided nothing.
func (f *fit) closest() (band, off float64) {
	off = math.Inf(1)
	if f.surface == nil {
		return 0, off
	}
	for c, t := range f.decided {
		if c < len(f.nearest) && !t.forbid && !t.below && f.nearest[c] < off {
			band, off = f.width[c], f.nearest[c]
		}
	}
	return band, off
}

// values returns the responses named at every point: of the run where there is one, else of the surface.
func (f *fit) values(points [][]float64, got []*answer, responses []int) *mat.Dense {
	out := mat.NewDense(len(points), max(1, len(responses)), nil)
	var rest []int
	var some [][]float64
	for i, a := range got {
		if a == nil {
			rest, some = append(rest, i), append(some, points[i])
			continue
		}
		for c, r := range responses {
			v := math.NaN()
			if a.failed == nil {
				v = a.values[r]
			}
			out.Set(i, c, v)
		}
	}
	if len(rest) == 0 || len(responses) == 0 || f.whole {
		return out
	}
	values, _ := f.surface.at(some, responses)
	for i, k := range rest {
		for c := range responses {
			out.Set(k, c, values.At(i, c))
		}
	}
	return out
}
