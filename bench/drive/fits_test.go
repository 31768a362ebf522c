package drive

import (
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/testdata/reference"
)

// TestFitsFollowTheBoat: whatever changes in the boat, also within a table of it, the fits of the model before are not taken
// for it where they are another's.
func TestFitsFollowTheBoat(t *testing.T) {
	b, s, err := reference.Boat("petrel")
	require.NoError(t, err)
	var kept Fits
	for _, change := range []struct {
		name string
		do   func(b *boat.Boat)
	}{
		{"nothing", func(*boat.Boat) {}},
		{"nothing again", func(*boat.Boat) {}},
		{"the fuse's rating", func(b *boat.Boat) { b.Fuse.Rating.SI *= 1.1 }},
		{"a point of its curve", func(b *boat.Boat) { b.Fuse.Fastest[0][1] *= 0.9 }},
		{"the propeller's power", func(b *boat.Boat) { b.Propeller.MeasuredPower.SI *= 1.05 }},
		{"a point of speed and power", func(b *boat.Boat) { b.Hull.SpeedPower[2][1] *= 1.1 }},
		{"the wake", func(b *boat.Boat) { b.Hull.Wake.SI += 0.02 }},
		{"the water", func(*boat.Boat) {}},
	} {
		change.do(b)
		c := Conditions{Air: 298, Water: 288}
		if change.name == "the water" {
			c.WaterDensity = 1000
		}
		mine, err := kept.New(b, s, c)
		require.NoError(t, err)
		fresh, err := New(b, s, c)
		require.NoError(t, err)
		require.Equal(t, fresh.fuse, mine.fuse, change.name)
		require.Equal(t, fresh.slow, mine.slow, change.name)
		require.Equal(t, fresh.hull, mine.hull, change.name)
		require.Equal(t, fresh.screw, mine.screw, change.name)
	}
}
