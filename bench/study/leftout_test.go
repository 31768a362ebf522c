package study

import (
	"context"
	"errors"
	"math"
	"testing"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
	"quaybench/testdata/reference"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"quaybench/bench/benchtest"
)

func TestLeftOut(t *testing.T) {
	impossible := &simulate.NoDriveError{Boat: "petrel", Err: errors.New("propeller: outside its series")}
	failed := errors.New("boat petrel, trial hot-day: step size")
	lost := &simulate.UnbalancedError{Share: 0.2}
	all := make([]error, 200)
	l, err := leftOut(all)
	require.NoError(t, err)
	assert.Empty(t, l.Lines())
	all[3], all[9], all[150] = impossible, impossible, lost
	l, err = leftOut(all)
	require.NoError(t, err)
	assert.Equal(t, []string{
		"2 of 200 draws are impossible boats and are not counted; the first: boat petrel: propeller: outside its series",
		"1 of 200 draws could not be simulated and are not counted; the first: " + lost.Error(),
	}, l.Lines())
	l.NotClear = true // in a search
	assert.Equal(t, "1 of 200 draws could not be simulated and count as not clear; the first: "+lost.Error(), l.Lines()[1])
	all[0], all[1] = failed, failed
	_, err = leftOut(all)
	assert.ErrorIs(t, err, failed, "a solver that fails on more than one in a hundred leaves no fair sample")
	_, err = leftOut([]error{impossible, impossible})
	assert.ErrorContains(t, err, "none of 2 draws over the tolerances makes a drive")
}

// given returns a demo boat with its settings, and built-in trials.
func given(t testing.TB, name string, trials ...string) (*boat.Boat, settings.Set, []*trial.Trial) {
	t.Helper()
	b, s, err := reference.Boat(name)
	require.NoError(t, err)
	var list []*trial.Trial
	for _, n := range trials {
		k, err := trial.Builtin(n)
		require.NoError(t, err)
		list = append(list, k)
	}
	return b, s, list
}

// wide returns petrel with guesses so wide that some draws make no propeller.
func wide(t *testing.T) (*boat.Boat, []*trial.Trial, func() LeftOut) {
	b, _, trials := given(t, "petrel", "full-throttle")
	b.Propeller.MeasuredSpeed.Tolerance = 0.6 * b.Propeller.MeasuredSpeed.SI
	return b, trials, func() LeftOut {
		_, s, _ := given(t, "petrel")
		_, left, err := Simulate(context.Background(), Draws(b, 40, 1), s, trials[0], nil)
		require.NoError(t, err)
		return left
	}
}

// TestImpossibleBoatsAreOneStory: odds, the highest value over draws and a step test's band leave the same draws out, and
// count them with the first reason.
func TestImpossibleBoatsAreOneStory(t *testing.T) {
	benchtest.Computes(t)
	b, trials, simulated := wide(t)
	_, s, _ := given(t, "petrel")
	odds, err := FindOdds(context.Background(), b, s, trials, OddsOptions{Draws: 40, Quick: true, Seed: 1})
	require.NoError(t, err)
	require.Positive(t, odds.LeftOut.NoDrive)
	assert.Equal(t, 40, odds.Runs+odds.LeftOut.Total())
	h, err := FindHighest(context.Background(), variant.Of(b, s), "limits.motor_current", trials, HighestOptions{Odds: 0.7, Draws: 40, Seed: 1, Grid: 4, Exact: 0.1})
	require.NoError(t, err)
	assert.Equal(t, odds.LeftOut.Lines(), h.LeftOut.Lines())
	left := simulated()
	assert.Equal(t, odds.LeftOut.Lines(), left.Lines())
}

// TestImpossibleBoatsAreFoundWithoutRuns: one draw that makes no drive among the first had every draw simulated, 2,000 in each trial; none
// among them, and those that came later were judged by the fit.
func TestImpossibleBoatsAreFoundWithoutRuns(t *testing.T) {
	b, s, trials := given(t, "petrel", "full-throttle")
	b.Propeller.MeasuredSpeed.Tolerance = 0.5 * b.Propeller.MeasuredSpeed.SI
	fitted, all := bothOf(t, b, s, trials, 0, 400, 1, nil)
	left, err := leftOut(all.failed())
	require.NoError(t, err)
	require.Positive(t, left.NoDrive)
	found, err := leftOut(fitted.failed())
	require.NoError(t, err)
	assert.Equal(t, left, found)
	assert.Less(t, fitted.made().Runs, 400)
	assert.Empty(t, fitted.made().Whole)
	wrong, decisions, where := differences(t, fitted, all)
	assert.Zero(t, wrong, "%v of %d", where, decisions)
	for k := range trials {
		assert.Equal(t, 400, len(all.fits[k].answers)+left.NoDrive, "what makes no drive is no run")
	}
}

// TestWhatIsLeftOutIsCountedAmongAllDraws: where only runs tell, a search could end before it met each draw that is no boat.
func TestWhatIsLeftOutIsCountedAmongAllDraws(t *testing.T) {
	benchtest.Computes(t)
	b, s, trials := given(t, "petrel", "full-throttle")
	o := HighestOptions{Odds: 0.8, Draws: 20, Seed: 1}
	h, err := FindHighest(t.Context(), variant.Of(b, s), "propeller.pitch", trials, o)
	require.NoError(t, err)
	o.EveryRun = true
	every, err := FindHighest(t.Context(), variant.Of(b, s), "propeller.pitch", trials, o)
	require.NoError(t, err)
	assert.Equal(t, every.Value, h.Value)
	require.Positive(t, every.LeftOut.NoDrive)
	assert.Equal(t, every.LeftOut.Lines(), h.LeftOut.Lines())
}

// TestADrawThatTellsNothingCountsWhereAFitSaysItIsOver: of draws that one trial cannot judge, those that are over in another count, be that
// by a run or by a fit; only runs were asked, and 12 to 21 of 400 such draws were left out.
func TestADrawThatTellsNothingCountsWhereAFitSaysItIsOver(t *testing.T) {
	counted := func(q *drawn) (n int) {
		nothing := make([]*answer, q.n)
		for i := range nothing {
			nothing[i] = &answer{failed: &UnjudgedError{"still", "the motor stands still"}}
		}
		q.trials, q.fits, q.got = append(q.trials, &asked{trial: q.trials[0].trial}), append(q.fits, &fit{}), append(q.got, nothing)
		for _, err := range q.failed() {
			if err == nil {
				n++
			}
		}
		return n
	}
	fitted, all := both(t, "petrel", 172, 300, 1, nil, "hot-restart")
	require.Positive(t, unasked(fitted.got[0]))
	want := counted(all)
	require.Positive(t, want)
	assert.Equal(t, want, counted(fitted))
}

// stiff returns petrel with a shaft that binds with so much torque, give or take a share.
func stiff(t *testing.T, torque, share float64, trials ...string) (*boat.Boat, settings.Set, []*trial.Trial) {
	b, s, list := given(t, "petrel", trials...)
	b.Shaft.SealFriction = quantity.Exactly(torque)
	b.Shaft.SealFriction.Tolerance = share * torque
	return b, s, list
}

// TestABoatThatDoesNotMoveIsClearInNothing: the shaft binds, the stall timer acts (or is off), and nothing was tried: no verdict, no
// highest clear value, no odds; draws that move are counted, and how many do not is said.
func TestABoatThatDoesNotMoveIsClearInNothing(t *testing.T) {
	benchtest.Computes(t)
	ctx := context.Background()
	for _, timer := range []float64{4, 0} {
		b, s, trials := stiff(t, 60, 0.02, "full-throttle")
		s.Stall.Time = timer
		judged, err := Run(ctx, b, s, trials, simulate.Options{})
		require.NoError(t, err)
		assert.Equal(t, verdict.NotJudged, judged[0].Level)
		require.Len(t, judged[0].Unjudged, 1)
		assert.Contains(t, judged[0].Unjudged[0], "the motor stands still")
		for _, p := range judged[0].Parts {
			assert.NotEqual(t, verdict.Clear, p.Level, "%s was not tried", p.Name)
		}

		h, err := FindHighest(ctx, variant.Of(b, s), "limits.motor_current", trials, HighestOptions{Grid: 6, Exact: 0.1})
		require.NoError(t, err)
		if timer > 0 {
			assert.True(t, math.IsNaN(h.Value), "%g A was tried in no run that moves", h.Value)
			assert.Contains(t, h.NextLimit.What, "the motor stands still")
		} else { // some draws burn where they stand, which is over
			continue
		}
		_, err = FindOdds(ctx, b, s, trials, OddsOptions{Draws: 20, Quick: true, Seed: 1})
		assert.ErrorContains(t, err, "none of 20 draws over the tolerances can be judged")
	}

	b, s, trials := stiff(t, 22, 0.5, "full-throttle")
	odds, err := FindOdds(ctx, b, s, trials, OddsOptions{Draws: 60, Quick: true, Seed: 1})
	require.NoError(t, err)
	require.Positive(t, odds.LeftOut.Unjudged)
	require.Less(t, odds.LeftOut.Unjudged, 60)
	assert.Equal(t, 60, odds.Runs+odds.LeftOut.Total())
	assert.Regexp(t, `^\d+ of 60 draws cannot be judged and are not counted; the first: full-throttle: the motor stands still and the stall timer stops it`, odds.LeftOut.Lines()[0])

	// The shaft of the locked-shaft trial is meant to stand still, and what burns in one trial counts though another stands still.
	b, s, trials = given(t, "petrel", "locked-shaft")
	judged, err := Run(ctx, b, s, trials, simulate.Options{})
	require.NoError(t, err)
	assert.Equal(t, verdict.Clear, judged[0].Level)
	b, s, trials = stiff(t, 60, 0.02, "full-throttle", "low-battery")
	odds, err = FindOdds(ctx, b, s, trials, OddsOptions{Draws: 20, Quick: true, Seed: 1})
	require.NoError(t, err)
	assert.InDelta(t, 1, odds.Over.Value, 1e-9, "protection that the second trial expects does not come")
}

// TestOneValueThatTellsNothingEndsNoSearch: at the lowest current bracken's motor stands still in each draw; that says nothing about the
// values above, and is not counted there.
func TestOneValueThatTellsNothingEndsNoSearch(t *testing.T) {
	benchtest.Computes(t)
	b, s, trials := given(t, "bracken", "hot-restart")
	for _, every := range []bool{false, true} {
		h, err := FindHighest(t.Context(), variant.Of(b, s), "limits.motor_current", trials, HighestOptions{Odds: 0.9, Draws: 20, Seed: 1, Grid: 6, Exact: 0.1, EveryRun: every})
		require.NoError(t, err)
		assert.Greater(t, h.Value, 150.0)
		assert.Equal(t, 20.0, h.Gaps[0].From, "the motor stands still there")
		assert.True(t, h.LeftOut.NotClear)
		assert.Zero(t, h.LeftOut.Total(), "at %g A all draws move", h.Value)
		assert.Regexp(t, `^fewer than 90 % of the draws are clear; most often it is \S`, h.NextLimit.What)
		assert.Equal(t, "hot-restart", h.NextLimit.Trial)
	}
}

// TestHighestNamesWhatWasTried: a battery current limit that nothing reaches is clear only as far as the current came.
func TestHighestNamesWhatWasTried(t *testing.T) {
	b, s, trials := given(t, "petrel", "full-throttle")
	h, err := FindHighest(context.Background(), variant.Of(b, s), "limits.battery_current", trials, HighestOptions{Grid: 8})
	require.NoError(t, err)
	set := s
	set.Limits.BatteryCurrent = h.Value
	judged, err := Run(context.Background(), b, set, trials, simulate.Options{})
	require.NoError(t, err)
	most := 0.0
	tr, _ := judged[0].Run.Trace(record.BatteryCurrent)
	for _, v := range tr.Values {
		most = max(most, v)
	}
	require.Less(t, most, 0.9*h.Value, "the motor current limit holds it")
	assert.Equal(t, most, h.TriedTo)
	h, err = FindHighest(context.Background(), variant.Of(b, s), "limits.motor_current", trials, HighestOptions{Grid: 8})
	require.NoError(t, err)
	assert.True(t, math.IsNaN(h.TriedTo), "it flows: %g A of %g A", h.TriedTo, h.Value)
}
