package ode

import "math"

// factors holds W = I/(hγ) − J, factorised.
type factors struct {
	n     int
	w     []float64 // row by row: unit lower and upper triangle
	pivot []int
}

func (f *factors) resize(n int) {
	if f.n != n {
		*f = factors{n: n, w: make([]float64, n*n), pivot: make([]int, n)}
	}
}

// factorise computes the factors with row pivoting, and tells whether W is regular.
func (f *factors) factorise(jac *Matrix, diagonal float64) bool {
	n, w := f.n, f.w
	for i, v := range jac.a {
		w[i] = -v
	}
	for i := 0; i < n; i++ {
		w[i*n+i] += diagonal
	}
	for k := 0; k < n; k++ {
		p, largest := k, math.Abs(w[k*n+k])
		for i := k + 1; i < n; i++ {
			if v := math.Abs(w[i*n+k]); v > largest {
				p, largest = i, v
			}
		}
		if largest == 0 || !isFinite(largest) {
			return false
		}
		f.pivot[k] = p
		rowK := w[k*n : k*n+n]
		if p != k {
			rowP := w[p*n : p*n+n]
			for j := range rowK {
				rowK[j], rowP[j] = rowP[j], rowK[j]
			}
		}
		inverse := 1 / rowK[k]
		for i := k + 1; i < n; i++ {
			row := w[i*n : i*n+n]
			if row[k] == 0 {
				continue
			}
			l := row[k] * inverse
			row[k] = l
			for j := k + 1; j < n; j++ {
				row[j] -= l * rowK[j]
			}
		}
	}
	return true
}

// solve overwrites b with the solution of W x = b.
func (f *factors) solve(b []float64) {
	n, w := f.n, f.w
	for k := 0; k < n; k++ {
		p := f.pivot[k]
		b[k], b[p] = b[p], b[k]
	}
	for i := 0; i < n; i++ {
		row := w[i*n : i*n+i]
		s := b[i]
		for j, v := range row {
			s -= v * b[j]
		}
		b[i] = s
	}
	for i := n - 1; i >= 0; i-- {
		s := b[i]
		for j := i + 1; j < n; j++ {
			s -= w[i*n+j] * b[j]
		}
		b[i] = s / w[i*n+i]
	}
}
