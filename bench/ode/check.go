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

func (c *checker) resize(n int, pattern [][]int) {
	c.stages.resize(n)
	c.jac.resize(n, pattern)
	if len(c.middle) != n {
		c.middle, c.f, c.ft, c.dense = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	}
}

// check compares the whole step s, taken from f0, ft and jac, with two halves,
// in its middle and at its end. A half that cannot be computed disagrees without bound.
func (c *checker) check(sys System, s *Step, f0, ft []float64, jac *Matrix, relTol float64, absTol, floor []float64, st *Statistics) Disagreement {
	d := Disagreement{T: s.T0, H: s.h}
	worse := func(a, b []float64) {
		for i := range a {
			scale := absTol[i] + relTol*math.Max(math.Abs(a[i]), math.Abs(b[i]))
			if r := math.Abs(a[i]-b[i]) / scale; r > d.Ratio {
				d.Ratio, d.State = r, i
			}
		}
	}
	impossible := func(state int) Disagreement {
		d.Ratio, d.State = math.Inf(1), state%len(s.Y0)
		return d
	}
	half := s.h / 2
	if bad := c.stages.try(sys, s.T0, half, s.Y0, f0, ft, jac, st); bad >= 0 {
		return impossible(bad)
	}
	copy(c.middle, c.stages.y1)
	s.at(0.5, c.dense)
	worse(c.middle, c.dense)

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
	worse(c.stages.y1, s.end)
	return d
}
