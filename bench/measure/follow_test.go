package measure_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// truth is a simulated run, as ideal meters would see it.
type truth struct {
	boat     *boat.Boat
	settings settings.Set
	program  *trial.Trial
	parts    map[string][]float64 // per sample
	result   measure.Result       // with all channels
}

// electrical channels come first, then thermometers.
var followed = []link.Channel{
	{Name: link.Voltage, Unit: "V"}, {Name: link.BatteryCurrent, Unit: "A"}, {Name: link.MotorCurrent, Unit: "A"},
	{Name: link.MotorSpeed, Unit: "rad/s"}, {Name: link.Duty, Unit: "1"},
	{Name: link.StageTemperature, Unit: "K"}, {Name: link.MotorTemperature, Unit: "K"}, {Name: link.BatteryTemperature, Unit: "K"},
}

const electrical = 5

// demo reads a demo boat.
func demo(t *testing.T, name string) (*boat.Boat, settings.Set) {
	t.Helper()
	return benchtest.Boat(t, name)
}

// observe runs a programme and samples it where something moves every quarter of a second, else every ten.
func observe(t *testing.T, b *boat.Boat, s settings.Set, program *trial.Trial) *truth {
	t.Helper()
	live, err := simulate.NewLive(b, s, program)
	require.NoError(t, err)
	all := &truth{boat: b, settings: s, program: program, parts: map[string][]float64{}}
	all.result.Channels = followed
	corners := append([]float64{0}, program.Corners()...)
	lever := func(at float64) float64 { return program.Lever(at)(at) }
	at := 0.0
	model, err := drive.New(b, s, drive.Conditions{Air: program.Air, Water: program.Water})
	require.NoError(t, err)
	for {
		p := live.Point()
		part := func(name string) float64 {
			v, ok := live.Part(name)
			require.True(t, ok, name)
			return v
		}
		all.result.Samples = append(all.result.Samples, measure.Sample{At: at, Due: at, Since: at, Lever: lever(at), Values: []float64{
			p.Measured.Voltage, p.BatteryCurrent, p.MotorCurrent, p.Measured.Speed, p.Duty,
			part("heat sink"), p.Measured.MotorTemperature, part("battery"),
		}})
		for i := range model.Parts {
			name := model.Parts[i].Name
			all.parts[name] = append(all.parts[name], part(name))
		}
		if at >= program.Duration {
			break
		}
		step := 10.0
		for _, c := range corners {
			if at > c-10 && at < c+15 {
				step = 0.25
			}
		}
		for range 4 {
			at += step / 4
			require.NoError(t, live.Advance(t.Context(), step/4, lever(at)))
		}
	}
	all.result.Stop = measure.Stop{Reason: measure.Finished}
	return all
}

// with returns the result with some of the channels only: those whose bit is set.
func (a *truth) with(channels int) *measure.Result {
	r := a.result
	r.Channels, r.Samples = nil, slices.Clone(r.Samples)
	for i, c := range a.result.Channels {
		if channels>>i&1 == 1 {
			r.Channels = append(r.Channels, c)
		}
	}
	for k := range r.Samples {
		x := &r.Samples[k]
		var values []float64
		for i, v := range x.Values {
			if channels>>i&1 == 1 {
				values = append(values, v)
			}
		}
		x.Values = values
	}
	return &r
}

func names(channels int) string {
	var list []string
	for i, c := range followed {
		if channels>>i&1 == 1 {
			list = append(list, c.Name)
		}
	}
	return strings.Join(list, ", ")
}

// halfHour is thirty minutes at full lever, moored or under way.
func halfHour(moored bool) *trial.Trial {
	p, err := trial.Read("half-hour.toml", []byte(fmt.Sprintf(`
name = "half hour"
duration = "30 min"
moored = %v
[[throttle]]
at = "2 s"
to = "100 %%"
over = "1 s"
`, moored)))
	if err != nil {
		panic(err)
	}
	return p
}

// mustRemain lists, for each set of electrical channels, the parts that a record must be able to judge; "all": every one.
func mustRemain(channels int) (parts []string, all bool) {
	has := func(name string) bool {
		return channels>>slices.IndexFunc(followed, func(c link.Channel) bool { return c.Name == name })&1 == 1
	}
	motor, battery, duty, speed := has(link.MotorCurrent), has(link.BatteryCurrent), has(link.Duty), has(link.MotorSpeed)
	switch {
	case motor && battery, motor && duty, motor && speed, battery && duty, battery && speed:
		return nil, true
	}
	if motor {
		parts = append(parts, "power stage")
	}
	if speed {
		parts = append(parts, "rotor speed")
	}
	if has(link.Voltage) {
		parts = append(parts, "link voltage")
		if battery {
			parts = append(parts, "lowest cell")
		}
	}
	for _, direct := range []struct{ channel, part string }{
		{link.StageTemperature, "heat sink"}, {link.BatteryTemperature, "battery"},
	} {
		if has(direct.channel) {
			parts = append(parts, direct.part)
		}
	}
	return parts, false
}

// Every part that a record keeps is as the simulation has it, whatever of the channels were measured; a part whose heat cannot
// be known is left out by name, and those that can be known remain.
func TestAMeasuredRecordAgreesWithTheTruth(t *testing.T) {
	benchtest.Computes(t)
	for _, name := range []string{"petrel", "bracken"} {
		b, s := demo(t, name)
		all := observe(t, b, s, halfHour(name == "petrel"))
		for channels := range 1 << len(followed) {
			if thermometers := channels >> electrical; thermometers != 0 && !thorough && channels%37 != 5 {
				continue
			}
			checkFollowed(t, all, channels)
		}
	}
}

// variedBoat are the constants that are off in TestAMeasuredRecordAgreesOnAnyBoat.
var variedBoat = regexp.MustCompile(`(resistance|thermal_resistance|heat_capacity|constant|friction_torque|inertia|displacement|brush_drop|housekeeping)$`)

// TestAMeasuredRecordAgreesOnAnyBoat is the same for boats nobody has looked at, moored or under way, with a few sets of channels:
// all, without tachometer, without motor current, without voltage, and motor current and duty alone.
func TestAMeasuredRecordAgreesOnAnyBoat(t *testing.T) {
	benchtest.Computes(t)
	seed, n := uint64(1), 2
	if thorough {
		n = 60
	}
	if text := os.Getenv("QUAYBENCH_SEED"); text != "" {
		var err error
		seed, err = strconv.ParseUint(text, 10, 64)
		require.NoError(t, err)
	}
	for i := range n {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		b, s := demo(t, []string{"petrel", "bracken"}[i%2])
		datafile.Walk(b, func(path string, v *quantity.Value) {
			if v.Given && variedBoat.MatchString(path) {
				v.SI *= math.Exp(0.6 * (r.Float64() - 0.5))
			}
		})
		all := observe(t, b, s, halfHour(r.IntN(2) == 0))
		for _, channels := range []int{0b11111, 0b10111, 0b11011, 0b11110, 0b10100} {
			checkFollowed(t, all, channels)
		}
		require.False(t, t.Failed(), "seed %d, boat %d", seed, i)
	}
}

func checkFollowed(t *testing.T, all *truth, channels int) {
	t.Helper()
	run, err := measure.Complete(t.Context(), all.boat, all.settings, all.program, all.with(channels))
	if channels>>1&3 == 0 {
		assert.ErrorContains(t, err, "neither motor current nor battery current", names(channels))
		return
	}
	if !assert.NoError(t, err, names(channels)) {
		return
	}
	must, whole := mustRemain(channels)
	if whole {
		assert.Empty(t, run.LeftOut, "%s with %s", all.boat.Name, names(channels))
	}
	for _, part := range must {
		assert.NotContains(t, run.LeftOut, part, "%s with %s", all.boat.Name, names(channels))
	}
	assert.Equal(t, len(all.parts), len(run.Parts)+len(run.LeftOut), "%s with %s: a part is neither judged nor named as left out", all.boat.Name, names(channels))
	for _, part := range run.Parts {
		tr, _ := run.Trace(part.Trace)
		worst, when := 0.0, 0.0
		for k, at := range run.Time {
			if at < 20 { // while the lever moves, samples lie apart
				continue
			}
			if d := tr.Values[k] - all.parts[part.Name][k]; d > worst || -d > worst {
				worst, when = max(d, -d), at
			}
		}
		allowed := 0.1 // K
		if part.Unit != "°C" {
			allowed = 2e-3 * part.Limit
		}
		assert.LessOrEqual(t, worst, allowed, "%s with %s: %s at %.4g s", all.boat.Name, names(channels), part.Name, when)
	}
}

// TestARecordNamesACharger: what a charging source gave is taken from the boat file only where the boat has one and the
// programme uses it.
func TestARecordNamesACharger(t *testing.T) {
	for _, c := range []struct{ has, used bool }{{false, true}, {true, false}, {true, true}} {
		b, s := demo(t, "petrel")
		b.Charging = nil
		if c.has {
			b.Charging = &boat.Charging{Power: quantity.Exactly(300), CurrentLimit: quantity.Exactly(6), VoltageLimit: quantity.Exactly(56)}
		}
		program := halfHour(true)
		program.Charging = c.used
		r := &measure.Result{Channels: followed[2:3], Samples: []measure.Sample{{Values: []float64{0}}, {At: 1, Due: 1, Since: 1, Values: []float64{0}}}}
		run, err := measure.Complete(t.Context(), b, s, program, r)
		require.NoError(t, err)
		const text = "the charging source gave what the boat file says"
		assert.Equal(t, c.has && c.used, slices.Contains(run.Assumed, text), "%+v: %q", c, run.Assumed)
	}
}

// TestTheBandOfAnInferenceIsOfAllDraws: the quantiles are of the draws in order of size, at each instant, whatever their order. Of five
// draws the lowest and the highest are the ends.
func TestTheBandOfAnInferenceIsOfAllDraws(t *testing.T) {
	run := func(values ...float64) *record.Run {
		return &record.Run{Time: []float64{0, 1}, Traces: []record.Trace{{Name: "winding", Inferred: true, Values: values}}}
	}
	measured, base := run(300, 310), run(300, 310)
	measure.Spread(measured, base, []*record.Run{run(302, 309), run(299, 316), run(301, 311), run(297, 312), run(304, 308)}, 0.025, 0.975)
	assert.Equal(t, []float64{297, 308}, measured.Traces[0].Low)
	assert.Equal(t, []float64{304, 316}, measured.Traces[0].High)
}
