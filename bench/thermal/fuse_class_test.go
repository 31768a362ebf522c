package thermal_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/thermal"
)

// Each fuse of a class keeps to the safe side of every gate of its table: the
// fastest no later, the slowest no earlier, and both close to it.
func TestClassesKeepToTheirGates(t *testing.T) {
	for name, closeTo := range map[string]float64{"gG": 0.002, "blade": 0.07, "SF30": 0.10, "SF51": 0.11} {
		class, err := thermal.Class(name)
		require.NoError(t, err)
		ratings := class.Ratings
		if ratings == nil {
			ratings = []float64{class.Lowest, (class.Lowest + class.Highest) / 2, class.Highest}
		}
		var worst float64
		for _, rating := range ratings {
			f, err := class.Fuse(rating)
			require.NoError(t, err)
			fastest, slowest, err := class.Curves(rating)
			require.NoError(t, err)
			for _, p := range fastest.Points {
				if p.Kind == thermal.Carries {
					assert.GreaterOrEqual(t, f.Fastest.MeltTime(p.Current*0.9999).Time, p.Time)
				} else {
					assert.LessOrEqual(t, f.Fastest.MeltTime(p.Current*1.001).Time, p.Time)
				}
			}
			for _, p := range slowest.Points {
				assert.GreaterOrEqual(t, f.Slowest.MeltTime(p.Current*0.999).Time, p.Time)
			}
			for _, m := range []thermal.FuseModel{f.Fastest, f.Slowest} {
				worst = max(worst, m.Misfit.Worst)
			}
			// The two curves never cross, and a pair answers in the right order.
			for current := rating; current < 50*rating; current *= 1.05 {
				assert.LessOrEqual(t, f.Fastest.MeltTime(current).Time, f.Slowest.MeltTime(current).Time)
			}
		}
		assert.LessOrEqual(t, worst, closeTo)
		t.Logf("%s: worst misfit %.2f %% in current, on the safe side", name, 100*worst)
	}
}

// 1.6 : 1 selectivity is the rule the gates were made by: the slowest fuse at 0.1 s
// melts no later than the fastest fuse two ratings up.
func TestRatingsOf16To1AreSelective(t *testing.T) {
	class, err := thermal.Class("gG")
	require.NoError(t, err)
	for i := 0; i+2 < len(class.Ratings); i++ {
		small, err := class.Fuse(class.Ratings[i])
		require.NoError(t, err)
		large, err := class.Fuse(class.Ratings[i+2])
		require.NoError(t, err)
		assert.LessOrEqual(t, small.Slowest.MeltCurrent(0.1), 1.005*large.Fastest.MeltCurrent(0.1), "%g A below %g A", class.Ratings[i], class.Ratings[i+2])
	}
}

func TestClassesRefuseWhatTheyDoNotHave(t *testing.T) {
	_, err := thermal.Class("gg")
	var unknown *thermal.UnknownClassError
	require.ErrorAs(t, err, &unknown)
	assert.ErrorContains(t, err, "gG, blade, SF30, SF51")

	gG, err := thermal.Class("gG")
	require.NoError(t, err)
	blade, err := thermal.Class("blade")
	require.NoError(t, err)
	for _, c := range []struct {
		class   thermal.FuseClass
		rating  float64
		nearest []float64
	}{
		{gG, 110, []float64{100, 125}},
		{gG, 10, []float64{16}},
		{gG, 2000, []float64{1250}},
		{gG, math.NaN(), []float64{1250}},
		{blade, 150, []float64{100}},
		{blade, 0, []float64{1}},
		{blade, math.NaN(), []float64{1}},
	} {
		_, err := c.class.Fuse(c.rating)
		var rating *thermal.RatingError
		require.ErrorAs(t, err, &rating)
		assert.Equal(t, c.nearest, rating.Nearest)
	}
}
