package bench_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/measure"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

func testScript(t *testing.T) *bench.Script {
	s, err := bench.StartScriptIn(bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Context: t.Context, Load: bench.Load, Run: bench.RunSimulated})
	require.NoError(t, err)
	s.Setup.Draws = 8
	return s
}

// A stop rule ends a step test at the first sample beyond it, and changes nothing before.
func TestStopWhen(t *testing.T) {
	s := testScript(t)
	program := func() *bench.Programme { return bench.NewProgramme("ahead", 12).To(1, 0.6, 4).To(9, 0, 1) }
	whole, err := s.Step(program())
	require.NoError(t, err)
	require.Equal(t, measure.Finished, whole.Measured.Stop.Reason)
	all := whole.Measured.Samples
	most, err := bench.Max(whole.Run, "motor current")
	require.NoError(t, err)
	for _, share := range []float64{0.01, 0.4, 0.9, 1.1} {
		limit := math.Round(share * most)
		got, err := s.Step(program().StopWhen("motor current", fmt.Sprintf("above %g A", limit)))
		require.NoError(t, err)
		first := slices.IndexFunc(all, func(x measure.Sample) bool { return math.Abs(x.Values[2]) > limit })
		want := all[:first+1]
		if first < 0 {
			want = all
			assert.Equal(t, measure.Finished, got.Measured.Stop.Reason)
		} else {
			assert.Equal(t, measure.Limit, got.Measured.Stop.Reason)
			assert.Contains(t, got.Measured.Stop.Text, "the programme's own stop rule")
			assert.True(t, got.Measured.Stop.Zero, "zero was commanded")
		}
		require.Len(t, got.Measured.Samples, len(want), "%g A", limit)
		for i, x := range got.Measured.Samples {
			require.Equal(t, want[i].Values, x.Values, "sample %d", i)
		}
	}
}

// What a rule cannot watch is said before anything runs, and no rule takes a hard limit away.
func TestStopRules(t *testing.T) {
	s := testScript(t)
	for _, c := range []struct{ watch, at, message string }{
		{"motor current", "150 A", "a stop rule says above or below and a value, as in above 150 A"},
		{"motor current", "above 150", "150 has no unit"},
		{"motor current", "above 150 V", "150 V is a voltage; a current is wanted"},
		{"motor current", "above -150 A", "give a value from zero up"},
		{"winding", "above 150 °C", `nothing here measures "winding"; measured are voltage at the controller, battery current, `},
	} {
		_, err := s.Step(bench.NewProgramme("ahead", 5).To(1, 0.5, 0).StopWhen(c.watch, c.at))
		assert.ErrorContains(t, err, c.message)
	}
	r, err := s.Step(bench.NewProgramme("ahead", 5).To(1, 0.5, 0).StopWhen("voltage", "below 300 V"))
	require.NoError(t, err)
	assert.Equal(t, measure.Limit, r.Measured.Stop.Reason, "a channel's own name will do, and below is below")
	assert.Less(t, r.Measured.Stop.At, 1.0)

	p := bench.NewProgramme("ahead", 5).To(1, 0.5, 0).StopWhen("motor current", "above 1000000 A")
	channels := r.Measured.Channels
	bounds, err := bench.StopLimits(s.Setup, &p.Trial, channels)
	require.NoError(t, err)
	hard := bench.HardLimits(s.Setup, channels)
	assert.Equal(t, hard, bounds[:len(hard)])

	read, err := trial.Read("written", trial.Write(&p.Trial))
	require.NoError(t, err)
	assert.Equal(t, p.Stops, read.Stops, "a programme that goes to the holder takes its rules along")
	assert.Equal(t, 1, strings.Count(string(trial.Write(&p.Trial)), "[[stop]]"))
}

// A script's verbs end with the context that it gives, and with its host's.
func TestWithContext(t *testing.T) {
	stopped, stop := context.WithCancel(t.Context())
	s, err := bench.StartScriptIn(bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Context: func() context.Context { return stopped }, Load: bench.Load})
	require.NoError(t, err)
	p := bench.NewProgramme("short", 5).To(1, 0.5, 0)
	over, cancel := context.WithCancel(context.Background())
	_, err = s.WithContext(over).Simulate(p)
	require.NoError(t, err)
	cancel()
	_, err = s.WithContext(over).Simulate(p)
	assert.ErrorIs(t, err, context.Canceled)
	tried, err := s.WithContext(over).TryIn("harbour", "limits.motor_current=100 A")
	assert.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, verdict.NotJudged, tried.Level(), "half a run must not look clear to who leaves out the error")
	assert.Equal(t, verdict.NotJudged, tried.Present.Level)
	_, err = s.Simulate(p)
	require.NoError(t, err, "the script itself goes on")
	stop()
	_, err = s.WithContext(context.Background()).Simulate(p)
	assert.ErrorIs(t, err, context.Canceled, "the host's stop holds whatever a script gives")
}
