package ode

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// joined is five parts that all heat a current z0 which all of them feed, and a
// power z1 = z0·y0 that two of them read.
type joined struct{ wrong float64 } // added to one entry of the Jacobian

const joinedStates = 5

func (joined) Dim() int           { return joinedStates }
func (joined) Intermediates() int { return 2 }
func (joined) Pattern() [][]int {
	const z0, z1 = joinedStates, joinedStates + 1
	return [][]int{{0, z0}, {1, z0, z1}, {2, z0, z1}, {3, z0}, {4, z0}, {0, 1, 2, 3, 4}, {0, z0}}
}

func (joined) between(t float64, y []float64) (z0, z1 float64) {
	z0 = math.Sin(t)
	for _, v := range y {
		z0 += 0.3 * v * v
	}
	return z0, z0 * y[0]
}

func (s joined) Derivatives(t float64, y, d []float64) {
	z0, z1 := s.between(t, y)
	for i := range d {
		d[i] = -math.Pow(10, float64(i))*y[i] + z0
	}
	d[1] += z1
	d[2] -= z1 * y[2]
}

func (s joined) Jacobian(t float64, y []float64, m *Matrix) {
	const z0, z1 = joinedStates, joinedStates + 1
	for i := range joinedStates {
		m.Set(i, i, -math.Pow(10, float64(i)))
		m.Set(i, z0, 1)
		m.Set(z0, i, 0.6*y[i])
	}
	current, power := s.between(t, y)
	m.Set(1, z1, 1+s.wrong)
	m.Set(2, z1, -y[2])
	m.Add(2, 2, -power)
	m.Set(z1, 0, current)
	m.Set(z1, z0, y[0])
}

// unjoined hides the intermediates.
type unjoined struct{ joined }

func (unjoined) Intermediates() {}
func (unjoined) Pattern()       {}
func (unjoined) Jacobian()      {}

// TestIntermediates: with intermediates the answer is that of the full Jacobian
// by differences, with fewer evaluations, in the sparse order.
func TestIntermediates(t *testing.T) {
	y0 := []float64{1, 0.5, -0.5, 2, 0}
	solve := func(sys System) Result {
		var in Integrator
		r, err := in.Integrate(context.Background(), sys, 0, 3, y0, nil, Options{RelTol: 1e-8}, nil)
		require.NoError(t, err)
		return r
	}
	got, want := solve(joined{}), solve(unjoined{})
	require.InDeltaSlice(t, want.Y, got.Y, 1e-9)
	require.Zero(t, got.Statistics.Pivoted)
	require.Equal(t, want.Statistics.Steps, got.Statistics.Steps)
	require.Less(t, got.Statistics.Evaluations, want.Statistics.Evaluations)
}

// TestIntermediatesWithPivoting: where the fixed order fails, the dense factors
// carry the intermediates too.
func TestIntermediatesWithPivoting(t *testing.T) {
	// W = [δ −1; −1 1] over one state and one intermediate: x = (b + z)/δ with z = x.
	m := newMatrix(2, [][]int{{0, 1}, {0, 1}})
	m.Set(0, 1, 1)
	m.Set(1, 0, 1)
	var l linear
	l.resize(2, [][]int{{0, 1}, {0, 1}})
	l.states = 1
	for _, dense := range []bool{false, true} {
		st := Statistics{}
		require.True(t, l.factorise(&m, 3, &st))
		if dense {
			require.True(t, l.pivot(&st))
		}
		b := []float64{4}
		require.True(t, l.solveFirst(b, &st))
		require.InDelta(t, 2, b[0], 1e-14) // 3x − x = 4
	}
}

// TestVerifyJacobianThroughIntermediates: a wrong entry shows in the states it
// reaches, and a pattern is judged with what the intermediates read.
func TestVerifyJacobianThroughIntermediates(t *testing.T) {
	y := []float64{1, 0.5, -0.5, 2, 0.1}
	require.NoError(t, VerifyJacobian(joined{}, 0.3, y, nil))
	require.ErrorContains(t, VerifyJacobian(joined{wrong: 0.01}, 0.3, y, nil), "jacobian entry (1, 0)")
	require.ErrorContains(t, VerifyJacobian(blind{}, 0.3, y, nil), "reads state 3")
}

// blind forgets that the current reads state 3.
type blind struct{ joined }

func (blind) Pattern() [][]int {
	p := joined{}.Pattern()
	p[joinedStates] = []int{0, 1, 2, 4}
	return p
}

func (s blind) Jacobian(t float64, y []float64, m *Matrix) {
	full := newMatrix(joinedStates+2, joined{}.Pattern())
	s.joined.Jacobian(t, y, &full)
	for i := range m.n {
		for k := range m.n {
			if v := full.At(i, k); m.place[i*m.n+k] >= 0 {
				m.Set(i, k, v)
			}
		}
	}
}
