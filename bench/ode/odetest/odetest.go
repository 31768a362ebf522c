// Package odetest holds what the tests of a system with a solver of its own compare it with.
package odetest

import (
	"fmt"
	"math"
)

// System is what ode.Structured asks for; stated here, so that ode's own tests may import this package.
type System interface {
	Dim() int
	Derivatives(t float64, y, dydt []float64)
	Linearise(t float64, y, dfdt []float64)
	Times(x, out []float64)
	Factorise(diagonal float64) bool
	Solve(b []float64)
}

// Verify compares the Jacobian and the time derivative of sys with difference
// quotients at (t, y), and its solutions with its own products, and returns the
// first disagreement as an error. size is the size of each state (nil for |y|, at
// least one); it sets the width of the quotients, about 1e-5 of it, and what
// counts as disagreement: 1e-5 of the change of the derivative over that size, or
// 1e-6 of the derivative itself, of which a quotient knows no better what is
// noise. It holds away from kinks only.
func Verify(sys System, t float64, y, size []float64) error {
	n := sys.Dim()
	typical := func(k int) float64 {
		if size != nil {
			return size[k]
		}
		return math.Max(1, math.Abs(y[k]))
	}
	up, down, moved := make([]float64, n), make([]float64, n), make([]float64, n)
	slope := make([]float64, n*n)
	row := make([]float64, n) // largest influence on each derivative
	here, ft := make([]float64, n), make([]float64, n)
	sys.Derivatives(t, y, here)
	for k := range n {
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
	sys.Linearise(t, y, ft)
	unit, column := make([]float64, n), make([]float64, n)
	for k := range n {
		unit[k] = 1
		sys.Times(unit, column)
		unit[k] = 0
		for i, stated := range column {
			v, allowed := slope[i*n+k], (1e-5*row[i]+1e-6*math.Abs(here[i]))/typical(k)
			if !(math.Abs(stated-v) <= allowed) {
				return fmt.Errorf("jacobian entry (%d, %d) is %.6g; differences give %.6g", i, k, stated, v)
			}
		}
	}
	width := 1e-5 * math.Max(1, math.Abs(t))
	sys.Derivatives(t+width, y, up)
	sys.Derivatives(t-width, y, down)
	for i := range ft {
		if v := (up[i] - down[i]) / (2 * width); math.Abs(ft[i]-v) > 1e-5*(math.Abs(v)+row[i]) {
			return fmt.Errorf("time derivative %d is %.6g; differences give %.6g", i, ft[i], v)
		}
	}
	return nil
}

// VerifySolutions compares the solutions of sys, linearised already, with its own
// products: where x solves (diagonal·I − J)·x = b, J·x must be diagonal·x − b. The
// error is the first state for which that fails by more than tol, of the largest of
// the sum's terms in tolerances of the states (size).
func VerifySolutions(sys System, diagonal float64, b, size []float64, tol float64) error {
	n := sys.Dim()
	x, product := append([]float64(nil), b...), make([]float64, n)
	if !sys.Factorise(diagonal) {
		return fmt.Errorf("no factors with a diagonal of %g", diagonal)
	}
	sys.Solve(x)
	sys.Times(x, product)
	largest := 0.0 // of diagonal·x and b, in sizes: what an unknown that is large loses, others lose with it
	for i := range n {
		largest = math.Max(largest, math.Max(math.Abs(diagonal*x[i]), math.Abs(b[i]))/size[i])
	}
	for i, v := range product {
		if d := diagonal*x[i] - b[i]; !(math.Abs(v-d) <= tol*math.Max(math.Max(math.Abs(v), math.Abs(d)), largest*size[i])) {
			return fmt.Errorf("with a diagonal of %g, row %d of J·x is %.15g in place of %.15g", diagonal, i, v, d)
		}
	}
	return nil
}
