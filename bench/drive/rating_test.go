package drive

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/quantity"
	"quaybench/testdata/reference"
)

// TestAMotorBearsItsOwnRating (the data agree: default commutator cooling denied the motor's own rating): where the file
// leaves the commutator out, it comes to 10 K below its limit at the rating, and RatingOf says what the network settles at.
func TestAMotorBearsItsOwnRating(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		t.Run(name, func(t *testing.T) {
			b, _, err := reference.Boat(name)
			require.NoError(t, err)
			m := &b.Motor
			m.BrushToHousing, m.BarToCommutator, m.BarHeatCapacity, m.BrushHeatCapacity = quantity.Value{}, quantity.Value{}, quantity.Value{}, quantity.Value{}
			m.Cooling = "air"
			h := newHeated(t, b, Conditions{Air: ratedAir, Water: ratedAir})
			h.motor, h.speed, h.duty, h.volts = m.RatedCurrent.SI, m.RatedSpeed.SI, 1, 50
			h.run.stage.frequency = 1e9 // no ripple
			y := h.after(t, 1e6)
			assert.InDelta(t, m.BrushLimit.SI-brushMargin, y[h.run.nodes.commutator], 0.5)
			r, err := RatingOf(m)
			require.NoError(t, err)
			assert.InDelta(t, ratedAir+r.Commutator, y[h.run.nodes.commutator], 0.5)
			assert.InDelta(t, ratedAir+r.Winding, y[h.run.nodes.winding], 0.5)
			assert.InDelta(t, ratedAir+r.Housing, y[h.run.nodes.housing], 0.5)

			heat := h.run.motor.thermal(m)
			assert.InDelta(t, 0.015*m.Mass.SI*385, heat.brushCapacity, 1e-9)
			assert.InDelta(t, 0.1*heat.brushCapacity, heat.barCapacity, 1e-9)
			assert.InDelta(t, 1.4*heat.brushToHousing, heat.barToCommutator, 1e-9)
		})
	}
}
