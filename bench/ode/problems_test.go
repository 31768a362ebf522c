package ode_test

import "quaybench/bench/ode"

// problem is an initial value problem whose end is known from outside.
type problem struct {
	name   string
	n      int
	f      func(t float64, y, dydt []float64)
	t0, t1 float64
	y0     []float64
	scale  []float64 // size of each state, for the absolute tolerance
	want   []float64
	source string
}

func (p problem) Dim() int                                 { return p.n }
func (p problem) Derivatives(t float64, y, dydt []float64) { p.f(t, y, dydt) }

var _ ode.System = problem{}

// problems is the one table every test of accuracy runs.
var problems = []problem{robertson, vanDerPol}

var robertson = problem{
	name: "Robertson", n: 3,
	f: func(_ float64, y, d []float64) {
		d[0] = -0.04*y[0] + 1e4*y[1]*y[2]
		d[2] = 3e7 * y[1] * y[1]
		d[1] = -d[0] - d[2]
	},
	t1: 1e11, y0: []float64{1, 0, 0}, scale: []float64{1e-3, 1e-7, 1},
	want:   []float64{0.2083340149701255e-07, 0.8333360770334713e-13, 0.9999999791665050},
	source: "IVP test set (Mazzia and Magherini, release 2.4, 2008), problem ROBER, reference at t = 1e11; from memory",
}

var vanDerPol = problem{
	name: "van der Pol, mu = 1000", n: 2,
	f: func(_ float64, y, d []float64) {
		d[0] = y[1]
		d[1] = 1000*(1-y[0]*y[0])*y[1] - y[0]
	},
	t1: 2000, y0: []float64{2, 0}, scale: []float64{1, 1e-3},
	want:   []float64{0.1706167732170483e1, -0.8928097010247975e-3},
	source: "IVP test set (Mazzia and Magherini, release 2.4, 2008), problem VDPOL rescaled to t = 2 mu; from memory",
}
