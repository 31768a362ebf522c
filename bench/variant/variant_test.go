package variant_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
)

func petrel(t testing.TB) variant.Variant {
	b, s := benchtest.Boat(t, "petrel")
	return variant.Of(b, s)
}

// TestAnyValueIsFoundByItsKey: a setting, a value of the boat by name or number, a condition; unknown keys get the nearest of all.
func TestAnyValueIsFoundByItsKey(t *testing.T) {
	v := petrel(t)
	for key, text := range map[string]string{
		"limits.motor_current": "160 A", "propeller.pitch": "0.24 m", "cable[motor cable].section": "70 mm²", "cable[1].section": "70 mm²",
		"joint[switch stud].resistance": "0.2 mΩ", "stage.sink_resistance": "0.1 K/W", "motor.constant": "0.21 V·s/rad", "battery.capacity": "250 A·h",
		"air": "40 °C", "charge": "50 %", "stage.cooling": "water", "stage.braking": "false", "propeller.blades": "4",
	} {
		next, _, err := v.With(key, text)
		require.NoError(t, err, key)
		assert.NotEqual(t, next.Get(key), v.Get(key), "the original is as it was: %s", key)
	}
	for key, says := range map[string]string{
		"propeler.pitch":           `unknown key "propeler.pitch"; did you mean propeller.pitch?`,
		"sink_resistance":          "did you mean stage.sink_resistance",
		"limit.motor_current":      "did you mean limits.motor_current",
		"airs":                     "did you mean air?",
		"cable[motor].section":     `the boat has no cable "motor"; write cable[battery cable].section or cable[motor cable].section`,
		"cable.section":            "which one?",
		"nothing like it at all":   `unknown key "nothing like it at all"; a key is such as limits.motor_current or motor.resistance`,
		"cable[motor cable].width": "unknown key",
	} {
		_, _, err := v.With(key, "1 A")
		assert.ErrorContains(t, err, says, key)
	}
}

// TestWhatFollows: a changed value takes along what belongs to it, and says so.
func TestWhatFollows(t *testing.T) {
	v := petrel(t)
	before, err := drive.CableHeat(&v.Boat.Cables[1])
	require.NoError(t, err)
	next, notes, err := v.With("cable[motor cable].section", "70 mm²")
	require.NoError(t, err)
	after, err := drive.CableHeat(&next.Boat.Cables[1])
	require.NoError(t, err)
	assert.InDelta(t, 0.272/0.386, after.Ohms/before.Ohms, 1e-9, "IEC 60228, class 5")
	assert.InDelta(t, 70.0/50, after.Capacity/before.Capacity, 1e-9)
	assert.InDelta(t, 285, next.Boat.Cables[1].Ampacity.SI, 15, "the demo file states 285 A for 70 mm² of the same kind")
	require.Len(t, notes, 1)
	assert.Contains(t, notes[0], "33 CFR 183.425 table 5")
	assert.Equal(t, 225.0, v.Boat.Cables[1].Ampacity.SI)

	next, notes, err = v.With("propeller.pitch", "0.24 m")
	require.NoError(t, err)
	assert.True(t, next.Boat.Propeller.Changed())
	assert.Contains(t, notes[0], "the correction to the B-series found with that one is kept")

	next, notes, err = v.With("shaft.gear_ratio", "2")
	require.NoError(t, err)
	assert.InDelta(t, 0.97, next.Boat.Shaft.GearEfficiency.SI, 1e-12, "petrel has no gear, so her file gives it no losses")
	assert.Contains(t, strings.Join(notes, "; "), "shaft.gear_efficiency 97 %")
	next, _, err = next.With("shaft.gear_efficiency", "94 %")
	require.NoError(t, err)
	next, _, err = next.With("shaft.gear_ratio", "3")
	require.NoError(t, err)
	assert.InDelta(t, 0.94, next.Boat.Shaft.GearEfficiency.SI, 1e-12, "the gear's own")

	next, _, err = v.With("fuse.rating", "200 A")
	require.NoError(t, err)
	assert.InDelta(t, 0.4e-3, next.Boat.Fuse.Resistance.SI, 1e-9)
	assert.NoError(t, next.Problems())
	next, _, err = v.With("fuse.rating", "150 A")
	require.NoError(t, err)
	assert.ErrorContains(t, next.Problems(), "no rating of 150 A")

	// what the file leaves out follows anew
	text := strings.Replace(string(benchtest.File(t, "petrel", "boat.toml")), "sink_heat_capacity = \"2.6 kJ/K ± 10 %, estimated\"\n", "", 1)
	b, _, err := boat.Read("boat.toml", []byte(text))
	require.NoError(t, err)
	w := variant.Of(b, v.Settings)
	require.InDelta(t, 400/0.18, b.Stage.SinkHeatCapacity.SI, 1e-6)
	next, _, err = w.With("stage.sink_resistance", "0.06 K/W")
	require.NoError(t, err)
	assert.InDelta(t, 400/0.06, next.Boat.Stage.SinkHeatCapacity.SI, 1e-6)
}

// TestConditions: they hold in every trial, and the trial itself stays.
func TestConditions(t *testing.T) {
	v, notes, err := petrel(t).With("air", "41 °C")
	require.NoError(t, err)
	assert.NotEmpty(t, notes)
	hot, err := trial.Builtin("hot-day")
	require.NoError(t, err)
	assert.InDelta(t, 314.15, v.Trials([]*trial.Trial{hot})[0].Air, 1e-9)
	assert.InDelta(t, 311.15, hot.Air, 1e-9)
	_, _, err = v.With("air", "200 °C")
	assert.Error(t, err)
}

// TestAPartOfATableIsNone: a value of a table that the boat file does not have makes no table whose other values are zero.
func TestAPartOfATableIsNone(t *testing.T) {
	b, s := benchtest.Boat(t, "bracken") // without management
	v, _, err := variant.Of(b, s).With("battery.management.discharge_delay", "20 s")
	require.NoError(t, err)
	assert.ErrorContains(t, v.Problems(), "the boat file has no [battery.management], and a part of it is none: set battery.management.discharge_current, battery.management.cell_low too")
	for key, text := range map[string]string{"battery.management.discharge_current": "280 A", "battery.management.cell_low": "1.7 V"} {
		v, _, err = v.With(key, text)
		require.NoError(t, err)
	}
	assert.NoError(t, v.Problems())
	assert.Equal(t, 5.0, v.Boat.Battery.Management.ChargeDelay.SI, "the defaults hold")
	assert.Equal(t, 280.0, v.Boat.Battery.Management.ChargeCurrent.SI, "what is left out follows")
}
