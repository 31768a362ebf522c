package study

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/stat/distuv"
)

// A known failure probability: the sum of two independent normal values with standard deviations 3 and 4 is normal with 5
// (textbook); it passes 1.5 of these with probability 0.066807 (SciPy 1.10: scipy.stats.norm.sf(1.5)). The draws are cut off
// at three standard deviations, which takes 0.0027 of each away.
func TestDrawsMeetAKnownProbability(t *testing.T) {
	const n = 20000
	list := []unknown{{"a", 100, 6}, {"b", 100, 8}}
	p := points(n, 2, 1)
	over := 0
	for i := range n {
		if list[0].at(p.At(i, 0))+list[1].at(p.At(i, 1)) > 200+1.5*5 {
			over++
		}
	}
	low, high := interval(over, n)
	assert.InDelta(t, 0.066807, float64(over)/n, 0.002)
	assert.Less(t, low, 0.066807)
	assert.Greater(t, high, 0.0645)
}

func TestIntervalAgainstPublishedValues(t *testing.T) {
	// Clopper and Pearson for 10 of 100: 0.0490 to 0.1762 (SciPy 1.10: beta.ppf); 0 of 100: up to 0.0362.
	low, high := interval(10, 100)
	assert.InDelta(t, 0.0490, low, 5e-5)
	assert.InDelta(t, 0.1762, high, 5e-5)
	low, high = interval(0, 100)
	assert.Zero(t, low)
	assert.InDelta(t, 0.0362, high, 5e-5)
	low, high = interval(100, 100)
	assert.InDelta(t, 1-0.0362, low, 5e-5)
	assert.Equal(t, 1.0, high)
}

func TestToleranceIsTwoStandardDeviations(t *testing.T) {
	k := unknown{"r", 10, 1}
	assert.InDelta(t, 10, k.at(0.5), 1e-12)
	inside := 0
	p := points(10000, 1, 3)
	for i := range 10000 {
		if x := k.at(p.At(i, 0)); x >= 9 && x <= 11 {
			inside++
		}
	}
	want := (distuv.UnitNormal.CDF(2) - distuv.UnitNormal.CDF(-2)) / (1 - 2*distuv.UnitNormal.CDF(-3))
	assert.InDelta(t, want, float64(inside)/10000, 0.003)
	assert.Positive(t, unknown{"r", 1, 5}.at(0), "no tolerance makes a resistance negative")
}

func TestQuantile(t *testing.T) {
	assert.Equal(t, 2.0, quantile([]float64{3, 1, 2}, 0.5))
	assert.Equal(t, 3.0, quantile([]float64{3, 1, 2}, 1))
}
