package regmap_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/link"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
)

// onBank makes a controller of a map whose registers are plain memory: what
// stands in them is written here by hand, not by the code under test.
func onBank(t *testing.T, text string) (*guard.Controller, *linktest.Bank) {
	m, err := regmap.Load("test.toml", []byte("title = \"test\"\nunit_id = 17\n[running]\ntable = \"coil\"\naddress = 0\n"+text), nil)
	require.NoError(t, err)
	bank := &linktest.Bank{Coils: make([]bool, 8), Discrete: make([]bool, 8), Holding: make([]uint16, 64), Input: make([]uint16, 64)}
	near, far := linktest.Pipe()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- modbus.NewServer(17, bank, patient, port.WallClock{}).Serve(ctx, far) }()
	c := regmap.NewController(m, modbus.NewMaster(near, patient, port.WallClock{}), port.WallClock{})
	t.Cleanup(func() {
		_ = c.Close()
		stop()
		<-ended
	})
	return c, bank
}

// What registers mean, by hand: two's complement, IEEE 754 (its single
// precision form of −118.625 is C2ED4000, the example of many textbooks;
// memory, recomputed), and the order of the words.
func TestRegistersByHand(t *testing.T) {
	for _, c := range []struct {
		entry     string
		registers []uint16
		si        float64
	}{
		{`type = "u16"` + amps("0.5 A"), []uint16{360}, 180},
		{`type = "u16"` + amps("0.5 A"), []uint16{0xFFFF}, 32767.5},
		{`type = "s16"` + amps("0.1 A"), []uint16{0xFFFE}, -0.2},
		{`type = "s16"` + amps("0.1 A"), []uint16{0x8001}, -3276.7},
		{`type = "s16"` + amps("-0.1 A"), []uint16{0xFFFE}, 0.2}, // counts the other way
		{`type = "u32"` + "\nword_order = \"high first\"" + amps("1 mA"), []uint16{0x0001, 0x86A0}, 100},
		{`type = "u32"` + "\nword_order = \"low first\"" + amps("1 mA"), []uint16{0x86A0, 0x0001}, 100},
		{`type = "s32"` + "\nword_order = \"high first\"" + amps("1 mA"), []uint16{0xFFFF, 0xFFFE}, -0.002},
		{`type = "s32"` + "\nword_order = \"low first\"" + amps("1 mA"), []uint16{0xFFFE, 0xFFFF}, -0.002},
		{`type = "f32"` + "\nword_order = \"high first\"" + amps("1 A"), []uint16{0xC2ED, 0x4000}, -118.625},
		{`type = "f32"` + "\nword_order = \"low first\"" + amps("1 A"), []uint16{0x4000, 0xC2ED}, -118.625},
		{`type = "s16"` + "\nunit = \"°C\"\nscale = \"0.1 K\"", []uint16{205}, 293.65},
		{`type = "u16"` + "\nunit = \"°C\"\nscale = \"1 K\"\noffset = \"-40 °C\"", []uint16{60}, 293.15},
		{`type = "u16"` + "\nunit = \"1/min\"\nscale = \"1 1/min\"", []uint16{3000}, 100 * math.Pi},
		{`type = "u16"` + "\nunit = \"%\"\nscale = \"0.1 %\"", []uint16{955}, 0.955},
		{`type = "u16"` + "\nunit = \"V\"\nscale = \"10 mV\"\noffset = \"20 V\"", []uint16{2800}, 48},
	} {
		t.Run(strings.ReplaceAll(c.entry, "\n", ", "), func(t *testing.T) {
			controller, bank := onBank(t, "[[reading]]\nkey = \"x\"\ntable = \"input\"\naddress = 5\n"+c.entry)
			copy(bank.Input[5:], c.registers)
			sample, err := controller.ReadTelemetry(t.Context())
			require.NoError(t, err)
			assert.InDelta(t, c.si, sample.Values[0], 1e-9*max(1, math.Abs(c.si)))

			// The same entry as a setting writes the same registers.
			bounds := "\nmin = \"-1000 A\"\nmax = \"1000 A\""
			if !strings.Contains(c.entry, `"f32"`) {
				bounds = edge(c.entry)
			}
			controller, bank = onBank(t, "[[setting]]\nkey = \"x\"\ntable = \"holding\"\naddress = 5\n"+c.entry+bounds)
			stored, err := controller.WriteSetting(t.Context(), "x", c.si)
			require.NoError(t, err)
			assert.InDelta(t, c.si, stored, 1e-9*max(1, math.Abs(c.si)))
			assert.Equal(t, c.registers, bank.Holding[5:5+len(c.registers)])
			assert.Zero(t, bank.Holding[4])
			assert.Zero(t, bank.Holding[5+len(c.registers)])
		})
	}
}

func amps(scale string) string { return fmt.Sprintf("\nunit = \"A\"\nscale = %q", scale) }

// edge returns a range as wide as these entries allow.
func edge(entry string) string {
	switch {
	case strings.Contains(entry, "°C"):
		return "\nmin = \"-40 °C\"\nmax = \"200 °C\""
	case strings.Contains(entry, "1/min"):
		return "\nmin = \"0 1/min\"\nmax = \"6000 1/min\""
	case strings.Contains(entry, "%"):
		return "\nmin = \"0 %\"\nmax = \"100 %\""
	case strings.Contains(entry, `"V"`):
		return "\nmin = \"20 V\"\nmax = \"80 V\""
	case strings.Contains(entry, `"u16"`):
		return "\nmin = \"0 A\"\nmax = \"32767.5 A\""
	case strings.Contains(entry, `"s16"`):
		return "\nmin = \"-3276.7 A\"\nmax = \"3276.7 A\"" // counts both ways
	case strings.Contains(entry, `"u32"`):
		return "\nmin = \"0 A\"\nmax = \"2000 A\""
	}
	return "\nmin = \"-2000 A\"\nmax = \"2000 A\""
}

func TestFloatingPointThatIsNoNumberIsImpossible(t *testing.T) {
	controller, bank := onBank(t, "[[reading]]\nkey = \"x\"\ntable = \"input\"\naddress = 5\ntype = \"f32\"\nword_order = \"high first\""+amps("1 A")+
		"\n[[setting]]\nkey = \"y\"\ntable = \"holding\"\naddress = 5\ntype = \"f32\"\nword_order = \"high first\"\nmin = \"0 A\"\nmax = \"10 A\""+amps("1 A"))
	for _, registers := range [][]uint16{{0x7FC0, 0}, {0x7F80, 0}, {0xFF80, 0}} { // not a number, ±infinity
		copy(bank.Input[5:], registers)
		_, err := controller.ReadTelemetry(t.Context())
		var impossible *link.ImpossibleError
		require.ErrorAs(t, err, &impossible)
		assert.Equal(t, "x", impossible.Channel.Name)
		assert.NotEmpty(t, err.Error())

		copy(bank.Holding[5:], registers)
		values, err := controller.ReadSettings(t.Context())
		var about *link.SettingError
		require.ErrorAs(t, err, &about)
		assert.Equal(t, "y", about.Key)
		assert.Nil(t, values)
	}
}

func TestCountThatNoWordHas(t *testing.T) {
	controller, bank := onBank(t, "[[setting]]\nkey = \"throttle.demand\"\ntable = \"holding\"\naddress = 5\ntype = \"u16\"\nwords = [\"torque = 0\", \"voltage = 2\"]")
	bank.Holding[5] = 2
	values, err := controller.ReadSettings(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 1.0, values["throttle.demand"], "the second word")
	bank.Holding[5] = 1
	_, err = controller.ReadSettings(t.Context())
	assert.ErrorContains(t, err, "throttle.demand: the controller holds 1")
}

// Every mark of a driven motor, on and off.
func TestRunningMarks(t *testing.T) {
	for _, c := range []struct {
		mark     string
		register uint16
		runs     bool
	}{
		{"table = \"input\"\naddress = 2\nmask = 6", 0b0010, true},
		{"table = \"input\"\naddress = 2\nmask = 6", 0b0100, true},
		{"table = \"input\"\naddress = 2\nmask = 6", 0b1001, false},
		{"table = \"input\"\naddress = 2\nmask = 1\nwhen_clear = true", 1, false},
		{"table = \"input\"\naddress = 2\nmask = 1\nwhen_clear = true", 0xFFFE, true},
		{"table = \"input\"\naddress = 2\nabove = 5", 5, false},
		{"table = \"input\"\naddress = 2\nabove = 5", 6, true},
		{"table = \"input\"\naddress = 2\nabove = 5\nsigned = true", 0xFFFB, false}, // −5
		{"table = \"input\"\naddress = 2\nabove = 5\nsigned = true", 0xFFFA, true},  // −6
		{"table = \"input\"\naddress = 2\nabove = 5\nsigned = true", 0x8000, true},
		{"table = \"discrete\"\naddress = 2", 1, true},
		{"table = \"discrete\"\naddress = 2", 0, false},
		{"table = \"discrete\"\naddress = 2\nwhen_clear = true", 0, true},
	} {
		m, err := regmap.Load("test.toml", []byte("title = \"test\"\nunit_id = 17\n[running]\n"+c.mark), nil)
		require.NoError(t, err)
		bank := &linktest.Bank{Discrete: make([]bool, 8), Input: make([]uint16, 8)}
		bank.Discrete[2], bank.Input[2] = c.register == 1, c.register
		server := modbus.NewServer(17, bank, patient, port.WallClock{})
		controller := regmap.NewController(m, modbus.NewMaster(&direct{server: server}, patient, port.WallClock{}), port.WallClock{})
		runs, err := controller.Running(t.Context())
		require.NoError(t, err)
		assert.Equal(t, c.runs, runs, "%s with %#x", c.mark, c.register)
	}
}

// Telemetry that stands together is read together, and no register is read
// that the map does not have.
func TestReadsAreGrouped(t *testing.T) {
	m := load(t, "petrel.toml")
	d := newDevice(m)
	line := &direct{server: modbus.NewServer(m.UnitID(), regmap.NewUnit(m, d), patient, port.WallClock{})}
	controller := regmap.NewController(m, modbus.NewMaster(line, patient, port.WallClock{}), port.WallClock{})
	_, err := controller.ReadTelemetry(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []string{
		"02 00 07 00 01", // contactor
		"04 00 00 00 05", // status, voltage, current (two), temperature
		"04 00 09 00 01", // speed
	}, line.asked)
}

// Whatever can be written is stored no further off than half a step.
func TestWritesRoundToTheNearest(t *testing.T) {
	m := load(t, "petrel.toml")
	d := newDevice(m)
	line := &direct{server: modbus.NewServer(m.UnitID(), regmap.NewUnit(m, d), patient, port.WallClock{})}
	controller := regmap.NewController(m, modbus.NewMaster(line, patient, port.WallClock{}), port.WallClock{})
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SampledFrom(m.Describe().Settings[:3]).Draw(t, "setting")
		value := rapid.Float64Range(s.Min, s.Max).Draw(t, "value")
		if s.Words != nil {
			value = math.Round(value)
		}
		stored, err := controller.WriteSetting(context.Background(), s.Key, value)
		require.NoError(t, err)
		require.InDelta(t, value, stored, s.Step/2*1.000001)
		require.GreaterOrEqual(t, stored, s.Min)
		require.LessOrEqual(t, stored, s.Max)
		require.Equal(t, stored, d.Setting(s.Key))
	})
}
