package report

import "math"

// exposure returns what a current asks of what carries it: for each length of time the highest rms current over any stretch of
// the run that long or longer. Lengths rise from a hundredth of a second (or the whole run) to the run's duration. time (s)
// rises and current (A, either sign) is straight between samples, so the mean square is exact over each stretch; stretches
// that begin or end at a sample are looked at.
func exposure(time, current []float64) (length, rms []float64) {
	n := len(time)
	if n < 2 || len(current) != n || !(time[n-1] > time[0]) {
		return nil, nil
	}
	square := make([]float64, n) // ∫ I² dt up to each sample
	for i := 1; i < n; i++ {
		a, b := current[i-1], current[i]
		square[i] = square[i-1] + (time[i]-time[i-1])*(a*a+a*b+b*b)/3
	}
	// upTo is ∫ I² dt up to t, which lies before sample i, the first at or after it.
	upTo := func(t float64, i int) float64 {
		switch {
		case i == 0:
			return 0
		case i == n:
			return square[n-1]
		}
		dt := t - time[i-1]
		a := current[i-1]
		b := a + (current[i]-a)*dt/(time[i]-time[i-1])
		return square[i-1] + dt*(a*a+a*b+b*b)/3
	}
	whole := time[n-1] - time[0]
	const perDecade = 8
	steps := int(math.Ceil(perDecade * math.Log10(max(whole/0.01, 1.0001))))
	for k := 0; k <= steps; k++ {
		w := whole * math.Pow(10, float64(k-steps)/perDecade)
		highest := 0.0
		before, after := 0, 0 // the first samples at or after the two ends; they only move forward
		for i, t := range time {
			if end := t + w; end <= time[n-1]*(1+1e-12) {
				for after < n && time[after] < end {
					after++
				}
				highest = max(highest, upTo(end, after)-square[i])
			}
			if begin := t - w; begin >= time[0]-1e-12*whole {
				for before < n && time[before] < begin {
					before++
				}
				highest = max(highest, square[i]-upTo(begin, before))
			}
		}
		length, rms = append(length, w), append(rms, math.Sqrt(max(highest, 0)/w))
	}
	for i := len(rms) - 2; i >= 0; i-- {
		rms[i] = max(rms[i], rms[i+1])
	}
	return length, rms
}
