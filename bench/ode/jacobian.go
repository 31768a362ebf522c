package ode

import (
	"fmt"
	"math"
	"slices"
)

// Matrix is a square matrix; row i, column k of a Jacobian is ∂f_i/∂y_k.
type Matrix struct {
	n    int
	a    []float64 // row by row
	mask []bool    // entries that may differ from zero; nil for all
}

// Dim gives the number of rows.
func (m *Matrix) Dim() int { return m.n }

// At gives an entry.
func (m *Matrix) At(i, k int) float64 { return m.a[i*m.n+k] }

// Set stores an entry; one outside the system's pattern panics.
func (m *Matrix) Set(i, k int, v float64) {
	m.allow(i, k)
	m.a[i*m.n+k] = v
}

// Add adds to an entry; one outside the system's pattern panics.
func (m *Matrix) Add(i, k int, v float64) {
	m.allow(i, k)
	m.a[i*m.n+k] += v
}

func (m *Matrix) allow(i, k int) {
	if m.mask != nil && !m.mask[i*m.n+k] {
		panic(fmt.Sprintf("ode: jacobian entry (%d, %d) is outside the pattern", i, k))
	}
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
	d.jac = Matrix{n: n, a: make([]float64, n*n)}
	d.y, d.f, d.delta = make([]float64, n), make([]float64, n), make([]float64, n)
	d.given, d.pattern = nil, nil
	d.columns = make([][]int, n)
	if given != nil {
		d.jac.mask = make([]bool, n*n)
		for i, row := range given {
			d.given = append(d.given, slices.Clone(row))
			row = append(slices.Clone(row), i)
			slices.Sort(row)
			row = slices.Compact(row)
			d.pattern = append(d.pattern, row)
			for _, k := range row {
				d.jac.mask[i*n+k] = true
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
	d.groups = groupColumns(d.columns, n)
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
		for k, rows := range d.columns {
			for _, i := range rows {
				if v := d.jac.a[i*d.jac.n+k]; !isFinite(v) {
					return &NonFiniteError{"jacobian", i, t, v}
				}
			}
		}
		return nil
	}
	copy(d.y, y)
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
			d.jac.a[i*d.jac.n+k] = v
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
