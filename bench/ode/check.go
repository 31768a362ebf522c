package ode

import "math"

// checker repeats a step with two shorter ones.
type checker struct {
	stages stages
	middle []float64
	f, ft  []float64
	dense  []float64
}

func (c *checker) resize(n int) {
	if len(c.f) != n {
		c.stages.resize(n)
		c.middle, c.f, c.ft, c.dense = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	}
}

// split compares the whole step s, taken from f0 and ft where the system is linearised, with two that part it at a fraction: a
// half, or where an event lies. What cannot be computed disagrees without bound.
func (in *Integrator) split(s *Step, at float64, st *Statistics, relTol float64) Disagreement {
	c := &in.guard
	d := Disagreement{T: s.T0, H: s.h}
	impossible := func(state int) Disagreement {
		d.End, d.Middle, d.State = math.Inf(1), math.Inf(1), state%len(s.Y0)
		return d
	}
	first := at * s.h
	if bad := c.stages.try(in.sys, s.T0, first, s.Y0, in.f0, in.ft, st); bad >= 0 {
		return impossible(bad)
	}
	copy(c.middle, c.stages.y1)
	s.at(at, c.dense)
	d.Middle, _ = distance(c.middle, c.dense, relTol, in.atol)

	t, second := s.T0+first, s.h-first
	in.sys.Derivatives(t, c.middle, c.f)
	st.Evaluations++
	if bad := firstNonFinite(c.f); bad >= 0 {
		return impossible(bad)
	}
	if err := in.linearise(t, second, c.middle, c.f, c.ft, st); err != nil {
		return impossible(0)
	}
	if bad := c.stages.try(in.sys, t, second, c.middle, c.f, c.ft, st); bad >= 0 {
		return impossible(bad)
	}
	d.End, d.State = distance(c.stages.y1, s.end, relTol, in.atol)
	return d
}

// distance returns the largest difference of two states in tolerances, and where.
func distance(a, b []float64, relTol float64, absTol []float64) (worst float64, state int) {
	for i := range a {
		scale := absTol[i] + relTol*max(math.Abs(a[i]), math.Abs(b[i]))
		if r := math.Abs(a[i]-b[i]) / scale; r > worst {
			worst, state = r, i
		}
	}
	return worst, state
}

// turn reports whether the step of this number (from 1) is to be checked. Where
// the sample begins is drawn from t0, so that the first steps of many short
// calls get their share, and the same call always checks the same steps.
func turn(step, every int, t0 float64) bool {
	x := math.Float64bits(t0) * 0x9e3779b97f4a7c15 // Fibonacci hashing (Knuth vol. 3, 6.4)
	return (uint64(step)+x>>48)%uint64(every) == 0
}
