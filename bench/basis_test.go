package bench_test

import (
	"context"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/trial"
)

// heron returns a boat as `new` writes it, with changes made to the text.
func heron(t *testing.T, much bench.Template, boatChange, settingsChange func(string) string) *bench.Setup {
	t.Helper()
	same := func(s string) string { return s }
	if boatChange == nil {
		boatChange = same
	}
	if settingsChange == nil {
		settingsChange = same
	}
	s, err := bench.LoadTexts("boat.toml", []byte(boatChange(string(bench.NewBoatFile("heron", much)))), "settings.toml", []byte(settingsChange(string(bench.NewSettingsFile("heron", much)))))
	require.NoError(t, err)
	return s
}

// TestWhereValuesComeFrom: every value says where it comes from, what is no quantity in a comment; what is left out counts.
func TestWhereValuesComeFrom(t *testing.T) {
	for _, much := range []bench.Template{bench.ShortTemplate, bench.WholeTemplate} {
		s := heron(t, much, nil, nil)
		assert.Zero(t, s.Basis.Measured+s.Basis.DataSheet+s.Basis.Estimated+s.Basis.Unstated, "new invents no source")
		assert.Contains(t, s.Basis.Examples, "motor.constant")
		assert.Contains(t, s.Basis.Examples, "battery.cells", "a count, by its comment")
		assert.Contains(t, s.Basis.Examples, "hull.speed_power", "a table of rows, by its comment")
		assert.Contains(t, s.Basis.Examples, "limits.motor_current", "the settings too")
		assert.Empty(t, s.Basis.Changed)
		var examples *bench.ExamplesError
		require.ErrorAs(t, s.Own(), &examples)
		assert.Equal(t, s.Basis.Examples, examples.Keys)
	}
	short, whole := heron(t, bench.ShortTemplate, nil, nil).Basis, heron(t, bench.WholeTemplate, nil, nil).Basis
	assert.Less(t, len(short.Examples), 55)
	assert.Greater(t, len(whole.Examples), 150)
	assert.Greater(t, short.LeftOut, whole.LeftOut)

	own := strings.NewReplacer(", example\"", ", measured\"", "# example", "# data sheet").Replace
	s := heron(t, bench.ShortTemplate, own, own)
	assert.Empty(t, s.Basis.Examples)
	assert.NoError(t, s.Own())
	assert.Regexp(t, `^\d+ measured, \d+ from data sheets, 0 estimated, \d+ left out, 0 examples$`, s.Basis.String())
	assert.Equal(t, short.LeftOut, s.Basis.LeftOut)
}

// TestAScriptJudgesNoExamples: what a script runs of a boat of the template is refused, as try and step refuse it; the script may lift that
// for simulations.
func TestAScriptJudgesNoExamples(t *testing.T) {
	setup := heron(t, bench.ShortTemplate, nil, nil)
	s, err := bench.StartScriptIn(bench.ScriptHost{
		Args: []string{"heron"}, Context: t.Context, Load: func(string) (*bench.Setup, error) { return setup, nil },
		Run: func(context.Context, *bench.Setup, *trial.Trial, float64) (*bench.StepResult, error) {
			t.Error("a programme of a boat of examples reached the controller")
			return nil, nil
		},
	})
	require.NoError(t, err)
	p := bench.NewProgramme("hop", 3).To(1, 0.3, 0)
	var examples *bench.ExamplesError
	_, err = s.Simulate(p)
	require.ErrorAs(t, err, &examples)
	_, err = s.Sweep(p, "limits.motor_current", "100 A, 120 A")
	require.ErrorAs(t, err, &examples)
	_, err = s.Step(p)
	require.ErrorAs(t, err, &examples)
	lifted := s.WithExamples()
	_, err = lifted.Simulate(p)
	require.NoError(t, err)
	_, err = lifted.Step(p)
	require.ErrorAs(t, err, &examples, "a step test is lifted nowhere")
}

// TestAChangedExampleIsTold: the value is the person's own, the word is still the template's.
func TestAChangedExampleIsTold(t *testing.T) {
	s := heron(t, bench.ShortTemplate, func(text string) string {
		text = strings.Replace(text, `"0.13 V·s/rad ± 5 %, example"`, `"0.17 V·s/rad ± 5 %, example"`, 1)
		text = strings.Replace(text, `"3 m, example"`, `"300 cm, example"`, 1) // the same value
		return strings.Replace(text, "cells = 16  # example", "cells = 15 # example", 1)
	}, nil)
	assert.Equal(t, []string{"battery.cells", "motor.constant"}, s.Basis.Changed)
	assert.Contains(t, s.Basis.Examples, "motor.constant", "it counts until the word goes")
}

// TestOneExampleIsEnough: a single example keeps the verdict back, and the option lifts that.
func TestOneExampleIsEnough(t *testing.T) {
	own := func(text string) string {
		text = strings.NewReplacer(", example\"", ", measured\"", "# example", "# data sheet").Replace(text)
		return regexp.MustCompile(`(?m)^(mass = ".*), measured"`).ReplaceAllString(text, `$1, example"`)
	}
	s := heron(t, bench.ShortTemplate, own, func(text string) string { return strings.ReplaceAll(text, ", example", "") })
	require.Equal(t, []string{"motor.mass"}, s.Basis.Examples)
	trial, err := bench.LoadTrial("locked-shaft")
	require.NoError(t, err)
	o := bench.TryOptions{NoChange: true}
	o.Trials = append(o.Trials, trial)
	tried, err := bench.Try(t.Context(), s, o)
	require.NoError(t, err)
	assert.EqualError(t, tried.NotJudged, "1 value is still the example's (motor.mass): put in your own, and say where each comes from")
	text, err := tried.MarshalJSON()
	require.NoError(t, err)
	assert.Contains(t, string(text), `"verdict":"not judged","reason":"1 value is still`)
	o.Examples = true
	tried, err = bench.Try(t.Context(), s, o)
	require.NoError(t, err)
	assert.NoError(t, tried.NotJudged)
}

// TestDemoBoatsStateEverything: they are read as examples of how to write a boat file.
func TestDemoBoatsStateEverything(t *testing.T) {
	for _, name := range []string{"petrel", "bracken", "petrel-refit"} {
		_, err := os.Stat(demo + "/" + name)
		require.NoError(t, err)
		s, err := bench.Load(demo + "/" + name)
		require.NoError(t, err)
		assert.Zero(t, s.Basis.Unstated, name)
		assert.Empty(t, s.Basis.Examples, name)
		assert.Greater(t, s.Basis.Measured+s.Basis.DataSheet+s.Basis.Estimated, 60, name)
	}
}
