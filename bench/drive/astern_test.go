package drive

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/testdata/reference"
)

// TestAsternShareOfTheFileActs: the boat pulls astern at the quay what was measured there.
func TestAsternShareOfTheFileActs(t *testing.T) {
	pull := func(share float64) float64 {
		b, s, err := reference.Boat("petrel")
		require.NoError(t, err)
		if share > 0 {
			b.Propeller.AsternShare = si(share)
		}
		m, err := New(b, s, Conditions{Air: 298, Water: 288, Moored: true})
		require.NoError(t, err)
		ahead, _ := m.screw.Loads(15, 0, m.water)
		astern, _ := m.screw.Loads(-15, 0, m.water)
		return -astern / ahead
	}
	assert.InDelta(t, 0.45, pull(0.45), 1e-6)
	assert.InDelta(t, 0.7, pull(0.7), 1e-6)
	t.Logf("left out: %.2f, by the four-quadrant tests", pull(0))
}
