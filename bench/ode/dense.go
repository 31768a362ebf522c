package ode

// Step is one accepted step, possibly cut short by an event at T1. Its slices
// are read-only and belong to the integrator: copy what outlives the call.
type Step struct {
	T0, T1 float64   // s
	Y0, Y1 []float64 // states at T0 and T1
	Calm   bool      // Problem.Calm said so of it

	h      float64   // whole step before it was cut
	end    []float64 // state at T0+h
	k1, k2 []float64 // coefficients of the dense output
	u      *[stageCount][]float64
	ready  bool // k1 and k2 are computed
	inner  [2][]float64
	inside bool // inner is computed
}

// Inner returns time and states at a third (0) and two thirds (1) of the step.
// The events are looked at there too, so a System may find what it remembers.
func (s *Step) Inner(i int) (t float64, y []float64) {
	length := s.T1 - s.T0
	if !s.inside {
		s.At(s.T0+length/3, s.inner[0])
		s.At(s.T0+2*length/3, s.inner[1])
		s.inside = true
	}
	return s.T0 + float64(i+1)*length/3, s.inner[i]
}

// prepare computes the coefficients of the dense output once they are needed.
func (s *Step) prepare() {
	if s.ready {
		return
	}
	n := len(s.k1)
	d1, d2, k2 := &rodas4p2.d1, &rodas4p2.d2, s.k2[:n]
	u0, u1, u2, u3, u4 := s.u[0][:n], s.u[1][:n], s.u[2][:n], s.u[3][:n], s.u[4][:n]
	for k := range s.k1 { // the last stage has no weight
		s.k1[k] = d1[0]*u0[k] + d1[1]*u1[k] + d1[2]*u2[k] + d1[3]*u3[k] + d1[4]*u4[k]
		k2[k] = d2[0]*u0[k] + d2[1]*u1[k] + d2[2]*u2[k] + d2[3]*u3[k] + d2[4]*u4[k]
	}
	s.ready = true
}

// At writes the states at a time between T0 and T1 into y: order 3, and exact
// at both ends of a step that was not cut short.
func (s *Step) At(t float64, y []float64) { s.at((t-s.T0)/s.h, y) }

// State returns one state at a time between T0 and T1.
func (s *Step) State(i int, t float64) float64 {
	s.prepare()
	return s.state(i, (t-s.T0)/s.h)
}

// at writes the states at the fraction theta of the whole step into y.
func (s *Step) at(theta float64, y []float64) {
	s.prepare()
	n := len(y)
	rest := 1 - theta
	y0, end, k1, k2 := s.Y0[:n], s.end[:n], s.k1[:n], s.k2[:n]
	for i := range y {
		y[i] = rest*y0[i] + theta*(end[i]+rest*(k1[i]+theta*k2[i]))
	}
}

func (s *Step) state(i int, theta float64) float64 {
	rest := 1 - theta
	return rest*s.Y0[i] + theta*(s.end[i]+rest*(s.k1[i]+theta*s.k2[i]))
}
