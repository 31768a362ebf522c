package simulate_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

var update = flag.Bool("update", false, "write testdata/work.json anew")

// boats are the demo's boats.
var boats = []string{"petrel", "bracken"}

func setup(t require.TestingT, name string) *bench.Setup {
	s, err := bench.Load(filepath.Join("..", "..", "cmd", "quaybench", "demo", name))
	require.NoError(t, err)
	return s
}

// builtin runs a built-in trial.
func builtin(t require.TestingT, boat, name string, o simulate.Options) (*record.Run, error) {
	s := setup(t, boat)
	tr, err := trial.Builtin(name)
	require.NoError(t, err)
	return simulate.Run(context.Background(), s.Boat, s.Settings, tr, o)
}

// results are all built-in trials on both boats with the default options, run once.
var results = sync.OnceValue(func() map[string]*record.Run {
	out := map[string]*record.Run{}
	for _, boat := range boats {
		for _, name := range trial.Names() {
			r, err := builtin(stop{}, boat, name, simulate.Options{})
			require.NoError(stop{}, err, "%s, %s", boat, name)
			out[boat+", "+name] = r
		}
	}
	return out
})

// stop turns a failure outside a test into a panic.
type stop struct{}

func (stop) Errorf(format string, args ...any) { panic(format) }
func (stop) FailNow()                          { panic("failed") }

// each runs a test for every built-in trial on every boat.
func each(t *testing.T, f func(t *testing.T, boat, name string, r *record.Run)) {
	for _, boat := range boats {
		for _, name := range trial.Names() {
			t.Run(boat+"/"+name, func(t *testing.T) { f(t, boat, name, results()[boat+", "+name]) })
		}
	}
}

// TestEnergyBalancesInEveryTrial: what the battery gave is heat, work on the propeller and what is stored, within 1e-4 of
// what went through the battery.
func TestEnergyBalancesInEveryTrial(t *testing.T) {
	each(t, func(t *testing.T, _, _ string, r *record.Run) {
		e := r.Energy
		require.Positive(t, e.Throughput)
		assert.Less(t, math.Abs(e.Residual)/e.Throughput, 1e-4)
		assert.InDelta(t, e.Battery, e.Heat+e.Shaft+e.Stored+e.Residual, 1e-9*e.Throughput, "the residual is what is missing")
		// What it is compared with must itself be right: what went in and out at open-circuit voltage is more than what came
		// and went at the controller, by the sag, and that can be read off the traces.
		current, _ := r.Trace(record.BatteryCurrent)
		volts, _ := r.Trace(record.Voltage)
		var through float64
		for i := 1; i < len(r.Time); i++ {
			power := (current.Values[i-1]*volts.Values[i-1] + current.Values[i]*volts.Values[i]) / 2
			through += math.Abs(power) * (r.Time[i] - r.Time[i-1])
		}
		assert.GreaterOrEqual(t, e.Throughput, 0.99*through)
		assert.LessOrEqual(t, e.Throughput, 1.15*through)
		assert.GreaterOrEqual(t, e.Throughput, math.Abs(e.Battery))
	})
}

// TestRunsAreWhole: samples rise in time and are numbers, parts have their traces, events are in order and end after
// they begin, and a record keeps all of it.
func TestRunsAreWhole(t *testing.T) {
	each(t, func(t *testing.T, _, _ string, r *record.Run) {
		assert.True(t, slices.IsSorted(r.Time))
		for i := range r.Traces {
			require.Len(t, r.Traces[i].Values, len(r.Time), r.Traces[i].Name)
		}
		for _, p := range r.Parts {
			_, _, err := r.Peak(p)
			require.NoError(t, err)
		}
		assert.True(t, slices.IsSortedFunc(r.Events, func(a, b record.Event) int {
			switch {
			case a.At < b.At:
				return -1
			case a.At > b.At:
				return 1
			}
			return 0
		}))
		for _, e := range r.Events {
			assert.True(t, e.Until == 0 || e.Until >= e.At, "%+v", e)
			assert.NotEmpty(t, e.Device)
			assert.NotEmpty(t, e.What)
		}
		var text bytes.Buffer
		require.NoError(t, record.Write(&text, r))
		back, err := record.Read("run.csv", &text)
		require.NoError(t, err)
		require.Equal(t, r, back)
	})
}

// TestDefaultTolerancesHaveConverged compares every trial with a run a hundred times as exact: temperatures agree within
// 0.02 K (a junction that jumps by tens of kelvins: or it does so within 2 ms), and what happens happens within 50 ms.
func TestDefaultTolerancesHaveConverged(t *testing.T) {
	each(t, func(t *testing.T, boat, name string, r *record.Run) {
		exact, err := builtin(t, boat, name, simulate.Options{RelTol: 1e-7})
		require.NoError(t, err)
		var parts []string
		for _, p := range r.Parts {
			if p.Measure == record.Temperature {
				parts = append(parts, p.Trace)
			}
		}
		for _, part := range parts {
			mine, _ := r.Trace(part)
			right, _ := exact.Trace(part)
			worst, at := 0.0, 0.0
			for i, instant := range r.Time { // at its samples: between them a straight line is another matter
				low, high := math.Inf(1), math.Inf(-1)
				for shift := -8.0; shift <= 8; shift++ {
					v := exact.At(right, instant+shift*0.00025)
					low, high = min(low, v), max(high, v)
				}
				if d := max(low-mine.Values[i], mine.Values[i]-high); d > worst {
					worst, at = d, instant
				}
			}
			assert.Less(t, worst, 0.02, "%s, most at %g s", part, at)
		}
		require.Equal(t, what(exact), what(r), "the same events")
		// Where the voltage creeps, as on an empty battery at rest, a time says less than the voltage does.
		volts, _ := exact.Trace(record.Voltage)
		same := func(a, b float64) bool {
			return math.Abs(a-b) < 0.05 || math.Abs(a-b) < 1e-3*a && math.Abs(exact.At(volts, a)-exact.At(volts, b)) < 2e-3
		}
		for i, e := range exact.Events {
			assert.True(t, same(e.At, r.Events[i].At), "%s: at %g s, and exactly at %g s", e.What, r.Events[i].At, e.At)
			assert.True(t, same(e.Until, r.Events[i].Until), "%s: until %g s, and exactly until %g s", e.What, r.Events[i].Until, e.Until)
		}
	})
}

// what lists what happened.
func what(r *record.Run) (out []string) {
	for _, e := range r.Events {
		out = append(out, e.What)
	}
	return out
}

// TestLooseTolerancesAreNeverQuietlyWrong: where a loose run parts from an exact one by more than a kelvin, or tells
// another story, it must have said so, by an error or by a disagreement beyond the check's limit.
func TestLooseTolerancesAreNeverQuietlyWrong(t *testing.T) {
	_, err := builtin(t, "petrel", "harbour", simulate.Options{RelTol: 1e-2})
	require.ErrorContains(t, err, "relative tolerance", "a tolerance without any trust is refused")
	quiet := 0
	each(t, func(t *testing.T, boat, name string, r *record.Run) {
		for _, tolerance := range []float64{1e-4, 1e-3} {
			loose, err := builtin(t, boat, name, simulate.Options{RelTol: tolerance})
			if err != nil || loose.Statistics.Suspect > 10 || math.Abs(loose.Energy.Residual) > 1e-4*loose.Energy.Throughput {
				continue
			}
			quiet++
			for _, p := range r.Parts {
				if p.Measure != record.Temperature {
					continue
				}
				ds, err := record.Compare(r, loose, p.Trace)
				require.NoError(t, err)
				assert.Less(t, math.Abs(ds[0].Largest), 1.0, "tolerance %g: %s at %g s, and the run's worst disagreement is only %g", tolerance, p.Name, ds[0].At, loose.Statistics.Suspect)
			}
		}
	})
	assert.Greater(t, quiet, 10, "most runs at a tenth of the exactness say nothing, and are right")
}

// work is what a trial costs.
type work struct{ Steps, Rejected, Evaluations int }

// TestWork compares the work of every trial with what was recorded: a change that makes it more than five per cent dearer
// fails. Record with -update if it is meant.
func TestWork(t *testing.T) {
	got := map[string]work{}
	for key, r := range results() {
		s := r.Statistics
		got[key] = work{s.Steps, s.Rejected, s.Evaluations}
	}
	path := filepath.Join("testdata", "work.json")
	if *update {
		text, err := json.MarshalIndent(got, "", "\t")
		require.NoError(t, err)
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, append(text, '\n'), 0o644))
	}
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	want := map[string]work{}
	require.NoError(t, json.Unmarshal(text, &want))
	require.Len(t, got, len(want))
	for key, w := range want {
		g := got[key]
		dearer := func(got, want int) bool { return float64(got) > 1.05*float64(want)+5 }
		assert.False(t, dearer(g.Steps, w.Steps) || dearer(g.Evaluations, w.Evaluations), "%s: %+v now, %+v recorded (record with -update if meant)", key, g, w)
		assert.NotZero(t, g.Steps)
		assert.LessOrEqual(t, results()[key].Statistics.Suspect, 10.0, "%s: no step may be suspect", key)
	}
}
