package thermal

import (
	"math"

	"quaybench/bench/root"
)

// firstTrue returns the first instant in (0, end] at which reached holds, +Inf if at
// none. reached is a threshold on a sum of exponentials with time constants
// between shortest and longest, which bends on that scale: so 32 instants a decade
// are looked at, from well below the shortest to well beyond the longest.
func firstTrue(reached func(t float64) bool, shortest, longest, end float64) float64 {
	const perDecade = 32
	step := math.Pow(10, 1.0/perDecade)
	from := 0.0
	last := min(end, longest*1e3)
	for t := max(shortest*1e-3, 1e-300); from < last; t *= step {
		t = min(t, last)
		if reached(t) {
			return root.Change(from, t, 0, reached)
		}
		from = t
	}
	return math.Inf(1)
}
