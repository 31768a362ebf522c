package report

import (
	"fmt"
	"math"
	"strconv"
)

// ticks are the marked values of an axis with their labels.
type ticks struct {
	at    []float64
	label []string
	minor []float64 // unlabelled, on logarithmic axes
}

// linearTicks marks round values (1, 2 or 5 times a power of ten apart) between low and high, at most so many.
func linearTicks(low, high float64, most int) ticks {
	step := niceStep((high - low) / float64(max(most, 2)-1))
	if n := math.Floor(high/step) - math.Ceil(low/step); n+1 > float64(most) {
		step = niceStep(step * 1.01)
	}
	return every(step, low, high, 1)
}

// niceStep returns the smallest of 1, 2 or 5 times a power of ten that is not below x.
func niceStep(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*power >= x*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// every marks the multiples of step, labelled in units of scale.
func every(step, low, high, scale float64) (t ticks) {
	from, to := math.Ceil(low/step-1e-9), math.Floor(high/step+1e-9)
	decimals := max(0, -int(math.Floor(math.Log10(step/scale)+1e-9)))
	if s := step / scale * math.Pow(10, float64(decimals)); math.Abs(s-math.Round(s)) > 1e-6 {
		decimals++ // a quarter
	}
	for k := from; k <= to && len(t.at) < 100; k++ {
		v := k * step
		t.at = append(t.at, v)
		t.label = append(t.label, strconv.FormatFloat(v/scale+0, 'f', decimals, 64))
	}
	return t
}

// timeTicks marks round times between low and high (s), and says in which unit.
func timeTicks(low, high float64, most int) (ticks, string, float64) {
	unit, scale := "s", 1.0
	var steps []float64 // in the unit; beyond them 1, 2, 5
	switch {
	case high >= 2*3600:
		unit, scale, steps = "h", 3600, []float64{0.25, 0.5, 1, 2, 4, 6, 12, 24}
	case high >= 180:
		unit, scale, steps = "min", 60, []float64{0.5, 1, 2, 5, 10, 15, 20, 30}
	}
	for _, s := range steps {
		t := every(s*scale, low, high, scale)
		if (high-low)/(s*scale) <= float64(most-1) {
			return t, unit, scale
		}
	}
	t := linearTicks(low/scale, high/scale, most)
	for i := range t.at {
		t.at[i] *= scale
	}
	return t, unit, scale
}

// logTicks marks the decades between low and high, and 2 and 5 where there are few.
func logTicks(low, high float64, most int) (t ticks) {
	first, last := int(math.Floor(math.Log10(low)-1e-9)), int(math.Ceil(math.Log10(high)+1e-9))
	decades := math.Log10(high / low)
	labelled := map[int]bool{1: true}
	if 3*decades <= float64(most) {
		labelled[2], labelled[5] = true, true
	}
	stride := max(1, int(math.Ceil(decades/float64(max(1, most)))))
	for e := first; e <= last; e++ {
		for m := 1; m <= 9; m++ {
			v := float64(m) * math.Pow(10, float64(e))
			switch {
			case v < low*(1-1e-9) || v > high*(1+1e-9):
			case labelled[m] && e%stride == 0:
				t.at, t.label = append(t.at, v), append(t.label, short(v))
			default:
				t.minor = append(t.minor, v)
			}
		}
	}
	return t
}

// logTimeTicks marks the times people think in on a logarithmic axis (s); each label has its unit.
func logTimeTicks(low, high float64) (t ticks) {
	for _, k := range []struct {
		s     float64
		label string
	}{{1e-4, "0.1 ms"}, {1e-3, "1 ms"}, {1e-2, "10 ms"}, {0.1, "0.1 s"}, {1, "1 s"}, {10, "10 s"}, {60, "1 min"}, {600, "10 min"}, {3600, "1 h"}, {36000, "10 h"}, {360000, "100 h"}} {
		if k.s >= low*(1-1e-9) && k.s <= high*(1+1e-9) {
			t.at, t.label = append(t.at, k.s), append(t.label, k.label)
		}
	}
	return t
}

// short returns a number to three digits without an exponent where that is readable.
func short(v float64) string {
	if a := math.Abs(v); a >= 1e6 || a > 0 && a < 1e-4 {
		return fmt.Sprintf("%.3g", v)
	}
	return strconv.FormatFloat(round3(v), 'f', -1, 64)
}

func round3(v float64) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	power := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*power) / power
}
