package drive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/control"
)

// TestABrushlessMotorAtStandstillLoadsOnePhase: winding and devices of one phase take twice the mean there, and turning
// they share it; the sink takes the mean of all in both.
func TestABrushlessMotorAtStandstillLoadsOnePhase(t *testing.T) {
	b, s := demo(t, "petrel-refit")
	require.Equal(t, 2.0, b.Motor.StandstillPhaseFactor.SI)
	m, err := New(b, s, Conditions{Air: 298.15, Water: 288.15})
	require.NoError(t, err)
	r := m.NewRun(func(float64) float64 { return 1 })
	nan := math.NaN()
	y := r.Begin(Start{Charge: 0.8, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
	y[r.layout.control+control.Demand] = 0.5
	dy := make([]float64, len(y))
	at := func(speed float64) (switching, freewheel, spot float64) {
		y[r.layout.speed] = speed
		r.Changed()
		r.Derivatives(0, y, dy)
		p := r.Point(0, y)
		warms := func(stages [][2]float64, first int) (watts float64) { // what heats a cold ladder, W
			return dy[first] * stages[0][1] / stages[0][0]
		}
		switching = warms(r.stage.foster[0], r.layout.switching) / (p.Losses.conductionSwitch + p.Losses.switching)
		freewheel = warms(r.stage.foster[1], r.layout.freewheel) / p.Losses.conductionFreewheel
		winding := r.heat[r.nodes.winding] + r.heat[r.nodes.hotspot]
		sink := p.Losses.conductionSwitch + p.Losses.switching + p.Losses.conductionFreewheel + r.stage.housekeeping
		assert.InEpsilon(t, sink, r.heat[r.nodes.sink], 1e-9)
		return switching, freewheel, 3 * r.heat[r.nodes.hotspot] / winding
	}
	for _, c := range []struct{ speed, factor float64 }{{0, 2}, {3, 1 + 1/math.E}, {100, 1}} {
		switching, freewheel, spot := at(c.speed)
		assert.InEpsilon(t, c.factor, switching, 1e-6, "switches at %g rad/s", c.speed)
		assert.InEpsilon(t, c.factor, freewheel, 1e-6, "freewheel path at %g rad/s", c.speed)
		assert.InEpsilon(t, c.factor, spot, 1e-6, "hottest phase at %g rad/s", c.speed)
	}
}

// TestColdWaterStiffensTheSeals, and warm water does not loosen them further.
func TestColdWaterStiffensTheSeals(t *testing.T) {
	b, s := demo(t, "petrel")
	b.Shaft.SealFriction, b.Shaft.SealFrictionPerKelvin = si(2), si(0.03)
	for water, factor := range map[float64]float64{273.15: 1.6, 283.15: 1.3, 293.15: 1, 303.15: 1} {
		m, err := New(b, s, Conditions{Air: 298.15, Water: water})
		require.NoError(t, err)
		m.screw = freeShaft{}
		r := m.NewRun(func(float64) float64 { return 0 })
		var p Point
		p.PropSpeed = 30
		r.load(&p, 30*r.gear, 0)
		assert.InEpsilon(t, 2*factor*30, p.Shaft*30*r.gear*b.Shaft.GearEfficiency.SI, 1e-9, "W at %g K", water)
	}
}
