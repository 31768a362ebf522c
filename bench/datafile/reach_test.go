package datafile

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/quantity"
)

// sized is a file with one key of several kinds, none of which states an upper bound of its own.
type sized struct {
	Volts   quantity.Value `key:"volts" unit:"V" above:"0 V" optional:"yes"`
	Signed  quantity.Value `key:"signed" unit:"1/K" optional:"yes"`
	Share   quantity.Value `key:"share" unit:"1" min:"0 %" max:"100 %" optional:"yes"`
	Warmth  quantity.Value `key:"warmth" unit:"°C" optional:"yes"`
	Torque  quantity.Value `key:"torque" unit:"N·m" min:"0 N·m" optional:"yes"`
	Windage quantity.Value `key:"windage" unit:"N·m·s²/rad²" min:"0 N·m·s²/rad²" optional:"yes"`
	Plain   float64        `key:"plain" unit:"s" min:"0 s" optional:"yes"`
	Rows    Table          `key:"rows" unit:"A|s" optional:"yes"`
}

// TestSizesAndTolerancesHaveBounds (points 6 and 9): the reader accepted 1e308, and tolerances of ± 1e300 %. Each error has its
// place and the bound.
func TestSizesAndTolerancesHaveBounds(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{`volts = "1e308 V"`, `f:1:10: 1e308 V is too large: the largest voltage that is read is 100000 V`},
		{`volts = "100.1 kV"`, `f:1:10: 100.1 kV is too large: the largest voltage that is read is 100000 V`},
		{`volts = "100 kV"`, ""},
		{`volts = "1e-300 V"`, `f:1:10: 1e-300 V is too small: the smallest voltage that is read is 1e-09 V`},
		{`signed = "-1e300 1/K"`, `f:1:11: -1e300 1/K is too large: the largest temperature coefficient that is read is 10 1/K`},
		{`signed = "-0.6 %/K ± 20 %"`, ""},
		{`warmth = "1e6 °C"`, `f:1:11: 1e6 °C is too large: the largest temperature that is read is 3000 °C`},
		{`torque = "1e-300 N·m"`, ""},
		{`windage = "1e300 N·m·s²/rad²"`, `1e300 N·m·s²/rad² is too large`},
		{`plain = "1e300 s"`, `f:1:10: 1e300 s is too large: the largest time that is read is 360000000 s`},
		{`rows = [["1e300 A", "1 s"]]`, `f:1:11: 1e300 A is too large: the largest current that is read is 1000000 A`},

		{`volts = "50 V ± 1e300 %, measured"`, `f:1:15: the tolerance is too wide: at most ± 100 %, since the value cannot be below zero`},
		{`volts = "50 V +/- 51 V"`, `f:1:15: the tolerance is too wide: at most ± 100 %`},
		{`volts = "50 V ± 100 %"`, ""},
		{`share = "80 % ± 1.5"`, `the tolerance is too wide: at most ± 0.8, since the value cannot be below zero`},
		{`share = "0 % ± 1.5"`, `the tolerance is too wide: at most ± 1, since the value lies between its bounds`},
		{`warmth = "55 °C ± 101 K"`, `f:1:17: the tolerance is too wide: at most ± 100 K, since a temperature that is less known is not known`},
		{`signed = "1 1/K ± 1e6 %"`, `the tolerance is too wide: at most ± 10 1/K, since no temperature coefficient has more`},
		{`torque = "0 N·m ± 0.2 N·m"`, ""},
		{`torque = "0 N·m ± 1e300 N·m"`, `the tolerance is too wide: at most ± 10000000 N·m, since no torque has more`},
	} {
		t.Run(c.line, func(t *testing.T) {
			_, err := Decode("f", []byte(c.line+"\n"), new(sized))
			if c.want == "" {
				assert.NoError(t, err)
				return
			}
			assert.ErrorContains(t, err, c.want)
		})
	}
}

// TestWhatIsReadCanBeComputedWith: nothing that a file may say of a positive value has an end beyond its kind, or below zero.
func TestWhatIsReadCanBeComputedWith(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.StringMatching(`[0-9]{1,3}(\.[0-9]{1,2})?(e-?[0-9]{1,3})?`)
		text := number.Draw(t, "value") + " V ± " + number.Draw(t, "tolerance") + rapid.SampledFrom([]string{" %", " V"}).Draw(t, "unit")
		var p sized
		if _, err := Decode("f", []byte(`volts = "`+text+"\"\n"), &p); err != nil {
			return
		}
		require.GreaterOrEqual(t, p.Volts.Low(), -1e-9*p.Volts.SI, text)
		require.LessOrEqual(t, p.Volts.High(), 2e5, text)
	})
	for kind, r := range reaches {
		assert.Less(t, r.least, r.most, kind)
		assert.False(t, strings.HasPrefix(kind, "quantity in"), kind)
	}
}
