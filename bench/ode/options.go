package ode

import (
	"fmt"
	"math"
)

// Options says how exactly and how far. The zero value is usable where every
// state is of size one.
type Options struct {
	// RelTol is the error allowed in one step, relative to each state.
	// Zero means 1e-6. Below 1e-12 rounding, above 1e-3 a loss of all trust:
	// both are refused.
	RelTol float64
	// AbsTol is the error allowed in one step of each state, in its own unit: the size
	// below which the state does not matter. Length Dim, all positive.
	// Nil means RelTol, which is right for states of size one only.
	AbsTol []float64
	// MaxStep bounds the step, s. Zero means no bound. Events and pulses
	// shorter than it can be missed.
	MaxStep float64
	// FirstStep is the first step tried, s. Zero means estimated.
	FirstStep float64
	// MinStep is the smallest step before giving up, s. Zero means 16 units
	// in the last place of t.
	MinStep float64
	// MaxSteps bounds the steps tried in one call. Zero means 100000.
	MaxSteps int
	// EventTol is how exactly an event is located, s; events closer together
	// fire together. Zero means 1e-10 of the larger of |t0|, |t1|.
	EventTol float64
	// Check repeats sampled steps to see whether the error estimate is fooled.
	Check CheckOptions
}

// CheckOptions sets the guard: sampled steps are repeated with two half steps,
// and end and middle compared. A step in which an event fires is always
// checked, parted at the event, and refined until the dense output, which gives
// the state there, agrees within a fifth of a tolerance.
type CheckOptions struct {
	// Every is the mean distance of sampled steps: one in so many, from a
	// place that depends on t0 only. One check costs about two steps.
	// Zero means 16, negative none (nor at events), 1 all.
	Every int
	// Limit is the disagreement, in tolerances, beyond which a step counts as
	// suspect; in its middle ten times as much. Zero means 10. A sound step
	// shows less than 1 at its end, a few where tolerances are loose.
	Limit float64
	// Fail makes a suspect step a *SuspectError. Otherwise the statistics tell.
	Fail bool
}

const (
	middleLimit = 10.0 // times the limit at the end
	eventMiddle = 0.2  // tolerances: a voltage that creeps to its threshold for hours tells by how much an event is late
)

// complete fills in defaults and refuses what cannot work.
func (o Options) complete(n int, t0, t1 float64) (Options, error) {
	if o.AbsTol != nil && len(o.AbsTol) != n {
		panic(fmt.Sprintf("ode: %d absolute tolerances for %d states", len(o.AbsTol), n))
	}
	if !isFinite(t0) {
		return o, &OptionError{"t0", t0, "a finite time"}
	}
	if !isFinite(t1) || t1 < t0 {
		return o, &OptionError{"t1", t1, fmt.Sprintf("a finite time not before t0 = %g", t0)}
	}
	if o.RelTol == 0 {
		o.RelTol = 1e-6
	}
	if !(o.RelTol >= 1e-12 && o.RelTol <= 1e-3) {
		return o, &OptionError{"relative tolerance", o.RelTol, "1e-12 to 1e-3"}
	}
	for i, a := range o.AbsTol {
		if !(a > 0) || math.IsInf(a, 0) {
			return o, &OptionError{fmt.Sprintf("absolute tolerance of state %d", i), a, "a finite value above zero"}
		}
	}
	end := math.Max(math.Abs(t0), math.Abs(t1))
	for _, f := range []struct {
		name  string
		value *float64
		deflt float64
	}{
		{"largest step", &o.MaxStep, math.Inf(1)},
		{"first step", &o.FirstStep, 0},
		{"smallest step", &o.MinStep, 0},
		{"event tolerance", &o.EventTol, 1e-10 * end},
		{"check limit", &o.Check.Limit, 10},
	} {
		if *f.value == 0 {
			*f.value = f.deflt
		}
		if !(*f.value >= 0) {
			return o, &OptionError{f.name, *f.value, "zero (for the default) or above"}
		}
	}
	o.EventTol = math.Max(o.EventTol, 8*ulp(end))
	if o.MaxSteps == 0 {
		o.MaxSteps = 100000
	}
	if o.MaxSteps < 0 {
		return o, &OptionError{"largest number of steps", float64(o.MaxSteps), "zero (for the default) or above"}
	}
	if o.Check.Every == 0 {
		o.Check.Every = 16
	}
	return o, nil
}

// ulp returns the distance from t to the next number away from zero.
func ulp(t float64) float64 {
	t = math.Abs(t)
	return math.Nextafter(t, math.Inf(1)) - t
}

func isFinite(x float64) bool { return x-x == 0 }

// firstNonFinite returns the index of the first NaN or infinity in v, -1 for none.
func firstNonFinite(v []float64) int {
	var a, b, c, d float64 // sums of zeros, unless there is one; four, since each addition waits for the one before
	rest := v
	for ; len(rest) >= 4; rest = rest[4:] {
		a += rest[0] - rest[0]
		b += rest[1] - rest[1]
		c += rest[2] - rest[2]
		d += rest[3] - rest[3]
	}
	for _, x := range rest {
		a += x - x
	}
	if a+b+c+d == 0 {
		return -1
	}
	for i, x := range v {
		if !isFinite(x) {
			return i
		}
	}
	return -1
}
