package learn

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// series is one channel reduced to rows, linear around a point of the unknowns: d = J·x + noise, in prior units.
type series struct {
	*channel
	at     []float64   // of the rows, s
	weight []float64   // readings behind a row, over which white noise averages
	jitter []float64   // variance from the error of the row's time
	idle   []int       // rows with idleError in it
	robust []float64   // factor on the white variance; 1: the row fits
	level  []float64   // predicted
	error  []float64   // measured less predicted
	cols   [][]float64 // derivatives of the prediction: the values, then what belongs to this record alone
	noise  noise
}

// noise is what a channel strays by: white, and an error that changes slowly (Ornstein and Uhlenbeck's process).
type noise struct {
	white, slow, tau float64
}

// filter whitens columns of the series in place and returns the logarithm of the covariance's determinant. It is a Kalman filter of one state
// (Kalman 1960), which is the covariance's Cholesky factor applied in as many operations as there are rows; gaps and uneven times are no matter.
func (s *series) filter(cols ...[]float64) (logdet float64) {
	n := s.noise
	P, last := n.slow*n.slow, math.Inf(-1)
	m := make([]float64, len(cols))
	for i, t := range s.at {
		phi := 0.0
		if n.slow > 0 && !math.IsInf(last, 0) {
			phi = math.Exp(-(t - last) / n.tau)
		}
		last = t
		P = phi*phi*P + n.slow*n.slow*(1-phi*phi)
		S := P + n.white*n.white*s.robust[i]/s.weight[i] + s.jitter[i]
		root, gain := 1/math.Sqrt(S), P/S
		for k, c := range cols {
			mk := phi * m[k]
			e := c[i] - mk
			m[k] = mk + gain*e
			c[i] = e * root
		}
		P *= 1 - gain
		logdet += math.Log(S)
	}
	return logdet
}

// whitened returns the columns and the target d, whitened; d is the error with the linear part put back.
func (s *series) whitened(x []float64) (cols [][]float64, d []float64, logdet float64) {
	cols = make([][]float64, len(s.cols)+1)
	d = slices.Clone(s.error)
	for j, c := range s.cols {
		cols[j] = slices.Clone(c)
		if x[j] != 0 {
			for i := range d {
				d[i] += c[i] * x[j]
			}
		}
	}
	cols[len(s.cols)] = d
	logdet = s.filter(cols...)
	return cols[:len(s.cols)], d, logdet
}

// information is what a series or several tell: normal matrix, right-hand side, the target's square, the noise's determinant.
type information struct {
	A      *mat.SymDense
	g      []float64
	dd, ld float64
}

func newInformation(k int) *information {
	return &information{A: mat.NewSymDense(k, nil), g: make([]float64, k)}
}

// told returns the information of a series whose x is that of its own record.
func (s *series) told(x []float64) *information {
	cols, d, ld := s.whitened(x)
	out := newInformation(len(cols))
	var touched []int // what a channel does not touch needs no products: other channels' meters, and what it cannot show
	for j, c := range s.cols {
		if slices.ContainsFunc(c, func(v float64) bool { return v != 0 }) {
			touched = append(touched, j)
		}
	}
	J := mat.NewDense(max(1, len(touched)), len(d), nil)
	for i, j := range touched {
		J.SetRow(i, cols[j])
	}
	var A mat.SymDense
	A.SymOuterK(1, J)
	for i, j := range touched {
		out.g[j] = dot(cols[j], d)
		for k := i; k < len(touched); k++ {
			out.A.SetSym(j, touched[k], A.At(i, k))
		}
	}
	out.dd, out.ld = dot(d, d), ld
	return out
}

// reach returns how much a series tells of each unknown by itself: the diagonal of its information.
func (s *series) reach(x []float64) []float64 {
	cols, _, _ := s.whitened(x)
	out := make([]float64, len(cols))
	for j, c := range cols {
		out[j] = dot(c, c)
	}
	return out
}

func (a *information) add(b *information) {
	a.A.AddSym(a.A, b.A)
	for i := range a.g {
		a.g[i] += b.g[i]
	}
	a.dd, a.ld = a.dd+b.dd, a.ld+b.ld
}

func dot(a, b []float64) float64 { return floats.Dot(a, b) }

var errSingular = errors.New("the records contradict themselves: no values can be found")

// solve returns the mode under the prior N(0, 1) of each unknown, its covariance, and −2 times the logarithm of the marginal likelihood.
func (a *information) solve() (x []float64, cov *mat.SymDense, minus float64, err error) {
	k := len(a.g)
	B := mat.NewSymDense(k, nil)
	B.CopySym(a.A)
	for i := range k {
		B.SetSym(i, i, B.At(i, i)+1)
	}
	var chol mat.Cholesky
	if !chol.Factorize(B) {
		return nil, nil, 0, errSingular
	}
	x = make([]float64, k)
	if err := chol.SolveVecTo(mat.NewVecDense(k, x), mat.NewVecDense(k, a.g)); err != nil {
		return nil, nil, 0, errSingular
	}
	cov = mat.NewSymDense(k, nil)
	if err := chol.InverseTo(cov); err != nil {
		return nil, nil, 0, errSingular
	}
	return x, cov, a.dd - dot(x, a.g) + a.ld + chol.LogDet(), nil
}

// likelihood returns the last result of solve alone.
func (a *information) likelihood() float64 {
	k := len(a.g)
	B := mat.NewSymDense(k, nil)
	B.CopySym(a.A)
	for i := range k {
		B.SetSym(i, i, B.At(i, i)+1)
	}
	var chol mat.Cholesky
	if !chol.Factorize(B) {
		return math.Inf(1)
	}
	var x mat.VecDense
	g := mat.NewVecDense(k, a.g)
	if err := chol.SolveVecTo(&x, g); err != nil {
		return math.Inf(1)
	}
	return a.dd - mat.Dot(&x, g) + a.ld + chol.LogDet()
}

// Usual time of a slow error, s, and how far its logarithm and that of its size spread: a guess, no source.
const (
	usualTau  = 60.0
	tauSpread = 0.8
)

// tune finds each channel's slow error by the marginal likelihood, the unknowns integrated out, so that what a fit has absorbed is not taken for
// quiet (empirical Bayes). One channel after the other; x is that of the record. It returns what each then tells.
func tune(all []*series, x []float64) []*information {
	parts := make([]*information, len(all))
	for i, s := range all {
		parts[i] = s.told(x)
	}
	for i, s := range all {
		if len(s.at) < 4 {
			continue
		}
		rest := newInformation(len(parts[i].g))
		for j, p := range parts {
			if j != i {
				rest.add(p)
			}
		}
		few, err := s.given(rest, x)
		if err != nil {
			continue // the others contradict themselves: it stays as it is
		}
		value := func(p, q float64) float64 {
			few.noise.slow, few.noise.tau = s.slow*math.Exp(p), usualTau*math.Exp(q)
			return few.told(make([]float64, len(few.cols))).likelihood() + p*p + q*q/(tauSpread*tauSpread)
		}
		p, q := math.Log(s.noise.slow/s.slow), math.Log(s.noise.tau/usualTau)
		best := value(p, q)
		for step := 0.8; step > 0.15; step /= 2 { // pattern search; what rows close together tell well is slow²/tau, so one direction leaves that as it is
			for moved := true; moved; {
				moved = false
				for _, d := range [][2]float64{{step, 0}, {-step, 0}, {step / 2, step}, {-step / 2, -step}} {
					if math.Abs(p+d[0]) > 4 || math.Abs(q+d[1]) > 3 {
						continue
					}
					if v := value(p+d[0], q+d[1]); v < best-1e-3 {
						best, p, q, moved = v, p+d[0], q+d[1], true
					}
				}
			}
		}
		s.noise.slow, s.noise.tau = s.slow*math.Exp(p), usualTau*math.Exp(q)
		parts[i] = s.told(x)
	}
	return parts
}

// shownTrace is how much of a series' variance from the unknowns, in those of its white noise and summed over the rows, given leaves out.
const shownTrace = 1e-3

// given returns a series in which the other series' information has been used up: its unknowns are a few combinations, still N(0, 1), of those of s, and its error is what is
// left at their mode. Its likelihood is that of all series but for a constant. The combinations are those that the rows show, found by a Cholesky factor with pivots
// of the rows' covariance (Higham 1990); the slow error only hides more of them.
func (s *series) given(rest *information, x []float64) (*series, error) {
	k, n := len(s.cols), len(s.at)
	B := mat.NewSymDense(k, nil)
	B.CopySym(rest.A)
	for i := range k {
		B.SetSym(i, i, B.At(i, i)+1)
	}
	var chol mat.Cholesky
	if !chol.Factorize(B) {
		return nil, errSingular
	}
	var mode mat.VecDense
	if err := chol.SolveVecTo(&mode, mat.NewVecDense(k, rest.g)); err != nil {
		return nil, errSingular
	}
	out := *s
	out.error, out.cols = slices.Clone(s.error), nil
	for j, c := range s.cols { // the error is that at x
		floats.AddScaled(out.error, x[j]-mode.AtVec(j), c)
	}
	// Each row of shown is a row's derivatives in coordinates that are N(0, 1) given the rest, over its white noise.
	var L mat.TriDense
	chol.LTo(&L)
	shown := mat.NewDense(k, n, nil)
	white := make([]float64, n)
	for i := range white {
		white[i] = max(1e-3*s.slow, math.Sqrt(s.noise.white*s.noise.white*s.robust[i]/s.weight[i]+s.jitter[i]))
	}
	for j, c := range s.cols {
		row := shown.RawRowView(j)
		for i, v := range c {
			row[i] = v / white[i]
		}
	}
	blas64.Trsm(blas.Left, blas.NoTrans, 1, L.RawTriangular(), shown.RawMatrix())
	left := make([]float64, n) // of each row's variance
	for j := range k {
		for i, v := range shown.RawRowView(j) {
			left[i] += v * v
		}
	}
	for len(out.cols) < k && floats.Sum(left) > shownTrace {
		pivot := floats.MaxIdx(left)
		root := math.Sqrt(left[pivot])
		col := make([]float64, n)
		for j := range k {
			row := shown.RawRowView(j)
			floats.AddScaled(col, row[pivot], row)
		}
		for _, c := range out.cols {
			floats.AddScaled(col, -c[pivot], c)
		}
		for i := range col {
			col[i] /= root
			left[i] = max(0, left[i]-col[i]*col[i])
		}
		left[pivot] = 0
		out.cols = append(out.cols, col)
	}
	if len(out.cols) == 0 {
		out.cols = [][]float64{make([]float64, n)}
	}
	for _, c := range out.cols {
		floats.Mul(c, white)
	}
	return &out, nil
}

// downweight lowers the weight of rows that do not fit: Student's t with four degrees of freedom on the innovation over what it would be for a good
// row, so that a weight never feeds on itself. at is the solution, x the point around which the series is linear.
func (s *series) downweight(at, x []float64) {
	n := s.noise
	P, m, last := n.slow*n.slow, 0.0, math.Inf(-1)
	for i, t := range s.at {
		r := s.error[i]
		for j, c := range s.cols {
			r -= c[i] * (at[j] - x[j])
		}
		phi := 0.0
		if n.slow > 0 && !math.IsInf(last, 0) {
			phi = math.Exp(-(t - last) / n.tau)
		}
		last, m = t, phi*m
		P = phi*phi*P + n.slow*n.slow*(1-phi*phi)
		v := n.white * n.white / s.weight[i]
		e := (r - m) / math.Sqrt(P+v+s.jitter[i])
		s.robust[i] = 1
		if over := (4 + e*e) / 5; over > 2 { // what the row's own noise would have to be
			s.robust[i] = min(1e4, max(1, ((P+v+s.jitter[i])*over-P-s.jitter[i])/v))
		}
		S := P + v*s.robust[i] + s.jitter[i]
		gain := P / S
		m += gain * (r - m)
		P *= 1 - gain
	}
}
