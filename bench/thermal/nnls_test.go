package thermal

import (
	"math"
	"math/bits"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// The Karush-Kuhn-Tucker conditions hold at the minimum of this convex problem and
// nowhere else, and no choice of columns does better. Whole numbers keep columns
// either alike or well apart.
func TestNonNegativeLeastSquaresIsTheMinimum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows, cols := rapid.IntRange(1, 8).Draw(t, "rows"), rapid.IntRange(1, 6).Draw(t, "cols")
		A := mat.NewDense(rows, cols, nil)
		b := make([]float64, rows)
		for i := range rows {
			b[i] = float64(rapid.IntRange(-20, 20).Draw(t, "b"))
			for j := range cols {
				A.Set(i, j, float64(rapid.IntRange(-9, 9).Draw(t, "A")))
			}
		}
		x, err := nonNegativeLeastSquares(A, b)
		require.NoError(t, err)
		square := func(x []float64) float64 {
			var r mat.VecDense
			r.MulVec(A, mat.NewVecDense(cols, x))
			r.SubVec(&r, mat.NewVecDense(rows, b))
			return mat.Dot(&r, &r)
		}
		var residual, gradient mat.VecDense
		residual.MulVec(A, mat.NewVecDense(cols, x))
		residual.SubVec(mat.NewVecDense(rows, b), &residual)
		gradient.MulVec(A.T(), &residual)
		const rounding = 1e-8
		for j := range cols {
			assert.GreaterOrEqual(t, x[j], 0.0)
			assert.LessOrEqual(t, gradient.AtVec(j), rounding)
			if x[j] > 0 {
				assert.InDelta(t, 0, gradient.AtVec(j), rounding)
			}
		}
		for subset := range 1 << cols {
			chosen := make([]bool, cols)
			for j := range cols {
				chosen[j] = subset>>j&1 == 1
			}
			if bits.OnesCount(uint(subset)) > rows {
				continue
			}
			y, ok := leastSquares(A, mat.NewVecDense(rows, b), chosen)
			for _, v := range y {
				ok = ok && v >= 0
			}
			if ok {
				assert.LessOrEqual(t, square(x), square(y)+1e-9)
			}
		}
	})
}

func TestNonNegativeLeastSquaresRefusesWhatIsNoNumber(t *testing.T) {
	_, err := nonNegativeLeastSquares(mat.NewDense(1, 1, []float64{math.NaN()}), []float64{1})
	require.Error(t, err)
}
