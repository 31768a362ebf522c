package study

import (
	"context"
	"errors"
	"testing"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/testdata/reference"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
	b.Propeller.Power.Tolerance = 0.9 * b.Propeller.Power.SI
	return b, trials, func() LeftOut {
		_, s, _ := given(t, "petrel")
		_, left, err := Simulate(context.Background(), draws(b, 40, 1), s, trials[0], nil)
		require.NoError(t, err)
		return left
	}
}

// TestImpossibleBoatsAreOneStory: odds, the highest value over draws and a step test's band leave the same draws out, and
// count them with the first reason.
func TestImpossibleBoatsAreOneStory(t *testing.T) {
	b, trials, simulated := wide(t)
	_, s, _ := given(t, "petrel")
	odds, err := FindOdds(context.Background(), b, s, trials, OddsOptions{Draws: 40, Quick: true, Seed: 1})
	require.NoError(t, err)
	require.Positive(t, odds.LeftOut.NoDrive)
	assert.Equal(t, 40, odds.Runs+odds.LeftOut.Total())
	h, err := FindHighest(context.Background(), b, s, "limits.motor_current", trials, HighestOptions{Odds: 0.7, Draws: 40, Seed: 1, Grid: 4, Exact: 0.1})
	require.NoError(t, err)
	assert.Equal(t, odds.LeftOut.Lines(), h.LeftOut.Lines())
	left := simulated()
	assert.Equal(t, odds.LeftOut.Lines(), left.Lines())
}
