package quantity

import (
	"math"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParse(t *testing.T) {
	given := func(si, tolerance float64, provenance string) Value {
		return Value{SI: si, Tolerance: tolerance, Provenance: provenance, Given: true}
	}
	rpm := 2 * math.Pi / 60
	for _, c := range []struct {
		text, want string
		value      Value
	}{
		{"14 mΩ", "Ω", given(0.014, 0, "")},
		{"14mΩ", "Ω", given(0.014, 0, "")},
		{"14 mΩ", "Ω", given(0.014, 0, "")}, // no-break space
		{"  14 \t mohm  ", "mΩ", given(0.014, 0, "")},
		{"14 mΩ ± 10 %", "Ω", given(0.014, 0.0014, "")},
		{"14mΩ±10%", "Ω", given(0.014, 0.0014, "")},
		{"14 mohm +/- 1.5 mohm", "Ω", given(0.014, 0.0015, "")},
		{"14 mΩ +- 1500 µΩ", "Ω", given(0.014, 0.0015, "")},
		{"14 mΩ ± 10 %, measured", "Ω", given(0.014, 0.0014, "measured")},
		{"14 mΩ, data sheet (page 3)", "Ω", given(0.014, 0, "data sheet (page 3)")},
		{"14 mΩ, estimated: half of the old bank ± a bit, really", "Ω", given(0.014, 0, "estimated: half of the old bank ± a bit, really")},
		{"8.5 in", "m", given(0.2159, 0, "")}, // inch, foot and pound: international yard and pound agreement of 1959, exact
		{"8.5 inch ± 0.25 in", "m", given(0.2159, 0.00635, "")},
		{"21 ft", "m", given(6.4008, 0, "")},
		{"75 lb", "kg", given(34.01942775, 0, "")},
		{"10.24 kWh", "J", given(36864000, 0, "")},
		{"10.24 kW·h", "J", given(36864000, 0, "")},
		{"-12 A", "A", given(-12, 0, "")},
		{"−12 A ± 10 %", "A", given(-12, 1.2, "")}, // minus sign U+2212
		{"+.5 A", "A", given(0.5, 0, "")},
		{"5. A", "A", given(5, 0, "")},
		{"1.5e3 A", "A", given(1500, 0, "")},
		{"2E-3A", "A", given(0.002, 0, "")},

		{"55 °C", "°C", given(328.15, 0, "")},
		{"55 degC", "°C", given(328.15, 0, "")},
		{"330 K ± 3 K", "°C", given(330, 3, "")},
		{"-273.15 °C", "°C", given(0, 0, "")},
		{"40 K", "K", given(40, 0, "")},
		{"-5 K", "K", given(-5, 0, "")},

		{"3000 1/min", "rad/s", given(3000*rpm, 0, "")},
		{"3000 /min", "rad/s", given(3000*rpm, 0, "")},
		{"3000 min^-1", "rad/s", given(3000*rpm, 0, "")},
		{"3000 rpm ± 50 1/min", "rad/s", given(3000*rpm, 50*rpm, "")},
		{"3000 rev/min", "rpm", given(3000*rpm, 0, "")},
		{"3000 1/min", "rpm", given(3000*rpm, 0, "")},
		{"314 rad/s", "rad/s", given(314, 0, "")},
		{"120 1/min", "1/s", given(2, 0, "")},
		{"16 kHz", "1/s", given(16000, 0, "")},
		{"0.06 V·s/rad", "N·m/A", given(0.06, 0, "")},
		{"60 mV·s", "V·s/rad", given(0.06, 0, "")},
		{"1 V/rpm", "V·s/rad", given(1/rpm, 0, "")},

		{"0.92", "1", given(0.92, 0, "")},
		{"92 %", "1", given(0.92, 0, "")},
		{"92 %", "%", given(0.92, 0, "")},
		{"2.5:1", "1", given(2.5, 0, "")},
		{"5 : 2 ± 0.01, measured", "1", given(2.5, 0.01, "measured")},
		{"2.5:1 ± 2 %", "1", given(2.5, 0.05, "")},
		{"92 % ± 0.02", "%", given(0.92, 0.02, "")},
		{"0.393 %/K", "1/K", given(0.00393, 0, "")},
		{"0.00393 1/K", "1/K", given(0.00393, 0, "")},
		{"50 %/s", "1/s", given(0.5, 0, "")},
		{"12 kn", "m/s", given(12*1852.0/3600, 0, "")},
		{"20 kA²·s", "A²·s", given(20e6, 0, "")},
	} {
		v, err := Parse(c.text, MustUnit(c.want))
		require.NoError(t, err, c.text)
		assert.InDelta(t, c.value.SI, v.SI, 1e-15*math.Abs(c.value.SI)*4, c.text)
		assert.InDelta(t, c.value.Tolerance, v.Tolerance, 1e-15*c.value.Tolerance*4, c.text)
		assert.Equal(t, c.value.Provenance, v.Provenance, c.text)
		assert.True(t, v.Given, c.text)
	}
}

// TestDecimalsAreExact: a prefix must not add rounding of its own, or a value
// equal to its bound in the file would be refused.
func TestDecimalsAreExact(t *testing.T) {
	for text, si := range map[string]float64{"14 mΩ": 0.014, "0.3 mΩ": 0.0003, "7 µΩ": 7e-6, "35 mΩ": 0.035} {
		v, err := Parse(text, MustUnit("Ω"))
		require.NoError(t, err)
		assert.Equal(t, si, v.SI, text)
	}
}

func TestParseErrors(t *testing.T) {
	for _, c := range []struct {
		text, want string
		offset     int
		reason     string
	}{
		{"", "A", 0, `there is no value; write for example "10 A"`},
		{"  ", "1", 0, `there is no value; write for example "10"`},
		{"220", "A", 0, `220 has no unit; write for example "220 A"`},
		{" 220 ± 5 A", "A", 1, `220 has no unit; write for example "220 A"`},
		{"220, measured", "A", 0, `220 has no unit; write for example "220 A"`},
		{"0.5", "%", 0, `0.5 has no unit; write for example "0.5 %"`},
		{"220 V", "A", 4, `220 V is a voltage; a current is wanted, for example "220 A"`},
		{"10 kWh", "A·h", 3, `10 kWh is an energy: write it as the bank's energy, energy = "10 kWh" in place of capacity, or divide it by the nominal voltage on the label and write the charge, for example "200 A·h"`},
		{"8 inches", "m", 2, `unknown unit "inches"; did you mean in?`},
		{"5 kWh", "N·m", 2, `5 kWh is an energy; a torque is wanted, for example "5 N·m"`},
		{"5 Nm", "J", 2, `5 Nm is a torque; an energy is wanted, for example "5 J"`},
		{"5 A", "1", 2, `5 A is a current; a ratio is wanted, for example "5"`},
		{"55 C", "°C", 3, `55 C is a charge; a temperature is wanted, for example "55 °C"`},
		{"-300 A", "°C", 5, `-300 A is a current; a temperature is wanted, for example "10 °C"`},
		{"90 °", "1", 3, `90 ° is an angle; a ratio is wanted, for example "90"`},
		{"220 KW", "W", 4, `unknown unit "KW"; did you mean kW?`},
		{"220 A/", "A", 6, `the unit ends too early`},
		{"220 /x", "A", 5, `unknown unit "x"`},

		{"55 °C", "K", 3, `55 °C is a temperature; write a temperature difference in K, for example "55 K"`},
		{"5 °C/W", "K/W", 2, `°C cannot be part of a larger unit; write K, for example K/W`},
		{"-274 °C", "°C", 0, `this is below absolute zero (-273.15 °C)`},
		{"-1 K", "°C", 0, `this is below absolute zero (-273.15 °C)`},
		{"55 °C ± 3 °C", "°C", 12, `write the tolerance of a temperature in K, for example "± 3 K"`},
		{"55 °C ± 10 %", "°C", 13, `write the tolerance of a temperature in K, for example "± 3 K"`},
		{"55 °C ± 3", "°C", 10, `the tolerance 3 has no unit; write for example "± 3 K"`},

		{"50 1/s", "rad/s", 3, `50 1/s could mean radians or revolutions; write rad/s, rev/s, rpm or 1/min`},
		{"50 Hz", "rad/s", 3, `50 Hz could mean radians or revolutions; write rad/s, rev/s, rpm or 1/min`},
		{"50 1/h", "rad/s", 3, `50 1/h could mean radians or revolutions; write rad/s, rev/s, rpm or 1/min`},
		{"50 rpm", "1/s", 3, `50 rpm is an angular speed; a rate is wanted, for example "50 1/s"`},
		{"1 V·min", "V·s/rad", 2, `1 V·min does not say whether radians or revolutions are meant; write rad or rev into the unit, for example "1 V·s/rad"`},

		{"1,5 A", "A", 1, `write a decimal point instead of the comma, and no separators between thousands`},
		{"1,000 A", "A", 1, `write a decimal point instead of the comma, and no separators between thousands`},
		{"1 000 A", "A", 1, `write the number without spaces between its digits`},
		{"1_000 A", "A", 1, `write the number without separators between its digits`},
		{"1'000 A", "A", 1, `write the number without separators between its digits`},
		{"1.2.3 A", "A", 3, `a number has only one decimal point`},
		{"0x10 A", "A", 0, `hexadecimal numbers are not read; write a decimal number`},
		{"NaN A", "A", 0, `a real number is wanted, not infinity or "not a number"; write for example "10 A"`},
		{"-inf A", "A", 0, `a real number is wanted, not infinity or "not a number"; write for example "10 A"`},
		{"1e999 A", "A", 0, `1e999 is too large`},
		{"1e308 kA", "A", 0, `1e308 is too large`},
		{"about 5 A", "A", 0, `"about" is not a number; write for example "10 A"`},
		{"A", "A", 0, `"A" is not a number; write for example "10 A"`},
		{"± 5 A", "A", 0, `the value before the tolerance is missing; write for example "10 A"`},
		{"5-10 A", "A", 0, `this is a range; write one value with its tolerance, for example "10 A ± 20 %"`},
		{"5 – 10 A", "A", 0, `this is a range; write one value with its tolerance, for example "10 A ± 20 %"`},
		{"5..10 A", "A", 0, `this is a range; write one value with its tolerance, for example "10 A ± 20 %"`},
		{"5 to 10 °C", "°C", 0, `this is a range; write one value with its tolerance, for example "10 °C ± 3 K"`},
		{"0.5-0.9", "1", 0, `this is a range; write one value with its tolerance, for example "10 ± 0.1"`},
		{"5:0", "1", 2, `a ratio to 0 has no value; write for example "2.5:1"`},
		{"5:x", "1", 2, `"x" is not a number; write for example "10"`},
		{"5:1 %", "1", 4, `"%" is not understood here; a quantity reads "value unit ± tolerance, where it comes from"`},

		{"14 mΩ ±", "Ω", 9, `the tolerance is missing after ±`},
		{"14 mΩ ± 1", "Ω", 10, `the tolerance 1 has no unit; write for example "± 20 %"`},
		{"14 mΩ ± -1 mΩ", "Ω", 10, `write the tolerance without a sign of its own`},
		{"14 mΩ ± 1 mV", "Ω", 12, `1 mV is a voltage; a resistance is wanted, for example "1 Ω"`},
		{"14 mΩ ± x", "Ω", 10, `"x" is not a number; write for example "10 Ω"`},
		{"14 mΩ +2/-1 mΩ", "Ω", 7, `"+2/-1" is not understood here; a quantity reads "value unit ± tolerance, where it comes from"`},
		{"92 % ± 2 %", "1", 10, `a tolerance in % of a value in % can be read two ways; write it as a plain number, for example "± 0.1"`},
		{"1e300 A ± 1e300 %", "A", 11, `1e300 is too large`},

		{"14 mΩ measured", "Ω", 7, `"measured" is not understood here; a quantity reads "value unit ± tolerance, where it comes from"`},
		{"14 mΩ,", "Ω", 7, `after the comma comes where the value is from: data sheet, measured, estimated or example, with a note if you like, for example "data sheet (page 3)"`},
		{"14 mΩ, guessed", "Ω", 8, `after the comma comes where the value is from: data sheet, measured, estimated or example, with a note if you like, for example "data sheet (page 3)"`},
		{"14 mΩ, measuredly", "Ω", 8, `after the comma comes where the value is from: data sheet, measured, estimated or example, with a note if you like, for example "data sheet (page 3)"`},
		{"14 A\x1b[2J", "A", 4, `the control character '\x1b' does not belong in a quantity`},
		{"14 \xffA", "A", 3, `this is not valid UTF-8 text`},
		{strings.Repeat("1", 301) + " A", "A", 0, `this text is too long for a quantity (more than 300 bytes)`},
	} {
		_, err := Parse(c.text, MustUnit(c.want))
		var bad *Error
		require.ErrorAs(t, err, &bad, c.text)
		assert.Equal(t, c.reason, bad.Reason, c.text)
		assert.Equal(t, c.offset, bad.Offset, c.text)
		assert.Equal(t, c.text, bad.Text)
	}
}

// wantedUnits are units as data files want them.
var wantedUnits = []string{"A", "mΩ", "V", "°C", "K", "1", "%", "rad/s", "rpm", "V·s/rad", "N·m", "kg·m²", "A·h", "kn", "mm²", "K/W", "J/K", "A²·s", "kA²·s", "ms", "W/(m/s)^3", "1/K", "µF", "°"}

// TestTextReadsBack: what Value.Text prints is read back as the same value.
func TestTextReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom(wantedUnits).Draw(t, "unit")
		u := MustUnit(unit)
		v := Value{
			SI:         rapid.Float64Range(-1e12, 1e12).Draw(t, "si"),
			Provenance: rapid.SampledFrom([]string{"", "measured", "data sheet (page 3)", "estimated, from ± 2 others"}).Draw(t, "provenance"),
			Given:      true,
		}
		resolution := 1e-13 * math.Abs(v.SI)
		if unit == "°C" {
			v.SI = math.Abs(v.SI)
			resolution += 1e-9 // temperatures are printed to a nanokelvin
		}
		if rapid.Bool().Draw(t, "tolerant") {
			v.Tolerance = rapid.Float64Range(1e-12, 1e6).Draw(t, "tolerance")
		}
		text := v.Text(unit)
		back, err := Parse(text, u)
		require.NoError(t, err, text)
		assert.InDelta(t, v.SI, back.SI, resolution, text)
		assert.InDelta(t, v.Tolerance, back.Tolerance, 1e-13*v.Tolerance, text)
		assert.Equal(t, v.Provenance, back.Provenance)
		assert.Equal(t, text, back.Text(unit), "printing is stable")
	})
}

var exampleInMessage = regexp.MustCompile(`for example "([^"]*)"$`)

// FuzzParse: no text makes Parse panic; an error points into the text; an example
// in an error is itself read; an accepted value is finite and prints back.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{"14 mΩ ± 10 %, measured", "220", "220 V", "55 °C ± 3 K", "2.5:1", "5-10 A", "1,5 A", "0x1 A", "nan", "3000 1/min", "1e9 (m/s)^3/W", "5 /K", "1±", "−5 A", "14 A, data sheet"} {
		for i := range wantedUnits {
			f.Add(seed, i)
		}
	}
	f.Fuzz(func(t *testing.T, text string, which int) {
		unit := wantedUnits[uint(which)%uint(len(wantedUnits))]
		want := MustUnit(unit)
		v, err := Parse(text, want)
		if err != nil {
			var bad *Error
			require.ErrorAs(t, err, &bad)
			require.GreaterOrEqual(t, bad.Offset, 0)
			require.LessOrEqual(t, bad.Offset, len(text))
			require.True(t, bad.Offset == len(text) || utf8.RuneStart(text[bad.Offset]) || !utf8.ValidString(text))
			if m := exampleInMessage.FindStringSubmatch(bad.Reason); m != nil && !strings.HasPrefix(m[1], "data sheet") {
				example := m[1]
				if strings.HasPrefix(example, "±") {
					example = withUnit("10", want) + " " + example
				}
				_, err := Parse(example, want)
				require.NoError(t, err, "the example in %q", bad.Reason)
			}
			return
		}
		require.True(t, v.Given)
		require.False(t, math.IsNaN(v.SI) || math.IsInf(v.SI, 0))
		require.False(t, v.Tolerance < 0 || math.IsNaN(v.Tolerance) || math.IsInf(v.Tolerance, 0))
		printed := v.Text(unit)
		if len(printed) > maxLength {
			return
		}
		if size := math.Abs(want.FromSI(v.SI)); size > 1e300 || size != 0 && size < 1e-290 {
			return // the last digits printed may round over the edge of float64
		}
		back, err := Parse(printed, want)
		require.NoError(t, err, printed)
		require.InDelta(t, v.SI, back.SI, 1e-9+1e-12*math.Abs(v.SI), printed)
	})
}

func TestWrittenUnit(t *testing.T) {
	for text, unit := range map[string]string{"6 km/h ± 5 %, measured": "km/h", " 5 kn": "kn", "2.6": "m/s", "": "m/s", "5 V": "m/s", "x": "m/s"} {
		assert.Equal(t, unit, WrittenUnit(text, "m/s"), text)
	}
	assert.Equal(t, "rpm", WrittenUnit("900 rpm", "rad/s"))
	assert.Equal(t, "rad/s", WrittenUnit("900 1/min", "rad/s"), "revolutions are meant, and 1/min of rad/s are not")
	assert.Equal(t, "1", WrittenUnit("2.5:1", "1"))
	assert.Equal(t, "°C", WrittenUnit("25 °C", "°C"))
}
