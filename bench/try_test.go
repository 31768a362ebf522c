package bench_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/quantity"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

func builtin(t testing.TB, names ...string) (trials []*trial.Trial) {
	t.Helper()
	for _, name := range names {
		one, err := bench.LoadTrial(name)
		require.NoError(t, err)
		trials = append(trials, one)
	}
	return trials
}

// A proposal is tried beside the settings as they stand. The boat is invented.
func ExampleTry() {
	setup, err := bench.Load("../cmd/quaybench/demo/petrel")
	if err != nil {
		fmt.Println(err)
		return
	}
	tried, err := bench.Try(context.Background(), setup, bench.TryOptions{Set: []string{"limits.motor_current=240 A"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("present:", tried.Present.Level)
	fmt.Println("proposed:", tried.Proposed.Level)
	fmt.Println("to change:", tried.Change[0].Key, "from", tried.Change[0].From)
	// Output:
	// present: clear
	// proposed: over
	// to change: limits.motor_current from 240 A
}

// The rules that need no simulation see settings and boat only.
func ExampleCheck() {
	setup, err := bench.Load("../cmd/quaybench/demo/petrel")
	if err != nil {
		fmt.Println(err)
		return
	}
	setup.Settings, err = bench.Assign(setup.Settings, []string{"derating.stage_start=90 °C", "derating.stage_end=75 °C"})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, finding := range bench.Check(setup) {
		fmt.Println(finding.Level, finding.Rule)
	}
	// Output:
	// clear fuse-against-cable
	// over derating-order
}

func TestPropose(t *testing.T) {
	s := setup(t, "petrel").Settings
	for _, c := range []struct {
		set  []string
		text string // of the error; "": none
	}{
		{nil, ""},
		{[]string{"limits.motor_current=240 A", "ramp.rise = 4 s", `throttle.curve="150 %"`, "derating.stage_end=88 degC"}, ""},
		{[]string{"limits.motor_current"}, `"limits.motor_current" is no assignment; write for example limits.motor_current="240 A"`},
		{[]string{"limits.motor_curent=1 A"}, `unknown key "limits.motor_curent"; did you mean limits.motor_current?`},
		{[]string{"limits.motor_current=240 V"}, `limits.motor_current: 240 V is a voltage; a current is wanted, for example "240 A"`},
		{[]string{"limits.motor_current=2400 A"}, "limits.motor_current: 2400 A is above the highest value allowed, 2000 A"},
		{[]string{"limits.motor_current=1 A", "limits.motor_current=2 A"}, `limits.motor_current is set twice, to "1 A" and to "2 A"; keep one`},
		{[]string{"limits=1 A"}, ""},
	} {
		p, err := bench.Assign(s, c.set)
		switch {
		case c.text != "":
			assert.EqualError(t, err, c.text)
		case len(c.set) == 4:
			require.NoError(t, err)
			assert.Equal(t, 240.0, p.Limits.MotorCurrent)
			assert.Equal(t, 4.0, p.Ramp.Rise)
			assert.Equal(t, 1.5, p.Throttle.Curve)
			assert.InDelta(t, 361.15, p.Derating.StageEnd, 1e-9)
			assert.Equal(t, 140.0, s.Limits.MotorCurrent, "the settings themselves stay")
		case len(c.set) == 1:
			assert.Error(t, err, "a table takes no value")
		default:
			require.NoError(t, err)
			assert.Equal(t, s, p)
		}
	}
}

// TestTryBothBoats: in every built-in trial energy balances to 1e-4 of what passed the battery, and both boats are
// clear as they stand: their files are the example a newcomer starts from.
func TestTryBothBoats(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		tried, err := bench.Try(t.Context(), setup(t, name), bench.TryOptions{})
		require.NoError(t, err)
		assert.Equal(t, verdict.Clear, tried.Level(), name)
		assert.Empty(t, tried.Change)
		require.Len(t, tried.Present.Trials, 11)
		for _, tr := range tried.Present.Trials {
			e := tr.Run.Energy
			assert.Less(t, math.Abs(e.Residual), 1e-4*e.Throughput, "%s, %s", name, tr.Name)
			assert.Equal(t, bench.Version, tr.Run.Provenance.Tool)
			assert.Equal(t, tried.Setup.BoatHash, tr.Run.Provenance.Boat)
		}
	}
}

// TestTryChange: what Try says to change does make it clear, and a little more does not.
func TestTryChange(t *testing.T) {
	s, trials := setup(t, "petrel"), builtin(t, "hot-restart")
	tried, err := bench.Try(t.Context(), s, bench.TryOptions{Set: []string{"limits.motor_current=240 A"}, Trials: trials})
	require.NoError(t, err)
	require.Len(t, tried.Change, 1)
	c := tried.Change[0]
	assert.Equal(t, "limits.motor_current", c.Key)
	assert.Equal(t, "240 A", c.From)

	mended, err := bench.Try(t.Context(), s, bench.TryOptions{Set: []string{c.Key + "=" + c.To}, Trials: trials})
	require.NoError(t, err)
	assert.Equal(t, verdict.Clear, mended.Level())
	less, err := quantity.Parse(c.To, quantity.MustUnit("A"))
	require.NoError(t, err)
	more, err := bench.Try(t.Context(), s, bench.TryOptions{Set: []string{fmt.Sprintf("%s=%g A", c.Key, 1.1*less.SI)}, Trials: trials})
	require.NoError(t, err)
	assert.NotEqual(t, verdict.Clear, more.Level(), "a tenth more is no longer clear")
}

// TestTryStopped: on a cancelled context there is what was reached, and the context's error.
func TestTryStopped(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	tried, err := bench.Try(ctx, setup(t, "petrel"), bench.TryOptions{
		Trials:   builtin(t, "locked-shaft", "full-throttle", "two-hour-outing", "low-battery"),
		Progress: func(done, all int) { assert.Equal(t, 4, all); stop() },
	})
	require.ErrorIs(t, err, context.Canceled)
	require.NotNil(t, tried)
	assert.NotEmpty(t, tried.Present.Trials)
	for _, tr := range tried.Present.Trials {
		assert.NotEmpty(t, tr.Run.Time)
		if events := tr.Run.Events; len(events) > 0 && events[len(events)-1].Device == "run" {
			assert.Empty(t, tr.Missing, "protection that has not come yet may still come")
		}
	}

	ctx, stop = context.WithCancel(t.Context())
	stop()
	tried, err = bench.Try(ctx, setup(t, "petrel"), bench.TryOptions{})
	require.ErrorIs(t, err, context.Canceled)
	assert.Empty(t, tried.Present.Trials)
}

// TestTrySeveralAtOnce: one setup serves several goroutines (run with -race), and each gets the same answer.
func TestTrySeveralAtOnce(t *testing.T) {
	s, trials := setup(t, "bracken"), builtin(t, "crash-stop", "locked-shaft")
	texts := make([]string, 4)
	var group sync.WaitGroup
	for i := range texts {
		group.Go(func() {
			tried, err := bench.Try(t.Context(), s, bench.TryOptions{Trials: trials, Set: []string{"ramp.rise=1 s"}})
			if assert.NoError(t, err) {
				text, err := json.Marshal(tried)
				assert.NoError(t, err)
				texts[i] = string(text)
			}
		})
	}
	group.Wait()
	for _, text := range texts[1:] {
		assert.Equal(t, texts[0], text)
	}
}

// TestTryNeverGivesLostEnergyOut: a battery of 10 Ω gives 70 W at most (V²/4R, the maximum power theorem), and the
// electronics are to draw 100 W. Whatever Try says of that, it is no result that breaks the conservation of energy.
func TestTryNeverGivesLostEnergyOut(t *testing.T) {
	s := setup(t, "petrel")
	s.Boat.Battery.Resistance.SI, s.Boat.Stage.Housekeeping.SI = 10, 100
	tried, err := bench.Try(t.Context(), s, bench.TryOptions{Trials: builtin(t, "crash-stop"), NoChange: true})
	if err != nil {
		require.ErrorAs(t, err, new(*simulate.UnbalancedError))
		return
	}
	assert.Equal(t, verdict.Over, tried.Level(), "such a boat does not drive")
	e := tried.Present.Trials[0].Run.Energy
	assert.Less(t, math.Abs(e.Residual), max(5, 1e-3*e.Throughput))
}

// TestARaisedLimitThatNoTrialReachesIsTold: a verdict says nothing of a limit that no trial comes near, and says so.
func TestARaisedLimitThatNoTrialReachesIsTold(t *testing.T) {
	for amps, told := range map[string]int{"150 A": 0, "390 A": 1, "120 A": 0} {
		tried, err := bench.Try(t.Context(), setup(t, "petrel"), bench.TryOptions{Set: []string{"limits.motor_current=" + amps}, Trials: builtin(t, "full-throttle"), NoChange: true})
		require.NoError(t, err)
		require.Len(t, tried.Untested, told, amps)
		if told > 0 {
			assert.Regexp(t, `^limits.motor_current = 390 A is never reached in what was tried: motor current comes to \d+ A at most, so the verdict says nothing of that limit$`, tried.Untested[0])
			out, err := tried.MarshalJSON()
			require.NoError(t, err)
			assert.Contains(t, string(out), `"untested":["limits.motor_current = 390 A`)
		}
	}
}

// TestAProposalThatChangesNothingIsTold: a value that this boat has no use for leaves all as it was, which is no verdict on it; before, it was
// clear without a word.
func TestAProposalThatChangesNothingIsTold(t *testing.T) {
	for set, told := range map[string]bool{
		"motor.field_share=20 %":       true,  // it has magnets
		"derating.motor_start=100 °C":  true,  // its controller has no motor sensor
		"limits.motor_current=140 A":   true,  // as it is
		"limits.motor_current=141 A":   false, // seen everywhere
		"ramp.rise=2 s":                false,
		"stage.housekeeping=9 W":       false,
		"hull.displacement=1900 kg":    false,
		"stage.voltage_limit=60 V":     false, // a margin
		"contactor.current=150 A":      false,
		"limits.braking_current=100 A": true, // nothing brakes here
	} {
		tried, err := bench.Try(t.Context(), setup(t, "petrel"), bench.TryOptions{Set: []string{set}, Trials: builtin(t, "full-throttle"), NoChange: true})
		require.NoError(t, err)
		const nothing = "the proposal changes nothing in what was tried: every trial runs as it did before, so the verdict says nothing of it"
		if told {
			assert.Equal(t, []string{nothing}, tried.Untested, set)
		} else {
			assert.NotContains(t, tried.Untested, nothing, set)
		}
	}
}

// TestNoChangeUndoesAnother: where several rules ask for one limit, the safest of what they ask is told, once: a limit that management bore was raised again to what the contactor carries.
func TestNoChangeUndoesAnother(t *testing.T) {
	s, err := setup(t, "petrel").With([]string{"limits.battery_current=390 A", "battery.management.discharge_current=80 A", "contactor.current=100 A"})
	require.NoError(t, err)
	r, err := bench.Try(t.Context(), s, bench.TryOptions{Trials: builtin(t, "harbour")})
	require.NoError(t, err)
	asked := map[string]string{}
	for _, f := range r.Present.Findings {
		if f.Change != nil && f.Change.Key == "limits.battery_current" {
			asked[f.Rule] = f.Change.To
		}
	}
	require.Equal(t, "76 A", asked["management-limit"])
	require.Equal(t, "100 A", asked["contactor-carries"])
	var to []string
	for _, c := range r.Change {
		if c.Key == "limits.battery_current" {
			to = append(to, c.To)
		}
	}
	assert.Equal(t, []string{"76 A"}, to)
}

// TestAChargingSourceKeepsNoBoatFromAVerdict: with a solar panel of 100 W the battery of the low-battery trial never came down to the cut-off, so that every boat with a
// charging source was over, whatever was set.
func TestAChargingSourceKeepsNoBoatFromAVerdict(t *testing.T) {
	for name, full := range map[string]string{"petrel": "57 V", "bracken": "86 V"} {
		s, err := setup(t, name).With([]string{"charging.power=100 W", "charging.current_limit=8 A", "charging.voltage_limit=" + full})
		require.NoError(t, err)
		r, err := bench.Try(t.Context(), s, bench.TryOptions{Trials: builtin(t, "low-battery"), NoChange: true})
		require.NoError(t, err)
		assert.Equal(t, verdict.Clear, r.Present.Trials[0].Level, "%s: %s", name, r.Present.Reasons())
	}
}
