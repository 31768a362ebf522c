package bench_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/record"
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
}
