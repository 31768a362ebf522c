// Package root finds where something changes between two ends.
package root

// Change returns the place between from and to at which reached turns from false to true, so narrowly that no two places
// between differ, or to within a width above zero. reached holds there.
func Change(from, to, width float64, reached func(x float64) bool) float64 {
	for to-from > width {
		middle := from + (to-from)/2
		if middle <= from || middle >= to {
			break
		}
		if reached(middle) {
			to = middle
		} else {
			from = middle
		}
	}
	return to
}

// Zero returns where a monotone f passes zero between two ends, or the end that comes nearer to it.
func Zero(low, high float64, f func(x float64) float64) float64 {
	rising := f(high) > f(low)
	return Change(low, high, 0, func(x float64) bool { return (f(x) > 0) == rising })
}
