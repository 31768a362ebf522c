package simulate_test

import (
	"context"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// shares and temperatures are left alone when a boat is varied: times 1.3 they would mean nothing.
var notVaried = regexp.MustCompile(`section|fuse.rating|propeller|temperature|limit|_at$|share|efficiency|wake|deduction|close|bundling|cell|peukert|astern|ratio|class|carries|melts`)

// anyBoat returns a demo boat whose constants are each off by up to a third.
func anyBoat(t *rapid.T) (*boat.Boat, settings.Set) {
	s := setup(t, rapid.SampledFrom(boats).Draw(t, "boat"))
	b := *s.Boat
	factor := rapid.Float64Range(0.75, 1.33)
	datafile.Walk(&b, func(path string, v *quantity.Value) {
		if v.Given && !notVaried.MatchString(path) {
			v.SI *= factor.Draw(t, path)
		}
	})
	set := s.Settings
	amps := rapid.Float64Range(20, 250)
	set.Limits.MotorCurrent, set.Limits.AsternCurrent = amps.Draw(t, "motor limit"), amps.Draw(t, "astern limit")
	set.Limits.BatteryCurrent = amps.Draw(t, "battery limit")
	if b.Stage.Braking {
		set.Limits.BrakingCurrent, set.Limits.ChargeCurrent = amps.Draw(t, "braking limit"), rapid.Float64Range(1, 100).Draw(t, "charge limit")
	}
	set.Ramp.Rise, set.Ramp.Fall = rapid.Float64Range(0.1, 5).Draw(t, "rise"), rapid.Float64Range(0.1, 3).Draw(t, "fall")
	set.Ramp.Reversal = rapid.Float64Range(0.1, 5).Draw(t, "reversal")
	set.Throttle.Demand = rapid.SampledFrom([]string{"torque", "torque", "voltage"}).Draw(t, "demand")
	set.Boost.Current = rapid.SampledFrom([]float64{0, 280}).Draw(t, "boost")
	return &b, set
}

// anyTrial moves the lever about for a minute or two.
func anyTrial(t *rapid.T) *trial.Trial {
	tr, err := trial.Read("random.toml", []byte("name = \"random\"\nduration = \"90 s\"\n[[throttle]]\nat = \"0 s\"\nto = \"0 %\"\n"))
	require.NoError(t, err)
	at := 0.5
	for range rapid.IntRange(1, 5).Draw(t, "movements") {
		step := trial.Step{At: at, To: rapid.SampledFrom([]float64{-1, -0.4, 0, 0.3, 1}).Draw(t, "to"), Over: rapid.SampledFrom([]float64{0, 0.3, 2}).Draw(t, "over")}
		tr.Throttle = append(tr.Throttle, step)
		at += step.Over + rapid.Float64Range(0.2, 20).Draw(t, "wait")
	}
	tr.Duration = at + 2
	tr.Air = rapid.Float64Range(260, 320).Draw(t, "air")
	tr.Charge = rapid.Float64Range(0.1, 1).Draw(t, "charge")
	tr.BoatSpeed = rapid.Float64Range(-1, 3).Draw(t, "boat speed")
	tr.Load = rapid.SampledFrom([]string{"normal", "fouled", "dry", "locked", "ventilated"}).Draw(t, "load")
	tr.LoadFrom = rapid.Float64Range(0, 10).Draw(t, "load from")
	return tr
}

// TestEnergyBalancesOnAnyBoat is the balance of the built-in trials on boats, settings and trials nobody has looked at.
// Of a trial in which less than 10 kJ went through the battery, 1 J may be missing: each step may miss half a joule in each energy
// (drive.Model.Tolerances), whatever the length of the run. In 12,000 such runs 0.73 J were missing at most. A tenth of that
// tolerance keeps 1e-4 down to 1 kJ, and costs a quarter more steps in the built-in trials, for nothing that anybody reads.
func TestEnergyBalancesOnAnyBoat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := anyBoat(t)
		tr := anyTrial(t)
		r, err := simulate.Run(context.Background(), b, s, tr, simulate.Options{})
		require.NoError(t, err)
		require.Less(t, math.Abs(r.Energy.Residual), 1e-4*max(r.Energy.Throughput, 1e4), "of %g J", r.Energy.Throughput)
	})
}

// TestEnergyBalancesWhileTransientsAreResolved is the same with motor, cable and link currents as states.
func TestEnergyBalancesWhileTransientsAreResolved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := anyBoat(t)
		tr := anyTrial(t)
		tr.Electrical, tr.Duration = true, min(tr.Duration, 8)
		tr.Throttle = slices.DeleteFunc(tr.Throttle, func(s trial.Step) bool { return s.At >= tr.Duration })
		r, err := simulate.Run(context.Background(), b, s, tr, simulate.Options{})
		require.NoError(t, err)
		require.Less(t, math.Abs(r.Energy.Residual), 1e-4*max(r.Energy.Throughput, 1e4), "of %g J", r.Energy.Throughput)
	})
}

// TestTransientsAndAlgebraAgreeOnAnyBoat: the electrical transients last milliseconds. Parts get as hot whether they are resolved or
// not, and the boat comes as far: reversals of a series-wound motor included, in which the two once parted by 2,450 A.
func TestTransientsAndAlgebraAgreeOnAnyBoat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := anyBoat(t)
		tr := anyTrial(t)
		tr.Duration = min(tr.Duration, 12)
		tr.Throttle = slices.DeleteFunc(tr.Throttle, func(s trial.Step) bool { return s.At >= tr.Duration })
		algebraic, err := simulate.Run(context.Background(), b, s, tr, simulate.Options{})
		require.NoError(t, err)
		tr.Electrical = true
		resolved, err := simulate.Run(context.Background(), b, s, tr, simulate.Options{})
		require.NoError(t, err)
		if !slices.Equal(what(algebraic), what(resolved)) {
			return // a limit that is just met, or not: from there on they are two stories
		}
		for i, p := range algebraic.Parts {
			if p.Measure == record.Temperature && !strings.Contains(p.Name, "junction") { // a junction follows a spike of milliseconds
				peak, _, err := algebraic.Peak(p)
				require.NoError(t, err)
				other, _, err := resolved.Peak(resolved.Parts[i])
				require.NoError(t, err)
				require.InDelta(t, peak, other, 0.5, p.Name)
			}
		}
		if algebraic.Gain.Distance != nil {
			require.InDelta(t, *algebraic.Gain.Distance, *resolved.Gain.Distance, 0.05)
		}
	})
}

// TestReversalPassesNeutralBetweenTwoRampRates: where the demand passes neutral its ramp changes from one rate to another. A
// lever's filter between the two made the controller chatter there, by a slope taken across the jump.
func TestReversalPassesNeutralBetweenTwoRampRates(t *testing.T) {
	s := setup(t, "petrel")
	set := s.Settings
	set.Ramp.Rise, set.Ramp.Fall, set.Ramp.Reversal, set.Throttle.FilterTime = 0.1, 0.12, 0.148, 0.02
	tr, err := trial.Builtin("fouled-propeller")
	require.NoError(t, err)
	tr.LoadFrom, tr.Duration = 1.25, 6
	for target := 0.24; target < 0.40; target += 0.01 { // wishes of 6 to 14 1/s
		tr.Throttle = []trial.Step{{At: 0.5, To: -1}, {At: 1.7, To: 0, Over: 2}, {At: 3.95, To: target}}
		r, err := simulate.Run(context.Background(), s.Boat, set, tr, simulate.Options{})
		require.NoError(t, err, "to %g", target)
		demand, _ := r.Trace(record.DemandTrace)
		assert.Positive(t, r.At(demand, 5))
	}
}

// TestCornersMayLieAsCloseAsTheyLike: a load that begins next to no time after the start is a load from the start.
func TestCornersMayLieAsCloseAsTheyLike(t *testing.T) {
	s := setup(t, "petrel")
	for _, from := range []float64{0, 1e-307, 1e-12} {
		tr, err := trial.Builtin("fouled-propeller")
		require.NoError(t, err)
		tr.LoadFrom, tr.Duration = from, 10
		tr.Throttle = []trial.Step{{At: from, To: 1}, {At: 5, To: 0.5}, {At: 5 + 1e-13, To: 1}}
		r, err := simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{})
		require.NoError(t, err, "from %g s", from)
		lever, _ := r.Trace(record.Lever)
		assert.Equal(t, 1.0, r.At(lever, 3))
		assert.Equal(t, 1.0, r.At(lever, 9))
		assert.Contains(t, what(r), "propeller load: fouled")
	}
}

// TestALeverMayTwitch: a movement of milliseconds is followed, however short.
func TestALeverMayTwitch(t *testing.T) {
	s := setup(t, "petrel")
	tr, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	tr.Duration = 8
	tr.Throttle = []trial.Step{{At: 5, To: 1}, {At: 5.005, To: 0}}
	r, err := simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{})
	require.NoError(t, err)
	lever, _ := r.Trace(record.Lever)
	assert.Equal(t, 1.0, slices.Max(lever.Values))
	assert.Zero(t, r.At(lever, 6))
}

// TestNearnessSaysWhatIsADevice: the controller's own stops come last, and are no devices.
func TestNearnessSaysWhatIsADevice(t *testing.T) {
	s := setup(t, "petrel")
	tr, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	tr.Duration = 5
	var devices, stops []string
	_, err = simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{Near: func(list []simulate.Near) {
		for _, n := range list {
			switch {
			case n.Device:
				devices = append(devices, n.Name)
			case !n.Brink:
				stops = append(stops, n.Name)
			}
		}
	}})
	require.NoError(t, err)
	assert.Equal(t, []string{"stall timer", "controller cut-off"}, stops)
	assert.Contains(t, devices, "fuse")
	assert.Contains(t, devices, "management")
}

// electrical runs a trial with its electrical transients resolved and without.
func electrical(t *testing.T, name string, change func(*trial.Trial)) (resolved, algebraic *record.Run) {
	run := func(on bool) *record.Run {
		s := setup(t, name)
		tr, err := trial.Builtin("full-throttle")
		require.NoError(t, err)
		change(tr)
		tr.Electrical = on
		r, err := simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{})
		require.NoError(t, err)
		assert.Less(t, math.Abs(r.Energy.Residual)/r.Energy.Throughput, 1e-4, "energy, electrical = %v", on)
		return r
	}
	return run(true), run(false)
}

// TestTransientsAndAlgebraAgree: away from the milliseconds after a change, currents, voltages and speeds are the same
// whether the electrical transients are resolved or not, and temperatures are everywhere.
func TestTransientsAndAlgebraAgree(t *testing.T) {
	for _, c := range []struct {
		name  string
		steps []trial.Step
		end   float64
	}{
		{"full throttle", []trial.Step{{At: 0.5, To: 1}}, 12},
		{"half throttle and back", []trial.Step{{At: 0.5, To: 0.5, Over: 1}, {At: 5, To: 0}}, 9},
		{"reversal", []trial.Step{{At: 0.5, To: 1}, {At: 8, To: -1, Over: 0.5}}, 16},
	} {
		for _, name := range boats {
			t.Run(name+"/"+c.name, func(t *testing.T) {
				resolved, algebraic := electrical(t, name, func(tr *trial.Trial) { tr.Throttle, tr.Duration = c.steps, c.end })
				for _, p := range algebraic.Parts {
					if p.Measure != record.Temperature {
						continue
					}
					d, err := record.Compare(algebraic, resolved, p.Trace)
					require.NoError(t, err)
					assert.Less(t, math.Abs(d[0].Largest), 0.5, "%s, most at %g s", p.Name, d[0].At)
				}
				for _, w := range []struct {
					trace string
					band  float64
				}{{record.MotorCurrent, 1}, {record.BatteryCurrent, 1}, {record.Voltage, 0.1}, {record.MotorSpeed, 0.5}, {record.BoatSpeed, 0.01}} {
					a, _ := algebraic.Trace(w.trace)
					b, _ := resolved.Trace(w.trace)
					assert.InDelta(t, algebraic.At(a, c.end), resolved.At(b, c.end), w.band, "%s at the end", w.trace)
				}
			})
		}
	}
}
