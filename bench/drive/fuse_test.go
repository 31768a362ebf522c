package drive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/testdata/reference"
)

// TestTheLatestInstantCountsWhatAFuseHasCarried: under one long current the slowest element melts when its curve says,
// reckoned from the rise and not from when a fast element might have melted; after a dip it begins anew.
func TestTheLatestInstantCountsWhatAFuseHasCarried(t *testing.T) {
	b, s, err := reference.Boat("bracken")
	require.NoError(t, err)
	m, err := New(b, s, Conditions{Air: 298.15, Water: 288})
	require.NoError(t, err)
	r := m.NewRun(func(float64) float64 { return 0 })
	nan := math.NaN()
	y := r.Begin(Start{Charge: 0.8, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
	amps := 3 * b.Fuse.Rating.SI
	bears := m.slow.MeltTime(amps / r.rating(y)).Time

	w := r.WatchFuse(5)
	w.Observe(5+0.6*bears, amps, y)
	assert.False(t, w.Melted())
	assert.Less(t, w.Molten(5+0.98*bears, amps, y), 1.0)
	assert.Greater(t, w.Molten(5+1.05*bears, amps, y), 1.0, "1 % in current is more in time")
	assert.False(t, w.Melted(), "what is only looked at is not taken")

	w.Observe(7+0.6*bears, 0, y)
	assert.Less(t, w.Molten(7+1.58*bears, amps, y), 1.0, "cold after a rest")
	assert.Greater(t, w.Molten(7+1.65*bears, amps, y), 1.0)
	assert.Zero(t, w.Molten(1e6, 0.9*b.Fuse.Rating.SI, y), "its rating it carries for ever")

	w = r.WatchFuse(0)
	w.Observe(2*bears, amps, y)
	assert.True(t, w.Melted())
	assert.Equal(t, 1.0, w.Molten(3*bears, 0, y), "molten stays molten")
}

// TestFuseCurvesKeepToTheirSide: the fastest melts no later than any point of its curve, the slowest no earlier.
func TestFuseCurvesKeepToTheirSide(t *testing.T) {
	fuse := boat.Fuse{
		Rating: si(200), CurveIs: "melting",
		Fastest: [][]float64{{500, 100}, {640, 27}, {900, 6}, {1500, 1.1}, {3000, 0.15}},
		Slowest: [][]float64{{640, 110}, {900, 24}, {1250, 6.6}, {2100, 1.1}, {4000, 0.17}},
	}
	fastest, slowest, err := FuseCurves(&fuse)
	require.NoError(t, err)
	for _, p := range fuse.Fastest {
		assert.LessOrEqual(t, fastest.MeltCurrent(p[1]), p[0]*(1+1e-6), "%g s", p[1])
		assert.InEpsilon(t, p[0], fastest.MeltCurrent(p[1]), 0.06)
	}
	for _, p := range fuse.Slowest {
		assert.GreaterOrEqual(t, slowest.MeltCurrent(p[1]), p[0]*(1-1e-6), "%g s", p[1])
		assert.InEpsilon(t, p[0], slowest.MeltCurrent(p[1]), 0.06)
	}
	// A band that is inside out is refused: a fast fuse taken for the slowest would pass for protecting a cable.
	swapped := fuse
	swapped.Fastest, swapped.Slowest = fuse.Slowest, fuse.Fastest
	_, _, err = FuseCurves(&swapped)
	require.ErrorContains(t, err, "slowest curve: it melts at 500 A within 100 s, where the fastest needs 6")
	require.ErrorContains(t, err, "are the two curves swapped?")
	// One curve alone serves for both edges.
	fuse.Slowest = nil
	fastest, slowest, err = FuseCurves(&fuse)
	require.NoError(t, err)
	for _, p := range fuse.Fastest {
		assert.LessOrEqual(t, fastest.MeltCurrent(p[1]), slowest.MeltCurrent(p[1])*(1+1e-9), "%g s", p[1])
	}
}
