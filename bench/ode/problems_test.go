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

// options asks for a part in tol of the size of each state.
func (p problem) options(tol float64) ode.Options {
	atol := make([]float64, p.n)
	for i := range atol {
		atol[i] = tol * p.scale[i]
	}
	return ode.Options{RelTol: tol, AbsTol: atol}
}

// problems is the one table every test of accuracy runs.
var problems = []problem{robertson, vanDerPol, hires}

var robertson = problem{
	name: "Robertson", n: 3,
	f: func(_ float64, y, d []float64) {
		d[0] = -0.04*y[0] + 1e4*y[1]*y[2]
		d[2] = 3e7 * y[1] * y[1]
		d[1] = -d[0] - d[2]
	},
	t1: 1e11, y0: []float64{1, 0, 0}, scale: []float64{1e-3, 1e-7, 1},
	want:   []float64{0.2083340149701255e-07, 0.8333360770334713e-13, 0.9999999791665050},
	source: "Test Set for IVP Solvers (Mazzia and Magherini, release 2.4, 2008), rober.f",
}

var vanDerPol = problem{
	name: "van der Pol, mu = 1000", n: 2,
	f: func(_ float64, y, d []float64) {
		d[0] = y[1]
		d[1] = 1000*(1-y[0]*y[0])*y[1] - y[0]
	},
	t1: 2000, y0: []float64{2, 0}, scale: []float64{1, 1e-3},
	want:   []float64{0.1706167732170469e1, -0.8928097010248125e-3},
	source: "Test Set for IVP Solvers (Mazzia and Magherini, release 2.4, 2008), vdpolm.f: RADAU, rtol = atol = 1.1e-18",
}

var hires = problem{
	name: "HIRES", n: 8,
	f: func(_ float64, y, d []float64) {
		d[0] = -1.71*y[0] + 0.43*y[1] + 8.32*y[2] + 0.0007
		d[1] = 1.71*y[0] - 8.75*y[1]
		d[2] = -10.03*y[2] + 0.43*y[3] + 0.035*y[4]
		d[3] = 8.32*y[1] + 1.71*y[2] - 1.12*y[3]
		d[4] = -1.745*y[4] + 0.43*y[5] + 0.43*y[6]
		d[5] = -280*y[5]*y[7] + 0.69*y[3] + 1.71*y[4] - 0.43*y[5] + 0.69*y[6]
		d[6] = 280*y[5]*y[7] - 1.81*y[6]
		d[7] = -d[6]
	},
	t1: 321.8122, y0: []float64{1, 0, 0, 0, 0, 0, 0, 0.0057},
	scale: []float64{1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3},
	want: []float64{
		0.7371312573325668e-3, 0.1442485726316185e-3, 0.5888729740967575e-4, 0.1175651343283149e-2,
		0.2386356198831331e-2, 0.6238968252742796e-2, 0.2849998395185769e-2, 0.2850001604814231e-2,
	},
	source: "Test Set for IVP Solvers (Mazzia and Magherini, release 2.4, 2008), hires.f: RADAU5, rtol = atol = 1.1e-18",
}
