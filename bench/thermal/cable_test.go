package thermal_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/thermal"
)

// demoCable is 2 m out and back of 50 mm² class 5, rated 210 A at 90 °C in 30 °C air.
var demoCable = thermal.Cable{
	Length: 4, Section: 50e-6, Resistance: 0.386e-3, Material: thermal.Copper(),
	Ampacity: 210, Rated: zero + 90, Air: zero + 30,
}

func cableNetwork(t *testing.T, c thermal.Cable) *thermal.Network {
	var b thermal.Builder
	c.AddTo(&b, "cable", b.AddBoundary("air"))
	n, err := b.Build()
	require.NoError(t, err)
	return n
}

func TestACableIsAtItsRatedTemperatureAtItsAmpacity(t *testing.T) {
	for air := zero - 10.0; air < zero+80; air += 15 {
		c := demoCable
		c.Bundling = 0.6
		n := cableNetwork(t, c)
		out, err := n.Hold([]float64{air}, []thermal.Heat{c.Loss(c.AmpacityIn(air))}, nil, []float64{air}, nil)
		require.NoError(t, err)
		require.True(t, out.Steady)
		assert.InDelta(t, c.Rated, out.Temperatures[0], 1e-6)
	}
	assert.Zero(t, demoCable.AmpacityIn(demoCable.Rated))
}

// For a short time no heat gets away: the node follows the adiabatic formula, from
// below, and the withstand time is when it reaches the end temperature.
func TestACableHeatsAdiabaticallyAtFirst(t *testing.T) {
	const current, start, end = 5000, zero + 70, zero + 160
	c := demoCable
	c.Resistance = 0 // by resistivity, as the formula has it
	course, err := cableNetwork(t, c).Course([]float64{start}, []thermal.Heat{c.Loss(current)}, []float64{zero + 30}, nil)
	require.NoError(t, err)
	k := c.Material.WithstandConstant(start, end)
	time := thermal.WithstandTime(current, c.Section, k)
	assert.InEpsilon(t, c.Section, current*math.Sqrt(time)/k, 1e-12)
	got := course.At(time, nil)[0]
	assert.InDelta(t, end, got, 1.5)
	assert.Less(t, got, end)
}

func TestConductorsBetweenSizesAreRefusedWithTheNearest(t *testing.T) {
	for mm2, says := range map[float64]string{
		40:   "40 mm² is not in the table: the nearest is 35 mm² or 50 mm²",
		0.1:  "the nearest is 0.5 mm²;",
		1000: "the nearest is 630 mm²;",
	} {
		_, err := thermal.ConductorResistance(mm2*1e-6, thermal.Class5, false)
		var size *thermal.SizeError
		require.ErrorAs(t, err, &size)
		assert.ErrorContains(t, err, says)
	}
	_, err := thermal.ConductorResistance(50e-6, 4, false)
	require.Error(t, err)
	plain, err := thermal.ConductorResistance(50e-6, thermal.Class5, false)
	require.NoError(t, err)
	coated, err := thermal.ConductorResistance(50e-6, thermal.Class5, true)
	require.NoError(t, err)
	assert.Less(t, plain, coated)
}
