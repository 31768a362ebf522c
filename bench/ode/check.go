package ode

import "math"

// checker repeats a step with two half steps.
type checker struct {
	stages stages
	jac    differentiator
	middle []float64
	f, ft  []float64
	dense  []float64
}

func (c *checker) resize(n, intermediates int, pattern [][]int) {
	if changed := c.jac.resize(n+intermediates, pattern); changed || len(c.f) != n {
		c.stages.resize(n, c.jac.pattern)
		c.middle, c.f, c.ft, c.dense = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	}
}

// check compares the whole step s, taken from f0, ft and jac, with two halves. A
// half that cannot be computed disagrees without bound.
func (c *checker) check(sys System, s *Step, f0, ft []float64, jac *Matrix, relTol float64, absTol, floor []float64, st *Statistics) Disagreement {
	d := Disagreement{T: s.T0, H: s.h}
	impossible := func(state int) Disagreement {
		d.End, d.Middle, d.State = math.Inf(1), math.Inf(1), state%len(s.Y0)
		return d
	}
	half := s.h / 2
	if bad := c.stages.try(sys, s.T0, half, s.Y0, f0, ft, jac, st); bad >= 0 {
		return impossible(bad)
	}
	copy(c.middle, c.stages.y1)
	s.at(0.5, c.dense)
	d.Middle, _ = distance(c.middle, c.dense, relTol, absTol)

	t := s.T0 + half
	sys.Derivatives(t, c.middle, c.f)
	st.Evaluations++
	if bad := firstNonFinite(c.f); bad >= 0 {
		return impossible(bad)
	}
	if err := c.jac.fill(sys, t, c.middle, c.f, floor, st); err != nil {
		return impossible(0)
	}
	if err := timeDerivative(sys, t, half, c.middle, c.f, c.ft, st); err != nil {
		return impossible(0)
	}
	if bad := c.stages.try(sys, t, half, c.middle, c.f, c.ft, &c.jac.jac, st); bad >= 0 {
		return impossible(bad)
	}
	d.End, d.State = distance(c.stages.y1, s.end, relTol, absTol)
	return d
}

// distance is the largest difference of two states in tolerances, and where.
func distance(a, b []float64, relTol float64, absTol []float64) (worst float64, state int) {
	for i := range a {
		scale := absTol[i] + relTol*math.Max(math.Abs(a[i]), math.Abs(b[i]))
		if r := math.Abs(a[i]-b[i]) / scale; r > worst {
			worst, state = r, i
		}
	}
	return worst, state
}

// turn tells whether the step of this number (from 1) is to be checked. Where
// the sample begins is drawn from t0, so that the first steps of many short
// calls get their share, and the same call always checks the same steps.
func turn(step, every int, t0 float64) bool {
	x := math.Float64bits(t0) * 0x9e3779b97f4a7c15 // Fibonacci hashing (Knuth vol. 3, 6.4)
	return (uint64(step)+x>>48)%uint64(every) == 0
}
