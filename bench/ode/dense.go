package ode

// Step is one accepted step, possibly cut short by an event at T1. Its slices
// are read-only and belong to the integrator: copy what outlives the call.
type Step struct {
	T0, T1 float64   // s
	Y0, Y1 []float64 // states at T0 and T1

	h      float64   // whole step before it was cut
	end    []float64 // state at T0+h
	k1, k2 []float64 // coefficients of the dense output
	u      *[stageCount][]float64
	ready  bool // k1 and k2 are computed
}

// prepare computes the coefficients of the dense output once they are needed.
func (s *Step) prepare() {
	if s.ready {
		return
	}
	clear(s.k1)
	clear(s.k2)
	for j := range s.u {
		d1, d2 := rodas4p2.d1[j], rodas4p2.d2[j]
		for k, v := range s.u[j] {
			s.k1[k] += d1 * v
			s.k2[k] += d2 * v
		}
	}
	s.ready = true
}

// At writes the states at a time between T0 and T1 into y: order 3, and exact
// at both ends of a step that was not cut short.
func (s *Step) At(t float64, y []float64) { s.at((t-s.T0)/s.h, y) }

// State gives one state at a time between T0 and T1.
func (s *Step) State(i int, t float64) float64 {
	s.prepare()
	return s.state(i, (t-s.T0)/s.h)
}

// at writes the states at the fraction theta of the whole step into y.
func (s *Step) at(theta float64, y []float64) {
	s.prepare()
	for i := range y {
		y[i] = s.state(i, theta)
	}
}

func (s *Step) state(i int, theta float64) float64 {
	rest := 1 - theta
	return rest*s.Y0[i] + theta*(s.end[i]+rest*(s.k1[i]+theta*s.k2[i]))
}
