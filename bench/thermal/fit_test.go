package thermal_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/thermal"
)

func TestFitFosterFollowsACurve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := make(thermal.Cauer, rapid.IntRange(1, 5).Draw(t, "steps"))
		for i := range c {
			c[i].Resistance = math.Exp(rapid.Float64Range(-1, 1).Draw(t, "R"))
			c[i].Capacity = math.Exp(rapid.Float64Range(-3, 0).Draw(t, "C") + 1.5*float64(i))
		}
		truth, err := c.Foster()
		require.NoError(t, err)
		longest := truth[0].TimeConstant
		var points []thermal.ImpedancePoint
		for time := 1e-4 * longest; time < 5*longest; time *= 1.6 {
			points = append(points, thermal.ImpedancePoint{Time: time, Impedance: truth.Impedance(time)})
		}
		f, misfit, err := thermal.FitFoster(points, nil)
		require.NoError(t, err)
		assert.Less(t, misfit.Worst, 0.005)
		require.Len(t, misfit.Each, len(points))
		assert.Equal(t, misfit.Worst, math.Abs(misfit.Each[misfit.Index]))
		for i := 1; i < len(points); i++ { // between points too
			time := math.Sqrt(points[i-1].Time * points[i].Time)
			assert.InEpsilon(t, truth.Impedance(time), f.Impedance(time), 0.01)
		}
		for _, s := range f {
			assert.Positive(t, s.Resistance)
		}
	})
}

func TestFitFosterWithGivenTimeConstants(t *testing.T) {
	truth := thermal.Foster{{0.2, 0.01}, {0.5, 1}}
	var points []thermal.ImpedancePoint
	for _, time := range []float64{1e-3, 1e-2, 0.1, 1, 10} {
		points = append(points, thermal.ImpedancePoint{Time: time, Impedance: truth.Impedance(time)})
	}
	f, misfit, err := thermal.FitFoster(points, []float64{0.01, 1})
	require.NoError(t, err)
	require.Len(t, f, 2)
	assert.Less(t, misfit.Worst, 1e-10)
	assert.InEpsilon(t, 0.2, f[0].Resistance, 1e-8)
	assert.InEpsilon(t, 0.5, f[1].Resistance, 1e-8)
}

func TestFitFosterNamesTheBadPoint(t *testing.T) {
	good := thermal.ImpedancePoint{Time: 1, Impedance: 0.1}
	for name, c := range map[string]struct {
		points []thermal.ImpedancePoint
		index  int
	}{
		"no points":      {nil, -1},
		"zero time":      {[]thermal.ImpedancePoint{{0, 0.1}}, 0},
		"time goes back": {[]thermal.ImpedancePoint{good, {0.5, 0.2}}, 1},
		"falls":          {[]thermal.ImpedancePoint{good, {2, 0.05}}, 1},
		"not a number":   {[]thermal.ImpedancePoint{good, {2, math.NaN()}}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := thermal.FitFoster(c.points, nil)
			var bad *thermal.CurveError
			require.ErrorAs(t, err, &bad)
			assert.Equal(t, c.index, bad.Index)
		})
	}
}
