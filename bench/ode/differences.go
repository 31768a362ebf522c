package ode

import "math"

// differences makes any System a [Structured] one: with a Jacobian by difference
// quotients, unless the system has its own, and dense factors with row pivoting.
type differences struct {
	System
	n     int
	f0    []float64 // f at the state to linearise at
	floor []float64 // size below which each state does not matter
	h     float64   // step about to be tried, s
	st    *Statistics

	jac       []float64 // row by row
	w         []float64 // row by row: unit lower and upper triangle
	exchanged []int
	y, f      []float64
	trouble   *NonFiniteError // of Linearise
}

func (d *differences) resize(n int) {
	if d.n != n {
		*d = differences{n: n, jac: make([]float64, n*n), w: make([]float64, n*n), exchanged: make([]int, n), y: make([]float64, n), f: make([]float64, n)}
	}
}

// Linearise computes the Jacobian by difference quotients; f0, floor, h and st must be set.
func (d *differences) Linearise(t float64, y, dfdt []float64) {
	d.trouble = nil
	if s, ok := d.System.(WithJacobian); ok {
		clear(d.jac)
		s.Jacobian(t, y, d.jac)
		if e := firstNonFinite(d.jac); e >= 0 {
			d.trouble = &NonFiniteError{"jacobian", e / d.n, t, d.jac[e]}
		}
	} else {
		copy(d.y, y)
		for k := range y {
			// Move the way the solution moves: that stays inside the domain of f,
			// and at a kink takes the side about to be entered.
			bad := d.quotient(t, y, k, 1)
			if bad >= 0 {
				bad = d.quotient(t, y, k, -1)
			}
			if bad >= 0 {
				d.trouble = &NonFiniteError{"jacobian", bad, t, d.f[bad]}
				return
			}
		}
	}
	d.timeDerivative(t, y, dfdt)
}

// timeDerivative computes ∂f/∂t by a difference forward in time, a millionth of the step about to be tried, so
// that it lies inside the piece being integrated.
func (d *differences) timeDerivative(t float64, y, dfdt []float64) {
	later := t + math.Max(1e-6*d.h, 4*ulp(t))
	d.Derivatives(later, y, dfdt)
	d.st.Evaluations++
	for i := range dfdt {
		dfdt[i] = (dfdt[i] - d.f0[i]) / (later - t)
	}
}

// quotient fills column k and returns the first state whose derivative is then not finite, or −1.
func (d *differences) quotient(t float64, y []float64, k int, sense float64) int {
	const root = 1.4901161193847656e-08 // square root of the unit roundoff: balances cut-off and rounding
	d.y[k] = y[k] + math.Copysign(root*math.Max(math.Abs(y[k]), d.floor[k]), sense*d.f0[k])
	step := d.y[k] - y[k] // what was really added
	d.Derivatives(t, d.y, d.f)
	d.st.Evaluations++
	d.y[k] = y[k]
	for i, f := range d.f {
		v := (f - d.f0[i]) / step
		if !isFinite(v) {
			return i
		}
		d.jac[i*d.n+k] = v
	}
	return -1
}

// Times computes the product with the Jacobian.
func (d *differences) Times(x, out []float64) {
	for i := range out {
		s := 0.0
		for k, v := range d.jac[i*d.n:][:d.n] {
			s += v * x[k]
		}
		out[i] = s
	}
}

// Factorise computes the triangular factors.
func (d *differences) Factorise(diagonal float64) bool {
	n, w := d.n, d.w
	for i, v := range d.jac {
		w[i] = -v
	}
	for i := range n {
		w[i*n+i] += diagonal
	}
	for k := range n {
		p, largest := k, math.Abs(w[k*n+k])
		for i := k + 1; i < n; i++ {
			if v := math.Abs(w[i*n+k]); v > largest {
				p, largest = i, v
			}
		}
		if largest == 0 || !isFinite(largest) {
			return false
		}
		d.exchanged[k] = p
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

// Solve solves by the triangular factors: forward through the lower, back through the upper.
func (d *differences) Solve(b []float64) {
	n, w := d.n, d.w
	for k, p := range d.exchanged { // rows were exchanged as a whole
		b[k], b[p] = b[p], b[k]
	}
	for i := range n {
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
