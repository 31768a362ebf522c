package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestCommandsWithoutACommandLine: each command is an options struct with a run function, which needs no flags parsed.
func TestCommandsWithoutACommandLine(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		name string
		run  func(ctx context.Context, sys *system) error
		want string
	}{
		{"check", (&checkOptions{boat: "petrel"}).run, "verdict: clear"},
		{"check", (&checkOptions{boat: "petrel", paper: paperFlags{tables: true, report: filepath.Join(dir, "c.html")}}).run, "wrote " + filepath.Join(dir, "c.html")},
		{"try", (&tryOptions{boat: "petrel", trials: []string{"locked-shaft"}, paper: paperFlags{report: filepath.Join(dir, "r.html")}}).run, "wrote " + filepath.Join(dir, "r.html")},
		{"highest", (&highestOptions{boat: "petrel", keys: []string{"ramp.rise"}, hold: "20 s", draws: 10, studyFlags: studyFlags{seed: 1}}).run, "ramp.rise"},
		{"envelope", (&envelopeOptions{boat: "petrel", locked: true, hold: "1 s..60 s"}).run, "may be held"},
		{"odds", (&oddsOptions{boat: "petrel", draws: 4, quick: true, studyFlags: studyFlags{trials: []string{"locked-shaft"}, seed: 1}}).run, "anything over"},
		{"plan", (&planOptions{boat: "petrel", to: "limits.motor_current=145 A", steps: 1, hold: "5 s", moored: true}).run, "145"},
		{"new", (&newOptions{name: "heron"}).run, "wrote "},
		{"set", (&setOptions{boat: "heron", assignments: []string{"ramp.rise=3 s"}}).run, "ramp.rise"},
		{"controller read", (&controllerFlags{boat: "petrel", on: simulated}).read, "limits.motor_current"},
		{"step", (&stepOptions{controllerFlags: controllerFlags{boat: "petrel"}, script: fileOf(t, "hop.toml", hop), rate: 20}).run, "the test ran to its end"},
	} {
		var out strings.Builder
		sys := (&yard{t: t, home: dir}).system()
		sys.Out, sys.Book = &out, filepath.Join(dir, "book")
		require.NoError(t, c.run(t.Context(), &sys), c.name)
		assert.Contains(t, out.String(), c.want, c.name)
	}
}
