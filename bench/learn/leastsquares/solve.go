// Package leastsquares finds the minimum of a sum of squares: Gauss and Newton's steps within a trust region, in the form of Levenberg and
// Marquardt with the scaling of Moré (The Levenberg-Marquardt algorithm: implementation and theory, 1978) and the damping schedule of
// Nielsen (Damping parameter in Marquardt's method, report IMM-REP-1999-05). It knows nothing of boats.
package leastsquares

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Problem is a sum of squares of Rows residuals.
type Problem struct {
	Rows int
	// Residuals writes the residuals at x into r. A NaN or an infinity among them means that x lies where the model does not hold; no
	// step goes there.
	Residuals func(x, r []float64) error
	// Jacobian writes the derivatives of the residuals at x, rows by unknowns; nil: central differences.
	Jacobian func(x []float64, J *mat.Dense) error
}

// Options of Solve. The zero value is for a problem whose residuals are exact to the last digits.
type Options struct {
	Moved   float64   // stop when no unknown moves by more than this share of itself, or of its Typical; 0: 1e-10
	Typical []float64 // sizes that matter of each unknown; nil: its own value
	Steps   int       // most accepted and refused steps; 0: 5000
	Accept  int       // most accepted steps; 0: any number
	// Trust is the first step that is believed, over the step of Gauss and Newton: 1 begins with hardly any damping, 0 with much.
	Trust float64
}

// Result is a minimum.
type Result struct {
	X         []float64
	Cost      float64       // sum of squares
	Residuals []float64     // at X
	Cov       *mat.SymDense // (JᵀJ)⁻¹ at X; times the variance of a residual it is the covariance of X
	Steps     int           // accepted and refused
	Jacobians int
	Converged bool // no unknown moved any more; false: the steps ran out
}

// ErrSingular is a problem that leaves a direction of the unknowns open.
var ErrSingular = errors.New("the data leave a combination of the unknowns open")

// Solve finds a minimum near start. An error of the problem's own functions comes back as it is; with ErrSingular the result has no Cov.
func Solve(p Problem, start []float64, o Options) (*Result, error) {
	if len(start) == 0 || p.Rows < len(start) {
		return nil, fmt.Errorf("%d residuals cannot find %d unknowns", p.Rows, len(start))
	}
	s := &search{Problem: p, Options: o, k: len(start)}
	if s.Moved == 0 {
		s.Moved = 1e-10
	}
	if s.Steps == 0 {
		s.Steps = 5000
	}
	if s.Jacobian == nil {
		s.Jacobian = s.differences
	}
	return s.run(start)
}

type search struct {
	Problem
	Options
	k     int
	scale []float64 // of each unknown: the largest norm of its column so far
	R     *mat.Dense
	q     []float64 // Qᵀr, the first k of it
	lost  float64   // what of the cost no step reaches
}

// cost returns the residuals at x and their sum of squares, +Inf where the model does not hold.
func (s *search) cost(x, r []float64) (float64, error) {
	if err := s.Residuals(x, r); err != nil {
		return 0, err
	}
	sum := 0.0
	for _, v := range r {
		sum += v * v
	}
	if math.IsNaN(sum) {
		sum = math.Inf(1)
	}
	return sum, nil
}

func (s *search) run(start []float64) (*Result, error) {
	out := &Result{X: append([]float64(nil), start...), Residuals: make([]float64, s.Rows)}
	var err error
	if out.Cost, err = s.cost(out.X, out.Residuals); err != nil {
		return nil, err
	}
	if math.IsInf(out.Cost, 1) {
		return nil, errors.New("the model does not hold where the search begins")
	}
	s.scale = make([]float64, s.k)
	linearise := func() error {
		out.Jacobians++
		return s.factorise(out.X, out.Residuals)
	}
	if err := linearise(); err != nil {
		return nil, err
	}
	damping, grow := 1-min(max(s.Trust, 0), 1)+1e-9, 2.0
	x, r := make([]float64, s.k), make([]float64, s.Rows)
	still, accepted := 0, 0
	for out.Steps < s.Steps {
		out.Steps++
		step, predicted := s.step(damping)
		far := 0.0
		for j := range x {
			x[j] = out.X[j] + step[j]
			size := math.Abs(out.X[j])
			if s.Typical != nil {
				size = s.Typical[j]
			}
			far = max(far, math.Abs(step[j])/max(size, 1e-300))
		}
		now, err := s.cost(x, r)
		if err != nil {
			return nil, err
		}
		gain := (out.Cost - now) / max(out.Cost-predicted, 1e-300)
		if now < out.Cost && gain > 1e-4 {
			copy(out.X, x)
			copy(out.Residuals, r)
			out.Cost = now
			damping = max(damping*max(1.0/3, 1-math.Pow(2*min(gain, 1)-1, 3)), 1e-16)
			grow = 2
			accepted++
			if still, err = s.rest(far, still), linearise(); err != nil {
				return nil, err
			}
		} else {
			damping *= grow
			grow *= 2
			still = s.rest(far, still)
		}
		if still > 2 || still > 0 && s.Typical != nil {
			out.Converged = true
			break
		}
		if damping > 1e18 || accepted == s.Accept && accepted > 0 {
			break
		}
	}
	out.Cov, err = s.covariance()
	return out, err
}

// rest counts steps in a row that moved nothing.
func (s *search) rest(far float64, still int) int {
	if far < s.Moved {
		return still + 1
	}
	return 0
}

// factorise reduces the Jacobian at x to its triangle, columns scaled.
func (s *search) factorise(x, r []float64) error {
	J := mat.NewDense(s.Rows, s.k, nil)
	if err := s.Jacobian(x, J); err != nil {
		return err
	}
	for j := range s.k {
		s.scale[j] = max(s.scale[j], mat.Norm(J.ColView(j), 2), 1e-300)
	}
	J.Apply(func(_, j int, v float64) float64 { return v / s.scale[j] }, J)
	var qr mat.QR
	qr.Factorize(J)
	var R mat.Dense
	qr.RTo(&R)
	s.R = mat.DenseCopyOf(R.Slice(0, s.k, 0, s.k))
	// Qᵀr follows from R: RᵀQᵀr = Jᵀr, and Q is never formed.
	var g mat.VecDense
	g.MulVec(J.T(), mat.NewVecDense(len(r), r))
	s.q = make([]float64, s.k)
	for i := range s.k {
		sum := g.AtVec(i)
		for j := range i {
			sum -= s.R.At(j, i) * s.q[j]
		}
		if d := s.R.At(i, i); d != 0 {
			s.q[i] = sum / d
		}
	}
	total := 0.0
	for _, v := range r {
		total += v * v
	}
	for _, v := range s.q {
		total -= v * v
	}
	s.lost = max(total, 0)
	return nil
}

// step solves the damped linear problem and returns the step and the cost it predicts.
func (s *search) step(damping float64) (step []float64, predicted float64) {
	A, b := mat.NewDense(2*s.k, s.k, nil), mat.NewVecDense(2*s.k, nil)
	A.Slice(0, s.k, 0, s.k).(*mat.Dense).Copy(s.R)
	for j := range s.k {
		A.Set(s.k+j, j, math.Sqrt(damping))
		b.SetVec(j, -s.q[j])
	}
	var qr mat.QR
	qr.Factorize(A)
	var p mat.VecDense
	_ = qr.SolveVecTo(&p, false, b) // damped, so it has a solution; how well it is conditioned shows in the gain
	predicted = s.lost
	for i := range s.k {
		v := s.q[i]
		for j := i; j < s.k; j++ {
			v += s.R.At(i, j) * p.AtVec(j)
		}
		predicted += v * v
	}
	step = make([]float64, s.k)
	for j := range step {
		step[j] = p.AtVec(j) / s.scale[j]
	}
	return step, predicted
}

// covariance returns (JᵀJ)⁻¹ from the last triangle.
func (s *search) covariance() (*mat.SymDense, error) {
	most, least := 0.0, math.Inf(1)
	for j := range s.k {
		d := math.Abs(s.R.At(j, j))
		most, least = max(most, d), min(least, d)
	}
	if !(least > 1e-14*most) {
		return nil, ErrSingular
	}
	var inverse mat.TriDense
	R := mat.NewTriDense(s.k, mat.Upper, nil)
	for i := range s.k {
		for j := i; j < s.k; j++ {
			R.SetTri(i, j, s.R.At(i, j))
		}
	}
	if err := inverse.InverseTri(R); err != nil {
		if c := mat.Condition(0); !errors.As(err, &c) {
			return nil, ErrSingular
		}
	}
	cov := mat.NewSymDense(s.k, nil)
	for a := range s.k {
		for b := a; b < s.k; b++ {
			sum := 0.0
			for i := b; i < s.k; i++ {
				sum += inverse.At(a, i) * inverse.At(b, i)
			}
			cov.SetSym(a, b, sum/s.scale[a]/s.scale[b])
		}
	}
	return cov, nil
}

// differences returns the Jacobian by central differences.
func (s *search) differences(x []float64, J *mat.Dense) error {
	at := append([]float64(nil), x...)
	up, down := make([]float64, s.Rows), make([]float64, s.Rows)
	for j := range x {
		h := 6e-6 * max(math.Abs(x[j]), 1e-10)
		for _, side := range []struct {
			x float64
			r []float64
		}{{x[j] + h, up}, {x[j] - h, down}} {
			at[j] = side.x
			if err := s.Residuals(at, side.r); err != nil {
				return err
			}
		}
		at[j] = x[j]
		for i := range up {
			J.Set(i, j, (up[i]-down[i])/(2*h))
		}
	}
	return nil
}
