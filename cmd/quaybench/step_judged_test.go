package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/measure"
	"quaybench/bench/record"
	"quaybench/bench/report"
	"quaybench/bench/verdict"
)

// TestStepOnExamplesIsNotJudged: a boat of the template's values has no verdict on the simulated line either.
func TestStepOnExamplesIsNotJudged(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, script := y.t, fileOf(y.t, "hop.toml", hop)
		code, _, stderr := y.run("", "new", "heron")
		require.Zero(t, code, stderr)
		code, stdout, stderr := y.run("", "step", "heron", "--trial", script)
		assert.Equal(t, exitNotJudged, code, stderr)
		stdout = unwrapped(stdout)
		assert.Regexp(t, `verdict of the simulation: not judged: \d+ values are still the example's`, stdout)
		assert.Regexp(t, `[^n] verdict: not judged: \d+ values are still the example's`, stdout)
		assert.NotContains(t, stdout, "verdict: clear")

		code, stdout, stderr = y.run("", "step", "heron", "--trial", script, "--example")
		assert.Zero(t, code, stderr)
		assert.NotContains(t, stdout, "not judged")
	})
}

// TestStepIsJudgedWithTheRules: what try calls over, step does not call clear, before the test and after it; hardware
// stays untouched.
func TestStepIsJudgedWithTheRules(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, script := y.t, fileOf(y.t, "hop.toml", hop)
		p := y.petrel()
		demo, err := fs.Sub(demoFiles, "demo/petrel")
		require.NoError(t, err)
		boat := filepath.Join(t.TempDir(), "petrel")
		require.NoError(t, os.CopyFS(boat, demo))
		file := filepath.Join(boat, "boat.toml")
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		changed := strings.Replace(string(text), `resistance_at = "25 °C`, `resistance_at = "250 °C`, 1)
		require.NotEqual(t, string(text), changed)
		require.NoError(t, os.WriteFile(file, []byte(changed), 0o644))
		code, stdout, _ := y.run("", "try", boat, "--trial", script)
		assert.Equal(t, exitOver, code, stdout)
		code, stdout, _ = y.run("", "step", boat, "--trial", script)
		assert.Equal(t, exitOver, code)
		assert.Contains(t, stdout, "verdict of the simulation: over\n  rule data-battery")
		assert.Contains(t, stdout, "\nverdict: over\n  rule data-battery")
		d := y.sit("step", boat, "--trial", script, "--on", p.port)
		assert.Contains(t, unwrapped(d.ended(exitOver)), "a rule is over, so it is not run on hardware")
		assert.Empty(t, p.commanded())
	})
}

// TestStepIsOverWhereItsSimulationIs: as the help says, whatever the record shows.
func TestStepIsOverWhereItsSimulationIs(t *testing.T) {
	setup, _ := demoBoat("petrel")
	finished := measure.Stop{Reason: measure.Finished}
	for _, c := range []struct {
		simulated, measured verdict.Level
		stop                measure.Stop
		want                error
	}{
		{verdict.Over, verdict.Clear, finished, overError{}},
		{verdict.Over, verdict.NotJudged, measure.Stop{Reason: measure.Stale}, overError{}},
		{verdict.Clear, verdict.Over, finished, overError{}},
		{verdict.Clear, verdict.Clear, finished, nil},
		{verdict.Close, verdict.Close, finished, nil},
		{verdict.Clear, verdict.Clear, measure.Stop{Reason: measure.Stale, Text: "old"}, notJudgedError{why: "the test stopped early: telemetry is stale: old"}},
	} {
		s := &stepTest{berth: &berth{Setup: setup}, prediction: &bench.Prediction{Verdict: verdict.Trial{Level: c.simulated}}}
		assert.Equal(t, c.want, s.outcome(&bench.StepResult{Verdict: verdict.Trial{Level: c.measured}}, c.stop), "%+v", c)
	}
}

// TestTrialSaysWhereTheCompartmentBelongs: it stands beside air and water, not in [start].
func TestTrialSaysWhereTheCompartmentBelongs(t *testing.T) {
	_, err := bench.LoadTrial(fileOf(t, "cold.toml", hop+"[start]\ncompartment = \"5 °C\"\n"))
	assert.ErrorContains(t, err, "compartment belongs at the top of the file")
}

// TestWithinTheBandSaysWhatWasCompared: where no part was inferred, none is said to lie within its band.
func TestWithinTheBandSaysWhatWasCompared(t *testing.T) {
	measured := record.Difference{Trace: "motor_current", Unit: "A"}
	inferred := record.Difference{Trace: "winding", Unit: "°C"}
	run := &record.Run{Traces: []record.Trace{{Name: "motor_current"}, {Name: "winding", Inferred: true}}}
	say := func(parts []verdict.Part, d ...record.Difference) string {
		var out strings.Builder
		show(&system{Out: &out, Getenv: func(string) string { return "" }}, &report.Paper{Result: &report.Step{Measured: run, Verdict: verdict.Trial{Parts: parts}, Differences: d}})
		return unwrapped(out.String())
	}
	assert.Contains(t, say(nil, measured), "every measurement lies within its predicted band; no part could be inferred from them")
	assert.Contains(t, say(make([]verdict.Part, 1), measured, inferred), "every measurement, and every part that follows from them, lies within its predicted band")
}
