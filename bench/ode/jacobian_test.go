package ode

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// ladder is a chain of n states, each reading its neighbours.
type ladder struct {
	n     int
	reads [][]int
	evals *int
}

func newLadder(n int) ladder {
	l := ladder{n: n, evals: new(int)}
	for i := range n {
		l.reads = append(l.reads, []int{max(i-1, 0), i, min(i+1, n-1)})
	}
	return l
}

func (l ladder) Dim() int         { return l.n }
func (l ladder) Pattern() [][]int { return l.reads }
func (l ladder) Derivatives(t float64, y, d []float64) {
	*l.evals++
	for i := range d {
		d[i] = -2*y[i] + t*t
		if i > 0 {
			d[i] += y[i-1] * y[i-1]
		}
		if i < l.n-1 {
			d[i] += 3 * y[i+1]
		}
	}
}

func (l ladder) exact(y []float64, i, k int) float64 {
	switch k {
	case i - 1:
		return 2 * y[k]
	case i:
		return -2
	case i + 1:
		return 3
	}
	return 0
}

// TestGroupedDifferences: a tridiagonal Jacobian takes three evaluations
// whatever its size (Curtis, Powell and Reid), and each entry is right.
func TestGroupedDifferences(t *testing.T) {
	for _, n := range []int{1, 5, 40} {
		l := newLadder(n)
		y, f, floor := make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range y {
			y[i], floor[i] = math.Sin(float64(i)), 1
		}
		l.Derivatives(0, y, f)
		*l.evals = 0
		var d differentiator
		d.resize(n, l.Pattern())
		var st Statistics
		require.NoError(t, d.fill(l, 0, y, f, floor, &st))
		require.Equal(t, min(n, 3), *l.evals)
		require.Equal(t, *l.evals, st.Evaluations)
		for i := range n {
			for k := range n {
				require.InDelta(t, l.exact(y, i, k), d.jac.At(i, k), 1e-6, "(%d, %d)", i, k)
			}
		}
	}
}

// TestDifferenceStaysInTheDomain: where f is a number on one side only, that
// side is taken.
func TestDifferenceStaysInTheDomain(t *testing.T) {
	sys := rightHandSide{1, func(_ float64, y, d []float64) { d[0] = -1 + math.Sqrt(y[0]) }}
	var d differentiator
	d.resize(1, nil)
	y, f := []float64{0}, []float64{-1} // the solution moves down, out of the domain
	require.NoError(t, d.fill(sys, 0, y, f, []float64{1}, new(Statistics)))
	require.Positive(t, d.jac.At(0, 0))
}

type rightHandSide struct {
	n int
	f func(t float64, y, d []float64)
}

func (s rightHandSide) Dim() int                              { return s.n }
func (s rightHandSide) Derivatives(t float64, y, d []float64) { s.f(t, y, d) }

// stated is a ladder that says what its Jacobian and time derivative are.
type stated struct {
	ladder
	jacobian func(i, k int, y []float64) float64
	dfdt     func(t float64) float64
}

func (s stated) Jacobian(_ float64, y []float64, m *Matrix) {
	for i, row := range s.reads {
		for _, k := range row {
			m.Set(i, k, s.jacobian(i, k, y))
		}
	}
}

func (s stated) TimeDerivative(t float64, _, dfdt []float64) {
	for i := range dfdt {
		dfdt[i] = s.dfdt(t)
	}
}

func TestVerifyJacobian(t *testing.T) {
	l := newLadder(6)
	y := []float64{1, 2, 3, 4, 5, 6}
	right := stated{l, func(i, k int, y []float64) float64 { return l.exact(y, i, k) }, func(t float64) float64 { return 2 * t }}
	require.NoError(t, VerifyJacobian(right, 3, y, nil))

	wrong := right
	wrong.jacobian = func(i, k int, y []float64) float64 {
		if i == 2 && k == 3 {
			return 3.001
		}
		return l.exact(y, i, k)
	}
	require.ErrorContains(t, VerifyJacobian(wrong, 3, y, nil), "jacobian entry (2, 3) is 3.001; differences give 3")

	wrong = right
	wrong.dfdt = func(float64) float64 { return 0 }
	require.ErrorContains(t, VerifyJacobian(wrong, 3, y, nil), "time derivative 0 is 0; differences give 6")

	blind := newLadder(6)
	blind.reads[4] = []int{3, 4}
	require.ErrorContains(t, VerifyJacobian(blind, 3, y, nil), "derivative 4 reads state 5 (slope 3), which its pattern denies")
}

func TestMatrixGuardsItsPattern(t *testing.T) {
	var d differentiator
	d.resize(3, [][]int{{1}, {}, {0}})
	d.jac.Set(0, 1, 2)
	d.jac.Add(0, 1, 3)
	d.jac.Set(1, 1, 7) // the diagonal is always there
	require.Equal(t, 5.0, d.jac.At(0, 1))
	require.PanicsWithValue(t, "ode: jacobian entry (1, 0) is outside the pattern", func() { d.jac.Set(1, 0, 1) })
}
