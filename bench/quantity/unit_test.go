package quantity

import (
	"encoding/csv"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestUnitsAgainstReference compares factor and dimension of every unit with what
// GNU Units, a general-purpose program, computed (testdata/units.csv).
func TestUnitsAgainstReference(t *testing.T) {
	file, err := os.Open("testdata/units.csv")
	require.NoError(t, err)
	defer file.Close()
	table := csv.NewReader(file)
	table.Comma, table.Comment = ';', '#'
	rows, err := table.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 90)
	for _, row := range rows[1:] {
		t.Run(row[0], func(t *testing.T) {
			u, err := ParseUnit(row[0])
			require.NoError(t, err)
			factor, err := strconv.ParseFloat(row[2], 64)
			require.NoError(t, err)
			assert.InEpsilon(t, factor, u.toSI(1), 1e-15*4)
			assert.Equal(t, referenceDimension(t, row[3]), u.dim)
		})
	}
}

// referenceDimension reads "kg m^2 / A s^3" as GNU Units prints it.
func referenceDimension(t *testing.T, text string) (d dimension) {
	times := int8(1)
	for _, word := range strings.Fields(text) {
		if word == "/" {
			times = -1
			continue
		}
		name, power, found := strings.Cut(word, "^")
		n := 1
		if found {
			var err error
			n, err = strconv.Atoi(power)
			require.NoError(t, err)
		}
		base := map[string]dimension{"kg": {kg: 1}, "m": {m: 1}, "s": {s: 1}, "A": {a: 1}, "K": {k: 1}, "radian": {rad: 1}}[name]
		require.NotZero(t, base, name)
		d = d.plus(base, times*int8(n))
	}
	return d
}

// TestSymbolsAreCovered keeps the reference table complete: each symbol of the
// table of symbols appears in it.
func TestSymbolsAreCovered(t *testing.T) {
	text, err := os.ReadFile("testdata/units.csv")
	require.NoError(t, err)
	for name := range symbols {
		bare := regexp.MustCompile(`(?m)^([pnµumckMG]?)` + regexp.QuoteMeta(name) + `;`)
		if name != "1" && name != "L" {
			assert.Regexp(t, bare, string(text))
		}
	}
}

func TestEquivalentSpellings(t *testing.T) {
	for _, pair := range [][2]string{
		{"V·s/rad", "V*s/rad"}, {"V⋅s/rad", "V·s/rad"}, {"mohm", "mΩ"}, {"\u2126", "Ω"}, {"\u03bcF", "µF"}, {"uF", "µF"},
		{"mm2", "mm²"}, {"mm^2", "mm²"}, {"1/s", "Hz"}, {"s^-1", "1/s"}, {"s⁻¹", "1/s"}, {"degC", "°C"}, {"ºC", "°C"}, {"L", "l"}, {"W/(m/s)³", "kg/m"},
	} {
		a, b := MustUnit(pair[0]), MustUnit(pair[1])
		assert.Equal(t, b.dim, a.dim, pair)
		assert.Equal(t, b.toSI(7), a.toSI(7), pair)
	}
}

func TestBadUnits(t *testing.T) {
	for _, c := range []struct {
		text   string
		offset int
		reason string
	}{
		{"", 0, "no unit"},
		{"KW", 0, `unknown unit "KW"; did you mean kW?`},
		{"mOhm", 0, `unknown unit "mOhm"; did you mean mohm?`}, // it was Mohm
		{"mAH", 0, `unknown unit "mAH"; did you mean mAh?`},
		{"Kohm", 0, `unknown unit "Kohm"; did you mean kohm?`},
		{"amps", 0, `unknown unit "amps"; did you mean A?`},
		{"knots", 0, `unknown unit "knots"; did you mean kn?`},
		{"furlong", 0, `unknown unit "furlong"`},
		{"kkg", 0, `unknown unit "kkg"`},
		{"mmin", 0, `unknown unit "mmin"`},
		{"V·s/", 5, "the unit ends too early"},
		{"V··s", 3, `"·" does not belong in a unit`},
		{"J/kg/K", 4, "after / use parentheses to say what is divided by what, for example W/(m·K)"},
		{"J/kg·K", 4, "after / use parentheses to say what is divided by what, for example W/(m·K)"},
		{"W/(m·K", 7, "a closing parenthesis is missing in the unit"},
		{"m^", 1, "an exponent is a single digit from 1 to 9, for example m²"},
		{"m10", 1, "an exponent is a single digit from 1 to 9, for example m²"},
		{"m0", 1, "an exponent is a single digit from 1 to 9, for example m²"},
		{"(m^9)^9", 7, "the exponents in this unit are too large"},
		{"((((((m))))))", 4, "too many parentheses in a unit"},
		{"K/W ", 3, `" " does not belong in a unit`},
		{"°C/W", 0, "°C cannot be part of a larger unit; write K, for example K/W"},
		{"A!", 1, `"!" does not belong in a unit`},
	} {
		_, err := ParseUnit(c.text)
		var bad *Error
		require.ErrorAs(t, err, &bad, c.text)
		assert.Equal(t, c.reason, bad.Reason, c.text)
		assert.Equal(t, c.offset, bad.Offset, c.text)
		assert.Equal(t, c.text, bad.Text)
	}
}

func TestMustUnitPanicsOnMisuse(t *testing.T) {
	assert.PanicsWithValue(t, `quantity: unit "furlong": unknown unit "furlong"`, func() { MustUnit("furlong") })
}

func TestNames(t *testing.T) {
	for unit, name := range map[string]string{
		"mA": "current", "kV": "voltage", "mΩ": "resistance", "°C": "temperature", "K": "temperature difference", "min": "time",
		"kW": "power", "Wh": "energy", "J": "energy", "N·m": "torque", "Nm": "torque", "Ah": "charge", "kn": "speed", "rpm": "angular speed",
		"1/s": "rate", "rad": "angle", "%": "ratio", "1": "ratio", "V·s/rad": "motor constant", "N·m/A": "motor constant", "rpm/V": "speed constant",
		"K/W": "thermal resistance", "J/K": "heat capacity", "kg·m²": "moment of inertia", "kA²·s": "melting integral", "mH": "inductance",
		"A/s": "current slope", "W/(m/s)^3": "quantity in W/(m/s)^3",
	} {
		assert.Equal(t, name, MustUnit(unit).Name(), unit)
	}
}
