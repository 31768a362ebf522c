package ode

import (
	"math"
	"math/bits"
	"slices"
)

// sparseFactors are the triangular factors of a matrix of known pattern, L·D·U with
// ones on the diagonals of L and U, with rows and columns in one fixed order that
// keeps the fill small. States nothing else depends on come first and cost nothing.
//
// What is to be done is listed entry by entry: rows are short, and a loop that ends
// after two or three turns costs more than what it does.
type sparseFactors struct {
	n            int
	order        []int32             // state by position
	values       []float64           // reciprocals of D, then L and U as listed
	lower, upper []place             // entries: L by rising, U by falling column
	origin       []uint16            // where each entry of the Jacobian is stored
	jacobian     []place             // and its place
	levels       []level             // elimination: of pivots that do not touch each other,
	scaled       []scale             // the entries in their rows of U
	updates      []update            // and what their rows and columns do to the rest
	x            [mostSparse]float64 // right-hand side, then solution, by position
	rest, size   [mostSparse]float64 // of the equations that prove it
}

// place is row and column by position, in one word: fewer instructions an entry.
type place uint16

func at(row, column int) place { return place(row | column<<8) }

func (p place) row() uint8    { return uint8(p) }
func (p place) column() uint8 { return uint8(p >> 8) }

// level is where what belongs to some pivots ends: by position, in scaled and in updates.
type level struct{ pivots, scaled, updates int }

// scale is an entry of U and its pivot.
type scale struct{ entry, pivot uint16 }

// update takes from an entry the product of one of L and one of U; all three in one word.
type update uint64

func newUpdate(entry, lower, upper uint16) update {
	return update(entry) | update(lower)<<16 | update(upper)<<32
}

func (u update) entry() uint16 { return uint16(u) }
func (u update) lower() uint16 { return uint16(u >> 16) }
func (u update) upper() uint16 { return uint16(u >> 32) }

// mostSparse is the largest system taken: an index of one byte then needs no check.
const mostSparse = 256

// mostEntries is the largest number of entries taken, so that two bytes count them.
const mostEntries = 1 << 15

// analyse chooses the order and finds the fill; a nil pattern, or one too large,
// leaves n zero.
func (f *sparseFactors) analyse(n int, pattern [][]int) {
	*f = sparseFactors{}
	if pattern == nil || n > mostSparse {
		return
	}
	order := eliminationOrder(n, pattern)
	depth := depths(filled(order, pattern))
	byDepth := make([]int, n)
	for p := range byDepth {
		byDepth[p] = p
	}
	slices.SortStableFunc(byDepth, func(p, q int) int { return depth[p] - depth[q] })
	sorted := make([]int32, n)
	for p, was := range byDepth {
		sorted[p] = order[was]
	}
	order = sorted // the fill stays as it is
	slices.Sort(depth)
	rows := filled(order, pattern)
	var position [mostSparse]int
	entries := 0
	for p, state := range order {
		position[state] = p
		entries += rows[p].common(&rows[p])
	}
	if entries > mostEntries {
		return
	}
	f.n, f.order = n, order
	stores := make([]uint16, n*n) // of each entry, in values
	for p := range n {
		stores[p*n+p] = uint16(p)
	}
	stored := n
	for column := range n {
		for row := column + 1; row < n; row++ {
			if rows[row].has(column) {
				stores[row*n+column] = uint16(stored)
				f.lower = append(f.lower, at(row, column))
				stored++
			}
		}
	}
	for column := n - 1; column >= 0; column-- {
		for row := range column {
			if rows[row].has(column) {
				stores[row*n+column] = uint16(stored)
				f.upper = append(f.upper, at(row, column))
				stored++
			}
		}
	}
	f.values = make([]float64, stored)
	for i, row := range pattern {
		for _, k := range row {
			f.origin = append(f.origin, stores[position[i]*n+position[k]])
			f.jacobian = append(f.jacobian, at(position[i], position[k]))
		}
	}
	for p := range n {
		for k := rows[p].next(p + 1); k < n; k = rows[p].next(k + 1) {
			f.scaled = append(f.scaled, scale{stores[p*n+k], uint16(p)})
		}
		for i := p + 1; i < n; i++ {
			if !rows[i].has(p) {
				continue
			}
			for k := rows[p].next(p + 1); k < n; k = rows[p].next(k + 1) {
				f.updates = append(f.updates, newUpdate(stores[i*n+k], stores[i*n+p], stores[p*n+k]))
			}
		}
		if p == n-1 || depth[p+1] > depth[p] {
			f.levels = append(f.levels, level{p + 1, len(f.scaled), len(f.updates)})
		}
	}
}

// filled are the rows of the factors by position, fill included (row-wise elimination).
func filled(order []int32, pattern [][]int) []members {
	var position [mostSparse]int
	for p, state := range order {
		position[state] = p
	}
	rows := make([]members, len(order))
	for p, state := range order {
		row := &rows[p]
		row.add(p)
		for _, k := range pattern[state] {
			row.add(position[k])
		}
		for i := row.next(0); i < p; i = row.next(i + 1) {
			row.addBehind(i, &rows[i])
		}
	}
	return rows
}

// depths is how many pivots must have come before each, one after the other: those of equal depth do not touch each other.
func depths(rows []members) []int {
	depth := make([]int, len(rows))
	for p := range rows {
		for q := p + 1; q < len(rows); q++ {
			if rows[p].has(q) || rows[q].has(p) {
				depth[q] = max(depth[q], depth[p]+1)
			}
		}
	}
	return depth
}

// members is a set of positions.
type members [mostSparse / 64]uint64

func (m *members) add(i int) { m[i/64] |= 1 << (i % 64) }

func (m *members) has(i int) bool { return m[i/64]>>(i%64)&1 != 0 }

// addBehind adds those of o that lie behind i.
func (m *members) addBehind(i int, o *members) {
	for w := i / 64; w < len(m); w++ {
		x := o[w]
		if w == i/64 {
			x &^= 2<<(i%64) - 1
		}
		m[w] |= x
	}
}

// next is the first member from i on, mostSparse for none.
func (m *members) next(i int) int {
	for w := i / 64; w < len(m); w++ {
		x := m[w]
		if w == i/64 {
			x &^= 1<<(i%64) - 1
		}
		if x != 0 {
			return 64*w + bits.TrailingZeros64(x)
		}
	}
	return mostSparse
}

// common counts those in o as well.
func (m *members) common(o *members) (n int) {
	for w, x := range m {
		n += bits.OnesCount64(x & o[w])
	}
	return n
}

// eliminationOrder takes next the state of least cost, (entries in its row − 1) ×
// (entries in its column − 1) of what is left (Markowitz, Management Science 3
// (1957) 255, restricted to the diagonal).
func eliminationOrder(n int, pattern [][]int) []int32 {
	rows, columns := make([]members, n), make([]members, n) // the diagonal left out
	var left members
	for i, row := range pattern {
		left.add(i)
		for _, k := range row {
			if k != i {
				rows[i].add(k)
				columns[k].add(i)
			}
		}
	}
	order := make([]int32, 0, n)
	for range n {
		best, bestCost := 0, math.MaxInt
		for s := left.next(0); s < n; s = left.next(s + 1) {
			if cost := rows[s].common(&left) * columns[s].common(&left); cost < bestCost {
				best, bestCost = s, cost
			}
		}
		left[best/64] &^= 1 << (best % 64)
		order = append(order, int32(best))
		for i := left.next(0); i < n; i = left.next(i + 1) {
			if !rows[i].has(best) {
				continue
			}
			for k := left.next(0); k < n; k = left.next(k + 1) {
				if k != i && rows[best].has(k) {
					rows[i].add(k)
					columns[k].add(i)
				}
			}
		}
	}
	return order
}

// factorise computes the factors and tells whether no pivot vanished.
func (f *sparseFactors) factorise(jac *Matrix, diagonal float64, states int) bool {
	w := f.values
	clear(w)
	a := jac.a[:len(f.origin)]
	for e, into := range f.origin {
		w[into] = -a[e]
	}
	for p, state := range f.order {
		if int(state) < states {
			w[p] += diagonal
		} else {
			w[p]++
		}
	}
	var from level
	for _, to := range f.levels {
		for p, v := range w[from.pivots:to.pivots] {
			if v == 0 {
				return false
			}
			w[from.pivots+p] = 1 / v
		}
		for _, c := range f.scaled[from.scaled:to.scaled] {
			w[c.entry] *= w[c.pivot]
		}
		for _, u := range f.updates[from.updates:to.updates] {
			w[u.entry()] -= w[u.lower()] * w[u.upper()]
		}
		from = to
	}
	lower := w[f.n:][:len(f.lower)]
	for e := range f.lower {
		lower[e] *= w[f.lower[e].column()]
	}
	return true
}

// solve overwrites b, a right-hand side of the states alone (that of the
// intermediates is zero), with the solution.
func (f *sparseFactors) solve(b []float64) {
	z, order := &f.x, f.order[:min(f.n, mostSparse)]
	for p, state := range order {
		v := 0.0
		if int(state) < len(b) {
			v = b[state]
		}
		z[p] = v
	}
	lower := f.values[f.n:][:len(f.lower)]
	for e, at := range f.lower {
		z[at.row()] -= lower[e] * z[at.column()]
	}
	for p, inverse := range f.values[:len(order)] {
		z[p] *= inverse
	}
	upper := f.values[f.n+len(f.lower):][:len(f.upper)]
	for e, at := range f.upper {
		z[at.row()] -= upper[e] * z[at.column()]
	}
	for p, state := range order {
		if int(state) < len(b) {
			b[state] = z[p]
		}
	}
}

// proves says whether the last solution, for a right-hand side b, solves
// (I·diagonal − jac) x = b within a componentwise backward error (Oettli and
// Prager): how large a relative change of the entries of matrix and b would make it
// exact. For intermediates see linear.
func (f *sparseFactors) proves(jac *Matrix, diagonal float64, b []float64, most float64) bool {
	x, rest, size := &f.x, &f.rest, &f.size
	for p, state := range f.order[:min(f.n, mostSparse)] {
		rest[p], size[p] = x[p], math.Abs(x[p])
		if int(state) < len(b) {
			rest[p] = diagonal*x[p] - b[state]
			size[p] = diagonal*size[p] + math.Abs(b[state])
		}
	}
	a := jac.a[:len(f.jacobian)]
	for e, p := range f.jacobian {
		rest[p.row()] -= a[e] * x[p.column()]
	}
	within := func() bool {
		for p, r := range rest[:f.n] {
			if !(math.Abs(r) <= most*size[p]) {
				return false
			}
		}
		return true
	}
	if within() { // beyond doubt
		return true
	}
	for e, p := range f.jacobian {
		size[p.row()] += math.Abs(a[e] * x[p.column()])
	}
	return within()
}
