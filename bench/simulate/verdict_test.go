package simulate_test

import (
	"context"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// told is all that a study asks of a run.
type told struct {
	verdict.Trial
	nears []simulate.Near
}

// tell judges a run made with its traces or without.
func tell(t require.TestingT, b *boat.Boat, s settings.Set, tr *trial.Trial, o simulate.Options) (out told) {
	o.Near = func(n []simulate.Near) { out.nears = n }
	run, err := simulate.Run(context.Background(), b, s, tr, o)
	require.NoError(t, err)
	out.Trial, err = verdict.Judge(run)
	require.NoError(t, err)
	return out
}

// near compares numbers that may be NaN or infinite, both or neither.
func near(t require.TestingT, want, got, within float64, what string) {
	if !(want == got || math.Abs(want-got) <= within || math.IsNaN(want) && math.IsNaN(got)) {
		require.Equal(t, want, got, what)
	}
}

// requireSame holds a run without traces, which looks inside few of its steps, against one that keeps them and looks inside all.
func requireSame(t require.TestingT, b *boat.Boat, s settings.Set, tr *trial.Trial) {
	whole, slim := tell(t, b, s, tr, simulate.Options{}), tell(t, b, s, tr, simulate.Options{Verdict: true})
	require.Empty(t, slim.Run.Traces)
	require.Len(t, slim.Parts, len(whole.Parts))
	for i, p := range whole.Parts {
		k, within := slim.Parts[i], 1e-3 // K
		if p.Measure != record.Temperature {
			within = 1e-5 * p.Limit
		}
		near(t, p.Peak, k.Peak, within, p.Name)
		if p.Peak == k.Peak && p.Measure == record.Temperature { // a current may be as high as its limit again and again
			near(t, p.At, k.At, 0.01*tr.Duration, p.Name)
		}
		near(t, p.Crossed, k.Crossed, 1e-3, p.Name)
		require.Equal(t, p.Level, k.Level, p.Name)
	}
	require.Equal(t, devices(whole.Run), devices(slim.Run))
	for i, e := range whole.Run.Events {
		k := slim.Run.Events[i]
		near(t, e.At, k.At, 1e-3, e.What)
		near(t, e.Until, k.Until, 1e-3, e.What)
		near(t, e.Latest, k.Latest, 1e-3, e.What)
		k.At, k.Until, k.Latest = e.At, e.Until, e.Latest
		require.Equal(t, e, k)
	}
	gains := func(g record.Gain) []*float64 { return []*float64{g.TopSpeed, g.Thrust, g.Endurance, g.Distance} }
	for i, g := range gains(whole.Run.Gain) {
		k := gains(slim.Run.Gain)[i]
		require.Equal(t, g == nil, k == nil)
		if g != nil {
			near(t, *g, *k, 1e-3*math.Abs(*g), "gain")
		}
	}
	require.Equal(t, whole.First == nil, slim.First == nil)
	if whole.First != nil {
		require.Equal(t, whole.First.What, slim.First.What)
	}
	require.Equal(t, whole.Level, slim.Level)
	require.True(t, slices.Equal(whole.Unjudged, slim.Unjudged) && slices.Equal(whole.Missing, slim.Missing) && whole.Cut == slim.Cut)
	require.Len(t, slim.Hunting, len(whole.Hunting))
	for i, n := range whole.nears {
		k := slim.nears[i]
		near(t, n.Margin, k.Margin, 1e-3, n.Name)
		near(t, n.Held, k.Held, 1e-3, n.Name)
		near(t, n.At, k.At, 1e-3, n.Name)
	}
}

// TestAVerdictNeedsNoTraces: what a study asks of a run is the same whether its traces are kept or not.
func TestAVerdictNeedsNoTraces(t *testing.T) {
	for _, name := range boats {
		for _, what := range trial.Names() {
			for _, amps := range []float64{0, 165, 240} {
				s := setup(t, name)
				if amps > 0 {
					s.Settings.Limits.MotorCurrent = amps
				}
				tr, err := trial.Builtin(what)
				require.NoError(t, err)
				requireSame(t, s.Boat, s.Settings, tr)
			}
		}
	}
}

// TestAVerdictNeedsNoTracesOnAnyBoat is the same where limits are passed and devices open.
func TestAVerdictNeedsNoTracesOnAnyBoat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := anyBoat(t)
		tr := anyTrial(t)
		switch rapid.IntRange(0, 4).Draw(t, "kind") {
		case 0:
			tr.Electrical, tr.Duration = true, min(tr.Duration, 8)
			tr.Throttle = slices.DeleteFunc(tr.Throttle, func(s trial.Step) bool { return s.At >= tr.Duration })
		case 1:
			tr.Duration += 3000
		}
		requireSame(t, b, s, tr)
	})
}

// devices lists what acts in a run.
func devices(r *record.Run) (list []string) {
	for _, e := range r.Events {
		list = append(list, e.Device)
	}
	return list
}
