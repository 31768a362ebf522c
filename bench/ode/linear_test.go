package ode

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// linearCase is a random system of equations with a random pattern.
type linearCase struct {
	n        int
	given    [][]int
	jac      differentiator
	diagonal float64
	b        []float64
}

func drawLinear(t *rapid.T, sparse bool) *linearCase {
	c := &linearCase{n: rapid.IntRange(1, 12).Draw(t, "states"), diagonal: rapid.Float64Range(1, 1000).Draw(t, "1/(hγ)")}
	if sparse {
		c.given = make([][]int, c.n)
		for i := range c.given {
			c.given[i] = rapid.SliceOfN(rapid.IntRange(0, c.n-1), 0, 3).Draw(t, "reads")
		}
	}
	c.jac.resize(c.n, c.given)
	for i := range c.n {
		for k := range c.n {
			if c.jac.jac.place[i*c.n+k] >= 0 {
				c.jac.jac.Set(i, k, rapid.Float64Range(-50, 50).Draw(t, "entry"))
			}
		}
		c.b = append(c.b, rapid.Float64Range(-10, 10).Draw(t, "b"))
	}
	return c
}

// gonum solves the same equations with gonum's LU and gives their condition.
func (c *linearCase) gonum() ([]float64, float64) {
	w := mat.NewDense(c.n, c.n, nil)
	for i := range c.n {
		for k := range c.n {
			w.Set(i, k, -c.jac.jac.At(i, k))
		}
		w.Set(i, i, w.At(i, i)+c.diagonal)
	}
	var lu mat.LU
	lu.Factorize(w)
	var x mat.VecDense
	if lu.SolveVecTo(&x, false, mat.NewVecDense(c.n, slices.Clone(c.b))) != nil {
		return nil, math.Inf(1)
	}
	return x.RawVector().Data, lu.Cond()
}

// TestLinearAgainstGonum solves random systems, full and sparse.
func TestLinearAgainstGonum(t *testing.T) {
	for _, sparse := range []bool{false, true} {
		rapid.Check(t, func(t *rapid.T) {
			c := drawLinear(t, sparse)
			want, cond := c.gonum()
			if cond > 1e6 {
				t.Skip("nearly singular: nothing to compare")
			}
			var l linear
			l.resize(c.n, c.jac.pattern)
			var st Statistics
			l.factorise(&c.jac.jac, 1000, &st) // what it leaves must not matter
			require.True(t, l.factorise(&c.jac.jac, c.diagonal, &st))
			got := slices.Clone(c.b)
			require.True(t, l.solveFirst(got, &st))
			again := slices.Clone(c.b)
			l.solve(again)
			require.Equal(t, got, again)
			for i := range want {
				require.InDelta(t, want[i], got[i], 1e-9*cond*(1+math.Abs(want[i])))
			}
			if c.diagonal > 60*float64(c.n) { // dominant: the fixed order must do
				require.Zero(t, st.Pivoted)
			}
		})
	}
}

// TestSparseFallsBackOnPivoting: with a vanishing pivot in the fixed order the
// answer still comes, from the dense factors.
func TestSparseFallsBackOnPivoting(t *testing.T) {
	for name, diagonal := range map[string]float64{"zero pivot": 0, "tiny pivot": 1e-13} {
		t.Run(name, func(t *testing.T) {
			var d differentiator
			d.resize(2, [][]int{{1}, {0}})
			d.jac.Set(0, 1, -1) // W = [δ 1; 1 1+δ] with 1/(hγ) = δ
			d.jac.Set(1, 0, -1)
			d.jac.Set(1, 1, -1)
			var l linear
			l.resize(2, d.pattern)
			var st Statistics
			require.True(t, l.factorise(&d.jac, diagonal, &st))
			b := []float64{1.1, 3.3}
			require.True(t, l.solveFirst(b, &st))
			require.Equal(t, 1, st.Pivoted)
			require.InDeltaSlice(t, []float64{2.2, 1.1}, b, 1e-12) // δ → 0: x1 = b0, x0 = b1 − x1
		})
	}
}

func TestSingular(t *testing.T) {
	var d differentiator
	d.resize(2, nil)
	for i := range 2 {
		for k := range 2 {
			d.jac.Set(i, k, 1)
		}
	}
	var l linear
	l.resize(2, nil)
	require.False(t, l.factorise(&d.jac, 2, new(Statistics))) // W = [1 −1; −1 1]
}

// TestStatesNothingDependsOn come first in the elimination and cost no work:
// energy counters are free.
func TestStatesNothingDependsOn(t *testing.T) {
	var f sparseFactors
	// 0 and 1 depend on each other; 2 and 3 only listen.
	f.analyse(4, [][]int{{0, 1}, {0, 1}, {0, 1, 2}, {0, 1, 3}})
	require.ElementsMatch(t, []int32{2, 3}, f.order[:2])
	require.Len(t, f.updates, 1, "one elimination in all: of 0 from 1 or 1 from 0")
	require.Len(t, f.values, len(f.origin), "no fill")
}

// TestFillStartsFromZero: a ring has fill in any order; what one factorisation
// leaves there must not reach the next.
func TestFillStartsFromZero(t *testing.T) {
	const n = 5
	var d differentiator
	d.resize(n, [][]int{{1, 4}, {0, 2}, {1, 3}, {2, 4}, {3, 0}})
	for i := range n {
		d.jac.Set(i, (i+1)%n, 1)
		d.jac.Set(i, (i+n-1)%n, 2)
	}
	var l linear
	l.resize(n, d.pattern)
	require.Greater(t, len(l.sparse.values), len(l.sparse.origin), "there is fill")
	var st Statistics
	for _, diagonal := range []float64{4, 40} {
		require.True(t, l.factorise(&d.jac, diagonal, &st))
		b := []float64{1, 1, 1, 1, 1}
		require.True(t, l.solveFirst(b, &st))
		for _, x := range b {
			require.InDelta(t, 1/(diagonal-3), x, 1e-13) // each row sums to 1/(hγ) − 3
		}
	}
	require.Zero(t, st.Pivoted)
}
