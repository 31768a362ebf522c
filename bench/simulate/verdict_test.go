package simulate_test

import (
	"context"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/boat"
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

// same compares numbers of which some are NaN where there is none.
func same(t require.TestingT, want, got float64, what string) {
	if !(want == got || math.IsNaN(want) && math.IsNaN(got)) {
		require.Equal(t, want, got, what)
	}
}

// requireSame holds a run without traces against one that keeps them, digit for digit.
func requireSame(t require.TestingT, b *boat.Boat, s settings.Set, tr *trial.Trial) {
	whole, slim := tell(t, b, s, tr, simulate.Options{}), tell(t, b, s, tr, simulate.Options{Verdict: true})
	require.Empty(t, slim.Run.Traces)
	require.Len(t, slim.Parts, len(whole.Parts))
	for i, p := range whole.Parts {
		k := slim.Parts[i]
		same(t, p.Peak, k.Peak, p.Name)
		same(t, p.At, k.At, p.Name)
		same(t, p.Crossed, k.Crossed, p.Name)
		require.Equal(t, p.Level, k.Level, p.Name)
	}
	require.Equal(t, whole.Run.Events, slim.Run.Events)
	require.Equal(t, whole.Run.Gain, slim.Run.Gain)
	require.Equal(t, whole.Run.Energy, slim.Run.Energy)
	require.Equal(t, whole.First, slim.First)
	require.Equal(t, whole.Level, slim.Level)
	require.True(t, slices.Equal(whole.Unjudged, slim.Unjudged) && slices.Equal(whole.Missing, slim.Missing) && slices.Equal(whole.Hunting, slim.Hunting) && whole.Cut == slim.Cut)
	for i, n := range whole.nears {
		k := slim.nears[i]
		same(t, n.Margin, k.Margin, n.Name)
		same(t, n.Held, k.Held, n.Name)
		same(t, n.At, k.At, n.Name)
	}
}

// TestAVerdictNeedsNoTraces: what a study asks of a run is the same whether its traces are kept or not.
func TestAVerdictNeedsNoTraces(t *testing.T) {
	for _, name := range boats {
		for _, what := range trial.Names() {
			s := setup(t, name)
			tr, err := trial.Builtin(what)
			require.NoError(t, err)
			requireSame(t, s.Boat, s.Settings, tr)
		}
	}
}

// TestAVerdictNeedsNoTracesOnAnyBoat is the same where limits are passed and devices open.
func TestAVerdictNeedsNoTracesOnAnyBoat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := anyBoat(t)
		tr := anyTrial(t)
		if rapid.Bool().Draw(t, "electrical") {
			tr.Electrical, tr.Duration = true, min(tr.Duration, 8)
			tr.Throttle = slices.DeleteFunc(tr.Throttle, func(s trial.Step) bool { return s.At >= tr.Duration })
		}
		requireSame(t, b, s, tr)
	})
}
