package ode

// stages is the workspace of one Rosenbrock step.
type stages struct {
	u    [stageCount][]float64
	y, f []float64 // trial state and its derivative
	y1   []float64 // result, order 4
}

// resize prepares for n states.
func (s *stages) resize(n int) {
	for i := range s.u {
		s.u[i] = make([]float64, n)
	}
	s.y, s.f, s.y1 = make([]float64, n), make([]float64, n), make([]float64, n)
}

// try computes one step of size h from (t, y0), where sys was linearised, given
// f0 = f(t, y0) and ft = ∂f/∂t; u[5] is then the error estimate. It returns −1, or the
// state whose derivative was not finite, or n where W is singular.
func (s *stages) try(sys Structured, t, h float64, y0, f0, ft []float64, st *Statistics) int {
	bad := s.compute(sys, t, h, y0, f0, ft, st, false)
	if bad >= 0 && bad < len(y0) { // what is not finite in a stage is not finite at the end: look where it began
		bad = s.compute(sys, t, h, y0, f0, ft, st, true)
	}
	return bad
}

// compute computes the stages of a step; with look it checks each derivative.
func (s *stages) compute(sys Structured, t, h float64, y0, f0, ft []float64, st *Statistics, look bool) int {
	m := &rodas4p2
	st.Factorisations++
	if !sys.Factorise(1 / (h * m.gamma)) {
		return len(y0)
	}
	still := true // f does not depend on time
	for _, v := range ft {
		still = still && v == 0
	}
	f := f0
	for i := range stageCount {
		if i > 0 {
			combine(s.y, y0, 1, m.a[i][:i], &s.u)
			sys.Derivatives(t+m.alpha[i]*h, s.y, s.f)
			st.Evaluations++
			if look {
				if bad := firstNonFinite(s.f); bad >= 0 {
					return bad
				}
			}
			f = s.f
		}
		u := s.u[i]
		combine(u, f, 1/h, m.c[i][:i], &s.u)
		if g := h * m.gammas[i]; g != 0 && !still {
			for k, v := range ft {
				u[k] += g * v
			}
		}
		sys.Solve(u)
	}
	for k, v := range s.u[stageCount-1] {
		s.y1[k] = s.y[k] + v // s.y still holds the embedded result
	}
	bad := firstNonFinite(s.y1)
	if bad >= 0 {
		s.f[bad] = s.y1[bad] // what to report
	}
	return bad
}

// combine writes base + factor Σ_j weights_j u_j into out, in one pass.
func combine(out, base []float64, factor float64, weights []float64, u *[stageCount][]float64) {
	n := len(out)
	base = base[:n]
	var w [stageCount - 1]float64
	for j, v := range weights {
		w[j] = factor * v
	}
	u0, u1, u2, u3, u4 := u[0][:n], u[1][:n], u[2][:n], u[3][:n], u[4][:n]
	switch len(weights) {
	case 0:
		copy(out, base)
	case 1:
		for k := range out {
			out[k] = base[k] + w[0]*u0[k]
		}
	case 2:
		for k := range out {
			out[k] = base[k] + w[0]*u0[k] + w[1]*u1[k]
		}
	case 3:
		for k := range out {
			out[k] = base[k] + w[0]*u0[k] + w[1]*u1[k] + w[2]*u2[k]
		}
	case 4:
		for k := range out {
			out[k] = base[k] + w[0]*u0[k] + w[1]*u1[k] + w[2]*u2[k] + w[3]*u3[k]
		}
	case 5:
		for k := range out {
			out[k] = base[k] + w[0]*u0[k] + w[1]*u1[k] + w[2]*u2[k] + w[3]*u3[k] + w[4]*u4[k]
		}
	}
}
