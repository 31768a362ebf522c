package study

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"gonum.org/v1/gonum/stat/distuv"
	"quaybench/bench/benchtest"
)

// A known failure probability: the sum of two independent normal values with standard deviations 3 and 4 is normal with 5
// (textbook); it passes 1.5 of these with probability 0.066807 (SciPy 1.10: scipy.stats.norm.sf(1.5)). The draws are cut off
// at three standard deviations, which takes 0.0027 of each away.
func TestDrawsMeetAKnownProbability(t *testing.T) {
	const n = 20000
	over := 0
	for _, z := range scores(points(n, 2, 1)) {
		if 100+3*z[0]+100+4*z[1] > 200+1.5*5 {
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

// TestToleranceIsTwoStandardDeviations: in draws of a boat 95.45 % (of 99.73 %) of a value lie within its tolerance, whatever the law,
// and none is below zero.
func TestToleranceIsTwoStandardDeviations(t *testing.T) {
	benchtest.Computes(t)
	const n = 4000
	b, _ := benchtest.Boat(t, "petrel")
	inside := map[string]int{}
	for _, d := range Draws(b, n, 3) {
		for key, v := range map[string][3]float64{
			"normal":       {d.Motor.Resistance.SI, 0.014 * 0.9, 0.014 * 1.1},
			"by a factor":  {d.Joints[1].Resistance.SI, 0.00012 / 1.5, 0.00012 * 1.5},
			"by its table": {d.Hull.SpeedPower[2][1], 2400 * 0.92, 2400 * 1.08},
		} {
			require.Positive(t, v[0], key)
			if v[0] >= v[1] && v[0] <= v[2] {
				inside[key]++
			}
		}
	}
	want := (distuv.UnitNormal.CDF(2) - distuv.UnitNormal.CDF(-2)) / (1 - 2*distuv.UnitNormal.CDF(-3))
	for key, k := range inside {
		assert.InDelta(t, want, float64(k)/n, 0.01, key)
	}
	assert.Len(t, inside, 3)
}
