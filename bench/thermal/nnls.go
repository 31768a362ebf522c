package thermal

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// errNNLS is a least-squares problem that did not come to an end; it takes a
// matrix that is no matrix of a curve.
var errNNLS = errors.New("non-negative least squares did not converge")

// nonNegativeLeastSquares minimises ‖A·x − b‖ over x ≥ 0, by the active-set method
// of Lawson and Hanson, Solving Least Squares Problems (1974), chapter 23. Rows
// of A hold the equations. Columns are brought to unit length first, which leaves
// the sign conditions as they are and makes the tolerances mean the same for all.
func nonNegativeLeastSquares(A *mat.Dense, b []float64) ([]float64, error) {
	if !allFinite(A.RawMatrix().Data, b) {
		return nil, errNNLS
	}
	rows, cols := A.Dims()
	length := make([]float64, cols)
	N := mat.NewDense(rows, cols, nil)
	for j := range cols {
		column := A.ColView(j)
		length[j] = mat.Norm(column, 2)
		if length[j] > 0 {
			for i := range rows {
				N.Set(i, j, column.AtVec(i)/length[j])
			}
		}
	}
	target := mat.NewVecDense(rows, b)
	tolerance := 1e-13 * (1 + mat.Norm(target, 2))

	x := make([]float64, cols)
	passive := make([]bool, cols) // the columns free to be above zero
	barred := make([]bool, cols)  // columns that rounding keeps from entering, until x moves
	residual := mat.NewVecDense(rows, nil)
	gradient := mat.NewVecDense(cols, nil)
	for range 20 * (cols + 1) {
		residual.MulVec(N, mat.NewVecDense(cols, x))
		residual.SubVec(target, residual)
		gradient.MulVec(N.T(), residual)
		enter := -1
		for j := range cols {
			if !passive[j] && !barred[j] && gradient.AtVec(j) > tolerance &&
				(enter < 0 || gradient.AtVec(j) > gradient.AtVec(enter)) {
				enter = j
			}
		}
		if enter < 0 || count(passive) == rows {
			for j := range x {
				if length[j] > 0 {
					x[j] /= length[j]
				}
			}
			return x, nil
		}
		passive[enter] = true
		trial, ok := leastSquares(N, target, passive)
		if !ok || trial[enter] <= 0 { // the gradient was rounding
			passive[enter], barred[enter] = false, true
			continue
		}
		clear(barred)
		for {
			// Go towards the free solution as far as no value turns negative.
			reach, block := 1.0, -1
			for j := range cols {
				if passive[j] && trial[j] <= 0 {
					if r := x[j] / (x[j] - trial[j]); r <= reach {
						reach, block = r, j
					}
				}
			}
			for j := range cols {
				if passive[j] {
					x[j] += reach * (trial[j] - x[j])
				}
			}
			if block < 0 {
				break
			}
			x[block] = 0
			for j := range cols {
				if passive[j] && x[j] <= 0 {
					x[j], passive[j] = 0, false
				}
			}
			if trial, ok = leastSquares(N, target, passive); !ok {
				return nil, errNNLS
			}
		}
	}
	return nil, errNNLS
}

// leastSquares solves for the chosen columns only; the others stay zero. It says
// false where the columns depend on each other.
func leastSquares(A *mat.Dense, b *mat.VecDense, chosen []bool) ([]float64, bool) {
	rows, cols := A.Dims()
	x := make([]float64, cols)
	n := count(chosen)
	if n == 0 {
		return x, true
	}
	if n > rows {
		return nil, false
	}
	sub := mat.NewDense(rows, n, nil)
	k := 0
	for j := range cols {
		if chosen[j] {
			for i := range rows {
				sub.Set(i, k, A.At(i, j))
			}
			k++
		}
	}
	var qr mat.QR
	qr.Factorize(sub)
	var solution mat.VecDense
	if err := qr.SolveVecTo(&solution, false, b); err != nil {
		return nil, false
	}
	k = 0
	for j := range cols {
		if chosen[j] {
			x[j] = solution.AtVec(k)
			k++
		}
	}
	return x, true
}

func count(flags []bool) int {
	n := 0
	for _, f := range flags {
		if f {
			n++
		}
	}
	return n
}
func allFinite(lists ...[]float64) bool {
	for _, list := range lists {
		for _, x := range list {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return false
			}
		}
	}
	return true
}
