package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/link"
)

// The first write with a register map compares one value of each scale with the controller's own display: 650 A read back as
// right where the display shows 130 A is refused.
func TestAScaleIsComparedWithTheDisplay(t *testing.T) {
	amps := link.Setting{Key: "limits.motor_current", Unit: "A", Step: 0.5}
	assert.NoError(t, sameAsShown(amps, 130, 130))
	assert.NoError(t, sameAsShown(amps, 130.5, 130), "displays round")
	err := sameAsShown(amps, 650, 130)
	assert.ErrorContains(t, err, "by the map limits.motor_current is 650 A, and the controller's own display shows 130 A: the map's scale is 5 times what it should be")
	assert.Error(t, sameAsShown(link.Setting{Key: "derating.stage_start", Unit: "°C", Step: 0.1}, 348.15, 338.15))
	assert.Equal(t, scaleOf(amps), scaleOf(link.Setting{Key: "limits.battery_current", Unit: "A", Step: 0.5}), "one value stands for all of a scale")
	assert.NotEqual(t, scaleOf(amps), scaleOf(link.Setting{Key: "boost.current", Unit: "A", Step: 5}))
	assert.Empty(t, scaleOf(link.Setting{Words: []string{"a", "b"}}))
}

// A scale is proven by the setting of which the controller holds most: zero is the same at any scale, and a few steps are nearly so.
func TestAScaleIsProvenByTheLargestValue(t *testing.T) {
	amps := func(key string, value float64) bench.ComparedSetting {
		return bench.ComparedSetting{Setting: link.Setting{Key: key, Unit: "A", Step: 0.5}, Controller: value}
	}
	held := []bench.ComparedSetting{amps("limits.braking_current", 0), amps("limits.motor_current", 28), {Setting: link.Setting{Key: "ramp.rise", Unit: "s", Step: 0.1}, Controller: 60}, amps("limits.astern_current", 24)}
	best, steps := proofOf(held, scaleOf(held[0].Setting))
	assert.Equal(t, "limits.motor_current", best.Key)
	assert.Equal(t, 56.0, steps)
	_, steps = proofOf(held[:1], scaleOf(held[0].Setting))
	assert.Less(t, steps, float64(fewestSteps))
	_, steps = proofOf([]bench.ComparedSetting{{Setting: link.Setting{Key: "derating.stage_start", Unit: "°C", Step: 1}, Controller: 274.15}}, "°C in steps of 1")
	assert.Less(t, steps, float64(fewestSteps), "1 °C is one step")
	few := amps("limits.motor_current", 3).Setting
	assert.NoError(t, sameAsShown(few, 3, 3.25))
	assert.Error(t, sameAsShown(few, 3, 3.5), "a sixth more, and 6 steps are too few for a whole one")
}

// A journal remembers what was compared, for this map only; what reads settings passes it over.
func TestComparedScalesAreRemembered(t *testing.T) {
	name := filepath.Join(t.TempDir(), journalFile)
	require.NoError(t, os.WriteFile(name, []byte(`{"at":"2026-11-01T10:00:00Z","on":"x","confirmed_scale":"A in steps of 0.5","map":"abc","by":"limits.motor_current","shown":"130 A"}
{"at":"2026-11-01T10:00:00Z","on":"x","confirmed_scale":"V in steps of 0.1","map":"abc","by":"battery.low_voltage_start","shown":"0,0 V"}
{"at":"2026-11-01T10:00:00Z","on":"x","confirmed_scale":"s in steps of 0.1","map":"abc","by":"ramp.rise","shown":"0.5 s"}
`), 0o644))
	done, err := confirmedScales(name, "abc")
	require.NoError(t, err)
	assert.Equal(t, map[string]bool{"A in steps of 0.5": true, "s in steps of 0.1": true}, done, "zero is zero at any scale, though an older quaybench took it")
	done, err = confirmedScales(name, "another map")
	require.NoError(t, err)
	assert.Empty(t, done)
	list, err := readJournal(name)
	require.NoError(t, err)
	assert.Empty(t, list)
}

// Where a controller holds nothing in a scale, no display proves it, and nothing is written.
func TestZeroProvesNoScale(t *testing.T) {
	inBubble(t, func(y *yard) {
		p := y.moor(petrelMap(y.t), "limits.braking_current=0 A")
		d := y.sit("controller", "write", "petrel", "--yes", "--on", p.port, "--set", "limits.braking_current=50 A")
		d.await("there? With its unit:")
		assert.NotContains(y.t, unwrapped(d.screen()), "what is limits.braking_current there?", "another setting of its scale is asked for")
		d.line("0 A")
		assert.Contains(y.t, unwrapped(d.ended(exitInput)), "the map's scale, offset, type or register is wrong")
		assert.Zero(y.t, p.Setting("limits.braking_current"), "nothing was written")
	})
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
