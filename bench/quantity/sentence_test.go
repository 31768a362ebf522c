package quantity

import (
	"math"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestSentence(t *testing.T) {
	for _, c := range []struct {
		format, want string
		args         []any
	}{
		{"%.2g %% of the period", "480 % of the period", []any{480.0}},
		{"%.3g times", "106000000 times", []any{1.06e8}},
		{"a coefficient of %.2g", "a coefficient of 0.00000000021", []any{2.1e-10}},
		{"%g A", "160.56 A", []any{160.55555555555554}},
		{"%.4g of %d %s, %5.1f|%6.3g|", "0.5 of 3 boats,   2.0|   2.5|", []any{0.5, 3, "boats", 2.0, 2.5}},
		{"%.3g and %.3g", "+Inf and NaN", []any{math.Inf(1), math.NaN()}},
	} {
		assert.Equal(t, c.want, Sentence(c.format, c.args...))
	}
}

// TestNoScreenShowsAnExponent: whatever a number is, a sentence or a value with its unit has no exponent and no more digits than asked.
func TestNoScreenShowsAnExponent(t *testing.T) {
	exponent := regexp.MustCompile(`\de[+-]?\d`)
	rapid.Check(t, func(t *rapid.T) {
		x := math.Pow(10, rapid.Float64Range(-14, 14).Draw(t, "size")) * rapid.SampledFrom([]float64{-1, 1}).Draw(t, "sign")
		text := Sentence("%.3g and %g", x, x)
		require.NotRegexp(t, exponent, text)
		unit := rapid.SampledFrom([]string{"A", "µF", "mΩ", "kW·h", "1", "%", "kg", "N·m", "°C", "s", "rad/s", "K/W"}).Draw(t, "unit")
		require.NotRegexp(t, exponent, Format(x, unit, 3), unit)
		require.NotRegexp(t, exponent, FormatAuto(x, unit), unit)
		require.NotRegexp(t, exponent, FormatShort(x, unit, 3), unit)
	})
}

func TestList(t *testing.T) {
	for want, words := range map[string][]string{
		"": nil, "voltage": {"voltage"}, "voltage and motor current": {"voltage", "motor_current"},
		"voltage, motor current and duty": {"voltage", "motor_current", "duty"},
	} {
		assert.Equal(t, want, SpokenList(words))
	}
}
