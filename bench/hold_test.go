package bench_test

import (
	"context"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/holder"
	"quaybench/bench/measure"
)

// held runs a script's step over pipes, on a holder that simulates.
func held(t *testing.T, s *bench.Setup, act func(run func(ctx context.Context, s *bench.Setup, p *bench.Programme) (*bench.StepResult, error))) error {
	t.Helper()
	from, theirs := io.Pipe()
	read, to := io.Pipe()
	served := make(chan error, 1)
	go func() { served <- bench.ServeScript(t.Context(), from, to, s, bench.RunSimulated, holder.Options{}) }()
	run := bench.RunAtHolder(holder.Connect(read, theirs))
	act(func(ctx context.Context, s *bench.Setup, p *bench.Programme) (*bench.StepResult, error) {
		return run(ctx, s, &p.Trial, 20)
	})
	require.NoError(t, theirs.Close())
	require.NoError(t, to.Close())
	return <-served
}

func hop() *bench.Programme { return bench.NewProgramme("hop", 4).To(0.5, 0.4, 0).To(2.5, 0, 0) }

// TestHeld: a step asked for by a process without a line gives the same as one in the process that has it.
func TestHeld(t *testing.T) {
	benchtest.Computes(t)
	s := setup(t, "petrel")
	here, err := bench.RunSimulated(t.Context(), s, &hop().Trial, 20)
	require.NoError(t, err)
	require.NoError(t, held(t, s, func(run func(context.Context, *bench.Setup, *bench.Programme) (*bench.StepResult, error)) {
		there, err := run(t.Context(), s, hop())
		require.NoError(t, err)
		assert.Equal(t, here.Run.Time, there.Run.Time)
		assert.Equal(t, here.Run.Traces, there.Run.Traces)
		assert.Equal(t, here.Run.Provenance, there.Run.Provenance)
		assert.Equal(t, here.Verdict.Level, there.Verdict.Level)
		assert.Equal(t, here.Measured.Stop, there.Measured.Stop)
		require.Equal(t, len(here.Differences), len(there.Differences))
		for i := range here.Differences {
			assert.Equal(t, here.Differences[i].Trace, there.Differences[i].Trace)
			assert.InDelta(t, here.Differences[i].RMS, there.Differences[i].RMS, 1e-9)
		}
		assert.Contains(t, there.Summary(), "verdict: clear")
		assert.Equal(t, measure.Finished, there.Measured.Stop.Reason)
	}))
}

// TestHeldDecides: another boat is refused; other settings are handed on for the step to decide.
func TestHeldDecides(t *testing.T) {
	s := setup(t, "petrel")
	require.NoError(t, held(t, s, func(run func(context.Context, *bench.Setup, *bench.Programme) (*bench.StepResult, error)) {
		_, err := run(t.Context(), setup(t, "bracken"), hop())
		assert.ErrorContains(t, err, "the script is about another boat")

		gentle := *s
		gentle.Settings, err = bench.Assign(s.Settings, []string{"limits.motor_current=60 A"})
		require.NoError(t, err)
		r, err := run(t.Context(), &gentle, hop())
		require.NoError(t, err)
		assert.Equal(t, gentle.Settings.Hash(), r.Run.Provenance.Settings)
	}))
}
