package ode

import (
	"math"
	"quaybench/bench/ode/odetest"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

type rightHandSide struct {
	n int
	f func(t float64, y, d []float64)
}

func (s rightHandSide) Dim() int                              { return s.n }
func (s rightHandSide) Derivatives(t float64, y, d []float64) { s.f(t, y, d) }

// chain is a Structured system of n states, each of which reads itself and the one before: its linear systems are solved from
// the first to the last.
type chain struct {
	n       int
	y       []float64
	d       float64
	wrong   float64 // added to what state 2 reads of state 1
	unmoved bool    // Solve forgets what comes before
	still   bool    // the time derivative is denied
}

func (c *chain) Dim() int { return c.n }

func (c *chain) Derivatives(t float64, y, d []float64) {
	for i := range d {
		d[i] = -2*y[i] + t*t
		if i > 0 {
			d[i] += y[i-1] * y[i-1]
		}
	}
}

func (c *chain) Linearise(t float64, y, dfdt []float64) {
	c.y = append(c.y[:0], y...)
	for i := range dfdt {
		if dfdt[i] = 2 * t; c.still {
			dfdt[i] = 0
		}
	}
}

// before returns what state i reads of the one before.
func (c *chain) before(i int) float64 {
	v := 2 * c.y[i-1]
	if i == 2 {
		v += c.wrong
	}
	return v
}

func (c *chain) Times(x, out []float64) {
	for i := range out {
		out[i] = -2 * x[i]
		if i > 0 {
			out[i] += c.before(i) * x[i-1]
		}
	}
}

func (c *chain) Factorise(d float64) bool { c.d = d; return true }

func (c *chain) Solve(b []float64) {
	for i := range b {
		if i > 0 && !c.unmoved {
			b[i] += c.before(i) * b[i-1]
		}
		b[i] /= c.d + 2
	}
}

// TestAStructuredSystemIsSolvedAsAnyOther: with its own solver a system is integrated to the same end as by differences.
func TestAStructuredSystemIsSolvedAsAnyOther(t *testing.T) {
	solve := func(sys System) Result {
		r, err := Solve(t.Context(), Problem{System: sys, T1: 3, Y0: []float64{1, 0.5, -0.5, 2, 0}}, Options{RelTol: 1e-8})
		require.NoError(t, err)
		return r
	}
	got, want := solve(&chain{n: 5}), solve(struct{ System }{&chain{n: 5}})
	require.InDeltaSlice(t, want.Y, got.Y, 1e-7)
	require.Less(t, got.Statistics.Evaluations, want.Statistics.Evaluations)
}

// TestVerify: each thing that a system may say wrong of itself is found.
func TestVerify(t *testing.T) {
	y := []float64{1, 2, 3, 4, 5, 6}
	size := slices.Repeat([]float64{1}, 6)
	require.NoError(t, odetest.Verify(&chain{n: 6}, 3, y, nil))
	require.ErrorContains(t, odetest.Verify(&chain{n: 6, wrong: 0.001}, 3, y, nil), "jacobian entry (2, 1) is 4.001; differences give 4")
	require.ErrorContains(t, odetest.Verify(&chain{n: 6, still: true}, 3, y, nil), "time derivative 0 is 0; differences give 6")
	solutions := func(c *chain) error {
		c.Linearise(3, y, make([]float64, 6))
		return odetest.VerifySolutions(c, 7, []float64{1, -1, 2, 0, 0, 3}, size, 1e-12)
	}
	require.NoError(t, solutions(&chain{n: 6}))
	require.ErrorContains(t, solutions(&chain{n: 6, unmoved: true}), "with a diagonal of 7, row 1 of J·x")
}

// TestDifferenceQuotients: each entry is right, in one evaluation a state.
func TestDifferenceQuotients(t *testing.T) {
	const n = 5
	c := &chain{n: n}
	d := differences{}
	d.resize(n)
	y, f, ft := []float64{0.3, -1, 2, 0, 5}, make([]float64, n), make([]float64, n)
	c.Derivatives(2, y, f)
	var st Statistics
	d.System, d.f0, d.floor, d.h, d.st = c, f, slices.Repeat([]float64{1}, n), 0.1, &st
	d.Linearise(2, y, ft)
	require.Nil(t, d.trouble)
	require.Equal(t, n+1, st.Evaluations)
	c.Linearise(2, y, make([]float64, n))
	x, got, want := []float64{1, 2, 3, 4, 5}, make([]float64, n), make([]float64, n)
	d.Times(x, got)
	c.Times(x, want)
	require.InDeltaSlice(t, want, got, 1e-5)
	require.InDelta(t, 4, ft[0], 1e-4)
}

// TestDifferenceStaysInTheDomain: where f is a number on one side only, that side is taken.
func TestDifferenceStaysInTheDomain(t *testing.T) {
	sys := rightHandSide{1, func(_ float64, y, d []float64) { d[0] = -1 + math.Sqrt(y[0]) }}
	var d differences
	d.resize(1)
	d.System, d.f0, d.floor, d.st = sys, []float64{-1}, []float64{1}, new(Statistics) // the solution moves down, out of the domain
	d.Linearise(0, []float64{0}, make([]float64, 1))
	require.Nil(t, d.trouble)
	require.Positive(t, d.jac[0])
}

// TestDenseFactorsAgainstGonum solves random systems.
func TestDenseFactorsAgainstGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "states")
		diagonal := rapid.Float64Range(1, 1000).Draw(t, "1/(hγ)")
		var d differences
		d.resize(n)
		w := mat.NewDense(n, n, nil)
		b := make([]float64, n)
		for i := range n {
			for k := range n {
				d.jac[i*n+k] = rapid.Float64Range(-50, 50).Draw(t, "entry")
				w.Set(i, k, -d.jac[i*n+k])
			}
			w.Set(i, i, w.At(i, i)+diagonal)
			b[i] = rapid.Float64Range(-10, 10).Draw(t, "b")
		}
		var lu mat.LU
		lu.Factorize(w)
		var want mat.VecDense
		if lu.Cond() > 1e6 || lu.SolveVecTo(&want, false, mat.NewVecDense(n, slices.Clone(b))) != nil {
			t.Skip("nearly singular: nothing to compare")
		}
		d.Factorise(1000) // what it leaves must not matter
		require.True(t, d.Factorise(diagonal))
		d.Solve(b)
		for i, v := range b {
			require.InDelta(t, want.AtVec(i), v, 1e-9*lu.Cond()*(1+math.Abs(v)))
		}
	})
}

func TestSingular(t *testing.T) {
	var d differences
	d.resize(2)
	copy(d.jac, []float64{1, 1, 1, 1})
	require.False(t, d.Factorise(2)) // W = [1 −1; −1 1]
}
