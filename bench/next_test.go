package bench_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// TestWhatNext: more meters never tell less, a thermometer on the tightest part itself tells most, and what is not clear stands last.
func TestWhatNext(t *testing.T) {
	benchtest.Computes(t)
	s := setup(t, "petrel")
	hot, err := trial.Builtin("hot-restart")
	require.NoError(t, err)
	next, err := bench.FindNextTests(t.Context(), s, bench.NextOptions{Trials: []*trial.Trial{hot}})
	require.NoError(t, err)
	assert.Equal(t, "commutator", next.Tight.Part)
	by := map[string]bench.NextTest{}
	for i, k := range next.Tests {
		by[k.With] = k
		assert.Equal(t, "hot-restart", k.Trial)
		assert.LessOrEqual(t, k.Now, next.Tight.Around)
		if i > 0 && next.Tests[i-1].Level != verdict.Clear {
			assert.NotEqual(t, verdict.Clear, k.Level)
		}
	}
	require.Len(t, by, 6)
	assert.LessOrEqual(t, by["panel, winding resistance"].Now, by["panel"].Now)
	assert.LessOrEqual(t, by["telemetry, winding resistance"].Now, by["telemetry"].Now)
	assert.True(t, strings.HasSuffix(next.Tests[0].With, "thermometer on the commutator"), "%+v", next.Tests[0])
	assert.Less(t, next.Tests[0].Now, 0.7*next.Tight.Around)
	text, err := json.Marshal(next)
	require.NoError(t, err)
	assert.Contains(t, string(text), `"half_width_after"`)
}

// TestWhatNextWithTheMetersAtHand: only what is at hand is read; an unknown meter is named with those there are, and a thermometer that does not reach the part is said to be of no use.
func TestWhatNextWithTheMetersAtHand(t *testing.T) {
	benchtest.Computes(t)
	s := setup(t, "petrel")
	hot, err := trial.Builtin("hot-restart")
	require.NoError(t, err)
	ask := func(meters ...string) *bench.NextTests {
		next, err := bench.FindNextTests(t.Context(), s, bench.NextOptions{Trials: []*trial.Trial{hot}, Meters: meters})
		require.NoError(t, err)
		require.Len(t, next.Tests, 1)
		return next
	}
	few := ask("voltage", "battery_current")
	assert.Equal(t, "voltage, battery current", few.Tests[0].With)
	more := ask("voltage", "battery_current", "thermometer")
	assert.Equal(t, "voltage, battery current, thermometer on the commutator", more.Tests[0].With)
	assert.Less(t, more.Tests[0].Now, 0.7*few.Tests[0].Now)
	both := ask("telemetry", "voltage", "boat_speed")
	assert.Equal(t, "telemetry, boat speed", both.Tests[0].With, "telemetry has the voltage")
	assert.LessOrEqual(t, both.Tests[0].Now, ask("telemetry").Tests[0].Now)

	_, err = bench.FindNextTests(t.Context(), s, bench.NextOptions{Meters: []string{"sextant"}})
	assert.ErrorContains(t, err, `there is no meter "sextant": those at hand may be voltage, `)

	fouled := *hot
	fouled.Name, fouled.Load = "weeds", "fouled"
	next, err := bench.FindNextTests(t.Context(), s, bench.NextOptions{Trials: []*trial.Trial{hot}, Also: []*trial.Trial{&fouled}, Meters: []string{"voltage"}})
	require.NoError(t, err)
	require.Len(t, next.LeftOut, 1)
	assert.Contains(t, next.LeftOut[0], "weeds: its programme has a fouled propeller")
}
