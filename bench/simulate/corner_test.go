package simulate

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/trial"
)

// TestAFuseForgetsTheCurrentBeforeACorner: the lowest current of a step counts for the latest instant at which a fuse opens.
// Where a stretch begins, that is a current of this stretch: one from before a jump counts for no step after it.
func TestAFuseForgetsTheCurrentBeforeACorner(t *testing.T) {
	b, s := benchtest.Boat(t, "petrel")
	b.Fuse.Rating.SI = 25 // A
	molten := func(before float64) float64 {
		tr, err := trial.Builtin("full-throttle")
		require.NoError(t, err)
		live, err := NewLive(b, s, tr)
		require.NoError(t, err)
		require.NoError(t, live.Advance(t.Context(), 1, 0)) // it starts from neutral only
		require.NoError(t, live.Advance(t.Context(), 20, 1))
		sim := live.sim
		sim.sampler.carried = before // A
		require.NoError(t, live.Advance(t.Context(), 1, 1))
		return sim.fuse.Molten(sim.t, carried(live.Point()), sim.y)
	}
	assert.Greater(t, molten(0), 0.0)
	assert.Equal(t, molten(1000), molten(0))
}

// TestALiveBoatKeepsNoSamples: it may run for days, and nobody reads them.
func TestALiveBoatKeepsNoSamples(t *testing.T) {
	b, s := benchtest.Boat(t, "petrel")
	tr, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	live, err := NewLive(b, s, tr)
	require.NoError(t, err)
	require.NoError(t, live.Advance(t.Context(), 60, 0))
	assert.Empty(t, live.sim.times)
	assert.Empty(t, live.sim.rows)
}
