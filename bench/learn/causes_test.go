package learn

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"quaybench/bench/learn/learntest"
)

// TestWhatIsToldAllowsForASuspectedCause: a toy of two values and a cause that the second does almost as well. The band that allows for the cause holds the values of the fit with
// the cause as an unknown, is as wide at least as that fit's, and no value gets surer.
func TestWhatIsToldAllowsForASuspectedCause(t *testing.T) {
	s := toySeries(60, 3, 5)
	for i := range s.error { // the third column is the cause, and the truth is twice of it
		s.cols[2][i] = 0.8*s.cols[1][i] + 0.5*s.cols[2][i]
		s.error[i] = 2*s.cols[2][i] + 0.3*s.error[i]
	}
	without := *s
	without.cols = s.cols[:2]
	x := make([]float64, 2)
	f := &fitted{}
	var err error
	f.x, f.cov, _, err = without.told(x).solve()
	require.NoError(t, err)

	all := s.told(make([]float64, 3))
	d := &direction{cross: []float64{all.A.At(0, 2), all.A.At(1, 2)}, V: all.A.At(2, 2), u: all.g[2]}
	for a := range 2 {
		d.u -= d.cross[a] * f.x[a]
		for b := range 2 {
			d.V -= d.cross[a] * f.cov.At(a, b) * d.cross[b]
		}
	}
	c := &cause{usual: 1}
	wide := f.allowFor(d, c)
	with, cov, _, err := all.solve() // N(0, 1) of the cause is its usual size
	require.NoError(t, err)
	assert.Greater(t, math.Abs(with[1]-f.x[1]), two*math.Sqrt(f.cov.At(1, 1)), "without the cause the fit is far off")
	for j := range 2 {
		assert.LessOrEqual(t, math.Abs(with[j]-f.x[j]), 1.001*math.Sqrt(wide.cov.At(j, j)), "value %d", j)
		assert.GreaterOrEqual(t, wide.cov.At(j, j), cov.At(j, j)-1e-12)
		assert.GreaterOrEqual(t, wide.cov.At(j, j), f.cov.At(j, j))
	}
	var eig mat.EigenSym
	grown := mat.NewSymDense(2, nil)
	for a := range 2 {
		for b := a; b < 2; b++ {
			grown.SetSym(a, b, wide.cov.At(a, b)-f.cov.At(a, b))
		}
	}
	require.True(t, eig.Factorize(grown, false))
	assert.GreaterOrEqual(t, eig.Values(nil)[0], -1e-12)
}

// TestWeakMagnetsMakeNothingLessSure: magnets far weaker than their tolerance are named, and their constant, which the record tells, keeps the width that the fit gives it: once it came
// out less sure than before the record.
func TestWeakMagnetsMakeNothingLessSure(t *testing.T) {
	b, s := petrel(t)
	p, err := newProblem(b, s, []*Record{outing(t, func(o *learntest.Outing) { o.Every, o.True = 30, map[string]float64{"motor.constant": -0.1} })})
	require.NoError(t, err)
	p.values = few(p.values)
	p.size()
	f, err := p.fit(t.Context())
	require.NoError(t, err)
	suspects, allowing, err := p.blame(t.Context(), f)
	require.NoError(t, err)
	require.Equal(t, magnetsWeak, suspects[0].Cause)
	require.Greater(t, suspects[0].Score, suspicious)
	for _, v := range p.result(allowing).Values {
		assert.LessOrEqual(t, v.Width, 1.001, v.Key)
	}
}
