package ode

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// exact is a problem whose solution is known in closed form.
type exact struct {
	name     string
	n        int
	f        func(t float64, y, d []float64)
	jacobian func(t float64, y, jac []float64) // nil for difference quotients
	solution func(t float64) []float64
	end      float64
	steps    int     // the coarser of two numbers of steps
	order    float64 // to be seen between them
	source   string
}

func (p exact) Dim() int                              { return p.n }
func (p exact) Derivatives(t float64, y, d []float64) { p.f(t, y, d) }

var exactProblems = []exact{
	{
		name: "linear, eigenvalues -1±3i and -10000", n: 3, end: 2, steps: 32, order: 4,
		f: func(_ float64, y, d []float64) {
			fast := -1e4 * (y[2] - y[0] - y[1])
			d[0], d[1] = -y[0]-3*y[1], 3*y[0]-y[1]
			d[2] = d[0] + d[1] + fast
		},
		jacobian: func(_ float64, _, jac []float64) {
			copy(jac, []float64{-1, -3, 0, 3, -1, 0, 2 + 1e4, -4 + 1e4, -1e4})
		},
		solution: func(t float64) []float64 {
			c, s := math.Exp(-t)*math.Cos(3*t), math.Exp(-t)*math.Sin(3*t)
			return []float64{c, s, c + s}
		},
		source: "closed form",
	},
	{
		name: "Kaps, stiffness 1e8", n: 2, end: 1, steps: 64, order: 4,
		f: func(_ float64, y, d []float64) {
			d[0] = -(1e8+2)*y[0] + 1e8*y[1]*y[1]
			d[1] = y[0] - y[1] - y[1]*y[1]
		},
		jacobian: func(_ float64, y, jac []float64) {
			copy(jac, []float64{-(1e8 + 2), 2e8 * y[1], 1, -1 - 2*y[1]})
		},
		solution: func(t float64) []float64 { return []float64{math.Exp(-2 * t), math.Exp(-t)} },
		source:   "P. Kaps (1981), problem of Rosenbrock-type methods; solution (e^-2t, e^-t) by substitution",
	},
	{
		name: "logistic, not stiff", n: 1, end: 4, steps: 128, order: 4,
		f:        func(_ float64, y, d []float64) { d[0] = y[0] * (1 - y[0]) },
		solution: func(t float64) []float64 { return []float64{1 / (1 + 9*math.Exp(-t))} },
		source:   "closed form (Verhulst)",
	},
	{
		name: "not autonomous, not linear", n: 1, end: 4, steps: 256, order: 4,
		f:        func(t float64, y, d []float64) { d[0] = math.Cos(t) * y[0] * y[0] },
		solution: func(t float64) []float64 { return []float64{1 / (2 - math.Sin(t))} },
		source:   "closed form (separable)",
	},
	{
		name: "Prothero-Robinson, lambda -1000", n: 1, end: 1, steps: 32, order: 3,
		f:        func(t float64, y, d []float64) { d[0] = -1e3*(y[0]-10*math.Sin(3*t+1)) + 30*math.Cos(3*t+1) },
		solution: func(t float64) []float64 { return []float64{10 * math.Sin(3*t+1)} },
		source:   "A. Prothero and A. Robinson, Math. Comp. 28 (1974) 145",
	},
}

func (p exact) Jacobian(t float64, y, jac []float64) { p.jacobian(t, y, jac) }

// march takes fixed steps and gives the largest error at the step ends.
func march(p exact, steps int, t *testing.T) float64 {
	var (
		st     Statistics
		d      differences
		s      stages
		n      = p.n
		y      = append([]float64(nil), p.solution(0)...)
		f, ft  = make([]float64, n), make([]float64, n)
		floor  = make([]float64, n)
		h      = p.end / float64(steps)
		worst  float64
		system = System(struct{ System }{p}) // hides the Jacobian
	)
	if p.jacobian != nil {
		system = p
	}
	for i := range floor {
		floor[i] = 1e-3
	}
	d.resize(n)
	s.resize(n)
	d.System, d.f0, d.floor, d.h, d.st = system, f, floor, h, &st
	for k := range steps {
		now := float64(k) * h
		p.f(now, y, f)
		d.Linearise(now, y, ft)
		require.Nil(t, d.trouble)
		require.Equal(t, -1, s.try(&d, now, h, y, f, ft, &st))
		copy(y, s.y1)
		for i, want := range p.solution(now + h) {
			worst = math.Max(worst, math.Abs(y[i]-want))
		}
	}
	return worst
}

// TestObservedOrder halves a fixed step: the error must fall with the order.
func TestObservedOrder(t *testing.T) {
	for _, p := range exactProblems {
		t.Run(p.name, func(t *testing.T) {
			coarse, fine := march(p, p.steps, t), march(p, 2*p.steps, t)
			require.InDelta(t, p.order, math.Log2(coarse/fine), 0.2, "errors %.3g and %.3g; %s", coarse, fine, p.source)
		})
	}
}

// TestOrderOfOneStep takes single steps from the exact solution: the local
// error is one order above the order, of the embedded method and of the dense
// output as well, at every place in the step.
func TestOrderOfOneStep(t *testing.T) {
	p := exactProblems[3] // neither autonomous nor linear: every term is at work
	const from = 0.3
	h := 0.02
	step := func(h float64) (end, embedded float64, inside [3]float64) {
		y, want := p.solution(from), p.solution(from + h)[0]
		f, ft := make([]float64, 1), make([]float64, 1)
		var st Statistics
		var d differences
		var s stages
		d.resize(1)
		s.resize(1)
		p.f(from, y, f)
		system := struct{ System }{p}
		d.System, d.f0, d.floor, d.h, d.st = system, f, []float64{1}, h, &st
		d.Linearise(from, y, ft)
		ft[0] = -math.Sin(from) * y[0] * y[0]
		require.Equal(t, -1, s.try(&d, from, h, y, f, ft, &st))
		output := Step{T0: from, Y0: y, h: h, end: s.y1, u: &s.u, k1: make([]float64, 1), k2: make([]float64, 1)}
		for i := range inside {
			now := from + h*float64(i+1)/4
			inside[i] = math.Abs(output.State(0, now) - p.solution(now)[0])
		}
		return math.Abs(s.y1[0] - want), math.Abs(s.y1[0] - s.u[5][0] - want), inside
	}
	end, embedded, inside := step(h)
	end2, embedded2, inside2 := step(h / 2)
	require.InDelta(t, 5, math.Log2(end/end2), 0.2, "order 4: %g, %g", end, end2)
	require.InDelta(t, 4, math.Log2(embedded/embedded2), 0.2, "embedded, order 3: %g, %g", embedded, embedded2)
	for i := range inside {
		require.InDelta(t, 4, math.Log2(inside[i]/inside2[i]), 0.25, "dense output, order 3, at %d/4: %g, %g", i+1, inside[i], inside2[i])
	}
}

// TestAnyJacobian shows order 2 with a Jacobian that is plainly wrong.
func TestAnyJacobian(t *testing.T) {
	p := exactProblems[2]
	p.jacobian = func(_ float64, _, jac []float64) { jac[0] = -3 }
	coarse, fine := march(p, 512, t), march(p, 1024, t)
	require.GreaterOrEqual(t, math.Log2(coarse/fine), 1.9, "errors %.3g and %.3g; Steinebach (2020)", coarse, fine)
}
