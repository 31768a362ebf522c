package simulate_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
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
