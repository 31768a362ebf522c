package drive_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
)

// shaftPower is Gerr's rule for displacement boats, W: knots over the root of the waterline in feet are 10.665 over the cube root
// of pounds a horsepower (D. Gerr, Propeller Handbook, 1989; from memory). It asks for what a boat in service needs.
func shaftPower(displacement, length, speed float64) float64 {
	relative := speed / (1852.0 / 3600) / math.Sqrt(length/0.3048)
	return displacement / 0.45359237 / math.Pow(10.665/relative, 3) * 745.7
}

// TestTheBandOfAnEstimatedHullHolds: what is said of a hull by estimate covers a published relation between speed and power, over
// lengths and displacements of launches and the speeds they are run at.
func TestTheBandOfAnEstimatedHullHolds(t *testing.T) {
	b, _ := benchtest.Boat(t, "petrel")
	b.Hull.SpeedPower = nil
	least, most, slowest := math.Inf(1), 0.0, 1.0
	for _, length := range []float64{5, 6.5, 8, 9.5, 12} {
		for _, slender := range []float64{4.3, 5.1, 6, 7} { // length over the cube root of the volume
			displacement := math.Pow(length/slender, 3) * 1025
			b.Hull.WaterlineLength, b.Hull.Displacement = quantity.Exactly(length), quantity.Exactly(displacement)
			b.Propeller.Kind = "B-series"
			hull, _, err := drive.Water(b, 1025)
			require.NoError(t, err)
			power := func(v float64) float64 { return hull.Resistance.Force(v) * v / b.Hull.PropulsiveEfficiency.SI }
			for _, relative := range []float64{1.1, 1.2, 1.34} {
				v := relative * math.Sqrt(length/0.3048) * 1852 / 3600
				asked := shaftPower(displacement, length, v)
				least, most = min(least, asked/power(v)), max(most, asked/power(v))
				told := v // the speed that the estimate promises of that power
				for power(told) < asked {
					told *= 1.001
				}
				slowest = min(slowest, v/told)
			}
		}
	}
	t.Logf("Gerr's power is %.2f to %.2f times the estimate's; the speed at least %.2f of it", least, most, slowest)
	assert.Greater(t, least, 0.7)
	assert.Less(t, most, 4.0)
	assert.Greater(t, slowest, 0.75)
	require.NotEmpty(t, b.Estimates())
	said := b.Estimates()[len(b.Estimates())-1]
	assert.Contains(t, said, "0.7 to 4 times that power")
	assert.Contains(t, said, "a quarter lower")
}
