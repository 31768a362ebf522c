package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
)

// The first write with a register map compares one value of each scale with the controller's own display: 650 A read back as
// right where the display shows 130 A is refused.
func TestAScaleIsComparedWithTheDisplay(t *testing.T) {
	amps := link.Setting{Key: "limits.motor_current", Unit: "A", Step: 0.5}
	assert.NoError(t, sameAsShown(amps, 130, 130))
	assert.NoError(t, sameAsShown(amps, 130.5, 130), "displays round")
	err := sameAsShown(amps, 650, 130)
	assert.ErrorContains(t, err, "by the map limits.motor_current is 650.0 A, and the controller's own display shows 130.0 A: the map's scale is 5 times what it should be")
	assert.Error(t, sameAsShown(link.Setting{Key: "derating.stage_start", Unit: "°C", Step: 0.1}, 348.15, 338.15))
	assert.Equal(t, scaleOf(amps), scaleOf(link.Setting{Key: "limits.battery_current", Unit: "A", Step: 0.5}), "one value stands for all of a scale")
	assert.NotEqual(t, scaleOf(amps), scaleOf(link.Setting{Key: "boost.current", Unit: "A", Step: 5}))
	assert.Empty(t, scaleOf(link.Setting{Words: []string{"a", "b"}}))
}

// A journal remembers what was compared, for this map only; what reads settings passes it over.
func TestComparedScalesAreRemembered(t *testing.T) {
	name := filepath.Join(t.TempDir(), journalFile)
	require.NoError(t, os.WriteFile(name, []byte(`{"at":"2026-11-01T10:00:00Z","on":"x","confirmed_scale":"A in steps of 0.5","map":"abc","by":"limits.motor_current","shown":"130 A"}
`), 0o644))
	done, err := confirmedScales(name, "abc")
	require.NoError(t, err)
	assert.Equal(t, map[string]bool{"A in steps of 0.5": true}, done)
	done, err = confirmedScales(name, "another map")
	require.NoError(t, err)
	assert.Empty(t, done)
	list, err := readJournal(name)
	require.NoError(t, err)
	assert.Empty(t, list)
}

// On a line: the wrong scale is found before anything is written, and the right one is asked for once.
func TestFirstWriteAsksWhatTheDisplayShows(t *testing.T) { inBubble(t, firstWriteAsks) }

func firstWriteAsks(y *yard) {
	t, p := y.t, y.petrel("limits.motor_current=130 A")
	code, _, stderr := y.run("", "controller", "write", "petrel", "--yes", "--on", p.port)
	assert.Equal(t, exitInput, code)
	assert.Contains(t, stderr, "compares one value of each scale")
	d := y.sit("controller", "write", "petrel", "--yes", "--on", p.port)
	d.await("limits.motor_current there? With its unit:")
	d.line("26 A")
	screen := d.ended(exitInput)
	assert.Contains(t, screen, "is 5 times what it should be")
	assert.InDelta(t, 130, p.Setting("limits.motor_current"), 0.5, "nothing was written")

	d = y.sit("controller", "write", "petrel", "--yes", "--on", p.port)
	d.await("limits.motor_current there? With its unit:")
	d.line("130")
	d.await("once more")
	assert.Contains(t, d.screen(), "130 has no unit")
	d.line("")
	d.await("there is no value")
	d.line("130 A")
	assert.Contains(t, d.ended(0), "1 setting written and read back")
	require.NoError(t, p.SetSetting("limits.motor_current", 120))
	d = y.sit("controller", "write", "petrel", "--yes", "--on", p.port)
	assert.NotContains(t, d.ended(0), "First write", "asked once")
}
