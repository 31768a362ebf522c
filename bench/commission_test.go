package bench_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
)

// everySetting describes a controller that holds every number of the table.
func everySetting() (list []link.Setting) {
	for _, f := range settings.Fields() {
		if f.Kind == datafile.KindQuantity {
			list = append(list, link.Setting{Key: f.Key, Unit: f.Unit, Min: -1e9, Max: 1e9})
		}
	}
	return list
}

// holding returns what a controller reports that holds a set.
func holding(s settings.Set, list []link.Setting) map[string]float64 {
	held := map[string]float64{}
	for _, k := range list {
		held[k.Key], _ = s.Number(k.Key)
	}
	return held
}

// TestWriteOrder: what comes before what.
func TestWriteOrder(t *testing.T) {
	for _, c := range []struct {
		name       string
		controller []string // differs from petrel's settings in this
		file       []string // and petrel's settings are changed to this
		want       []string
	}{
		{"nothing differs", nil, nil, nil},
		{
			"a limit is lowered before another is raised",
			[]string{"limits.motor_current=130 A", "limits.battery_current=140 A"}, nil,
			[]string{"limits.battery_current", "limits.motor_current"},
		},
		{
			"a slower ramp, stronger derating and a shorter stall time come before a higher limit",
			[]string{"limits.motor_current=100 A", "ramp.rise=1 s", "low_voltage.start=46 V", "stall.time=8 s"}, nil,
			[]string{"ramp.rise", "low_voltage.start", "stall.time", "limits.motor_current"},
		},
		{
			"low-voltage thresholds that rise together: the highest first, or one would overtake the next",
			nil, []string{"low_voltage.start=50 V", "low_voltage.end=48 V", "low_voltage.cut_off=47 V"},
			[]string{"low_voltage.start", "low_voltage.end", "low_voltage.cut_off"},
		},
		{
			"and that fall together: the lowest first",
			[]string{"low_voltage.start=50 V", "low_voltage.end=48 V", "low_voltage.cut_off=47 V"}, nil,
			[]string{"low_voltage.cut_off", "low_voltage.end", "low_voltage.start"},
		},
		{
			"derating that moves down: its start first",
			nil, []string{"derating.stage_start=50 °C", "derating.stage_end=70 °C"},
			[]string{"derating.stage_start", "derating.stage_end"},
		},
		{
			"derating that moves up: its end first",
			[]string{"derating.stage_start=50 °C", "derating.stage_end=70 °C"}, nil,
			[]string{"derating.stage_end", "derating.stage_start"},
		},
		{
			"braking is switched on after what holds it back",
			[]string{"limits.braking_current=0 A", "high_voltage.start=59 V"}, nil,
			[]string{"high_voltage.start", "limits.braking_current"},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := setup(t, "petrel")
			controller, err := bench.Assign(s.Settings, c.controller)
			require.NoError(t, err)
			s.Settings, err = bench.Assign(s.Settings, c.file)
			require.NoError(t, err)
			list := everySetting()
			order, err := bench.WriteOrder(s, bench.CompareSettings(s.Settings, link.Description{Settings: list}, holding(controller, list)))
			require.NoError(t, err)
			var got []string
			for _, change := range order {
				got = append(got, change.Key)
			}
			assert.Equal(t, c.want, got)
		})
	}
}

// TestWriteOrderRefuses what cannot be written, before anything is.
func TestWriteOrderRefuses(t *testing.T) {
	s := setup(t, "petrel")
	for _, c := range []struct {
		name    string
		setting link.Setting
		held    float64
		want    string
	}{
		{"read-only", link.Setting{Key: "limits.duty", Unit: "%", Max: 1, ReadOnly: true}, 0.9, "limits.duty differs, and the map says read-only: set it at the controller itself"},
		{"no such word", link.Setting{Key: "throttle.demand", Words: []string{"speed", "voltage"}, Max: 1}, 0, `throttle.demand is "torque" in the settings file, which the controller has no word for; it has speed, voltage`},
		{"out of range", link.Setting{Key: "limits.motor_current", Unit: "A", Min: 0, Max: 100, Step: 1}, 90, "limits.motor_current is 140 A in the settings file, outside what the controller takes, 0 A to 100 A"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := link.Description{Settings: []link.Setting{c.setting}}
			_, err := bench.WriteOrder(s, bench.CompareSettings(s.Settings, d, map[string]float64{c.setting.Key: c.held}))
			assert.EqualError(t, err, c.want)
		})
	}
}

// TestWriteOrderIsSafeAtEachStep: whatever a controller holds and whatever it is to hold, no set on the way breaks a static
// rule that neither end breaks, and the way leads there.
func TestWriteOrderIsSafeAtEachStep(t *testing.T) {
	benchtest.Computes(t)
	boats := []*bench.Setup{setup(t, "petrel"), setup(t, "bracken")}
	list := everySetting()
	rapid.Check(t, func(t *rapid.T) {
		s := *boats[rapid.IntRange(0, 1).Draw(t, "boat")]
		controller := drawn(t, s.Settings, "controller")
		s.Settings = drawn(t, s.Settings, "file")
		order, err := bench.WriteOrder(&s, bench.CompareSettings(s.Settings, link.Description{Settings: list}, holding(controller, list)))
		require.NoError(t, err)
		allowed := over(&s, controller)
		for rule := range over(&s, s.Settings) {
			allowed[rule] = true
		}
		now := controller
		for i, c := range order {
			v, _ := now.Number(c.Key)
			assert.InDelta(t, c.From, v, 1e-9)
			now, err = now.WithNumber(c.Key, c.To)
			require.NoError(t, err)
			for rule := range over(&s, now) {
				require.True(t, allowed[rule], "after %d of %d (%s) the set breaks %s", i+1, len(order), c.Key, rule)
			}
		}
		assert.InDeltaMapValues(t, holding(s.Settings, list), holding(now, list), 1e-6)
	})
}

// over returns the rules that a set breaks.
func over(s *bench.Setup, set settings.Set) map[string]bool {
	out := map[string]bool{}
	for _, f := range verdict.Static(s.Boat, set) {
		if f.Level == verdict.Over {
			out[f.Rule] = true
		}
	}
	return out
}

// drawn moves some settings, to places near each other, so that their order matters.
func drawn(t *rapid.T, s settings.Set, name string) settings.Set {
	for _, f := range []struct {
		key    string
		lo, hi float64
	}{
		{"limits.motor_current", 50, 420}, {"limits.astern_current", 50, 420}, {"limits.braking_current", 0, 100}, {"limits.battery_current", 50, 240}, {"limits.charge_current", 0, 120},
		{"boost.current", 0, 420}, {"ramp.rise", 0.1, 10}, {"ramp.fall", 0.1, 5}, {"ramp.reversal", 0.1, 5},
		{"derating.stage_start", 320, 380}, {"derating.stage_end", 320, 380}, {"derating.motor_start", 350, 420}, {"derating.motor_end", 350, 420},
		{"low_voltage.start", 40, 55}, {"low_voltage.end", 40, 55}, {"low_voltage.cut_off", 40, 55},
		{"high_voltage.start", 50, 60}, {"high_voltage.end", 50, 60}, {"stall.time", 0, 20}, {"stall.current", 0, 1},
	} {
		if !rapid.Bool().Draw(t, name+" moves "+f.key) {
			continue
		}
		v := rapid.Float64Range(f.lo, f.hi).Draw(t, fmt.Sprintf("%s %s", name, f.key))
		if next, err := s.WithNumber(f.key, v); err == nil {
			s = next
		}
	}
	return s
}
