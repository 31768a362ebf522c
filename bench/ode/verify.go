package ode

import (
	"fmt"
	"math"
)

// VerifyJacobian compares what sys says of its Jacobian, pattern and time
// derivative with difference quotients at (t, y), and names the first
// disagreement. size is the size of each state (nil for |y|, at least one); it
// sets the width of the quotients, about 1e-5 of it, and what counts as
// disagreement: 1e-5 of the change of the derivative over that size, or 1e-6 of
// the derivative itself, of which a quotient knows no better what is noise. It
// is for tests; away from kinks only.
func VerifyJacobian(sys System, t float64, y, size []float64) error {
	n := sys.Dim()
	stated, reads := state(sys, t, y)
	up, down, moved := make([]float64, n), make([]float64, n), make([]float64, n)
	slope := make([]float64, n*n)
	row := make([]float64, n) // largest influence on each derivative
	here := make([]float64, n)
	sys.Derivatives(t, y, here)
	typical := func(k int) float64 {
		if size != nil {
			return size[k]
		}
		return math.Max(1, math.Abs(y[k]))
	}
	for k := 0; k < n; k++ {
		copy(moved, y)
		moved[k] = y[k] + 1e-5*typical(k)
		above := moved[k]
		sys.Derivatives(t, moved, up)
		moved[k] = y[k] - 1e-5*typical(k)
		sys.Derivatives(t, moved, down)
		for i := range up {
			slope[i*n+k] = (up[i] - down[i]) / (above - moved[k])
			row[i] = math.Max(row[i], math.Abs(slope[i*n+k])*typical(k))
		}
	}
	for i := 0; i < n; i++ {
		for k := 0; k < n; k++ {
			v, allowed := slope[i*n+k], (1e-5*row[i]+1e-6*math.Abs(here[i]))/typical(k)
			if reads != nil && reads[i*n+k] == 0 && math.Abs(v) > allowed {
				return fmt.Errorf("ode: derivative %d reads state %d (slope %.6g), which its pattern denies", i, k, v)
			}
			if stated != nil && !(math.Abs(stated[i*n+k]-v) <= allowed) {
				return fmt.Errorf("ode: jacobian entry (%d, %d) is %.6g; differences give %.6g", i, k, stated[i*n+k], v)
			}
		}
	}
	if s, ok := sys.(WithTimeDerivative); ok {
		ft := make([]float64, n)
		s.TimeDerivative(t, y, ft)
		width := 1e-5 * math.Max(1, math.Abs(t))
		sys.Derivatives(t+width, y, up)
		sys.Derivatives(t-width, y, down)
		for i := range ft {
			if v := (up[i] - down[i]) / (2 * width); math.Abs(ft[i]-v) > 1e-5*(math.Abs(v)+row[i]) {
				return fmt.Errorf("ode: time derivative %d is %.6g; differences give %.6g", i, ft[i], v)
			}
		}
	}
	return nil
}

// state gives what sys says of its Jacobian, and for each of its entries whether
// the pattern allows it (0: no), with the intermediates eliminated; nil for what
// it does not say.
func state(sys System, t float64, y []float64) (jacobian, reads []float64) {
	s, ok := sys.(WithPattern)
	if !ok {
		if s, ok := sys.(WithJacobian); ok {
			m := newMatrix(len(y), nil)
			s.Jacobian(t, y, &m)
			return m.a, nil
		}
		return nil, nil
	}
	size := len(y)
	if s, ok := sys.(WithIntermediates); ok {
		size += s.Intermediates()
	}
	var d differentiator
	d.resize(size, s.Pattern())
	for e := range d.jac.a {
		d.jac.a[e] = 1
	}
	reads = withoutIntermediates(&d.jac, len(y))
	if s, ok := sys.(WithJacobian); ok {
		clear(d.jac.a)
		s.Jacobian(t, y, &d.jac)
		jacobian = withoutIntermediates(&d.jac, len(y))
	}
	return jacobian, reads
}

// withoutIntermediates is the Jacobian of the states alone.
func withoutIntermediates(m *Matrix, states int) []float64 {
	out := make([]float64, states*states)
	v, column := make([]float64, m.n), make([]float64, states)
	for k := range states {
		clear(v)
		v[k] = 1
		m.times(v, column)
		for i, x := range column {
			out[i*states+k] = x
		}
	}
	return out
}
