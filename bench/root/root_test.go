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

// TestBracket: both ends are what they are said to be, in either direction, and an error ends the search.
func TestBracket(t *testing.T) {
	narrow := func(a, b float64) bool { return math.Abs(a-b) < 1e-3 }
	before, at, err := Bracket(4, 0, narrow, func(x float64) (bool, error) { return x < 3, nil })
	assert.NoError(t, err)
	assert.GreaterOrEqual(t, before, 3.0)
	assert.Less(t, at, 3.0)
	assert.InDelta(t, before, at, 1e-3)
	asked := 0
	_, at, err = Bracket(0, 4, narrow, func(x float64) (bool, error) {
		if asked++; asked == 2 {
			return false, assert.AnError
		}
		return true, nil
	})
	assert.Equal(t, assert.AnError, err)
	assert.Equal(t, 2.0, at)
	assert.Equal(t, 2, asked)
}

func TestZero(t *testing.T) {
	assert.InDelta(t, math.Sqrt2, Zero(0, 2, func(x float64) float64 { return x*x - 2 }), 1e-15)
	assert.InDelta(t, math.Sqrt2, Zero(0, 2, func(x float64) float64 { return 2 - x*x }), 1e-15)
	assert.InDelta(t, 2, Zero(0, 2, func(x float64) float64 { return x - 5 }), 1e-15, "the end that comes nearer")
	assert.InDelta(t, 0, Zero(0, 2, func(x float64) float64 { return x + 5 }), 1e-15)
}
