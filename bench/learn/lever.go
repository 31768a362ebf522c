package learn

import (
	"math"
	"slices"

	"quaybench/bench/trial"
)

const (
	leverError = 0.004 // of the travel: a straight line of a recorded lever may lie so far beside a sample
	sparse     = 2.0   // s: rows further apart than this were read by a person
)

// edge is a movement of a recorded lever: it began after an instant, and may have come earlier or later than it is taken to by up to a time.
type edge struct{ after, within float64 } // s

// leverSteps returns the movements that a recorded lever shows: a line through its samples with as few corners as they allow
// (Ramer 1972, Douglas and Peucker 1973). Between rows that a person read the lever moved at once, half-way. When it moved lies between two samples, so each
// movement has an edge.
func leverSteps(at, lever []float64) (steps []trial.Step, edges []edge) {
	if len(at) == 0 {
		return nil, nil
	}
	if lever[0] != 0 {
		steps = append(steps, trial.Step{At: 0, To: lever[0]})
	}
	if spacing(at) > sparse {
		for i := 1; i < len(at); i++ {
			if math.Abs(lever[i]-lever[i-1]) > leverError {
				steps = append(steps, trial.Step{At: (at[i] + at[i-1]) / 2, To: lever[i]})
				edges = append(edges, edge{at[i-1], at[i] - at[i-1]})
			}
		}
		return steps, edges
	}
	corners := simplify(at, lever)
	for i := 1; i < len(corners); i++ {
		a, b := corners[i-1], corners[i]
		if lever[a] != lever[b] {
			steps = append(steps, trial.Step{At: at[a], To: lever[b], Over: at[b] - at[a]})
			edges = append(edges, edge{at[a], max(at[a+1]-at[a], at[b]-at[b-1])})
		}
	}
	return steps, edges
}

// simplify returns the indices of the corners.
func simplify(x, y []float64) []int {
	keep := map[int]bool{0: true, len(x) - 1: true}
	stack := [][2]int{{0, len(x) - 1}}
	for len(stack) > 0 {
		a, b := stack[len(stack)-1][0], stack[len(stack)-1][1]
		stack = stack[:len(stack)-1]
		worst, most := -1, leverError
		for i := a + 1; i < b; i++ {
			w := (x[i] - x[a]) / (x[b] - x[a])
			if d := math.Abs(y[i] - y[a]*(1-w) - y[b]*w); d > most {
				worst, most = i, d
			}
		}
		if worst > 0 {
			keep[worst] = true
			stack = append(stack, [2]int{a, worst}, [2]int{worst, b})
		}
	}
	var out []int
	for i := range keep {
		out = append(out, i)
	}
	slices.Sort(out)
	return out
}

// spacing returns the usual time between two samples, s.
func spacing(at []float64) float64 {
	if len(at) < 2 {
		return math.Inf(1)
	}
	var gaps []float64
	for i := 1; i < len(at); i++ {
		gaps = append(gaps, at[i]-at[i-1])
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

// follows reports whether a recorded lever is the trial's own, to within 6 % of the travel: at nine of ten rows that a person wrote; of a logger at all samples,
// but for single ones far from any movement, and for those beside one by no more than it may come late.
func follows(t *trial.Trial, at, lever []float64) bool {
	if len(t.Throttle) == 0 {
		return false
	}
	const slack, near = 2 * late, 5 * sparse
	typed := spacing(at) > sparse
	bad, row := 0, 0
	for i, x := range at {
		within := func(time float64) bool {
			return slices.ContainsFunc(t.Throttle, func(s trial.Step) bool { return x >= s.At-time && x <= s.At+s.Over+time })
		}
		if math.Abs(t.Lever(x)(x)-lever[i]) <= 0.06 || !typed && within(slack) {
			row = 0
			continue
		}
		bad++
		if row++; !typed && (row > 1 || within(near)) {
			return false
		}
	}
	return float64(bad) <= 0.1*float64(len(at))
}

// corners returns the instants of a trial at which a movement begins.
func corners(t *trial.Trial) (at []float64) {
	for _, s := range t.Throttle {
		if len(at) == 0 || s.At > at[len(at)-1] {
			at = append(at, s.At)
		}
	}
	return at
}

// grid lists instants of a trial, close together after each movement, so that a straight line between two of them is good enough.
func grid(t *trial.Trial) (at []float64) {
	starts := corners(t)
	since, next := 0.0, 0.0
	for next < t.Duration {
		at = append(at, next)
		for len(starts) > 0 && starts[0] <= next {
			since, starts = starts[0], starts[1:]
		}
		step := 4.0
		switch d := next - since; {
		case d < 9:
			step = 0.25
		case d < 40:
			step = 1
		}
		if len(starts) > 0 && next+step > starts[0] {
			step = max(min(step, starts[0]-next), 1e-3)
		}
		next += step
	}
	return append(at, t.Duration)
}
