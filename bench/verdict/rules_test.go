package verdict_test

import (
	"math"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
	"quaybench/testdata/reference"
)

// sound returns a boat with settings that no rule has anything against.
func sound(t require.TestingT) (*boat.Boat, settings.Set) {
	b, s, err := reference.Boat("petrel")
	require.NoError(t, err)
	return b, s
}

func exactly(x float64) quantity.Value { return quantity.Exactly(x) }

// check applies one rule by name.
func check(t require.TestingT, name string, b *boat.Boat, s settings.Set) []verdict.Finding {
	for _, r := range verdict.Rules() {
		if r.Name == name {
			return r.Check(b, s)
		}
	}
	require.Fail(t, "no rule is called "+name)
	return nil
}

// figures are what petrel's rules come down to, by hand.
const (
	highest   = 16 * 3.65  // V, the bank's
	mayCarry  = 225 * 0.82 // A: 90 °C insulation in an engine space, 33 CFR 183.425
	standard  = 200        // A, the next standard fuse above it
	cableOhms = 1.2352e-3  // Ω, battery cable
	pathOhms  = 7e-3 + 0.5e-3 + 0.2e-3 + cableOhms + 0.08e-3 + 0.12e-3
)

// at puts a value into a boat or its settings.
type at = func(b *boat.Boat, s *settings.Set, x float64)

var ohms, farads = 47.0, 8e-3 // not constants, which Go multiplies more exactly than a file's numbers

// limits are the rules that turn at a value.
var limits = []struct {
	rule, name string
	limit      float64 // the value at which the rule turns
	falling    bool    // found below the limit, not above
	set        at
	level      verdict.Level
	says       string // of the finding
	key        string // the setting that mends it
}{
	{"fuse-against-cable", "from 50 V on the next standard size", standard, false, func(b *boat.Boat, s *settings.Set, x float64) { b.Fuse.Rating = exactly(x) }, verdict.Over,
		`the fuse of [\d.]+ A does not protect the battery cable, which may carry 184 A of battery current .* from 50 V on \(the bank reaches 58.4 V\)`, ""},
	{"fuse-against-cable", "below 50 V 150 %", 1.5 * mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) { b.Battery.Cells, b.Fuse.Rating = 13, exactly(x) }, verdict.Over,
		`at most 277 A below 50 V \(the bank reaches 47.4 V\)`, ""},
	{"fuse-against-cable", "a cable outside the engine space", 250, false, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Cables[0].EngineSpace, b.Fuse.Rating = false, exactly(x)
	}, verdict.Over, `may carry 225 A of battery current`, ""},
	{"fuse-against-cable", "bundled cables", 160, false, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Cables[0].Bundling, b.Fuse.Rating = exactly(0.7), exactly(x)
	}, verdict.Over, `may carry 129 A of battery current`, ""},
	{"fuse-against-cable", "insulation below the table of engine spaces", 125, false, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Cables[0].RatedTemperature, b.Fuse.Rating = exactly(273.15+55), exactly(x) // √((55 − 50)/(55 − 30)) of 225 A
	}, verdict.Over, `may carry 101 A of battery current`, ""},
	{"fuse-breaking-capacity", "", highest / pathOhms, true, func(b *boat.Boat, s *settings.Set, x float64) { b.Fuse.BreakingCapacity = exactly(x) }, verdict.Over,
		`a short circuit drives 6.4 kA of battery current; the fuse breaks \d`, ""},
	{"voltage-ratings", "fuse", highest, true, func(b *boat.Boat, s *settings.Set, x float64) { b.Fuse.Voltage = exactly(x) }, verdict.Over,
		`the bank reaches 58.4 V; the fuse is rated for 58 V direct`, ""},
	{"voltage-ratings", "contactor", highest, true, func(b *boat.Boat, s *settings.Set, x float64) { b.Contactor.Voltage = exactly(x) }, verdict.Over, `the contactor is rated for`, ""},
	{"voltage-ratings", "controller", highest, true, func(b *boat.Boat, s *settings.Set, x float64) { b.Stage.VoltageLimit = exactly(x) }, verdict.Over, `the controller is rated for`, ""},
	{"charging-voltage", "", highest, false, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Charging = &boat.Charging{Power: exactly(350), CurrentLimit: exactly(10), VoltageLimit: exactly(x)}
	}, verdict.Over, `the charging source holds back at [0-9.]+ V only; 16 cells are full at 58.4 V`, ""},
	{"fuse-against-limit", "", 160, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.BatteryCurrent = x }, verdict.Close,
		`the battery current limit, [\d.]+ A, is above the fuse's rating, 160 A`, "limits.battery_current"},
	{"motor-cable", "ahead", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.MotorCurrent = x }, verdict.Over,
		`the motor current limit, [\d.]+ A of motor current, is more than the motor cable may carry`, "limits.motor_current"},
	{"motor-cable", "astern", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.AsternCurrent = x }, verdict.Over, `the astern limit, [\d.]+ A of motor current`, "limits.astern_current"},
	{"motor-cable", "braking", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.BrakingCurrent = x }, verdict.Over, `the braking limit, [\d.]+ A of motor current`, "limits.braking_current"},
	{"motor-cable", "boost so long that it lasts", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) {
		s.Limits.MotorCurrent, s.Boost = mayCarry-1e-3, settings.Boost{Current: x, Time: 3600, Rest: 1}
	}, verdict.Over, `boost, 18\d A of motor current for 3600 s and again after 1 s, brings the motor cable to 90 °C where it lies, its insulation is rated for 90 °C: for ever the motor cable may carry 184 A of motor current`, "boost.current"},
	{"motor-cable", "boost that comes again at once", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) { // the square above the limit for half the time
		s.Limits.MotorCurrent, s.Boost = 140, settings.Boost{Current: math.Sqrt(2*x*x - 140*140), Time: 1e-6, Rest: 1e-6}
	}, verdict.Over, `boost, 22\d A of motor current for .* and again after .*, brings the motor cable to 90 °C`, "boost.current"},
	{"battery-cable", "boost that the battery current limit lets through", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) {
		s.Limits.BatteryCurrent, s.Boost = x, settings.Boost{Current: 390, Time: 600, Rest: 1}
	}, verdict.Over, `boost, 390 A of motor current for 600 s and again after 1 s, brings the battery cable to 90 °C where it lies`, "boost.current"},
	{"battery-cable", "held by the motor current limit", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.BatteryCurrent = x }, verdict.Close,
		`the battery current limit, [\d.]+ A of battery current, is more than the battery cable may carry for ever where it lies, 184 A; only the motor current limits, 140 A at most, hold it`, "limits.battery_current"},
	{"battery-cable", "held by nothing", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) {
		s.Limits.MotorCurrent, s.Limits.BatteryCurrent = 220, x
	}, verdict.Over, `the battery current limit, [\d.]+ A of battery current, is more than the battery cable may carry`, "limits.battery_current"},
	{"battery-cable", "braking", mayCarry, false, func(b *boat.Boat, s *settings.Set, x float64) {
		s.Limits.BrakingCurrent, s.Limits.ChargeCurrent = 220, x
	}, verdict.Over, `the charge limit, [\d.]+ A of battery current, is more than the battery cable may carry`, "limits.charge_current"},
	{"stage-current", "ahead", 400, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.MotorCurrent = x }, verdict.Over,
		`the motor current limit, [\d.]+ A of motor current, is more than the controller's 400 A`, "limits.motor_current"},
	{"stage-current", "boost", 400, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Boost.Current = x }, verdict.Over, `the boost, [\d.]+ A of motor current`, "boost.current"},
	{"management-limit", "", 220, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.BatteryCurrent = x }, verdict.Over,
		`the battery current limit, [\d.]+ A, is above what management bears, 220 A for 10 s`, "limits.battery_current"},
	{"braking", "more than management takes", 100, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.ChargeCurrent = x }, verdict.Over,
		`braking may send [\d.]+ A of battery current back, management bears 100 A for 5 s`, "limits.charge_current"},
	{"braking", "a controller that cannot", 0, false, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Stage.Braking, s.Limits.BrakingCurrent = false, x
	}, verdict.Over, `the braking limit is [\d.]+ A of motor current, but the boat file says that the controller cannot brake`, "limits.braking_current"},
	{"derating-order", "stage", 273.15 + 75, true, func(b *boat.Boat, s *settings.Set, x float64) { s.Derating.StageEnd = math.Nextafter(x, 1e3) }, verdict.Over,
		`stage derating ends at \d+ °C, not above its start at 75 °C`, "derating.stage_start"},
	{"derating-order", "motor", 273.15 + 120, true, func(b *boat.Boat, s *settings.Set, x float64) {
		s.Derating.MotorSensor, s.Derating.MotorEnd = "winding", math.Nextafter(x, 1e3)
	}, verdict.Over, `motor derating ends at \d+ °C, not above its start at 120 °C`, "derating.motor_start"},
	{"derating-order", "beyond what the sink bears", 273.15 + 90, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Derating.StageEnd = x }, verdict.Close,
		`stage derating ends at \d+ °C, above the heat sink's limit of 90 °C`, "derating.stage_end"},
	{"derating-order", "beyond what the winding bears", 273.15 + 155, false, func(b *boat.Boat, s *settings.Set, x float64) {
		s.Derating.MotorSensor, s.Derating.MotorEnd = "winding", x
	}, verdict.Close, `motor derating ends at \d+ °C, above the winding's limit of 155 °C`, "derating.motor_end"},
	{"derating-order", "beyond what the housing bears", 273.15 + 110, false, func(b *boat.Boat, s *settings.Set, x float64) {
		s.Derating.MotorSensor, s.Derating.MotorStart, s.Derating.MotorEnd = "housing", 360, x
	}, verdict.Close, `motor derating ends at \d+ °C, above the motor housing's limit of 110 °C`, "derating.motor_end"},
	{"low-voltage-order", "end not below start", 46.5, false, func(b *boat.Boat, s *settings.Set, x float64) { s.LowVoltage.End = math.Nextafter(x, 0) }, verdict.Over,
		`low-voltage derating ends at 4\d.\d V, not below its start at 46.5 V`, "low_voltage.start"},
	{"low-voltage-order", "cut-off not below end", 44, false, func(b *boat.Boat, s *settings.Set, x float64) { s.LowVoltage.CutOff = math.Nextafter(x, 0) }, verdict.Over,
		`the cut-off at 4\d.\d V comes before low-voltage derating has ended at 44.0 V`, "low_voltage.cut_off"},
	{"low-voltage-order", "management before the cut-off", 16 * 2.6, true, func(b *boat.Boat, s *settings.Set, x float64) { s.LowVoltage.CutOff = math.Nextafter(x, 1e3) }, verdict.Over,
		`management opens at 41.6 V, before the controller's cut-off at 4\d.\d V`, "low_voltage.cut_off"},
	{"low-voltage-order", "cells before the cut-off", 16 * 2.5, true, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Battery.Management, s.LowVoltage.CutOff = nil, x
	}, verdict.Over, `the cut-off at 39.\d V comes too late for this bank of 16 cells: 40.0 V is the boat file's lowest cell voltage`, "low_voltage.cut_off"},
	{"low-voltage-order", "a bank whose file gives no lowest cell voltage", 16 * 2.5, true, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Battery.Management, b.Battery.CellLowest, s.LowVoltage.CutOff = nil, quantity.Value{}, x
	}, verdict.Close, `40.0 V is what cells of this chemistry bear under load`, "low_voltage.cut_off"},
	{"low-voltage-order", "48 V settings on a bank of 72 V", 24 * 2.5, true, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Battery.Management, b.Battery.Cells, s.LowVoltage.CutOff = nil, 24, min(x, 42)
		if x >= 60 {
			s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = 70, 66, x
		}
	}, verdict.Over, `the cut-off at 42.0 V comes too late for this bank of 24 cells: 60.0 V is`, "low_voltage.cut_off"},
	{"low-voltage-order", "above the rest voltage", 16 * 3.30, false, func(b *boat.Boat, s *settings.Set, x float64) { s.LowVoltage.Start = math.Nextafter(x, 0) }, verdict.Close,
		`low-voltage derating starts at 5\d.\d V, above the rest voltage of a half-full bank, 52.8 V`, ""},
	{"high-voltage-order", "end not above start", 56.5, true, func(b *boat.Boat, s *settings.Set, x float64) { s.HighVoltage.End = math.Nextafter(x, 1e3) }, verdict.Over,
		`high-voltage derating ends at 5\d.\d V, not above its start at 56.5 V`, "high_voltage.start"},
	{"high-voltage-order", "beyond the cells", highest, false, func(b *boat.Boat, s *settings.Set, x float64) { s.HighVoltage.End = x }, verdict.Over,
		`high-voltage derating ends at \d+.\d V, above what battery and controller bear, 58.4 V`, "high_voltage.end"},
	{"high-voltage-order", "beyond the controller", 57, false, func(b *boat.Boat, s *settings.Set, x float64) {
		b.Stage.VoltageLimit, s.HighVoltage.End = exactly(57), x
	}, verdict.Over, `above what battery and controller bear, 57.0 V`, "high_voltage.end"},
	{"contactor-carries", "", 200, false, func(b *boat.Boat, s *settings.Set, x float64) { s.Limits.BatteryCurrent = x }, verdict.Over,
		`the battery current limit, [\d.]+ A, is more than the contactor carries for ever, 200 A`, "limits.battery_current"},
	{"pre-charge", "time", 3 * (ohms * farads), true, func(b *boat.Boat, s *settings.Set, x float64) { b.Precharge.Time = exactly(x) }, verdict.Close,
		`of pre-charge the link capacitor is at 9\d % of the battery voltage; 95 % needs 1.13 s`, ""},
	{"pre-charge", "energy", 8e-3 * highest * highest / 2, true, func(b *boat.Boat, s *settings.Set, x float64) { b.Precharge.PulseEnergy = exactly(x) }, verdict.Over,
		`one pre-charge puts 13.6 J into the resistor, which takes \d+`, ""},
	{"reversal", "", 1.5 * 6.4 / (0.9 * math.Sqrt(9.80665*6.4/(2*math.Pi))), false, func(b *boat.Boat, s *settings.Set, x float64) { s.Ramp.Reversal = x }, verdict.Close,
		`in a crash stop the boat runs about 10 m before the propeller begins to pull astern`, "ramp.reversal"},
}

// TestStaticRules takes each rule from clear over its limit. At the limit itself nothing is found. Where a setting mends
// it the finding says which, and with it the finding is gone.
func TestStaticRules(t *testing.T) {
	for _, c := range limits {
		t.Run(c.rule+"/"+c.name, func(t *testing.T) {
			step := 0.002 * max(1, c.limit)
			if c.falling {
				step = -step
			}
			found := func(x float64) (*boat.Boat, settings.Set, []verdict.Finding) {
				b, s := sound(t)
				c.set(b, &s, x)
				var out []verdict.Finding
				for _, f := range check(t, c.rule, b, s) {
					if regexp.MustCompile(c.says).MatchString(f.Text) {
						out = append(out, f)
					}
				}
				return b, s, out
			}
			base, set := sound(t)
			require.Empty(t, check(t, c.rule, base, set), "the sound boat")
			_, _, at := found(c.limit)
			require.Empty(t, at, "at the limit")
			b, s, over := found(c.limit + step)
			if len(over) != 1 {
				require.Len(t, over, 1, "past the limit; the rule says %v", check(t, c.rule, b, s))
			}
			f := over[0]
			assert.Equal(t, c.level, f.Level)
			if c.key == "" {
				assert.Nil(t, f.Change)
				return
			}
			require.NotNil(t, f.Change, "a setting mends it")
			assert.Equal(t, c.key, f.Change.Key)
			from, _ := s.Shown(c.key)
			assert.Equal(t, from, f.Change.From)
			assert.NotEmpty(t, f.Change.Why)
			mended, err := s.With(f.Change.Key, f.Change.To)
			require.NoError(t, err)
			for _, left := range check(t, c.rule, b, mended) {
				assert.NotRegexp(t, c.says, left.Text, "the change to %s does not mend it", f.Change.To)
			}
		})
	}
}

// TestCrossedDeratingsMoveToTheSafeSide: what is proposed for a crossed derating breaks the rule at no other point: the end does
// not go above what the part bears, nor below the cut-off.
func TestCrossedDeratingsMoveToTheSafeSide(t *testing.T) {
	for _, c := range []struct {
		rule   string
		change func(s *settings.Set)
	}{
		{"derating-order", func(s *settings.Set) { s.Derating.StageStart = 273.15 + 92 }},
		{"derating-order", func(s *settings.Set) {
			s.Derating.MotorSensor, s.Derating.MotorStart = "winding", s.Derating.MotorEnd+40
		}},
		{"low-voltage-order", func(s *settings.Set) { s.LowVoltage.Start = 40 }},
		{"high-voltage-order", func(s *settings.Set) { s.HighVoltage.Start = 60 }},
	} {
		b, s := sound(t)
		c.change(&s)
		found := check(t, c.rule, b, s)
		require.Len(t, found, 1, c.rule)
		mended, err := s.With(found[0].Change.Key, found[0].Change.To)
		require.NoError(t, err)
		assert.Empty(t, check(t, c.rule, b, mended), "%s to %s", found[0].Change.Key, found[0].Change.To)
	}
}

// TestADeratingAboveItsPartIsMovedBelowIt: one that begins only where the part is hurt is moved as a whole, by two changes.
func TestADeratingAboveItsPartIsMovedBelowIt(t *testing.T) {
	const zero = 273.15
	for _, c := range []struct {
		sensor     string
		start, end float64 // °C
		found      []string
	}{
		{"housing", 95, 110, nil},
		{"housing", 95, 115, []string{"motor derating ends at 115 °C, above the motor housing's limit of 110 °C"}},
		{"housing", 110, 125, []string{
			"motor derating begins at 110 °C, not below the motor housing's limit of 110 °C: it does nothing before that is reached",
			"motor derating ends at 125 °C, above the motor housing's limit of 110 °C",
		}},
		{"winding", 150, 155, nil},
		{"winding", 156, 180, []string{
			"motor derating begins at 156 °C, not below the winding's limit of 155 °C: it does nothing before that is reached",
			"motor derating ends at 180 °C, above the winding's limit of 155 °C",
		}},
		{"none", 156, 180, nil},
	} {
		b, s := sound(t)
		s.Derating.MotorSensor, s.Derating.MotorStart, s.Derating.MotorEnd = c.sensor, zero+c.start, zero+c.end
		var texts []string
		found := check(t, "derating-order", b, s)
		for _, f := range found {
			texts = append(texts, f.Text)
			assert.Equal(t, verdict.Close, f.Level)
		}
		assert.Equal(t, c.found, texts)
		for _, f := range found {
			var err error
			s, err = s.With(f.Change.Key, f.Change.To)
			require.NoError(t, err)
		}
		assert.Empty(t, check(t, "derating-order", b, s))
	}
}

// choices are the rules that turn on a yes or no.
var choices = []struct {
	rule   string
	change func(b *boat.Boat, s *settings.Set)
	level  verdict.Level
	says   string
	key    string
}{
	{"stall-timer", func(_ *boat.Boat, s *settings.Set) { s.Stall.Time = 0 }, verdict.Close, `full motor current in a motor that does not turn, and the battery meter hardly shows it`, "stall.time"},
	{"stall-timer", func(_ *boat.Boat, s *settings.Set) { s.Stall.Speed = 0 }, verdict.Close, `counts the motor as not turning below 0 rpm only, which no tachometer tells from standing still: it may never act`, "stall.speed"},
	{"stall-timer", func(_ *boat.Boat, s *settings.Set) { s.Stall.Current = 1 }, verdict.Close, `runs above 100 % of the motor current limit, and the limit keeps the motor current below: it never acts`, "stall.current"},
	{"neutral-start", func(_ *boat.Boat, s *settings.Set) { s.Throttle.NeutralStart = false }, verdict.Close, `the neutral start interlock is off`, "throttle.neutral_start"},
	{"high-voltage-order", func(_ *boat.Boat, s *settings.Set) { s.HighVoltage.Start = 0 }, verdict.Close, `starts at 0\.0 V, below the rest voltage`, "high_voltage.start"},
	{"management-limit", func(b *boat.Boat, _ *settings.Set) { b.Battery.Management = nil }, verdict.Close, `this lithium bank has no management`, ""},
	{"pre-charge", func(b *boat.Boat, _ *settings.Set) { b.Precharge = nil }, verdict.Over, `there is no pre-charge: .* drives up to 6.4 kA of battery current through it`, ""},
	{"cold-charging", func(b *boat.Boat, _ *settings.Set) { b.Battery.ChargeLowestTemperature = quantity.Value{} }, verdict.Close, `must not be charged below freezing, by braking neither; the boat file does not say`, ""},
}

func TestRulesOfWhatIsThereOrNot(t *testing.T) {
	for _, c := range choices {
		t.Run(c.rule, func(t *testing.T) {
			b, s := sound(t)
			c.change(b, &s)
			found := check(t, c.rule, b, s)
			require.Len(t, found, 1)
			assert.Equal(t, c.level, found[0].Level)
			assert.Regexp(t, c.says, found[0].Text)
			if c.key == "" {
				assert.Nil(t, found[0].Change)
				return
			}
			require.NotNil(t, found[0].Change)
			assert.Equal(t, c.key, found[0].Change.Key)
			mended, err := s.With(c.key, found[0].Change.To)
			require.NoError(t, err)
			assert.Empty(t, check(t, c.rule, b, mended))
		})
	}
}

// TestRulesStaySilentWhereTheyDoNotApply: no management, no braking, no ampacity given.
func TestRulesStaySilentWhereTheyDoNotApply(t *testing.T) {
	b, s := sound(t)
	b.Battery.Management = nil
	s.Limits.BatteryCurrent, s.Limits.ChargeCurrent, s.LowVoltage.CutOff = 2000, 2000, 41 // management would open at 41.6 V
	assert.Empty(t, check(t, "braking", b, s))
	assert.Empty(t, check(t, "low-voltage-order", b, s))
	s.Limits.BrakingCurrent, s.HighVoltage = 0, settings.HighVoltage{Start: 60, End: 1}
	assert.Empty(t, check(t, "high-voltage-order", b, s))
	for i := range b.Cables { // nothing is known of their cooling: the reader refuses that
		b.Cables[i].Ampacity = quantity.Value{}
	}
	b.Fuse.Rating, s.Limits.MotorCurrent = exactly(1e4), 2000
	assert.Empty(t, check(t, "fuse-against-cable", b, s))
	assert.Empty(t, check(t, "motor-cable", b, s))
	b.Battery.ChargeLowestTemperature = quantity.Value{}
	assert.Empty(t, check(t, "cold-charging", b, s), "nothing charges it")
	b.Battery.OCV = nil
	s.LowVoltage.Start = 16*3.3 - 0.1
	assert.Empty(t, check(t, "low-voltage-order", b, s), "without a table an LFP cell rests at 3.3 V")
}

// TestHighVoltageDeratingIsPutRightInTwoSteps: braking without high-voltage derating was given an end alone, so that derating began at 0 V and took nine tenths of the braking away.
func TestHighVoltageDeratingIsPutRightInTwoSteps(t *testing.T) {
	b, s := sound(t)
	s.HighVoltage = settings.HighVoltage{}
	for _, says := range []string{"braking is on without high-voltage derating", "the boat does not brake with its full limit"} {
		found := check(t, "high-voltage-order", b, s)
		require.Len(t, found, 1)
		assert.Contains(t, found[0].Text, says)
		var err error
		s, err = s.With(found[0].Change.Key, found[0].Change.To)
		require.NoError(t, err)
	}
	assert.Empty(t, check(t, "high-voltage-order", b, s))
}

// TestNoChangeToWhatIsThere: a derating that starts and ends at 0 V got "low_voltage.start from 0 V to 0 V (5 % above the end)".
func TestNoChangeToWhatIsThere(t *testing.T) {
	b, s := sound(t)
	s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = 0, 0, 0
	found := check(t, "low-voltage-order", b, s)
	require.NotEmpty(t, found)
	for _, f := range found {
		if f.Change != nil {
			assert.NotEqual(t, f.Change.From, f.Change.To, f.Text)
		}
	}
}

// TestFindingsNameACableAsAPersonDoes: findings and odds said "look at joint[0].resistance", which stands in no file.
func TestFindingsNameACableAsAPersonDoes(t *testing.T) {
	b, s := sound(t)
	for i := range b.Joints {
		b.Joints[i].Resistance, b.Joints[i].HeatCapacity = exactly(0.05), exactly(1e5)
	}
	for i := range b.Cables {
		b.Cables[i].RatedTemperature = exactly(273.15 + 300)
	}
	texts := ""
	for _, f := range verdict.Static(b, s) {
		texts += f.Text + "\n"
	}
	assert.Contains(t, texts, "joint["+b.Joints[0].Name+"].resistance")
	assert.Contains(t, texts, "cable["+b.Cables[0].Name+"].rated_temperature")
	assert.NotRegexp(t, `(cable|joint)\[\d`, texts)
}

// TestAThinMotorCableIsNotHeldByTheFuse: `choose` gave a motor of 24 A a cable of 4 mm² behind a fuse of 100 A, which carries 134 A for hours: by hand 4 mm² that is rated 60 K above the
// air at 34 A rises by 60 K · (134/34)² = 930 K then, before its resistance grows. Only a controller's limit was held against the cable, and a switch that fails shorted keeps none.
func TestAThinMotorCableIsNotHeldByTheFuse(t *testing.T) {
	b, s := sound(t)
	thin := func(section, ampacity float64) (out []verdict.Finding) {
		changed := *b
		changed.Cables = slices.Clone(b.Cables)
		for i := range changed.Cables {
			if c := &changed.Cables[i]; c.Circuit == "motor" {
				c.Section, c.Ampacity, c.EngineSpace = exactly(section*1e-6), exactly(ampacity), false
			}
		}
		return check(t, "motor-cable", &changed, s)
	}
	s.Limits.MotorCurrent, s.Limits.AsternCurrent, s.Limits.BrakingCurrent, s.Boost.Current = 24, 24, 0, 0
	assert.Empty(t, thin(50, 200))
	found := thin(4, 34)
	require.Len(t, found, 1)
	assert.Equal(t, verdict.Close, found[0].Level, "it takes a failure")
	assert.Regexp(t, `a power stage that fails shorted puts the motor on the bank, and the fuse of 160 A, which then alone protects the motor cable, does not .* at most 49 A would do, 1.45 times the 34 A that the cable may carry`, found[0].Text)
	b.Motor.Kind = "permanent-magnet brushless"
	assert.Empty(t, thin(4, 34))
}

// TestLowVoltageAdviceEnds: whoever does what the rule says has the order right after a few changes. "management opens before the cut-off: raise it to 20.2 V" was followed by "the cut-off
// comes before derating has ended at 11 V: lower it to 10.78 V", and so on for ever.
func TestLowVoltageAdviceEnds(t *testing.T) {
	for _, cells := range []float64{0, 2.0, 3.0} { // V a cell at which management opens; 0: there is none
		for _, start := range []float64{0, 12, 38, 46, 49} {
			for _, end := range []float64{0, 11, 38, 44, 52} {
				for _, cutOff := range []float64{0, 10, 30, 42, 50} {
					b, s := sound(t)
					if b.Battery.Management = nil; cells > 0 {
						b.Battery.Management = &boat.Management{CellLow: exactly(cells)}
					}
					s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = start, end, cutOff
					follows := func() bool {
						for _, f := range check(t, "low-voltage-order", b, s) {
							if f.Level == verdict.Over && f.Change != nil {
								next, err := s.With(f.Change.Key, f.Change.To)
								require.NoError(t, err)
								s = next
								return true
							}
						}
						return false
					}
					steps := 0
					for steps < 9 && follows() {
						steps++
					}
					for _, f := range check(t, "low-voltage-order", b, s) {
						assert.NotEqual(t, verdict.Over, f.Level, "from %g, %g, %g V, management %g V a cell, after %d changes: %s", start, end, cutOff, cells, steps, f.Text)
					}
				}
			}
		}
	}
}

// TestNoCableIsNoClearCable: a boat file without a cable of a circuit got "clear: the motor cables carry the motor current limits", and the
// fuse was "as small as the standards ask for the battery cables".
func TestNoCableIsNoClearCable(t *testing.T) {
	for circuit, rules := range map[string][]string{"motor": {"motor-cable"}, "battery": {"battery-cable", "fuse-against-cable"}} {
		b, s := sound(t)
		b.Cables = slices.DeleteFunc(slices.Clone(b.Cables), func(c boat.Cable) bool { return c.Circuit == circuit })
		for _, f := range verdict.Static(b, s) {
			if f.Level > verdict.Clear {
				assert.Equal(t, verdict.Close, f.Level)
				assert.Contains(t, f.Text, "the boat file has no "+circuit+" cable, so nothing here judges one")
				require.Contains(t, rules, f.Rule)
				rules = slices.DeleteFunc(rules, func(r string) bool { return r == f.Rule })
			}
		}
		assert.Empty(t, rules, "not found")
	}
}

// TestARuleWithNothingToJudgeSaysSo: a lead-acid boat without management or charger was told that its charging source holds back, that its limit stays below
// what management allows, and how cold its lithium battery may be charged.
func TestARuleWithNothingToJudgeSaysSo(t *testing.T) {
	b, s := sound(t)
	b.Battery.Management, b.Charging, b.Battery.Chemistry, s.Limits.BrakingCurrent = nil, nil, "flooded lead-acid", 0
	for rule, says := range map[string]string{"management-limit": "the boat file has no management", "charging-voltage": "no charging source", "cold-charging": "no lithium", "braking": "does not brake"} {
		i := slices.IndexFunc(verdict.Rules(), func(r verdict.Rule) bool { return r.Name == rule })
		r := verdict.Rules()[i]
		assert.Contains(t, r.Clear(b, s), says)
		assert.Contains(t, r.Clear(b, s), "nothing to judge")
		sound, present := sound(t)
		sound.Charging = &boat.Charging{}
		assert.Equal(t, r.Title, r.Clear(sound, present), rule)
	}
}

// TestComparedCurrentsReadApart: `+"`highest`"+` ended at "the battery current limit, 80 A, is above the fuse's rating, 80 A".
func TestComparedCurrentsReadApart(t *testing.T) {
	b, s := sound(t)
	s.Limits.BatteryCurrent = b.Fuse.Rating.SI + 0.11
	assert.Contains(t, check(t, "fuse-against-limit", b, s)[0].Text, "160.1 A, is above the fuse's rating, 160 A")
	s.Limits.MotorCurrent = b.Stage.Current.SI + 0.2
	assert.Contains(t, check(t, "stage-current", b, s)[0].Text, "400.2 A of motor current, is more than the controller's 400 A")
}

// TestACableKnownByItsThermalResistanceIsJudged: a file may give how a cable gives off its heat in place of an ampacity; fuse and
// limits are held against what it then carries, as with the ampacity that means the same.
func TestACableKnownByItsThermalResistanceIsJudged(t *testing.T) {
	b, s := sound(t)
	for i := range b.Cables {
		b.Cables[i].EngineSpace = false
	}
	s.Limits.MotorCurrent = 300
	b.Fuse.Rating, b.Fuse.Class = exactly(400), "gG"
	b.Fuse.Fastest, b.Fuse.Slowest = nil, nil
	texts := func() (out []string) {
		for _, rule := range []string{"motor-cable", "fuse-against-cable"} {
			for _, f := range check(t, rule, b, s) {
				out = append(out, f.Text)
			}
		}
		return out
	}
	byAmpacity := texts()
	require.GreaterOrEqual(t, len(byAmpacity), 2, "%v", byAmpacity)
	for i := range b.Cables {
		c := &b.Cables[i]
		k, err := drive.CableHeat(c)
		require.NoError(t, err)
		c.ThermalResistance, c.Ampacity = exactly(k.Resistance), quantity.Value{}
	}
	assert.Equal(t, byAmpacity, texts())
}

// TestAMeasuredPointNeedsNoSpeedPower: of a hull without a table there is nothing to hold the measured point against.
func TestAMeasuredPointNeedsNoSpeedPower(t *testing.T) {
	b, s := sound(t)
	b.Hull.SpeedPower, b.Hull.Resistance = nil, nil
	assert.NotPanics(t, func() { check(t, "data-hull", b, s) })
	assert.NotPanics(t, func() { check(t, "data-propeller", b, s) })
}

// TestEveryRuleHasItsCase: a rule without a test of its own fails here.
func TestEveryRuleHasItsCase(t *testing.T) {
	tested := map[string]bool{"low-voltage-hunting": true} // TestLowVoltageHunting
	for _, c := range limits {
		tested[c.rule] = true
	}
	for _, c := range choices {
		tested[c.rule] = true
	}
	for _, c := range contradictions {
		tested[c.rule] = true
	}
	names := map[string]bool{}
	for _, r := range verdict.Rules() {
		assert.True(t, tested[r.Name], "no test of %s", r.Name)
		assert.False(t, names[r.Name], "two rules are called %s", r.Name)
		names[r.Name] = true
		assert.NotEmpty(t, r.Title, r.Name)
		assert.NotEmpty(t, r.Source, "%s: where does it come from?", r.Name)
	}
	assert.Len(t, names, len(tested))
	b, s := sound(t)
	minds := 0
	for _, f := range verdict.Static(b, s) { // what is to be borne in mind is told beside a clear rule too
		assert.Equal(t, verdict.Clear, f.Level, "the sound boat: %s", f.Text)
		assert.NotEmpty(t, f.Mind)
		minds++
	}
	assert.Equal(t, 1, minds)
	s.Limits.BatteryCurrent = 230
	for _, f := range verdict.Static(b, s) {
		assert.NotEmpty(t, f.Rule)
		assert.NotEmpty(t, f.Source)
	}
}

// TestEveryFindingSaysWhichCurrent: a finding that speaks of amperes says whether they are battery or motor current.
func TestEveryFindingSaysWhichCurrent(t *testing.T) {
	amperes := regexp.MustCompile(`\d k?A\b`)
	which := regexp.MustCompile(`battery current|motor current|fuse|contactor`)
	rapid.Check(t, func(t *rapid.T) {
		b, s := sound(t)
		amps := rapid.Float64Range(0, 1000)
		s.Limits.MotorCurrent, s.Limits.AsternCurrent, s.Limits.BrakingCurrent = amps.Draw(t, "ahead"), amps.Draw(t, "astern"), amps.Draw(t, "braking")
		s.Limits.BatteryCurrent, s.Limits.ChargeCurrent, s.Boost.Current = amps.Draw(t, "battery"), amps.Draw(t, "charge"), amps.Draw(t, "boost")
		b.Fuse.Rating, b.Fuse.BreakingCapacity = exactly(amps.Draw(t, "fuse")), exactly(amps.Draw(t, "breaking"))
		if rapid.Bool().Draw(t, "no pre-charge") {
			b.Precharge = nil
		}
		for _, f := range verdict.Static(b, s) {
			if amperes.MatchString(f.Text) {
				require.Regexp(t, which, f.Text)
				require.Regexp(t, `battery current|motor current`, f.Text)
			}
		}
	})
}

// TestLowVoltageHunting holds the rule against a controller and a battery simulated sample by sample.
func TestLowVoltageHunting(t *testing.T) {
	hunts := func(b *boat.Boat, s settings.Set) bool {
		v := s.LowVoltage
		ohms := pathOhms
		blend := 1 - math.Exp(-b.Stage.SamplePeriod.SI/v.FilterTime)
		rest := (v.Start+v.End)/2 + ohms*s.Limits.BatteryCurrent/2 // so that it settles halfway down
		filtered := (v.Start+v.End)/2 + 1e-6
		for range 200000 {
			factor := max(0, min(1, (filtered-v.End)/(v.Start-v.End)))
			seen := rest - ohms*s.Limits.BatteryCurrent*factor
			filtered += blend * (seen - filtered)
		}
		return math.Abs(filtered-(v.Start+v.End)/2) > 1e-3
	}
	rapid.Check(t, func(t *rapid.T) {
		b, s := sound(t)
		s.LowVoltage.Start = 46
		s.LowVoltage.End = 46 - rapid.Float64Range(0.02, 2).Draw(t, "band")
		s.LowVoltage.FilterTime = rapid.Float64Range(0.002, 0.1).Draw(t, "filter")
		s.Limits.BatteryCurrent = rapid.Float64Range(20, 300).Draw(t, "limit")
		b.Stage.SamplePeriod = exactly(rapid.Float64Range(0.001, 0.05).Draw(t, "sample period"))
		found := check(t, "low-voltage-hunting", b, s)
		over := len(found) > 0 && found[0].Level == verdict.Over
		// Near the limit itself neither side decides quickly.
		loop := pathOhms * s.Limits.BatteryCurrent / (s.LowVoltage.Start - s.LowVoltage.End)
		a := math.Exp(-b.Stage.SamplePeriod.SI / s.LowVoltage.FilterTime)
		if most := (1 + a) / (1 - a); math.Abs(loop/most-1) > 0.02 {
			require.Equal(t, hunts(b, s), over, "loop gain %g of %g", loop, most)
		}
		if over && found[0].Change != nil {
			mended, err := s.With(found[0].Change.Key, found[0].Change.To)
			require.NoError(t, err)
			require.Empty(t, check(t, "low-voltage-hunting", b, mended))
			require.False(t, hunts(b, mended))
		}
	})
}

// TestPluggingSaysOnWhatItStands: bracken's field for its astern limit, by hand: 0.65·18 mΩ·170 A + 1.5 V + 0.75 V = 4.24 V at 188.5 rad/s
// are 22.5 mV·s/rad, which is 5.9 A of its curve; times 35 % of 18 mΩ.
func TestPluggingSaysOnWhatItStands(t *testing.T) {
	b, s, err := reference.Boat("bracken")
	require.NoError(t, err)
	note := func() string {
		for _, f := range verdict.Static(b, s) {
			if f.Rule == "reversal" {
				return f.Mind
			}
		}
		return ""
	}
	assert.Contains(t, note(), "holds the astern limit, 170 A of motor current, by a field of 5.9 A, and can do so only if the plug diode across the armature drops at most 0.037 V more")
	b.Stage.Braking = true
	assert.Empty(t, note())
}

// TestACoolingThatCannotBeLostIsSaid: a factor of 1 says that nothing is lost, which the trial lost-cooling then does not try.
func TestACoolingThatCannotBeLostIsSaid(t *testing.T) {
	b, s := sound(t)
	note := func() string {
		for _, f := range verdict.Static(b, s) {
			if f.Rule == "data-parts" {
				assert.Equal(t, verdict.Clear, f.Level)
				return f.Mind
			}
		}
		return ""
	}
	assert.Empty(t, note())
	b.Motor.LostCoolingFactor = exactly(1)
	assert.Contains(t, note(), "the motor cannot lose any cooling (motor.lost_cooling_factor: 1), and the trial lost-cooling tries nothing of it")
	b.Stage.LostCoolingFactor, b.Compartment.ClosedFactor = exactly(1), exactly(1)
	assert.Contains(t, note(), "nothing on this boat loses cooling")
}

// TestABoostBelowTheLimitIsSaid: it does nothing, which endangers nothing.
func TestABoostBelowTheLimitIsSaid(t *testing.T) {
	b, s := sound(t)
	for _, amps := range []float64{100, s.Limits.MotorCurrent} {
		s.Boost.Current = amps
		for _, f := range verdict.Static(b, s) {
			assert.Equal(t, verdict.Clear, f.Level)
			if f.Rule == "stage-current" {
				assert.Regexp(t, `boost, 1[04]0 A of motor current, is not above the motor current limit, 140 A: it does nothing`, f.Mind)
			}
		}
	}
}
