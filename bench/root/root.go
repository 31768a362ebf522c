// Package root finds where something changes between two ends.
package root

// Bracket halves the stretch between two places, in either direction, until narrow says that it is narrow enough or no place is
// left between them. reached does not hold at before and holds at at, and so it is with the two places returned. An error of
// reached ends the search; the places then are the last ones known.
func Bracket(before, at float64, narrow func(before, at float64) bool, reached func(x float64) (bool, error)) (float64, float64, error) {
	for !narrow(before, at) {
		middle := before + (at-before)/2
		if middle == before || middle == at {
			break
		}
		ok, err := reached(middle)
		switch {
		case err != nil:
			return before, at, err
		case ok:
			at = middle
		default:
			before = middle
		}
	}
	return before, at, nil
}

// Change returns the place between from and to at which reached turns from false to true, so narrowly that no two places
// between differ, or to within a width above zero. reached holds there.
func Change(from, to, width float64, reached func(x float64) bool) float64 {
	_, to, _ = Bracket(from, to, func(a, b float64) bool { return b-a <= width }, func(x float64) (bool, error) { return reached(x), nil })
	return to
}

// Zero returns where a monotone f passes zero between two ends, or the end that comes nearer to it.
func Zero(low, high float64, f func(x float64) float64) float64 {
	rising := f(high) > f(low)
	return Change(low, high, 0, func(x float64) bool { return (f(x) > 0) == rising })
}
