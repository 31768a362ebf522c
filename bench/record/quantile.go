package record

import "math"

// Quantile returns a quantile, p from 0 to 1, of values in rising order: type 7 of Hyndman and Fan (1996), as SciPy and Octave have
// it by default; NaN of no values. gonum interpolates by type 4 only, which draws the two ends of a band apart unevenly. Values may be
// infinite: between a finite one and +Inf lies +Inf.
func Quantile(sorted []float64, p float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	at := p * float64(len(sorted)-1)
	i := int(at)
	if i+1 == len(sorted) || at == float64(i) || sorted[i] == sorted[i+1] {
		return sorted[i]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}
