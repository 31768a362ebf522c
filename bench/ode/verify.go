package ode

import (
	"fmt"
	"math"
)

// VerifyJacobian compares what sys says of its Jacobian, pattern and time
// derivative with difference quotients at (t, y), and names the first
// disagreement. size is the size of each state (nil for |y|, at least one); it
// sets the width of the quotients, about 1e-5 of it, and what counts as
// disagreement: 1e-5 of the change of the derivative over that size. It is for
// tests; away from kinks only.
func VerifyJacobian(sys System, t float64, y, size []float64) error {
	n := sys.Dim()
	var stated, pattern differentiator
	if s, ok := sys.(WithPattern); ok {
		pattern.resize(n, s.Pattern())
	} else {
		pattern.resize(n, nil)
	}
	s, analytic := sys.(WithJacobian)
	if analytic {
		stated.resize(n, pattern.given)
		s.Jacobian(t, y, &stated.jac)
	}
	up, down, moved := make([]float64, n), make([]float64, n), make([]float64, n)
	slope := make([]float64, n*n)
	row := make([]float64, n) // largest influence on each derivative
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
			v, allowed := slope[i*n+k], 1e-5*row[i]/typical(k)
			if pattern.jac.mask != nil && !pattern.jac.mask[i*n+k] && math.Abs(v) > allowed {
				return fmt.Errorf("ode: derivative %d reads state %d (slope %.6g), which its pattern denies", i, k, v)
			}
			if analytic && math.Abs(stated.jac.At(i, k)-v) > allowed {
				return fmt.Errorf("ode: jacobian entry (%d, %d) is %.6g; differences give %.6g", i, k, stated.jac.At(i, k), v)
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
