package drive

import (
	"math"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
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

// twoDigits rounds as a data sheet does.
func twoDigits(x float64) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', 1, 64), 64)
	if err != nil {
		panic(err)
	}
	return rounded
}

// sheet returns an element's curve as a data sheet may print it: points of it rounded to two digits, at times chosen by hand. Two rows that
// come out the same in current or time are one row.
func sheet(t *rapid.T, element thermal.FuseModel, times []float64) (rows [][]float64) {
	for i := len(times) - 1; i >= 0; i-- {
		at := times[i] * rapid.Float64Range(0.8, 1.25).Draw(t, "time")
		row := []float64{twoDigits(element.MeltCurrent(at)), twoDigits(at)}
		if n := len(rows); n > 0 && (row[0] <= rows[n-1][0] || row[1] >= rows[n-1][1]) {
			continue
		}
		rows = append(rows, row)
	}
	return rows
}

// TestCurvesRoundedToTwoDigitsAreTaken: whatever element a fuse has, the points of its two curves, what it carries and melts at over its
// rating and its pre-arcing I²t are taken as a data sheet rounds them, and the curves keep to their sides of the points and near the
// element's own.
func TestCurvesRoundedToTwoDigitsAreTaken(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rating := rapid.SampledFrom([]float64{10, 25, 63, 100, 160, 200, 315, 500}).Draw(t, "rating")
		element := thermal.FuseModel{Rating: rating}
		least := rapid.Float64Range(1.1, 1.6).Draw(t, "carried over the rating")
		var steady float64
		for range rapid.IntRange(1, 5).Draw(t, "stages") {
			share := rapid.Float64Range(0.05, 1).Draw(t, "share")
			element.Element = append(element.Element, thermal.Stage{Resistance: share, TimeConstant: math.Pow(10, rapid.Float64Range(-2, 3).Draw(t, "time constant"))})
			steady += share
		}
		for i := range element.Element {
			element.Element[i].Resistance *= 1 / (least * least * steady)
		}
		wider := rapid.Float64Range(1.05, 1.5).Draw(t, "slowest over fastest")
		slow := element
		slow.Rating *= wider
		times := []float64{0.004, 0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100, 300, 1000, 3000}
		from := rapid.IntRange(0, 6).Draw(t, "shortest")
		times = times[from:rapid.IntRange(from+3, len(times)).Draw(t, "longest")]
		fuse := boat.Fuse{Rating: si(rating), CurveIs: "melting", Fastest: sheet(t, element, times)}
		if rapid.Bool().Draw(t, "with a slowest curve") {
			fuse.Slowest = sheet(t, slow, times)
		}
		if len(fuse.Fastest) < 2 || fuse.Fastest[0][0] <= rating || fuse.Slowest != nil && len(fuse.Slowest) < 2 {
			return
		}
		if rapid.Bool().Draw(t, "with what it carries and melts at") {
			fuse.Carries = quantity.Exactly(twoDigits(least))
			if fuse.Slowest != nil {
				fuse.Melts = quantity.Exactly(twoDigits(least * wider))
			}
		}
		if rapid.Bool().Draw(t, "with its I²t") {
			fuse.MeltingI2t = quantity.Exactly(twoDigits(element.PreArcingI2t()))
		}
		fastest, slowest, err := FuseCurves(&fuse)
		require.NoError(t, err, "fastest %v slowest %v carries %v melts %v I²t %v", fuse.Fastest, fuse.Slowest, fuse.Carries.SI, fuse.Melts.SI, fuse.MeltingI2t.SI)
		for _, p := range fuse.Fastest {
			require.LessOrEqual(t, fastest.MeltCurrent(p[1]), p[0]*(1+1e-3), "%v of %+v", p, fuse)
		}
		for _, p := range fuse.Slowest {
			require.GreaterOrEqual(t, slowest.MeltCurrent(p[1]), p[0]*(1-1e-3), "%v of %+v", p, fuse)
		}
		for _, p := range slices.Concat(fuse.Fastest[:1], fuse.Fastest[len(fuse.Fastest)-1:]) {
			require.InEpsilon(t, element.MeltCurrent(p[1]), fastest.MeltCurrent(p[1]), 0.25)
		}
	})
}
