package bench_test

import (
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/readings"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Every line of the one table of channels is met by what reads it: the record's names, the simulation's traces, the boat's
// instruments and limits, and the simulated controller.
func TestEveryChannelIsKnownEverywhere(t *testing.T) {
	setup, err := bench.Load("../cmd/quaybench/demo/petrel")
	require.NoError(t, err)
	p, err := trial.Read("shortHop.toml", []byte(shortHop))
	require.NoError(t, err)
	setup.Settings.Derating.MotorSensor = "winding"
	var channels []link.Channel
	registers := "title = \"all\"\nunit_id = 1\n[running]\ntable = \"discrete\"\naddress = 0\n"
	for i, k := range link.Kinds() {
		channels = append(channels, link.Channel{Name: k.Name, Unit: k.Unit})
		registers += "[[reading]]\nkey = \"" + k.Name + "\"\ntable = \"input\"\naddress = " + strconv.Itoa(i) + "\ntype = \"s16\"\nunit = \"" + k.Unit + "\"\nscale = \"1 " + strings.Replace(k.Unit, "°C", "K", 1) + "\"\n"
	}
	predicted, err := bench.Predict(t.Context(), setup, p, channels, bench.StepOptions{Draws: 2})
	require.NoError(t, err)
	limits := bench.HardLimits(setup, channels)
	m, err := regmap.Load("all.toml", []byte(registers), nil)
	require.NoError(t, err)
	sim, err := linksim.New(setup.Boat, setup.Settings, m.Describe(), linksim.NewVirtual(time.Unix(0, 0)), linksim.Options{Trial: p})
	require.NoError(t, err)

	own := []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed, record.Duty, record.DemandTrace, record.BoatSpeed, record.OverGround}
	for _, k := range link.Kinds() {
		assert.NotEmpty(t, k.Doc, k.Name)
		assert.Positive(t, k.Digits, k.Name)
		if k.Trace != "" {
			assert.Contains(t, own, k.Trace, k.Name)
		}
		at := slices.IndexFunc(predicted.Channels, func(c bench.PredictedChannel) bool { return c.Channel == k.Name })
		if assert.GreaterOrEqual(t, at, 0, "%s is not predicted", k.Name) {
			_, ok := predicted.Run.Trace(predicted.Channels[at].Simulated)
			assert.True(t, ok, k.Name)
			assert.Positive(t, predicted.Channels[at].Error, "%s: the instrument's error", k.Name)
		}
		bound := slices.ContainsFunc(limits, func(b measure.Bound) bool { return b.Channel == k.Name })
		assert.Equal(t, k.Limit != "", bound, "%s: a hard limit", k.Name)
		assert.NotPanics(t, func() { sim.Reading(k.Name) }, k.Name)

		_, stated := datafile.Number(setup.Boat, "instruments."+k.Instrument)
		assert.Equal(t, k.Instrument != "", stated, "%s: [instruments] has its error", k.Name)
		assert.Equal(t, k.ByHand != "", slices.Contains(bench.NextMeters(), k.Name), "%s: by hand", k.Name)
		assert.Equal(t, k.Usual != "", slices.Contains(bench.UsualMeters(false), k.Name), "%s: usual meters", k.Name)
		assert.False(t, k.Usual != "" && k.ByHand == "", "%s: usual, and nobody reads it", k.Name)
		assert.Equal(t, k.Current != "", bench.CheckCurrent([]link.Channel{{Name: k.Name}}) == nil, "%s: a current", k.Name)
		assert.False(t, (k.Echo || k.Coasts) && k.Proof == 0, "%s takes no part in the proof", k.Name)
		assert.False(t, k.Proof > 0 && k.Answer == 0, "%s proves a command and never answers one", k.Name)
		for _, said := range k.Said {
			u, err := readings.Read("log.csv", []byte("time [s],"+said+" ["+k.Unit+"]\n0,1\n1,1\n2,1\n"), nil, 0)
			if assert.NoError(t, err, said) {
				assert.Equal(t, k.Name, u.Columns[len(u.Columns)-1].Is, "a column headed %q", said)
			}
		}
	}
}

// TestHardLimitsAreTheBoatFiles: what the keys in the table of channels bound is what the boat file's values say, whatever it leaves out.
func TestHardLimitsAreTheBoatFiles(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		s := setup(t, name)
		b := s.Boat
		current := [2]float64{math.Inf(-1), b.Fuse.Rating.SI}
		if m := b.Battery.Management; m != nil {
			current = [2]float64{-m.ChargeCurrent.SI, min(m.DischargeCurrent.SI, b.Fuse.Rating.SI)} // not 220 A where a fuse of 160 A is to hold
		}
		want := map[string][2]float64{
			link.Voltage: {float64(b.Battery.Cells) * b.Battery.CellLowest.SI, b.Stage.VoltageLimit.SI}, link.BatteryCurrent: current,
			link.MotorCurrent: {-b.Stage.Current.SI, b.Stage.Current.SI}, link.MotorSpeed: {-b.Motor.SpeedLimit.SI, b.Motor.SpeedLimit.SI},
			link.StageTemperature: {0, b.Stage.SinkLimit.SI}, link.BatteryTemperature: {0, b.Battery.TemperatureLimit.SI},
		}
		for channel, is := range want {
			bounds := bench.HardLimits(s, []link.Channel{{Name: channel}})
			if assert.Len(t, bounds, 1, "%s, %s", name, channel) {
				assert.Equal(t, is, [2]float64{bounds[0].Low, bounds[0].High}, "%s, %s", name, channel)
			}
		}
		assert.Greater(t, want[link.Voltage][0], 10.0, "%s: the file gives the lowest voltage of a cell", name)
	}
	s := setup(t, "petrel")
	s.Boat.Battery.Management, s.Boat.Battery.CellLowest = nil, quantity.Value{}
	assert.Equal(t, s.Boat.Fuse.Rating.SI, bench.HardLimits(s, []link.Channel{{Name: link.BatteryCurrent}})[0].High, "no management: the fuse")
	assert.Equal(t, math.Inf(-1), bench.HardLimits(s, []link.Channel{{Name: link.BatteryCurrent}})[0].Low)
	assert.Zero(t, bench.HardLimits(s, []link.Channel{{Name: link.Voltage}})[0].Low)
}

// TestMotorTemperatureIsHeldToWhatItsSensorSitsOn: a sensor on the housing must not be let up to what the winding bears.
func TestMotorTemperatureIsHeldToWhatItsSensorSitsOn(t *testing.T) {
	s := setup(t, "petrel")
	limit := func(sensor string) float64 {
		s.Settings.Derating.MotorSensor = sensor
		bounds := bench.HardLimits(s, []link.Channel{{Name: link.MotorTemperature, Unit: "°C"}})
		require.Len(t, bounds, 1)
		return bounds[0].High
	}
	assert.Equal(t, drive.WindingLimit(&s.Boat.Motor), limit("winding"))
	assert.Equal(t, s.Boat.Motor.HousingLimit.SI, limit("housing"))
	assert.Equal(t, s.Boat.Motor.HousingLimit.SI, limit("none"), "nobody says where it sits: the cooler limit holds")
	assert.Less(t, limit("housing"), limit("winding"))
}

// Outside the table no room keeps a list of channels of its own (the simulated controller's functions and the boat's limits
// stand beside it, and the test above holds both against it).
func TestNoOtherTableOfChannels(t *testing.T) {
	table := regexp.MustCompile(`map\[string\]\w+\{[^}]*link\.(Voltage|MotorCurrent)`)
	for _, dir := range []string{".", "measure", "link", "link/regmap", "link/lines", "../cmd/quaybench"} {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		require.NoError(t, err)
		for _, f := range files {
			if text, err := os.ReadFile(f); assert.NoError(t, err) && !strings.HasSuffix(f, "_test.go") {
				assert.False(t, table.Match(text), f)
			}
		}
	}
}

const shortHop = `
name = "hop"
duration = "2 s"
moored = true
[[throttle]]
at = "1 s"
to = "20 %"
`

// A reading's name that is nearly one of the table's is an error: it would lose its hard limit without a word.
func TestMisspeltReadingIsAnError(t *testing.T) {
	text, err := os.ReadFile("../cmd/quaybench/demo/petrel/registers.toml")
	require.NoError(t, err)
	for _, c := range []struct{ name, meant string }{
		{"motor_curent", "motor_current"}, {"motorcurrent", "motor_current"}, {"current_motor", "motor_current"}, {"motor_amps", "motor_current"},
		{"motor_curr", "motor_current"}, {"battery_voltage", "voltage"}, {"voltag", "voltage"}, {"bat_current", "battery_current"},
		{"stage_temp", "stage_temperature"}, {"heat_sink", "stage_temperature"}, {"rpm", "motor_speed"}, {"motor_sped", "motor_speed"},
		{"voltage_cell_7", ""}, {"lug_temperature", ""}, {"coolant_flow", ""}, {"time", ""},
	} {
		meant, ok := link.Meant(c.name)
		assert.Equal(t, c.meant, meant, c.name)
		assert.Equal(t, c.meant != "", ok, c.name)
		if ok {
			_, err := regmap.Load("registers.toml", []byte(strings.Replace(string(text), `key = "motor_current"`, `key = "`+c.name+`"`, 1)), settings.Fields())
			assert.ErrorContains(t, err, "is "+c.meant+" meant?", c.name)
		}
	}
	for _, k := range link.Kinds() {
		_, ok := link.Meant(k.Name)
		assert.False(t, ok, k.Name)
	}
}

// Without any current there is no test.
func TestNoCurrentNoTest(t *testing.T) {
	err := bench.CheckCurrent([]link.Channel{{Name: link.Voltage}, {Name: "phase_three"}})
	assert.ErrorContains(t, err, "is one of these meant: phase_three?")
	assert.NoError(t, bench.CheckCurrent([]link.Channel{{Name: link.BatteryCurrent}}))
}
