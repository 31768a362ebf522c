package simulate_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// TestEnduranceIsThatOfTheWholeRun: what the run took out of the bank, again and again until a tenth is left;
// no figure where the run is too short to tell or something cut it short.
func TestEnduranceIsThatOfTheWholeRun(t *testing.T) {
	const usable = 16 * 3.30 * 200 * 3600 // J of petrel's bank per unit of charge, at the flat part of its curve
	each(t, func(t *testing.T, boat, name string, r *record.Run) {
		tr, err := trial.Builtin(name)
		require.NoError(t, err)
		whole := r.Time[len(r.Time)-1] >= tr.Duration && tr.Duration >= 300
		for _, e := range r.Events {
			whole = whole && e.Kind < record.Stopping
		}
		if !whole {
			assert.Nil(t, r.Gain.Endurance)
			return
		}
		require.NotNil(t, r.Gain.Endurance)
		if boat == "petrel" { // no Peukert: the energy counts, not how fast it goes
			power := r.Energy.Battery / r.Time[len(r.Time)-1]
			assert.InEpsilon(t, usable*(tr.Charge-0.1), power**r.Gain.Endurance, 0.03)
		}
	})
	outing := results()["petrel, two-hour-outing"].Gain.Endurance
	require.NotNil(t, outing)
	assert.InDelta(t, 4.4, *outing/3600, 0.1, "hours: the stretch at 100 % alone lasts 2, the last one before home 44")
}

// TestEnduranceOfABankThatGivesOut: once low voltage holds the motor down for good, what the bank still gives says nothing of how long
// it lasts. A bank of 40 A·h is held back after 8 minutes, and does not last the 25 that its mean over half an hour would mean.
func TestEnduranceOfABankThatGivesOut(t *testing.T) {
	s := setup(t, "bracken")
	full, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	for _, c := range []struct {
		hours     float64 // A·h
		heldBack  float64 // s
		endurance float64 // s; NaN: no figure
	}{{300, math.NaN(), 68 * 60}, {80, 16 * 60, 15.6 * 60}, {40, 7.9 * 60, 7.6 * 60}, {20, 3.9 * 60, math.NaN()}} {
		b := *s.Boat
		b.Battery.Capacity.SI = c.hours * 3600
		r, err := simulate.Run(t.Context(), &b, s.Settings, full, simulate.Options{})
		require.NoError(t, err)
		held := math.NaN()
		for _, e := range r.Events {
			if e.Device == "low-voltage derating" && math.IsNaN(held) {
				held = e.At
			}
		}
		assert.InDelta(t, c.heldBack, held, 0.02*1800, "%g A·h", c.hours)
		if math.IsNaN(c.endurance) {
			assert.Nil(t, r.Gain.Endurance, "%g A·h: too short to tell", c.hours)
			continue
		}
		require.NotNil(t, r.Gain.Endurance, "%g A·h", c.hours)
		assert.InEpsilon(t, c.endurance, *r.Gain.Endurance, 0.02, "%g A·h", c.hours)
		assert.False(t, *r.Gain.Endurance > 1.05*held, "%g A·h: it lasts no longer than until it is held back", c.hours)
	}
}

// TestNoEnduranceOfAMotorThatNeverRan: a bank that feeds nothing but the controller lasts for weeks, which is no endurance of the boat.
func TestNoEnduranceOfAMotorThatNeverRan(t *testing.T) {
	s := setup(t, "petrel")
	full, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	set := s.Settings
	set.Derating.StageStart, set.Derating.StageEnd = 290, 295 // K, below the air
	r, err := simulate.Run(t.Context(), s.Boat, set, full, simulate.Options{})
	require.NoError(t, err)
	assert.Nil(t, r.Gain.Endurance)
}

// TestATrialStartsInNeutral: a first movement at once is one from neutral, as it is a second later, so the interlock is content. Before, nothing
// moved for the whole trial, and all was clear.
func TestATrialStartsInNeutral(t *testing.T) {
	s := setup(t, "petrel")
	require.True(t, s.Settings.Throttle.NeutralStart)
	top := func(at float64) float64 {
		tr := &trial.Trial{Name: "at once", Duration: 120, Air: 298, Water: 288, Charge: 0.9, Throttle: []trial.Step{{At: at, To: 1}}}
		r, err := simulate.Run(t.Context(), s.Boat, s.Settings, tr, simulate.Options{})
		require.NoError(t, err)
		current, ok := r.Trace(record.MotorCurrent)
		require.True(t, ok)
		return r.At(current, 60)
	}
	assert.InDelta(t, top(1), top(0), 0.1)
	assert.Greater(t, top(0), 100.0)
}
