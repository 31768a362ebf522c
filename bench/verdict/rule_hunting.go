package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

var steadyDerating = Rule{
	Name:   "low-voltage-hunting",
	Title:  "low-voltage derating settles instead of hunting",
	Source: "stability of the sampled loop filter – derating – sag: a first-order difference equation is stable while its root stays inside the unit circle (textbook)",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		gain, most := lowVoltageLoop(b, s)
		if gain <= most/2 {
			return nil
		}
		f := Finding{
			Level:  Close,
			Text:   quantity.Sentence("low-voltage derating answers sag with a loop gain of %.2g; from %.2g on the motor current hunts with this filter time and the controller's sample period", gain, most),
			Change: change(s, s.Key(&s.LowVoltage.FilterTime), steadyFilter(b, gain), "twice the stability needed"),
		}
		if gain > most {
			f.Text = quantity.Sentence("low-voltage derating hunts: its loop gain of %.2g is above the %.2g that filter time and sample period allow, so the motor current swings between nothing and its limit", gain, most)
			f.Level = Over
		}
		return []Finding{f}
	},
}

// lowVoltageLoop returns the loop gain of low-voltage derating and the highest gain at which the sampled loop is stable.
//
// Between two samples, h apart, the filter (time τ) moves by 1 − a, a = e^(−h/τ), towards the sagging voltage; one volt less
// takes I/(start − end) of battery current off, which gives R times that back. The root a − (1 − a)·K leaves the unit
// circle at K = (1 + a)/(1 − a).
func lowVoltageLoop(b *boat.Boat, s settings.Set) (gain, most float64) {
	v := s.LowVoltage
	if v.Start <= v.End {
		return 0, 1 // another rule's finding
	}
	ohms := HighestVoltage(b) / Prospective(b)
	gain = ohms * s.Limits.BatteryCurrent / (v.Start - v.End)
	a := math.Exp(-b.Stage.SamplePeriod.SI / v.FilterTime)
	return gain, (1 + a) / (1 - a)
}

// steadyFilter returns the filter time at which the loop is stable up to twice the gain.
func steadyFilter(b *boat.Boat, gain float64) float64 {
	a := (2*gain - 1) / (2*gain + 1)
	if a <= 0 {
		return 0
	}
	return math.Ceil(-1e3*b.Stage.SamplePeriod.SI/math.Log(a)) / 1e3
}
