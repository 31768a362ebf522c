package ode

import "math"

// linear solves W x = b with W = I/(hγ) − J. Where the pattern of J is known it
// eliminates in a fixed sparse order without pivoting, checks the first
// solution by its residual, and falls back on dense elimination with row
// pivoting where that check fails; without a pattern it is always dense.
//
// Intermediates z, if any, are unknowns behind the states: their rows read
// z − (∂z/∂y) x − (∂z/∂z) z = 0.
type linear struct {
	states    int // the rest are intermediates
	sparse    sparseFactors
	dense     denseFactors
	useSparse bool // for the W at hand
	jac       *Matrix
	diagonal  float64
	rhs, x    []float64
}

// resize prepares for n states; pattern is complete (diagonal included), nil for full.
func (l *linear) resize(n int, pattern [][]int) {
	l.states = n
	l.dense.resize(n)
	l.sparse.analyse(n, pattern)
	l.rhs, l.x = make([]float64, n), make([]float64, n)
}

// factorise prepares to solve with I·diagonal − jac and tells whether that can work.
func (l *linear) factorise(jac *Matrix, diagonal float64, st *Statistics) bool {
	st.Factorisations++
	l.jac, l.diagonal = jac, diagonal
	l.useSparse = l.sparse.n > 0 && l.sparse.factorise(jac, diagonal, l.states)
	return l.useSparse || l.pivot(st)
}

func (l *linear) pivot(st *Statistics) bool {
	if l.sparse.n > 0 {
		st.Pivoted++
	}
	l.useSparse = false
	return l.dense.factorise(l.jac, l.diagonal, l.states)
}

// solve overwrites b, one value a state, with the solution.
func (l *linear) solve(b []float64) {
	if l.useSparse {
		l.sparse.solve(b)
		return
	}
	l.solveDense(b)
}

func (l *linear) solveDense(b []float64) {
	clear(l.x[copy(l.x, b):])
	l.dense.solve(l.x)
	copy(b, l.x)
}

// solveFirst is solve for the first right-hand side after factorise: it also
// proves the sparse factors. It tells whether W could be factorised.
func (l *linear) solveFirst(b []float64, st *Statistics) bool {
	if !l.useSparse {
		l.solveDense(b)
		return true
	}
	copy(l.rhs, b)
	l.sparse.solve(b)
	if l.sparse.proves(l.jac, l.diagonal, l.rhs[:len(b)], maxResidual) {
		return true
	}
	copy(b, l.rhs)
	if !l.pivot(st) {
		return false
	}
	l.solveDense(b)
	return true
}

// maxResidual bounds the componentwise backward error of a sparse solution. A
// Jacobian by differences is itself known to 1e-8 only.
const maxResidual = 1e-10

// denseFactors are the triangular factors of a full matrix with its rows exchanged.
type denseFactors struct {
	n         int
	w         []float64 // row by row: unit lower and upper triangle
	exchanged []int
}

func (f *denseFactors) resize(n int) {
	*f = denseFactors{n: n, w: make([]float64, n*n), exchanged: make([]int, n)}
}

func (f *denseFactors) factorise(jac *Matrix, diagonal float64, states int) bool {
	n, w := f.n, f.w
	clear(w)
	for i := 0; i < n; i++ {
		if i == states {
			diagonal = 1
		}
		entries, columns := jac.row(i)
		for e, k := range columns {
			w[i*n+int(k)] = -entries[e]
		}
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
		f.exchanged[k] = p
		rowK := w[k*n : k*n+n]
		if p != k {
			rowP := w[p*n : p*n+n]
			for j := range rowK {
				rowK[j], rowP[j] = rowP[j], rowK[j]
			}
		}
		inverse := 1 / rowK[k]
		tail := rowK[k+1:]
		for i := k + 1; i < n; i++ {
			row := w[i*n : i*n+n]
			if row[k] == 0 {
				continue
			}
			l := row[k] * inverse
			row[k] = l
			rest := row[k+1:][:len(tail)]
			for j, v := range tail {
				rest[j] -= l * v
			}
		}
	}
	return true
}

func (f *denseFactors) solve(b []float64) {
	n, w := f.n, f.w
	for k, p := range f.exchanged {
		b[k], b[p] = b[p], b[k]
	}
	for i := 0; i < n; i++ {
		s := b[i]
		for j, v := range w[i*n : i*n+i] {
			s -= v * b[j]
		}
		b[i] = s
	}
	for i := n - 1; i >= 0; i-- {
		row := w[i*n+i : i*n+n]
		s := b[i]
		for j, v := range row[1:] {
			s -= v * b[i+1+j]
		}
		b[i] = s / row[0]
	}
}
