package thermal

import (
	"math"

	"quaybench/bench/root"
)

// Stage is one step of a Foster ladder: the share of a rise that follows with
// one time constant.
type Stage struct {
	Resistance   float64 // K/W; without unit in the ladder of a fuse
	TimeConstant float64 // s
}

// Foster is the transient thermal impedance of one node as a sum of exponential
// stages, Zth(t) = Σ R_k (1 − e^(−t/τ_k)). Its stages have no place in the part.
//
// As a system with one state per stage, x_k' = (R_k P − x_k)/τ_k, the rise is
// Σ x_k.
type Foster []Stage

// Impedance returns Zth(t): the rise in K per watt, t seconds after a step of power.
func (f Foster) Impedance(t float64) float64 {
	var z float64
	for _, s := range f {
		z -= s.Resistance * math.Expm1(-t/s.TimeConstant)
	}
	return z
}

// Steady returns the thermal resistance Σ R_k in K/W.
func (f Foster) Steady() float64 {
	var sum float64
	for _, s := range f {
		sum += s.Resistance
	}
	return sum
}

// Initial returns the rate of rise per watt at once after a step, Σ R_k/τ_k, in K/J:
// the inverse of the heat capacity of the node itself.
func (f Foster) Initial() float64 {
	var sum float64
	for _, s := range f {
		sum += s.Resistance / s.TimeConstant
	}
	return sum
}

// Advance moves the stage rises x (K) on by dt seconds of constant power (W),
// exactly.
func (f Foster) Advance(power, dt float64, x []float64) {
	for k, s := range f {
		x[k] -= (s.Resistance*power - x[k]) * math.Expm1(-dt/s.TimeConstant)
	}
}

// TimeTo returns how long (s) a step of power (W) takes to bring the rise (K) from
// nothing; +Inf if it never does.
func (f Foster) TimeTo(power, rise float64) float64 {
	switch {
	case rise <= 0 || math.IsInf(power, 1):
		return 0
	case !(power*f.Steady() > rise):
		return math.Inf(1)
	}
	reached := func(t float64) bool { return power*f.Impedance(t) >= rise }
	// The rise bends down all the way, so its first slope gives a lower bound.
	from := max(rise/(power*f.Initial()), 1e-300)
	to := from
	for !reached(to) {
		if from, to = to, 2*to; math.IsInf(to, 1) {
			return to
		}
	}
	return root.Change(from, to, 0, reached)
}
