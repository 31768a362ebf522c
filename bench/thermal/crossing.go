package thermal

import "math"

// firstTrue is the first instant in (0, end] at which reached holds, +Inf if at
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
			return bisect(reached, from, t)
		}
		from = t
	}
	return math.Inf(1)
}

// bisect narrows the change of reached from false at from to true at to down to
// rounding; it returns an instant at which reached holds.
func bisect(reached func(t float64) bool, from, to float64) float64 {
	for range 52 { // bits of a float64's fraction
		middle := from + (to-from)/2
		if reached(middle) {
			to = middle
		} else {
			from = middle
		}
	}
	return to
}
