package measure_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"text/tabwriter"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/settings"
)

// overseen is a line at which somebody looks at the controller's true motor current whenever anything is asked.
type overseen struct {
	port.Port
	sim     *linksim.Controller
	highest float64
}

func (o *overseen) Write(ctx context.Context, p []byte) error {
	err := o.Port.Write(ctx, p)
	if now := math.Abs(o.sim.Reading(link.MotorCurrent)); now > o.highest {
		o.highest = now
	}
	return err
}

// Wrong register maps, one by one, on a true controller: each is found out by the proof before the test, or before anything is
// commanded, with a motor current of 5 % of the controller's rating at most plus what its own ramp adds in two samples, and a
// sentence that names the suspicion.
func TestWrongMapsAreFoundOut(t *testing.T) {
	y := petrel(t)
	full := string(benchtest.File(t, "petrel", "registers.toml"))
	without := func(key string) string { // a setting left out of the map
		blocks := strings.Split(full, "\n\n")
		for i, b := range blocks {
			if strings.Contains(b, `key = "`+key+`"`) {
				blocks[i] = ""
			}
		}
		return strings.Join(blocks, "\n\n")
	}
	wide := strings.Replace(full, "address = 3\ntype = \"s16\"\nunit = \"A\"\nscale = \"0.1 A\"", "address = 20\ntype = \"f32\"\nword_order = \"high first\"\nunit = \"A\"\nscale = \"1 A\"", 1)
	require.NotEqual(t, full, wide)
	const truly = "# the controller has it"
	_, locks, _ := strings.Cut(full, "[[unlock]]") // up to the first setting: a controller without a lock takes any write
	locks, _, _ = strings.Cut("[[unlock]]"+locks, "[[setting]]")
	unlocked := strings.Replace(full, locks, "", 1)
	y.settings.Limits.BrakingCurrent = 0
	current := "address = 3\ntype = \"s16\"\nunit = \"A\"\nscale = \""
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "wrong in the map\thighest motor current\twhat it says")
	for _, c := range []struct {
		name, truth, from, to, says string
	}{
		{"throttle counts x10", full, "ahead = 1000\nastern = -1000", "ahead = 10000\nastern = -10000", "inside the dead band, shows"},
		{"throttle counts /10", full, "ahead = 1000\nastern = -1000", "ahead = 100\nastern = -100", "its counts are too small"},
		{"throttle sign", full, "ahead = 1000\nastern = -1000", "ahead = -1000\nastern = 1000", "sign is wrong"},
		{"throttle at a setting's register", without("derating.stage_start") + truly, "address = 0x0080", "address = 0x0030", "is that a setting's place?"},
		{"throttle at a setting's register that holds zero", without("limits.braking_current") + truly, "address = 0x0080", "address = 0x0013", "another place's"},
		{"mark of a driven motor", full, "mask = 0x0001", "mask = 0x0002", "[running], shows none"},
		{"word order", wide, "high first", "low first", "word order"},
		{"time-out too long", full, `command_timeout = "400 ms"`, `command_timeout = "2 s"`, "forg"},
		{"time-out much too long", full, `command_timeout = "400 ms"`, `command_timeout = "8 s"`, "forg"},
		{"time-out too short", full, `command_timeout = "400 ms"`, `command_timeout = "100 ms"`, "went on for more than"},
		{"time-out half of what it is", full, `command_timeout = "400 ms"`, `command_timeout = "200 ms"`, "too short|went on for more than"},
		{"throttle where nothing is", full, "address = 0x0080", "address = 0x0081", "the throttle: unit 17 refuses to write register: illegal data address (exception 2) at holding register 129"},
		{"misspelt reading", full, `key = "motor_current"`, `key = "motor_curent"`, "is motor_current meant?"},
		{"swapped currents", full, "address = 2\ntype = \"s16\"\nunit = \"A\"\nscale = \"0.1 A\"\nmin = \"-500 A\"\nmax = \"500 A\"\n\n[[reading]]\nkey = \"motor_current\"\ntable = \"input\"\naddress = 3",
			"address = 3\ntype = \"s16\"\nunit = \"A\"\nscale = \"0.1 A\"\nmin = \"-500 A\"\nmax = \"500 A\"\n\n[[reading]]\nkey = \"motor_current\"\ntable = \"input\"\naddress = 2", "swapped"},
		{"motor current x10", full, current + "0.1 A", current + "1 A", "is too large, at least"},
		{"motor current x40", full, current + "0.1 A", current + "4 A", "is too large, at least"},
		{"motor current /10", full, current + "0.1 A\"\nmin = \"-800 A\"\nmax = \"800 A", current + "0.01 A", "10 times too small|another's"},
		{"sign of the motor current", full, current + "0.1 A", current + "-0.1 A", "sign is wrong"},
	} {
		truth, other := strings.CutSuffix(c.truth, truly) // the setting is there, and only the map lacks it
		wrong := strings.Replace(truth, c.from, c.to, 1)
		if other {
			truth = unlocked
			wrong = strings.Replace(wrong, locks, "", 1)
		}
		if c.from == "high first" {
			wrong = strings.ReplaceAll(truth, c.from, c.to)
		}
		require.NotEqual(t, truth, wrong, c.name)
		said, highest := proofWith(t, y, truth, wrong)
		fmt.Fprintf(tab, "%s\t%.1f A\t%s\n", c.name, highest, said)
		found := false
		for _, says := range strings.Split(c.says, "|") {
			found = found || strings.Contains(said, says)
		}
		assert.True(t, found, "%s: %q does not say %q", c.name, said, c.says)
		if _, factor, told := strings.Cut(said, "at least "); told { // of the map that is wrong, and never more than it is
			var least, is float64
			_, err := fmt.Sscanf(factor, "%g times", &least)
			require.NoError(t, err)
			_, err = fmt.Sscanf(c.name, "motor current x%g", &is)
			require.NoError(t, err)
			assert.Greater(t, least, 2.0, said)
			assert.LessOrEqual(t, least, is, said)
		}
		ramp := y.settings.Limits.MotorCurrent * 2 * 0.1 / y.settings.Ramp.Rise
		assert.LessOrEqual(t, highest, 0.05*y.boat.Stage.Current.SI+ramp, c.name)
	}
	said, _ := proofWith(t, y, full, full)
	assert.Empty(t, said, "the true map")
	require.NoError(t, tab.Flush())
	t.Log("\n" + table.String())
}

// What is zero at rest and small in the proof tells a wrong sign or scale only under way: two samples outside the band stop the test,
// and the sentence names the suspicion.
func TestWrongMapsThatShowUnderWay(t *testing.T) {
	y := petrel(t)
	full := string(benchtest.File(t, "petrel", "registers.toml"))
	const battery, speed = "address = 2\ntype = \"s16\"\nunit = \"A\"\nscale = \"", "address = 4\ntype = \"s16\"\nunit = \"rpm\"\nscale = \""
	for _, c := range []struct{ name, from, to, says string }{
		{"sign of the battery current", battery + "0.1 A", battery + "-0.1 A", "battery current is -[^S]*. Suspicion: the sign of this reading"},
		{"battery current x6", battery + "0.1 A", battery + "0.6 A", "battery current is [^S]*. Suspicion: its scale is stated too large, by 1[.][0-9]* times or more"},
		{"battery current /5", battery + "0.1 A", battery + "0.02 A", "battery current is [^S]*. Suspicion: its scale is stated too small"},
		{"sign of the speed", speed + "1 rpm", speed + "-1 rpm", "motor speed is -[^S]*. Suspicion: the sign of this reading"},
		{"speed x4", speed + "1 rpm", speed + "4 rpm", "motor speed is [^S]*. Suspicion: its scale is stated too large, by [0-9.]* times or more"},
		{"no scale wrong", "", "", ""},
	} {
		truth, err := regmap.Load("true.toml", []byte(full), settings.Fields())
		require.NoError(t, err)
		asked, err := regmap.Load("wrong.toml", []byte(strings.Replace(full, c.from, c.to, 1)), settings.Fields())
		require.NoError(t, err)
		clock := linksim.NewVirtual(time.Unix(0, 0))
		sim, err := linksim.New(y.boat, y.settings, truth.Describe(), clock, linksim.Options{})
		require.NoError(t, err)
		timing := modbus.TimingAt(115200)
		line := &overseen{Port: sim.Loopback(truth, timing, clock), sim: sim}
		controller := regmap.NewController(asked, modbus.NewMaster(line, timing, clock), clock)
		channels, program := controller.Describe().Channels, steps(t)
		p, err := bench.Predict(t.Context(), &bench.Setup{Boat: y.boat, Settings: y.settings}, program, channels, bench.StepOptions{Draws: 40, Seed: 1})
		require.NoError(t, err)
		watch, outside := p.Watch(channels), 0
		got, err := measure.Run(t.Context(), controller, program, measure.Options{Clock: clock, Commands: true, Watch: watch, Observe: func(s measure.Sample) error {
			for i, v := range s.Values {
				if watch(i, s.At, v) != "" {
					outside++
					return nil
				}
			}
			return nil
		}})
		require.NoError(t, err)
		if c.says == "" {
			assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
			continue
		}
		assert.Equal(t, measure.Strayed, got.Stop.Reason, c.name)
		assert.Regexp(t, "^"+c.says, got.Stop.Text, c.name)
		assert.Equal(t, 2, outside, c.name)
		assert.True(t, got.Stop.Zero)
		t.Logf("%s: %.1f A, %s", c.name, line.highest, got.Stop.Text)
	}
}

// proofWith proves the time-out of a simulated controller with a true map, asked by another one.
func proofWith(t *testing.T, y yard, truth, wrong string) (said string, highest float64) {
	m, err := regmap.Load("true.toml", []byte(truth), settings.Fields())
	require.NoError(t, err)
	asked, err := regmap.Load("wrong.toml", []byte(wrong), settings.Fields())
	if err != nil {
		return err.Error(), 0
	}
	clock := linksim.NewVirtual(time.Unix(0, 0))
	sim, err := linksim.New(y.boat, y.settings, m.Describe(), clock, linksim.Options{})
	require.NoError(t, err)
	timing := modbus.TimingAt(115200)
	line := &overseen{Port: sim.Loopback(m, timing, clock), sim: sim}
	c := regmap.NewController(asked, modbus.NewMaster(line, timing, clock), clock)
	plan, err := bench.PlanProof(t.Context(), &bench.Setup{Boat: y.boat, Settings: y.settings}, steps(t), c.Describe())
	require.NoError(t, err)
	if _, err = measure.ProveTimeout(t.Context(), c, clock, plan); err != nil {
		said = err.Error()
	}
	require.NoError(t, clock.Sleep(t.Context(), 10*time.Second))
	assert.Zero(t, sim.Lever())
	require.NoError(t, sim.Err())
	return said, line.highest
}

// meddling is a controller in which the throttle's place is a setting's too.
type meddling struct{ *linksim.Controller }

func (m *meddling) Throttle(share float64) {
	if share != 0 {
		_ = m.SetSetting("ramp.rise", 7)
	}
}

// A proof that failed says which settings it changed.
func TestAFailedProofComparesTheSettings(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		sim, err := linksim.New(y.boat, y.settings, y.registers.Describe(), port.WallClock{}, linksim.Options{})
		require.NoError(t, err)
		near, far := linktest.Pipe()
		timing := modbus.TimingAt(115200)
		go func() {
			_ = modbus.NewServer(y.registers.UnitID(), regmap.NewUnit(y.registers, &meddling{sim}), timing, port.WallClock{}).Serve(ctx, far)
		}()
		c := regmap.NewController(y.registers, modbus.NewMaster(near, timing, port.WallClock{}), port.WallClock{})
		_, err = measure.ProveTimeout(ctx, c, port.WallClock{}, y.plan(t))
		assert.ErrorContains(t, err, "could not be proven")
		assert.ErrorContains(t, err, "it changed settings, so the throttle's place in the map may be a setting's: ramp.rise is 7 s and was 2.5 s; write them anew")
		stop()
		synctest.Wait()
	})
}
