package ode

import (
	"math"
	"slices"
)

// sparseFactors are the triangular factors of a matrix of known pattern, with
// rows and columns in one fixed order that keeps the fill small. States nothing
// else depends on come first and cost nothing.
type sparseFactors struct {
	n       int
	rows    []sparseRow         // by position in the order
	columns []uint8             // position of each stored entry, rising within a row
	origin  []int32             // its place among the Jacobian's, -1 for fill
	values  []float64           // lower factor, reciprocal of the diagonal, upper factor
	targets []int32             // elimination: entries updated, in the order they are met
	x       [mostSparse]float64 // permuted right-hand side
}

// sparseRow says where a row of the factors lies.
type sparseRow struct {
	state            int32 // it belongs to
	first, diag, end int32 // in values
}

// mostSparse is the largest system taken: an index of one byte then needs no check.
const mostSparse = 256

// analyse chooses the order and finds the fill; a nil pattern, or one too large,
// leaves n zero.
func (f *sparseFactors) analyse(n int, pattern [][]int) {
	*f = sparseFactors{}
	if pattern == nil || n > mostSparse {
		return
	}
	f.n = n
	order := eliminationOrder(n, pattern)
	place := make([]int32, n)
	for p, state := range order {
		place[state] = int32(p)
	}
	// Rows of the factors by position, fill included (row-wise elimination).
	rows := make([][]int32, n)
	for p, state := range order {
		var row []int32
		for _, k := range pattern[state] {
			row = append(row, place[k])
		}
		slices.Sort(row)
		for i := 0; i < len(row) && row[i] < int32(p); i++ {
			for _, j := range rows[row[i]] {
				if j > row[i] && !slices.Contains(row, j) {
					row = append(row, j)
				}
			}
			slices.Sort(row)
		}
		rows[p] = row
	}
	start := make([]int32, n) // of each row in the Jacobian
	for i, row := range pattern[:n-1] {
		start[i+1] = start[i] + int32(len(row))
	}
	for p, row := range rows {
		state := order[p]
		at := sparseRow{state: state, first: int32(len(f.columns))}
		for _, j := range row {
			if int(j) == p {
				at.diag = int32(len(f.columns))
			}
			from := int32(-1)
			if at := slices.Index(pattern[state], int(order[j])); at >= 0 {
				from = start[state] + int32(at)
			}
			f.columns = append(f.columns, uint8(j))
			f.origin = append(f.origin, from)
		}
		at.end = int32(len(f.columns))
		f.rows = append(f.rows, at)
	}
	for p, row := range rows {
		for _, k := range row {
			if int(k) >= p {
				break
			}
			for _, j := range rows[k] {
				if j > k {
					f.targets = append(f.targets, f.rows[p].first+int32(slices.Index(row, j)))
				}
			}
		}
	}
	f.values = make([]float64, len(f.columns))
}

// eliminationOrder takes next the state of least cost, (entries in its row − 1) ×
// (entries in its column − 1) of what is left (Markowitz, Management Science 3
// (1957) 255, restricted to the diagonal).
func eliminationOrder(n int, pattern [][]int) []int32 {
	has := make([][]bool, n)
	for i, row := range pattern {
		has[i] = make([]bool, n)
		for _, k := range row {
			has[i][k] = true
		}
	}
	left := make([]int, n)
	for i := range left {
		left[i] = i
	}
	var order []int32
	for len(left) > 0 {
		best, bestCost := 0, math.MaxInt
		for at, s := range left {
			row, column := 0, 0
			for _, o := range left {
				if o != s && has[s][o] {
					row++
				}
				if o != s && has[o][s] {
					column++
				}
			}
			if cost := row * column; cost < bestCost {
				best, bestCost = at, cost
			}
		}
		s := left[best]
		left = slices.Delete(left, best, best+1)
		order = append(order, int32(s))
		for _, i := range left {
			if !has[i][s] {
				continue
			}
			for _, k := range left {
				has[i][k] = has[i][k] || has[s][k]
			}
		}
	}
	return order
}

// factorise computes the factors and tells whether no pivot vanished.
func (f *sparseFactors) factorise(jac *Matrix, diagonal float64, states int) bool {
	w := f.values
	for e, from := range f.origin {
		if from >= 0 {
			w[e] = -jac.a[from]
		} else {
			w[e] = 0
		}
	}
	targets := f.targets
	for _, row := range f.rows {
		if int(row.state) < states {
			w[row.diag] += diagonal
		} else {
			w[row.diag]++
		}
		for e := row.first; e < row.diag; e++ {
			pivot := &f.rows[f.columns[e]]
			upper := w[pivot.diag+1 : pivot.end]
			l := w[e] * w[pivot.diag]
			w[e] = l
			into := targets[:len(upper)]
			for q, u := range upper {
				w[into[q]] -= l * u
			}
			targets = targets[len(upper):]
		}
		if w[row.diag] == 0 {
			return false
		}
		w[row.diag] = 1 / w[row.diag]
	}
	return true
}

// solve finds the solution of all unknowns, x, for a right-hand side b of the
// states alone: that of the intermediates is zero.
func (f *sparseFactors) solve(b, x []float64) {
	z, w, columns := &f.x, f.values, f.columns
	for p := range f.rows {
		row := &f.rows[p]
		s := 0.0
		if int(row.state) < len(b) {
			s = b[row.state]
		}
		entries := w[row.first:row.diag]
		for e, k := range columns[row.first:row.diag][:len(entries)] {
			s -= entries[e] * z[k]
		}
		z[uint8(p)] = s
	}
	for p := len(f.rows) - 1; p >= 0; p-- {
		row := &f.rows[p]
		s := z[uint8(p)]
		entries := w[row.diag+1 : row.end]
		for e, k := range columns[row.diag+1 : row.end][:len(entries)] {
			s -= entries[e] * z[k]
		}
		s *= w[row.diag]
		z[uint8(p)] = s
		x[row.state] = s
	}
}

// residual is the componentwise backward error of x as solution of
// (I·diagonal − jac) x = b (Oettli and Prager): how large a relative change of
// the entries of matrix and b would make it exact; zero where it is below least
// beyond doubt. For intermediates see linear.
func (f *sparseFactors) residual(jac *Matrix, diagonal float64, states int, x, b []float64, least float64) float64 {
	var worst float64
	for i := range f.n {
		s, size := x[i], 0.0
		if i < states {
			s = diagonal * x[i]
			size = math.Abs(b[i])
		}
		size += math.Abs(s)
		if i < states {
			s -= b[i]
		}
		entries, columns := jac.row(i)
		columns = columns[:len(entries)]
		for e, v := range entries {
			s -= v * x[columns[e]]
		}
		if s = math.Abs(s); s <= least*size {
			continue
		}
		for e, v := range entries {
			size += math.Abs(v * x[columns[e]])
		}
		if !(s <= worst*size) {
			worst = s / size
			if math.IsNaN(worst) {
				return math.Inf(1)
			}
		}
	}
	return worst
}
