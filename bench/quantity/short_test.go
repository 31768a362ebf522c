package quantity_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/quantity"
)

// Degrees, amperes, shares and turns are whole numbers for a reader; what is small, or in another unit, keeps its digits.
func TestFormatShort(t *testing.T) {
	for _, c := range []struct {
		si   float64
		unit string
		want string
	}{
		{273.15 + 84.6, "°C", "85 °C"},
		{5.8, "K", "6 K"},
		{0.4, "A", "0.4 A"},
		{0.01, "A", "0 A"},
		{0.846, "1", "85 %"},
		{0.846, "", "85 %"},
		{2 * math.Pi, "rad/s", "60 rpm"},
		{3.456, "V", "3.46 V"},
		{math.NaN(), "A", "unknown"},
		{math.Inf(1), "A", "infinite"},
	} {
		assert.Equal(t, c.want, quantity.FormatShort(c.si, c.unit, 3))
	}
}
