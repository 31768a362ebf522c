package study_test

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// petrel returns the invented demo launch with its settings.
func petrel(t testing.TB) (*boat.Boat, settings.Set) {
	t.Helper()
	return benchtest.Boat(t, "petrel")
}

func builtin(t testing.TB, names ...string) (list []*trial.Trial) {
	t.Helper()
	for _, n := range names {
		k, err := trial.Builtin(n)
		require.NoError(t, err)
		list = append(list, k)
	}
	return list
}

func isClear(t testing.TB, b *boat.Boat, s settings.Set, trials []*trial.Trial) bool {
	judged, err := study.Run(t.Context(), b, s, trials, simulate.Options{})
	require.NoError(t, err)
	for _, f := range verdict.Static(b, s) {
		if f.Level == verdict.Over {
			return false
		}
	}
	for _, j := range judged {
		if j.Level != verdict.Clear {
			return false
		}
	}
	return true
}

// The search against brute force: every half per cent around the answer is tried.
func TestHighestAgainstBruteForce(t *testing.T) {
	b, s := petrel(t)
	trials := builtin(t, "hot-restart")
	h, err := study.FindHighest(t.Context(), variant.Of(b, s), "limits.motor_current", trials, study.HighestOptions{})
	require.NoError(t, err)
	require.True(t, h.PresentClear)
	require.NotNil(t, h.NextLimit)
	assert.LessOrEqual(t, h.Next-h.Value, 0.005*h.Value*1.0001, "certain to half a per cent")
	brute := math.NaN()
	for x := s.Limits.MotorCurrent; x < 1.2*h.Value; x *= 1.005 {
		next, err := s.WithNumber("limits.motor_current", x)
		require.NoError(t, err)
		if !isClear(t, b, next, trials) {
			break
		}
		brute = x
	}
	assert.InDelta(t, brute, h.Value, 0.0055*brute)
}

// A fuse acts as a step: below its least melting current it holds for ever. The motor current limit that stays clear of
// it is found all the same.
func TestHighestFindsTheStepOfAFuse(t *testing.T) {
	b, s := petrel(t)
	b.CloseFor = []boat.CloseFor{{Part: "fuse", Share: quantity.Exactly(1)}}
	b.Fuse.Rating.SI = 40 // what petrel draws at full throttle nothing but this fuse minds
	trials := builtin(t, "full-throttle")
	h, err := study.FindHighest(t.Context(), variant.Of(b, s), "limits.motor_current", trials, study.HighestOptions{})
	require.NoError(t, err)
	require.NotNil(t, h.NextLimit)
	assert.Equal(t, "fuse (battery current)", h.NextLimit.What)
	assert.LessOrEqual(t, h.Next-h.Value, 0.005*h.Value*1.0001)
	s.Limits.MotorCurrent = h.Value
	judged, err := study.Run(t.Context(), b, s, trials, simulate.Options{})
	require.NoError(t, err)
	drawn, err := judged[0].Run.FindTrace(record.BatteryCurrent)
	require.NoError(t, err)
	assert.InDelta(t, 1.25*40, drawn.Values[len(drawn.Values)-1], 0.1*40, "where the fastest element melts at last, IEC 60269-1")
	require.Len(t, h.Close, 1, "no motor current limit mends what the battery current limit breaks, and it is told")
	assert.Contains(t, h.Close[0], "is above the fuse's rating, 40 A")
}

// What the value searched for mends counts, although it is broken at present: a battery current limit above the fuse's rating once was clear
// however high, since it was above it already.
func TestHighestCountsARuleThatItsKeyMends(t *testing.T) {
	b, s := petrel(t)
	trials := builtin(t, "full-throttle")
	highest := func(present float64) study.Highest {
		s.Limits.BatteryCurrent = present
		h, err := study.FindHighest(t.Context(), variant.Of(b, s), "limits.battery_current", trials, study.HighestOptions{})
		require.NoError(t, err)
		return h
	}
	rating := b.Fuse.Rating.SI
	below, above := highest(0.8*rating), highest(1.1*rating)
	assert.False(t, above.PresentClear)
	for _, h := range []study.Highest{below, above} {
		assert.InDelta(t, rating, h.Value, 0.005*rating)
		assert.Contains(t, h.NextLimit.What, "is above the fuse's rating")
	}

	s.Limits.BatteryCurrent = 1.1 * rating
	f, err := study.FindFront(t.Context(), variant.Of(b, s), [2]string{"limits.battery_current", "limits.motor_current"}, 9, trials, study.HighestOptions{})
	require.NoError(t, err)
	assert.Empty(t, f.Close)
	for _, p := range f.Points {
		assert.Equal(t, p.First > rating, math.IsNaN(p.Second), "battery current limit %.0f A", p.First)
	}
}

func TestHighestLooksToBothSides(t *testing.T) {
	v, _ := spoilt(t, builtin(t, "hot-restart"), [2]string{"cable[motor cable].section", "25 mm²"})
	h, err := study.FindHighest(t.Context(), v, "cable[motor cable].section", builtin(t, "hot-restart"), study.HighestOptions{})
	require.NoError(t, err)
	assert.False(t, h.PresentClear)
	assert.InDelta(t, 70e-6, h.Value, 1e-9, "none below 25 mm² is clear, and 70 mm² is the largest size up to three times as large")

	b, s := petrel(t)
	h, err = study.FindHighest(t.Context(), variant.Of(b, s), "charge", builtin(t, "low-battery"), study.HighestOptions{Lowest: true})
	require.NoError(t, err)
	assert.True(t, h.Own, "each trial has its own charge")
	assert.False(t, h.PresentClear, "a full bank does not come to its cut-off")
	assert.Less(t, h.Value, 0.1)
	assert.Greater(t, h.Value, 0.0)
}

func TestHighestRefusesWhatIsNoNumber(t *testing.T) {
	b, s := petrel(t)
	for _, key := range []string{"throttle.demand", "limits.nothing"} {
		_, err := study.FindHighest(t.Context(), variant.Of(b, s), key, builtin(t, "full-throttle"), study.HighestOptions{})
		assert.Error(t, err, key)
	}
}

func TestOddsAreTheSameOnAnyNumberOfCores(t *testing.T) {
	b, s := petrel(t)
	trials := builtin(t, "locked-shaft")
	o := study.OddsOptions{Draws: 24, Seed: 5, Quick: true}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	one, err := study.FindOdds(t.Context(), b, s, trials, o)
	require.NoError(t, err)
	runtime.GOMAXPROCS(3)
	three, err := study.FindOdds(t.Context(), b, s, trials, o)
	require.NoError(t, err)
	assert.Equal(t, one, three)
	assert.Equal(t, 24, one.Runs)
}

// TestOddsNeedSomethingToDrawOver: a boat whose own [[tolerance]] tables make every value exact.
func TestOddsNeedSomethingToDrawOver(t *testing.T) {
	b, s := petrel(t)
	exact := *b
	datafile.Walk(&exact, func(_ string, v *quantity.Value) { v.Tolerance = 0 })
	require.Greater(t, len(drive.Unknowns(&exact)), 80)
	for _, u := range drive.Unknowns(&exact) {
		none := boat.Tolerance{Of: boat.WithoutNumbers(u.Key), Measured: "0 %", DataSheet: "0 %", Estimated: "0 %", LeftOut: "0 %"}
		exact.Tolerances = append(exact.Tolerances, none)
	}
	require.Empty(t, drive.Unknowns(&exact))
	_, err := study.FindOdds(t.Context(), &exact, s, builtin(t, "locked-shaft"), study.OddsOptions{})
	require.ErrorContains(t, err, "every value of boat petrel is exact")
	_, other := study.FindHighest(t.Context(), variant.Of(&exact, s), "limits.motor_current", builtin(t, "locked-shaft"), study.HighestOptions{Odds: 0.95})
	require.EqualError(t, other, err.Error(), "the highest value over draws refuses alike")
}

// An interrupted study gives what there is.
func TestOddsGiveWhatThereIsWhenStopped(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1)) // one draw after the other
	b, s := petrel(t)
	ctx, cancel := context.WithCancel(t.Context())
	o := study.OddsOptions{Draws: 200, Seed: 1, Quick: true, Progress: func(done, _ int) {
		if done == 5 {
			cancel()
		}
	}}
	odds, err := study.FindOdds(ctx, b, s, builtin(t, "locked-shaft"), o)
	require.ErrorIs(t, err, context.Canceled)
	assert.GreaterOrEqual(t, odds.Runs, 5)
	assert.Less(t, odds.Runs, 200)
}

// Holding less current never ends sooner, and what the map says is what a run of that length shows.
func TestEnvelopeFallsWithCurrentAndAgreesWithARun(t *testing.T) {
	b, s := petrel(t)
	o := study.EnvelopeOptions{Currents: []float64{140, 180, 220, 260, 300}}
	e, err := study.FindEnvelope(t.Context(), b, s, o)
	require.NoError(t, err)
	require.Len(t, e.Points, 5)
	for i := 1; i < len(e.Points); i++ {
		assert.LessOrEqual(t, e.Points[i].Time, e.Points[i-1].Time, "at %g A", e.Points[i].Current)
	}
	for _, p := range e.Points {
		if math.IsInf(p.Time, 1) {
			continue
		}
		short := o
		short.Currents, short.Longest = []float64{p.Current}, p.Time-1
		again, err := study.FindEnvelope(t.Context(), b, s, short)
		require.NoError(t, err)
		assert.True(t, math.IsInf(again.Points[0].Time, 1), "%g A held a second less is clear", p.Current)
	}
}

// TestEnvelopeCountsNoRamp: a current that rises over a minute is not held for that minute.
func TestEnvelopeCountsNoRamp(t *testing.T) {
	b, s := petrel(t)
	o := study.EnvelopeOptions{Currents: []float64{280, 392}, Longest: 120, Locked: true}
	s.Ramp.Rise = 0.05
	quick, err := study.FindEnvelope(t.Context(), b, s, o)
	require.NoError(t, err)
	s.Ramp.Rise = 60
	slow, err := study.FindEnvelope(t.Context(), b, s, o)
	require.NoError(t, err)
	assert.Equal(t, fmt.Sprint(quick), fmt.Sprint(slow))
}

// TestDrawsAreBounded: a slip of the finger is refused before memory runs out.
func TestDrawsAreBounded(t *testing.T) {
	b, s := petrel(t)
	for _, n := range []int{-1, 999_999_999} {
		_, err := study.FindOdds(t.Context(), b, s, builtin(t, "crash-stop"), study.OddsOptions{Draws: n})
		require.ErrorContains(t, err, "ask for 1 to")
		_, err = study.FindHighest(t.Context(), variant.Of(b, s), "limits.motor_current", builtin(t, "crash-stop"), study.HighestOptions{Draws: n})
		require.ErrorContains(t, err, "ask for 1 to")
	}
}

// TestEnvelopeJudgesTheCurrentThatFlows: a limit that flows for two seconds, until the boat has gathered way, is
// not held; what is called held flows at the end, and lasts as long as with the boat moored.
func TestEnvelopeJudgesTheCurrentThatFlows(t *testing.T) {
	b, s := petrel(t)
	b.Battery.Management = nil
	b.Fuse.Rating.SI = 400
	o := study.EnvelopeOptions{Currents: []float64{200, 240, 280, 320, 360, 400}}
	underway, err := study.FindEnvelope(t.Context(), b, s, o)
	require.NoError(t, err)
	o.Moored = true
	moored, err := study.FindEnvelope(t.Context(), b, s, o)
	require.NoError(t, err)
	falling := 0
	for i, p := range underway.Points {
		m := moored.Points[i]
		require.False(t, m.Falls(), "%g A flows to the end with the boat moored", p.Current)
		assert.Empty(t, m.Remark())
		if !p.Falls() {
			assert.InEpsilon(t, p.Current, p.Flows, 0.02)
			assert.InEpsilon(t, m.Time, p.Time, 0.15, "%g A", p.Current)
			continue
		}
		falling++
		assert.Equal(t, "not held", p.Held(3600, func(float64) string { return "" }))
		assert.Equal(t, fmt.Sprintf("falls to %.0f A under way", p.Flows), p.Remark())
		assert.Equal(t, fmt.Sprintf("%s after %.0f s (%s)", p.Part, p.Time, p.Remark()), p.Ends(func(s float64) string { return fmt.Sprintf("%.0f s", s) }))
		assert.Less(t, m.Time, p.Time, "less current lasts longer, which is no merit of what was asked for")
	}
	assert.Positive(t, falling)
	assert.Less(t, falling, len(o.Currents))
}
