package bench_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// A sweep says what single simulations say; names that do not exist are errors that list those that do.
func TestSweep(t *testing.T) {
	s, err := bench.StartScriptIn(bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Context: t.Context, Load: bench.Load})
	require.NoError(t, err)
	p := bench.NewProgramme("short", 5).To(1, 0.5, 0)
	table, err := s.Sweep(p, "limits.motor_current", "100 A, 140 A", "ramp.rise", "1 s, 2 s")
	require.NoError(t, err)
	require.Len(t, table.Rows, 4)
	assert.Equal(t, []string{"140 A", "2 s"}, table.Rows[3].Values)
	changed, err := s.With("limits.motor_current", "140 A")
	require.NoError(t, err)
	changed, err = changed.With("ramp.rise", "2 s")
	require.NoError(t, err)
	r, err := changed.Simulate(p)
	require.NoError(t, err)
	assert.Equal(t, r.Run.Energy.Battery, table.Rows[3].Energy)
	part, err := r.Part(table.Rows[3].First)
	require.NoError(t, err)
	assert.Equal(t, part.Used, table.Rows[3].Used)
	best, err := table.Cheapest()
	require.NoError(t, err)
	for _, row := range table.Rows {
		assert.LessOrEqual(t, best.Energy, row.Energy)
	}
	assert.Contains(t, table.String(), "no proof of safety")

	_, err = r.Part("mast")
	assert.ErrorContains(t, err, `no part is called "mast"; the verdict is about `)
	_, err = bench.Max(r.Run, "mast")
	assert.ErrorContains(t, err, `the run has no trace "mast"; it has `)
	most, err := bench.Max(r.Run, "motor current")
	require.NoError(t, err)
	at, err := bench.ValueAt(r.Run, "motor current", 4)
	require.NoError(t, err)
	assert.GreaterOrEqual(t, most, at)
	_, all := bench.Max(r.Run, "mast")
	_, err = bench.ValueAt(r.Run, "mast", 4)
	assert.EqualError(t, err, all.Error())
	_, err = bench.MeanBetween(r.Run, "mast", 1, 4)
	assert.EqualError(t, err, all.Error())
	_, err = bench.MeanBetween(r.Run, "motor current", 7, 8)
	assert.ErrorContains(t, err, `the trace "motor current" has no samples from 7.00 s to 8.00 s`)
	_, err = bench.ValueAt(&record.Run{Traces: r.Run.Traces}, "motor current", 1)
	assert.ErrorContains(t, err, `the trace "motor current" has no value at 1.00 s`)
	_, err = s.Sweep(p, "limits.nothing", "1 A")
	assert.Error(t, err)
	_, err = s.Sweep(p, "limits.motor_current", "100 A", "limits.motor_current", "140 A")
	assert.ErrorContains(t, err, "limits.motor_current stands twice")
	none, err := (&bench.Sweep{}).Cheapest()
	assert.ErrorContains(t, err, "none of the values stays clear")
	assert.Equal(t, verdict.NotJudged, none.Level)
	missing, err := r.Part("mast")
	assert.Error(t, err)
	assert.Equal(t, verdict.NotJudged, missing.Level, "a part that is not there must not look clear to who leaves out the error")
	for _, at := range []float64{-1, 6, math.NaN(), math.Inf(1)} {
		_, err = bench.ValueAt(r.Run, "motor current", at)
		assert.ErrorContains(t, err, "the run has nothing at", at)
	}
	last, err := bench.ValueAt(r.Run, "motor current", 5)
	require.NoError(t, err)
	assert.NotZero(t, last)
	_, err = s.Get("limits.motor_curent")
	assert.ErrorContains(t, err, `unknown key "limits.motor_curent"; did you mean limits.motor_current`)
}

// TestATemplateBoatIsNeverClear: whoever leaves out the error of a verb must not read "clear" either.
func TestATemplateBoatIsNeverClear(t *testing.T) {
	s, err := bench.StartScriptIn(bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Context: t.Context, Load: bench.Load})
	require.NoError(t, err)
	blank := *s.Setup
	blank.Basis.Examples = []string{"motor.resistance"}
	s.Setup = &blank
	tried, err := s.TryIn("harbour")
	assert.ErrorAs(t, err, new(*bench.ExamplesError))
	assert.Equal(t, verdict.NotJudged, tried.Level())
	tried, err = s.WithExamples().TryIn("harbour")
	require.NoError(t, err)
	assert.Equal(t, verdict.Clear, tried.Level())
}

// TestSimulateTakesWhatATrialFileMay: a simulation of anything else would be clear without a word.
func TestSimulateTakesWhatATrialFileMay(t *testing.T) {
	s, err := bench.StartScriptIn(bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Context: t.Context, Load: bench.Load, Run: bench.RunSimulated})
	require.NoError(t, err)
	ahead := func(at, share, over float64) *bench.Programme { return bench.NewProgramme("p", 5).To(at, share, over) }
	for want, p := range map[string]*bench.Programme{
		"there is no programme":              nil,
		"name is empty":                      {},
		"is none of normal, fouled, dry":     ahead(1, 1, 0).Loaded("lockd"),
		"when the trial has ended":           ahead(9, 1, 0),
		"time goes backwards":                ahead(3, 1, 0).To(1, 0.5, 0),
		"200 % is above the highest value":   ahead(1, 2, 0),
		"-1 s is below the lowest value":     ahead(1, 1, -1),
		"a real number is wanted":            ahead(1, math.NaN(), 0),
		"1e+12 s is above the highest value": bench.NewProgramme("p", 1e12).To(1, 1, 0),
	} {
		_, err := s.Simulate(p)
		assert.ErrorContains(t, err, want)
		_, err = s.Sweep(p, "limits.motor_current", "100 A")
		assert.ErrorContains(t, err, want)
		_, err = s.Step(p)
		assert.ErrorContains(t, err, want)
	}
	still, err := s.Simulate(bench.NewProgramme("the lever stays", 5))
	require.NoError(t, err)
	assert.Equal(t, verdict.Clear, still.Verdict.Level)
}
