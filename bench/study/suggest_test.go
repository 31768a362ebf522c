package study_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// judge tries settings and joins what came of it.
func judge(t *testing.T, b *boat.Boat, s settings.Set, trials []*trial.Trial) verdict.Side {
	t.Helper()
	judged, err := study.Run(t.Context(), b, s, trials, simulate.Options{})
	require.NoError(t, err)
	return verdict.Join(nil, judged)
}

// TestSuggestFindsTheHighestSettingThatMends: with the change everything that was over is clear, a few per cent more is
// not, and the setting is the one whose current does the harm.
func TestSuggestFindsTheHighestSettingThatMends(t *testing.T) {
	for _, c := range []struct {
		name, trial, key string
		change           func(b *boat.Boat, s *settings.Set)
		why              string
	}{
		{"a winding too hot", "full-throttle", "limits.motor_current", func(b *boat.Boat, s *settings.Set) {
			b.Motor.WindingLimit = quantity.Exactly(273.15 + 60)
		}, "winding in full-throttle"},
		{"management that opens", "full-throttle", "limits.battery_current", func(b *boat.Boat, s *settings.Set) {
			m := *b.Battery.Management
			m.DischargeCurrent, b.Battery.Management = quantity.Exactly(60), &m
		}, "management opens: battery current above 60 A in discharge in full-throttle"},
		{"a rotor too fast", "dry-running", "limits.duty", func(b *boat.Boat, s *settings.Set) {
			b.Motor.SpeedLimit = quantity.Exactly(200)
		}, "rotor speed in dry-running"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, s := petrel(t)
			c.change(b, &s)
			trials := builtin(t, c.trial, "harbour")
			side := judge(t, b, s, trials)
			require.Equal(t, verdict.Over, side.Level)
			change, err := study.FindChange(t.Context(), b, s, side, trials)
			require.NoError(t, err)
			require.NotNil(t, change)
			assert.Equal(t, c.key, change.Key)
			assert.Contains(t, change.Why, c.why)
			from, _ := s.Shown(c.key) // "100 %", where it was "from 1 to 0.27"
			assert.Equal(t, from, change.From)

			mended, err := s.With(change.Key, change.To)
			require.NoError(t, err)
			assert.Equal(t, verdict.Clear, judge(t, b, mended, builtin(t, c.trial)).Level, "at %s", change.To)
			value, _ := mended.Number(c.key)
			before, _ := s.Number(c.key)
			assert.Less(t, value, before)
			more, err := s.WithNumber(c.key, min(before, 1.1*value+0.01*before))
			require.NoError(t, err)
			assert.NotEqual(t, verdict.Clear, judge(t, b, more, builtin(t, c.trial)).Level, "a tenth more would do as well")
		})
	}
}

func TestSuggestIsSilentWhereNothingIsOverOrNothingHelps(t *testing.T) {
	b, s := petrel(t)
	trials := builtin(t, "harbour")
	change, err := study.FindChange(t.Context(), b, s, judge(t, b, s, trials), trials)
	require.NoError(t, err)
	assert.Nil(t, change, "nothing is over")

	b.Compartment.Limit = quantity.Exactly(200) // colder than the air: no current mends that
	side := judge(t, b, s, trials)
	require.Equal(t, verdict.Over, side.Level)
	change, err = study.FindChange(t.Context(), b, s, side, trials)
	require.NoError(t, err)
	assert.Nil(t, change)
}

// TestRunAllKeepsItsOrder: one list per set, in the order of the trials, and progress counts every run once.
func TestRunAllKeepsItsOrder(t *testing.T) {
	b, s := petrel(t)
	other := s
	other.Limits.MotorCurrent = 90
	names := []string{"crash-stop", "locked-shaft", "dry-running"}
	var calls, last atomic.Int64
	judged, err := study.RunAll(t.Context(), b, []settings.Set{s, other}, builtin(t, names...), simulate.Options{}, func(done, all int) {
		assert.Equal(t, 6, all)
		assert.Equal(t, last.Add(1), int64(done))
		calls.Add(1)
	})
	require.NoError(t, err)
	assert.Equal(t, int64(6), calls.Load())
	require.Len(t, judged, 2)
	for i, set := range []settings.Set{s, other} {
		require.Len(t, judged[i], len(names))
		for k, name := range names {
			assert.Equal(t, name, judged[i][k].Name)
			assert.Equal(t, set.Hash(), judged[i][k].Run.Provenance.Settings)
		}
	}
}

// TestRunAllPassesOnAnError: a boat that cannot be built is an error, not an empty list of trials.
func TestRunAllPassesOnAnError(t *testing.T) {
	b, s := petrel(t)
	b.Fuse.Class = "none such"
	_, err := study.Run(t.Context(), b, s, builtin(t, "harbour"), simulate.Options{})
	require.ErrorContains(t, err, "none such")

	b, s = petrel(t)
	why := errors.New("enough")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(why)
	_, err = study.Run(ctx, b, s, builtin(t, "harbour"), simulate.Options{})
	require.ErrorIs(t, err, why)
}
