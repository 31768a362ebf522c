package root

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestChangeIsTheFirstPlace: the place returned is reached, the float before it is not, whatever the scale.
func TestChangeIsTheFirstPlace(t *testing.T) {
	for _, at := range []float64{0, 1e-300, 1e-9, 0.1, math.Pi, 3.999999} {
		got := Change(0, 4, 0, func(x float64) bool { return x > at })
		assert.Equal(t, math.Nextafter(at, 4), got)
	}
	assert.Equal(t, 4.0, Change(0, 4, 0, func(float64) bool { return false }), "where nothing changes the far end is all there is")
	coarse := Change(0, 1, 1e-3, func(x float64) bool { return x >= 0.3 })
	assert.GreaterOrEqual(t, coarse, 0.3)
	assert.Less(t, coarse, 0.3+1e-3)
}

func TestZero(t *testing.T) {
	assert.InDelta(t, math.Sqrt2, Zero(0, 2, func(x float64) float64 { return x*x - 2 }), 1e-15)
	assert.InDelta(t, math.Sqrt2, Zero(0, 2, func(x float64) float64 { return 2 - x*x }), 1e-15)
	assert.InDelta(t, 2, Zero(0, 2, func(x float64) float64 { return x - 5 }), 1e-15, "the end that comes nearer")
	assert.InDelta(t, 0, Zero(0, 2, func(x float64) float64 { return x + 5 }), 1e-15)
}
