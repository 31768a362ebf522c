package regmap_test

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
)

func TestDescribe(t *testing.T) {
	d := load(t, "petrel.toml").Describe()
	assert.Equal(t, "petrel's controller (invented)", d.Title)
	assert.Equal(t, &link.Throttle{Astern: true, CommandTimeout: 300 * time.Millisecond}, d.Throttle)

	byKey := map[string]link.Setting{}
	for _, s := range d.Settings {
		byKey[s.Key] = s
	}
	assert.Equal(t, link.Setting{Key: "limits.motor_current", Unit: "A", Min: 1, Max: 250, Step: 0.5}, byKey["limits.motor_current"])
	assert.Equal(t, link.Setting{Key: "throttle.demand", Max: 1, Step: 1, Words: []string{"torque", "voltage"}}, byKey["throttle.demand"])
	assert.Equal(t, link.Setting{Key: "throttle.neutral_start", Max: 1, Step: 1, Words: []string{"false", "true"}}, byKey["throttle.neutral_start"])
	assert.True(t, byKey["limits.duty"].ReadOnly)
	assert.InDelta(t, 273.15, byKey["derating.stage_start"].Min, 1e-9, "temperatures are in kelvin")
	assert.InDelta(t, 0.1, byKey["derating.stage_start"].Step, 1e-12)
	assert.InDelta(t, 104.72, byKey["stall.speed"].Max, 0.01, "speeds are in rad/s: 1000 1/min")
	assert.Equal(t, "rpm", byKey["stall.speed"].Unit)
	assert.Zero(t, byKey["ramp.rise"].Step, "floating point has no step")

	var channels []string
	for _, c := range d.Channels {
		channels = append(channels, c.Name+" in "+c.Unit)
	}
	assert.Equal(t, []string{
		"status in 1", "voltage in V", "motor_current in A", "motor_temperature in °C", "motor_speed in rpm", "contactor in 1",
	}, channels)
	assert.Equal(t, &link.Throttle{Astern: true, CommandTimeout: 500 * time.Millisecond}, load(t, "bracken.toml").Describe().Throttle)
}

// A bound that the type can't hold moves inward, never outward: 250.3 A in
// halves is 250 A.
func TestBoundsAreWhatTheTypeCanHold(t *testing.T) {
	text := edited(t, "petrel.toml", `max = "250 A"`, `max = "250.3 A"`, `min = "1 A"`, `min = "0.6 A"`)
	m, err := regmap.Load("petrel.toml", text, settings.Fields())
	require.NoError(t, err)
	s := m.Describe().Settings[0]
	assert.Equal(t, 250.0, s.Max)
	assert.Equal(t, 1.0, s.Min)
}

// edited changes the first of each pair of texts in a map.
func edited(t testing.TB, name string, pairs ...string) []byte {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		require.Contains(t, text, pairs[i])
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	return []byte(text)
}

// Each change of a good map brings one problem, in the line changed.
func TestEachMistakeInAMap(t *testing.T) {
	for _, c := range []struct{ name, old, new, problem string }{
		{"unknown key", `key = "limits.motor_current"`, `key = "limits.engine_current"`, "there is no setting limits.engine_current"},
		{"group as key", `key = "limits.motor_current"`, `key = "limits"`, "there is no setting limits"},
		{"ugly key", `key = "voltage"`, `key = "Battery Voltage"`, "is no key"},
		{"setting twice", `key = "limits.battery_current"`, `key = "limits.motor_current"`, "setting limits.motor_current is already in line 22"},
		{"reading twice", `key = "motor_current"`, `key = "voltage"`, "reading voltage is already in line"},
		{"unit of another kind", "unit = \"A\"\nscale = \"0.5 A\"\nmin = \"1 A\"\nmax = \"250 A\"", "unit = \"V\"\nscale = \"0.5 V\"\nmin = \"1 V\"\nmax = \"250 V\"", "limits.motor_current is in A"},
		{"no such unit", "unit = \"A\"\nscale = \"0.5 A\"", "unit = \"Amp.\"\nscale = \"0.5 A\"", `unknown unit "Amp"`},
		{"rate as a speed", "unit = \"1/min\"\nscale = \"1 1/min\"\nmax = \"6000 1/min\"", "unit = \"1/s\"\nscale = \"1 1/s\"\nmax = \"100 1/s\"", "radians or revolutions"},
		{"scale in another unit", `scale = "0.5 A"`, `scale = "0.5 V"`, "a current is wanted"},
		{"scale without unit", `scale = "0.5 A"`, `scale = "0.5"`, "0.5"},
		{"scale of zero", `scale = "0.5 A"`, `scale = "0 A"`, "scale is zero"},
		{"scale with tolerance", `scale = "0.5 A"`, `scale = "0.5 A ± 10 %"`, "leave out tolerance"},
		{"scale of a temperature as a temperature", "scale = \"0.1 K\"\nmin = \"0 °C\"", "scale = \"0.1 °C\"\nmin = \"0 °C\"", "K"},
		{"range beyond the type", `max = "250 A"`, `max = "40000 A"`, "would be count 80000, but a u16 holds 0 to 65535"},
		{"range below the type", `min = "1 A"`, `min = "-1 A"`, "would be count -2, but a u16 holds"},
		{"reading's range beyond the type", "address = 4\ntype = \"s16\"", "address = 4\ntype = \"u16\"", "-40 °C would be count -400, but a u16 holds 0 to 65535"},
		{"range upside down", "min = \"0 °C\"\nmax = \"120 °C\"", "min = \"130 °C\"\nmax = \"120 °C\"", "max is not above min"},
		{"no word order", "address = 0x0011\ntype = \"u32\"\nword_order = \"high first\"", "address = 0x0011\ntype = \"u32\"", "word_order of a u32 is missing"},
		{"word order of one word", "address = 0x0010\ntype = \"u16\"", "address = 0x0010\ntype = \"u16\"\nword_order = \"low first\"", "a u16 has no word order"},
		{"type for bits", "address = 3\ntype = \"bit\"", "address = 3\ntype = \"u16\"", "type u16 does not go with table coil"},
		{"bit in a register", "address = 0x0010\ntype = \"u16\"", "address = 0x0010\ntype = \"bit\"", "type bit does not go with table holding"},
		{"unit of a bit", "address = 3\ntype = \"bit\"", "address = 3\ntype = \"bit\"\nunit = \"A\"", "unit makes no sense"},
		{"writing an input", "table = \"input\"\naddress = 0x0030\ntype = \"u16\"\nread_only = true", "table = \"input\"\naddress = 0x0030\ntype = \"u16\"\nmin = \"0 %\"", "the input table can't be written"},
		{"overlap of settings", "address = 0x0013", "address = 0x0012", "holding register 18 is already limits.battery_current in line 34"},
		{"overlap of readings", "table = \"input\"\naddress = 4", "table = \"input\"\naddress = 3", "input register 3 is already motor_current"},
		{"overlap with throttle", "address = 0x0040", "address = 0x0010", "already"},
		{"overlap with unlock", "address = 0x0022", "address = 0x00F0", "already"},
		{"a manual's number of six digits", "address = 0x0020\ntype = \"f32\"", "address = 400033\ntype = \"f32\"", "goes beyond the last address, 65535; a manual's 400033 is address 32 in the map"},
		{"beyond the last address", "address = 0x0020\ntype = \"f32\"", "address = 0xFFFF\ntype = \"f32\"", "goes beyond the last address"},
		{"word unknown", `"voltage = 2"`, `"speed = 2"`, "throttle.demand is one of torque, voltage"},
		{"word without count", `"voltage = 2"`, `"voltage"`, "is not a word and its count"},
		{"count too large", `"voltage = 2"`, `"voltage = 70000"`, "count 70000 is not what a u16 holds"},
		{"count twice", `"voltage = 2"`, `"voltage = 0"`, "comes twice"},
		{"one word", `["torque = 0", "voltage = 2"]`, `["torque = 0"]`, "two words at least"},
		{"words of a quantity", "unit = \"A\"\nscale = \"0.5 A\"\nmin = \"1 A\"\nmax = \"250 A\"", `words = ["low = 0", "high = 1"]`, "limits.motor_current is a quantity in A, no choice"},
		{"quantity for a choice", `words = ["torque = 0", "voltage = 2"]`, "unit = \"1\"\nscale = \"1\"\nmin = \"0\"\nmax = \"1\"", "throttle.demand is a choice"},
		{"read-only reading", `key = "voltage"`, "key = \"voltage\"\nread_only = true", "a reading has no read_only"},
		{"no max of a setting", "max = \"250 A\"\n", "", "max of limits.motor_current is missing"},
		{"no unit", "unit = \"A\"\nscale = \"0.5 A\"", "scale = \"0.5 A\"", "unit is missing"},
		{"no scale", "scale = \"0.5 A\"\n", "", `scale = "0.1 A"`},
		{"no running mark", "[running]\ntable = \"input\"\naddress = 0\nmask = 0x0001\n", "", "[running] is missing"},
		{"running by nothing", "mask = 0x0001\n", "", "either mask"},
		{"running by both", "mask = 0x0001", "mask = 0x0001\nabove = 3", "either mask"},
		{"running by a bit's mask", "[running]\ntable = \"input\"", "[running]\ntable = \"coil\"", "leave out mask"},
		{"full ahead is zero", "ahead = 1000", "ahead = 0", "full ahead is the same count as zero"},
		{"astern on ahead's side", "astern = -1000", "astern = 900", "same side of zero"},
		{"count beyond the throttle's type", "ahead = 1000", "ahead = 40000", "not what a s16 holds"},
		{"no command time-out", "command_timeout = \"300 ms\"\n", "", "command_timeout is missing"},
		{"endless command time-out", `"300 ms"`, `"1 h"`, "10 s"},
		{"unit id of everybody", "unit_id = 17", "unit_id = 0", "1"},
		{"address beyond", "address = 0x0010", "address = 65536", "65535"},
		{"unknown table", "table = \"holding\"\naddress = 0x0010", "table = \"holdings\"\naddress = 0x0010", "holding"},
		{"misspelt", "word_order = \"high first\"", "wordorder = \"high first\"", "did you mean word_order?"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := regmap.Load("petrel.toml", edited(t, "petrel.toml", c.old, c.new), settings.Fields())
			require.Error(t, err)
			assert.Nil(t, m)
			var problems datafile.Problems
			require.ErrorAs(t, err, &problems)
			found := false
			for _, p := range problems {
				found = found || strings.Contains(p.Text, c.problem)
				assert.Positive(t, p.Line)
			}
			assert.True(t, found, "want %q, got\n%v", c.problem, err)
		})
	}
}

// Everything wrong is reported at once, in order, with line and column.
func TestAllMistakesAtOnce(t *testing.T) {
	_, err := regmap.Load("wrong.toml", []byte(`title = "x"
unit_id = 300

[[setting]]
key = "limits.motor_current"
table = "holding"
address = 1
type = "u16"
unit = "A"
scale = "0.5 V"
min = "0 A"
max = "10 A"

[[reading]]
key = "a"
table = "input"
address = 7
type = "u32"
unit = "A"
scale = "1 A"

[[reading]]
key = "a"
table = "input"
address = 8
type = "u16"
unit = "A"
scale = "1 A"
`), nil)
	var problems datafile.Problems
	require.ErrorAs(t, err, &problems)
	var where []string
	for _, p := range problems {
		where = append(where, strings.SplitAfterN(p.Error(), ": ", 2)[0])
	}
	assert.Equal(t, []string{
		"wrong.toml:2:11: ",  // unit_id
		"wrong.toml:5:7: ",   // no [running]
		"wrong.toml:10:9: ",  // unit of scale
		"wrong.toml:14:3: ",  // no word order
		"wrong.toml:23:7: ",  // key twice
		"wrong.toml:25:11: ", // overlap
	}, where, err.Error())
}

func TestDirectionMistakes(t *testing.T) {
	for old, problem := range map[string]string{
		"ahead = 1\n":     "must be different counts", // replaced by ahead = 0
		"zero = 0\n":      "leave this out",           // astern = 255 put in
		"address = 11\n":  "already the throttle command",
		"neutral = 0\n":   "must be different counts",
		"unit_id = 3\n":   "unit_id",
		"direction]\n":    "unknown key",
		"astern = 2\n":    "must be different counts",
		"table = \"input": "table",
	} {
		change := map[string]string{
			"ahead = 1\n": "ahead = 0\n", "zero = 0\n": "zero = 0\nastern = 255\n", "address = 11\n": "address = 10\n", "neutral = 0\n": "neutral = 2\n",
			"unit_id = 3\n": "", "direction]\n": "directions]\n", "astern = 2\n": "astern = 1\n", "table = \"input": "table = \"inputs",
		}[old]
		_, err := regmap.Load("bracken.toml", edited(t, "bracken.toml", old, change), nil)
		assert.ErrorContains(t, err, problem, old)
	}
}

// FuzzLoad: no text panics the loader, and what it accepts describes itself
// sensibly.
func FuzzLoad(f *testing.F) {
	for _, name := range []string{"petrel.toml", "bracken.toml"} {
		f.Add(edited(f, name))
	}
	f.Add([]byte("title = 1\n[[setting]]\n[throttle]\n"))
	known := settings.Fields()
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := regmap.Load("fuzz.toml", data, known)
		if err != nil {
			var problems datafile.Problems
			require.True(t, errors.As(err, &problems))
			return
		}
		for _, s := range m.Describe().Settings {
			require.LessOrEqual(t, s.Min, s.Max, s.Key)
		}
		unit := regmap.NewUnit(m, newDevice(m))
		_, _ = unit.ReadRegisters(0, 0, 125)
	})
}

// A wrong type hides no other error of its entry.
func TestWrongTypeHidesNothing(t *testing.T) {
	_, err := regmap.Load("petrel.toml", edited(t, "petrel.toml",
		"key = \"limits.motor_current\"\ntable = \"holding\"\naddress = 0x0010\ntype = \"u16\"\nunit = \"A\"\nscale = \"0.5 A\"",
		"key = \"limits.engine_current\"\ntable = \"holding\"\naddress = 0x0010\ntype = \"word\"\nunit = \"A\"\nscale = \"0.5 V\""), settings.Fields())
	require.Error(t, err)
	assert.ErrorContains(t, err, "type")
	assert.ErrorContains(t, err, "there is no setting limits.engine_current")
	assert.ErrorContains(t, err, "a current is wanted")
}

// An exception names its setting or reading, and how manuals number registers.
func TestExceptionNamesItsSetting(t *testing.T) {
	truth := load(t, "petrel.toml")
	for _, c := range []struct{ from, to, names, hint string }{
		{"address = 0x0013", "address = 0x0019", "", "each is one lower"},
		{"address = 0x0013", "address = 40019", "", "a manual's 40019 is address 18 in the map"},
		{"address = 4\n", "address = 30005\n", "motor_temperature", "a manual's 30005 is address 4 in the map"},
	} {
		m, err := regmap.Load("wrong.toml", edited(t, "petrel.toml", c.from, c.to), settings.Fields())
		require.NoError(t, err)
		line := &direct{server: modbus.NewServer(truth.UnitID(), regmap.NewUnit(truth, newDevice(truth)), at115200, port.WallClock{})}
		ctl := regmap.NewController(m, modbus.NewMaster(line, at115200, port.WallClock{}), port.WallClock{})
		if c.names == "" {
			_, err = ctl.ReadSettings(t.Context())
		} else {
			_, err = ctl.ReadTelemetry(t.Context())
		}
		var named *link.SettingError
		require.ErrorAs(t, err, &named, c.to)
		assert.ErrorIs(t, err, modbus.IllegalDataAddress)
		assert.ErrorContains(t, err, c.hint)
		if c.names != "" {
			assert.Equal(t, c.names, named.Key)
		}
	}
}
