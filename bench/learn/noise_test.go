package learn

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"quaybench/bench/record"
)

// toySeries returns one channel of n rows at uneven times with k unknowns, all drawn.
func toySeries(n, k int, seed uint64) *series {
	rng := rand.New(rand.NewPCG(seed, 1))
	s := &series{channel: &channel{slow: 0.3}, noise: noise{white: 0.2, slow: 0.5, tau: 8}}
	at := 0.0
	for range n {
		at += 0.1 + 12*rng.Float64()*rng.Float64()
		s.at = append(s.at, at)
		s.weight = append(s.weight, float64(1+rng.IntN(9)))
		s.robust = append(s.robust, 1+9*rng.Float64()*float64(rng.IntN(2)))
		s.jitter = append(s.jitter, 0.01*rng.Float64())
		s.error = append(s.error, rng.NormFloat64())
	}
	for range k {
		var col []float64
		for range n {
			col = append(col, rng.NormFloat64())
		}
		s.cols = append(s.cols, col)
	}
	return s
}

// covariance returns that of the rows' noise, written out.
func (s *series) covariance() *mat.SymDense {
	n := len(s.at)
	V := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			V.SetSym(i, j, s.noise.slow*s.noise.slow*math.Exp(-(s.at[j]-s.at[i])/s.noise.tau))
		}
		V.SetSym(i, i, V.At(i, i)+s.noise.white*s.noise.white*s.robust[i]/s.weight[i]+s.jitter[i])
	}
	return V
}

// TestWhiteningIsTheCholeskyFactor: the filter does in O(rows) what the dense factor of the covariance does, gaps and uneven times included.
func TestWhiteningIsTheCholeskyFactor(t *testing.T) {
	s := toySeries(60, 2, 3)
	var chol mat.Cholesky
	require.True(t, chol.Factorize(s.covariance()))
	var L mat.TriDense
	chol.LTo(&L)
	var want mat.VecDense
	require.NoError(t, want.SolveVec(&L, mat.NewVecDense(60, append([]float64(nil), s.error...))))
	got := append([]float64(nil), s.error...)
	logdet := s.filter(got)
	assert.InDelta(t, chol.LogDet(), logdet, 1e-9)
	for i := range got {
		assert.InDelta(t, want.AtVec(i), got[i], 1e-9, "row %d", i)
	}
}

// TestPosteriorOfALinearToy: mode, covariance and marginal likelihood are those of the textbook's formula (Gelman and others, Bayesian Data Analysis,
// 3rd edition, section 14.8): V⁻¹ = I + JᵀS⁻¹J, and y ~ N(0, S + JJᵀ).
func TestPosteriorOfALinearToy(t *testing.T) {
	const n, k = 25, 3
	s := toySeries(n, k, 7)
	x := make([]float64, k)
	mode, cov, minus, err := s.told(x).solve()
	require.NoError(t, err)
	J := mat.NewDense(n, k, nil)
	for j, c := range s.cols {
		J.SetCol(j, c)
	}
	V, y := s.covariance(), mat.NewVecDense(n, s.error)
	var inverse, A, JV mat.Dense
	require.NoError(t, inverse.Inverse(V))
	JV.Mul(J.T(), &inverse)
	A.Mul(&JV, J)
	for j := range k {
		A.Set(j, j, A.At(j, j)+1)
	}
	var want mat.Dense
	require.NoError(t, want.Inverse(&A))
	var b, z mat.VecDense
	b.MulVec(&JV, y)
	z.MulVec(&want, &b)
	for i := range k {
		assert.InDelta(t, z.AtVec(i), mode[i], 1e-9)
		for j := range k {
			assert.InDelta(t, want.At(i, j), cov.At(i, j), 1e-9)
		}
	}
	var total mat.Dense
	total.Mul(J, J.T())
	whole := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			whole.SetSym(i, j, total.At(i, j)+V.At(i, j))
		}
	}
	var chol mat.Cholesky
	require.True(t, chol.Factorize(whole))
	var w mat.VecDense
	require.NoError(t, chol.SolveVecTo(&w, y))
	assert.InDelta(t, mat.Dot(y, &w)+chol.LogDet(), minus, 1e-8, "−2 log of the marginal likelihood, its constant left out")

	none, prior, _, err := newInformation(k).solve()
	require.NoError(t, err)
	assert.Equal(t, make([]float64, k), none, "no rows leave the prior as it is")
	assert.True(t, mat.Equal(prior, mat.NewDiagDense(k, []float64{1, 1, 1})))
}

// TestTuneFindsTheSlowError: size and time of a drawn slow error come out of the data to within their known vagueness, and a channel without one ends far below.
func TestTuneFindsTheSlowError(t *testing.T) {
	draw := func(slow, tau float64) (size, time float64) { // the geometric mean of what ten drawn channels give
		rng := rand.New(rand.NewPCG(5, 2))
		for range 10 {
			s := &series{channel: &channel{slow: 0.3}, noise: noise{white: 0.1, slow: 0.3, tau: usualTau}}
			x := slow * rng.NormFloat64()
			for i := range 400 {
				phi := math.Exp(-2 / tau)
				x = phi*x + slow*math.Sqrt(1-phi*phi)*rng.NormFloat64()
				s.at, s.weight, s.robust, s.jitter = append(s.at, 2*float64(i)), append(s.weight, 1), append(s.robust, 1), append(s.jitter, 0)
				s.error = append(s.error, x+0.1*rng.NormFloat64())
			}
			s.cols = [][]float64{make([]float64, 400)}
			tune([]*series{s}, []float64{0})
			size, time = size+math.Log(s.noise.slow)/10, time+math.Log(s.noise.tau)/10
		}
		return math.Exp(size), math.Exp(time)
	}
	size, time := draw(0.5, 30)
	assert.InEpsilon(t, 0.5, size, 0.15)
	assert.InEpsilon(t, 30, time, 0.3)
	none, _ := draw(0, 30)
	assert.Less(t, none, 0.03)
}

// TestOneWildRowCountsLittle: a row 30 standard deviations off is taken for wrong, its neighbours are not.
func TestOneWildRowCountsLittle(t *testing.T) {
	s := toySeries(40, 1, 9)
	for i := range s.error {
		s.error[i], s.robust[i], s.jitter[i], s.weight[i] = 0, 1, 0, 1
	}
	s.error[20] = 30 * s.noise.white
	s.downweight([]float64{0}, []float64{0})
	for i, r := range s.robust {
		if i == 20 {
			assert.Greater(t, r, 50.0)
		} else {
			assert.Less(t, r, 3.0, "row %d", i)
		}
	}
}

// TestTheGivenSeriesHasTheLikelihoodOfAll: what tune searches with few unknowns is the marginal likelihood of all series with all, but for a constant, whatever the slow error.
func TestTheGivenSeriesHasTheLikelihoodOfAll(t *testing.T) {
	const k = 12
	s, other := toySeries(80, k, 3), toySeries(50, k, 4)
	for j := range k { // some of them hardly show, as heat paths of a joint do
		for i := range s.cols[j] {
			s.cols[j][i] *= math.Pow(10, -float64(j)/2)
		}
	}
	x := make([]float64, k)
	for j := range x {
		x[j] = 0.3 * float64(j%3)
	}
	rest := other.told(x)
	few, err := s.given(rest, x)
	require.NoError(t, err)
	assert.Less(t, len(few.cols), k, "what does not show is left out")
	whole := func() float64 {
		all := s.told(x)
		all.add(rest)
		return all.likelihood()
	}
	reduced := func() float64 {
		few.noise = s.noise
		return few.told(make([]float64, len(few.cols))).likelihood()
	}
	atStart := whole() - reduced()
	for _, n := range []noise{{0.2, 0.01, 8}, {0.2, 2, 8}, {0.2, 0.5, 300}, {0.2, 0, 60}} {
		s.noise = n
		assert.InDelta(t, atStart, whole()-reduced(), 0.02, "%+v", n)
	}
}

// TestReaderReadsAsBetween, forwards and back again.
func TestReaderReadsAsBetween(t *testing.T) {
	time, values := []float64{0, 1, 1, 3, 7}, []float64{2, 4, 5, -1, 0}
	from := reader{time: time, values: values}
	for _, at := range []float64{-1, 0, 0.5, 1, 1, 1.5, 3, 6.9, 7, 9, 2, 2, 8, 0} {
		assert.Equal(t, record.Between(time, values, at), from.at(at), "at %g", at)
	}
}
