package ode

import (
	"fmt"
	"math"
	"slices"
)

// Matrix is a square matrix with the entries of a pattern; row i, column k of a
// Jacobian is ∂f_i/∂y_k.
type Matrix struct {
	n       int
	a       []float64 // entries, row by row, columns rising
	columns []int32   // of each entry
	start   []int32   // of each row in a, and the end of the last
	place   []int32   // of (i, k) in a, at i·n + k; −1 for what is outside the pattern
}

// newMatrix makes a matrix of a pattern with rising rows, nil for full.
func newMatrix(n int, pattern [][]int) Matrix {
	m := Matrix{n: n, place: make([]int32, n*n), start: make([]int32, 1, n+1)}
	for i := range m.place {
		m.place[i] = -1
	}
	enter := func(i, k int) {
		m.place[i*n+k] = int32(len(m.columns))
		m.columns = append(m.columns, int32(k))
	}
	for i := range n {
		if pattern == nil {
			for k := range n {
				enter(i, k)
			}
		} else {
			for _, k := range pattern[i] {
				enter(i, k)
			}
		}
		m.start = append(m.start, int32(len(m.columns)))
	}
	m.a = make([]float64, len(m.columns))
	return m
}

// Dim gives the number of rows.
func (m *Matrix) Dim() int { return m.n }

// At gives an entry, zero outside the pattern.
func (m *Matrix) At(i, k int) float64 {
	if p := m.place[i*m.n+k]; p >= 0 {
		return m.a[p]
	}
	return 0
}

// Set stores an entry; one outside the system's pattern panics.
func (m *Matrix) Set(i, k int, v float64) { m.a[m.at(i, k)] = v }

// Add adds to an entry; one outside the system's pattern panics.
func (m *Matrix) Add(i, k int, v float64) { m.a[m.at(i, k)] += v }

func (m *Matrix) at(i, k int) int32 {
	p := m.place[i*m.n+k]
	if p < 0 {
		panic(fmt.Sprintf("ode: jacobian entry (%d, %d) is outside the pattern", i, k))
	}
	return p
}

// Entries are those of the pattern, to be filled by a system that keeps them in
// the same order: row by row, columns rising, the diagonal included.
func (m *Matrix) Entries() []float64 { return m.a }

// row gives the entries of a row and their columns.
func (m *Matrix) row(i int) ([]float64, []int32) {
	first, end := m.start[i], m.start[i+1]
	return m.a[first:end], m.columns[first:end]
}

// times writes the product of the Jacobian with v, a vector of its states, into
// out; for what lies behind the states the matrix holds intermediates. v has
// room for these.
func (m *Matrix) times(v, out []float64) {
	for j := len(out); j < m.n; j++ {
		v[j] = 0 // z_j reads no later one: its diagonal is zero
		v[j] = m.rowTimes(j, v)
	}
	for i := range out {
		out[i] = m.rowTimes(i, v)
	}
}

func (m *Matrix) rowTimes(i int, v []float64) (s float64) {
	entries, columns := m.row(i)
	for e, k := range columns {
		s += entries[e] * v[k]
	}
	return s
}

// differentiator fills the Jacobian: from the system where it knows it, else by
// difference quotients, with columns that share no row perturbed together
// (Curtis, Powell and Reid, J. Inst. Maths Applics 13 (1974) 117).
type differentiator struct {
	jac     Matrix
	pattern [][]int // pattern last seen, rows sorted, diagonal included; nil for full
	given   [][]int // a copy of what the system gave
	columns [][]int // rows of each column
	groups  [][]int // columns perturbed together
	y, f    []float64
	delta   []float64
}

// resize prepares for n states and the given pattern (nil for full) and tells
// whether the structure changed.
func (d *differentiator) resize(n int, given [][]int) bool {
	if d.jac.n == n && (given == nil) == (d.given == nil) && slices.EqualFunc(d.given, given, slices.Equal) {
		return false
	}
	if given != nil && len(given) != n {
		panic(fmt.Sprintf("ode: pattern of %d rows for %d states", len(given), n))
	}
	d.y, d.f, d.delta = make([]float64, n), make([]float64, n), make([]float64, n)
	d.given, d.pattern = nil, nil
	d.columns = make([][]int, n)
	if given != nil {
		for i, row := range given {
			d.given = append(d.given, slices.Clone(row))
			row = append(slices.Clone(row), i)
			slices.Sort(row)
			row = slices.Compact(row)
			d.pattern = append(d.pattern, row)
			for _, k := range row {
				d.columns[k] = append(d.columns[k], i)
			}
		}
	} else {
		all := make([]int, n)
		for i := range all {
			all[i] = i
		}
		for k := range d.columns {
			d.columns[k] = all
		}
	}
	d.jac = newMatrix(n, d.pattern)
	d.groups = nil // until they are needed
	return true
}

// groupColumns puts each column into the first group it shares no row with,
// fullest columns first.
func groupColumns(columns [][]int, n int) [][]int {
	order := make([]int, n)
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int { return len(columns[b]) - len(columns[a]) })
	var groups [][]int
	var taken [][]bool
	for _, k := range order {
		g := slices.IndexFunc(taken, func(rows []bool) bool {
			return !slices.ContainsFunc(columns[k], func(i int) bool { return rows[i] })
		})
		if g < 0 {
			g = len(groups)
			groups = append(groups, nil)
			taken = append(taken, make([]bool, n))
		}
		groups[g] = append(groups[g], k)
		for _, i := range columns[k] {
			taken[g][i] = true
		}
	}
	return groups
}

// fill computes the Jacobian at (t, y) where f0 = f(t, y). floor is the size
// below which each state does not matter.
func (d *differentiator) fill(sys System, t float64, y, f0, floor []float64, st *Statistics) error {
	st.Jacobians++
	if s, ok := sys.(WithJacobian); ok {
		clear(d.jac.a)
		s.Jacobian(t, y, &d.jac)
		if e := firstNonFinite(d.jac.a); e >= 0 {
			row := slices.IndexFunc(d.jac.start, func(start int32) bool { return start > int32(e) }) - 1
			return &NonFiniteError{"jacobian", row, t, d.jac.a[e]}
		}
		return nil
	}
	copy(d.y, y)
	if d.groups == nil {
		d.groups = groupColumns(d.columns, len(d.y))
	}
	for _, group := range d.groups {
		// Move the way the solution moves: that stays inside the domain of f,
		// and at a kink takes the side about to be entered.
		bad := d.quotient(sys, t, y, f0, floor, group, 1, st)
		if bad >= 0 {
			bad = d.quotient(sys, t, y, f0, floor, group, -1, st)
		}
		if bad >= 0 {
			return &NonFiniteError{"jacobian", bad, t, d.f[bad]}
		}
	}
	return nil
}

// quotient perturbs one group of columns and gives the first state whose
// derivative is then not finite, or -1.
func (d *differentiator) quotient(sys System, t float64, y, f0, floor []float64, group []int, sense float64, st *Statistics) int {
	const root = 1.4901161193847656e-08 // square root of the unit roundoff: balances cut-off and rounding
	for _, k := range group {
		step := math.Copysign(root*math.Max(math.Abs(y[k]), floor[k]), sense*f0[k])
		d.y[k] = y[k] + step
		d.delta[k] = d.y[k] - y[k] // what was really added
	}
	sys.Derivatives(t, d.y, d.f)
	st.Evaluations++
	for _, k := range group {
		d.y[k] = y[k]
	}
	for _, k := range group {
		for _, i := range d.columns[k] {
			v := (d.f[i] - f0[i]) / d.delta[k]
			if !isFinite(v) {
				return i
			}
			d.jac.Set(i, k, v)
		}
	}
	return -1
}

// timeDerivative writes ∂f/∂t at (t, y) into ft. The difference is taken
// forward, a millionth of the step about to be tried, so that it lies inside
// the piece being integrated.
func timeDerivative(sys System, t, h float64, y, f0, ft []float64, st *Statistics) error {
	if s, ok := sys.(WithTimeDerivative); ok {
		s.TimeDerivative(t, y, ft)
	} else {
		later := t + math.Max(1e-6*h, 4*ulp(t))
		sys.Derivatives(later, y, ft)
		st.Evaluations++
		for i := range ft {
			ft[i] = (ft[i] - f0[i]) / (later - t)
		}
	}
	if i := firstNonFinite(ft); i >= 0 {
		return &NonFiniteError{"time derivative", i, t, ft[i]}
	}
	return nil
}
