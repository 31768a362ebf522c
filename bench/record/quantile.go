package record

import "math"

// Quantile returns a quantile, p from 0 to 1, of values in rising order, NaN of none: the value at p·(n − 1), counted from 0 (type 7 of
// Hyndman and Fan 1996), rounded outwards to a value that is there: down below the median, up above it. So a band is never narrower
// than the draws show, does not lie between two that come of different causes, and may end at infinity. The median of an even number is
// the mean of the two in the middle.
func Quantile(sorted []float64, p float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	at := p * float64(len(sorted)-1)
	low, high := sorted[int(math.Floor(at+1e-9))], sorted[int(math.Ceil(at-1e-9))]
	switch {
	case p < 0.5 || low == high:
		return low
	case p > 0.5:
		return high
	}
	return (low + high) / 2
}
