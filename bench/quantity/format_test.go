package quantity

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		si     float64
		unit   string
		digits int
		text   string
	}{
		{220, "A", 3, "220 A"},
		{0.014, "mΩ", 3, "14.0 mΩ"},
		{0.014, "mΩ", 2, "14 mΩ"},
		{1234.5, "A", 3, "1234 A"}, // digits before the point are never rounded away; ties to even
		{9.996, "A", 3, "10.0 A"},
		{0.0123456, "A", 3, "0.0123 A"},
		{-3.21, "A", 3, "-3.21 A"},
		{0, "A", 3, "0 A"},
		{math.Copysign(0, -1), "A", 3, "0 A"},
		{1.2e-7, "A", 3, "120 nA"},
		{3e12, "Ω", 3, "3000 GΩ"},
		{328.15, "°C", 3, "55.0 °C"},
		{378.15, "°C", 3, "105 °C"},
		{273.15, "°C", 3, "0.0 °C"},
		{273.11, "°C", 3, "0.0 °C"}, // never "-0.0"
		{268.02, "°C", 3, "-5.1 °C"},
		{40, "K", 3, "40.0 K"},
		{0.92, "%", 3, "92.0 %"},
		{0.92, "1", 2, "0.92"},
		{100 * math.Pi, "rpm", 4, "3000 rpm"},
		{math.NaN(), "A", 3, "unknown"},
		{math.Inf(1), "s", 3, "infinite"},
		{math.Inf(-1), "°C", 3, "-infinite"},
	} {
		assert.Equal(t, c.text, Format(c.si, c.unit, c.digits), "%g in %s", c.si, c.unit)
	}
}

func TestFormatAuto(t *testing.T) {
	for _, c := range []struct {
		si   float64
		base string
		text string
	}{
		{0.014, "Ω", "14.0 mΩ"}, {0.00014, "ohm", "140 µohm"}, {220, "A", "220 A"}, {5040, "W", "5.04 kW"}, {999.6, "W", "1.00 kW"}, {999.4, "W", "999 W"},
		{0.0004, "F", "400 µF"}, {-0.02, "V", "-20.0 mV"}, {0, "V", "0 V"}, {3.6e6, "J", "3.60 MJ"}, {2e-15, "A", "0.00200 pA"}, {5e13, "Ω", "50000 GΩ"},
		{0.02, "s", "20.0 ms"}, {90, "s", "90.0 s"}, {600, "s", "10.0 min"}, {9000, "s", "2.50 h"}, {3 * 86400, "s", "3.00 d"},
		{328.15, "°C", "55.0 °C"}, {12.5, "N·m", "12.5 N·m"}, {1200, "kg", "1200 kg"}, {360000, "Ah", "100 Ah"}, {math.NaN(), "A", "unknown"},
	} {
		assert.Equal(t, c.text, FormatAuto(c.si, c.base))
	}
}

func TestValue(t *testing.T) {
	assert.Equal(t, 3.0, Value{}.Or(3))
	assert.Equal(t, 0.0, Exactly(0).Or(3), "a given zero is given")
	assert.Equal(t, "", Value{SI: 5}.Text("A"))
	v := Value{SI: 0.014, Tolerance: 0.0014, Provenance: "data sheet (page 3)", Given: true}
	assert.Equal(t, "data sheet", v.Origin())
	assert.Equal(t, "", Exactly(1).Origin())
	assert.InDelta(t, 0.0126, v.Low(), 1e-15)
	assert.InDelta(t, 0.0154, v.High(), 1e-15)
}

func ExampleParse() {
	v, err := Parse("14 mΩ ± 10 %, measured", MustUnit("Ω"))
	fmt.Printf("%.4g Ω, half-width %.4g Ω, %s, %v\n", v.SI, v.Tolerance, v.Provenance, err)

	_, err = Parse("220 V", MustUnit("A"))
	fmt.Println(err)
	// Output:
	// 0.014 Ω, half-width 0.0014 Ω, measured, <nil>
	// 220 V is a voltage; a current is wanted, for example "220 A"
}

func ExampleValue_Text() {
	v := Value{SI: 0.014, Tolerance: 0.0014, Provenance: "measured", Given: true}
	fmt.Println(v.Text("mΩ"))
	fmt.Println(Format(328.15, "°C", 3), FormatAuto(0.00035, "F"))
	// Output:
	// 14 mΩ ± 1.4 mΩ, measured
	// 55.0 °C 350 µF
}
