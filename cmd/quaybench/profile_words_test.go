package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/settings"
	"quaybench/profiles"
)

// TestDiffSpeaksToAPerson: rpm, per cent and points, kelvin between temperatures; JSON keeps the number in the unit that it states.
func TestDiffSpeaksToAPerson(t *testing.T) {
	rows, err := profileRows([]byte("[limits]\nmotor_current = \"140 A\"\nastern_current = \"100 A\"\nbraking_current = \"60 A\"\nbattery_current = \"130 A\"\nduty = \"90 %\"\n[ramp]\nrise = \"800 ms\"\nfall = \"1 s\"\nreversal = \"1 s\"\n[derating]\nstage_start = \"75 °C\"\nstage_end = \"90 °C\"\n[low_voltage]\nstart = \"46 V\"\nend = \"44 V\"\ncut_off = \"43 V\"\n[high_voltage]\nstart = \"56 V\"\nend = \"58 V\"\n[stall]\ntime = \"4 s\"\nspeed = \"30 rpm\"\n"))
	require.NoError(t, err)
	text, unit := map[string]string{}, map[string]string{}
	for _, r := range rows {
		text[r.Key], unit[r.Key] = r.Text, r.Unit
	}
	assert.Equal(t, "30 rpm", text["stall.speed"])
	assert.Equal(t, "rad/s", unit["stall.speed"])
	assert.Equal(t, "90 %", text["limits.duty"])
	assert.Equal(t, "75 °C", text["derating.stage_start"])
	assert.Len(t, rows, len(settings.Table()))

	number := func(x float64) *float64 { return &x }
	for want, c := range map[string]profiles.SettingChange{
		"+10 points": {Unit: "1", Change: number(0.1), Percent: number(11)},
		"-5 K":       {Unit: "°C", Change: number(-5)},
		"+14.3 %":    {Unit: "A", Change: number(20), Percent: number(14.2857)},
		"+60 rpm":    {Unit: "rad/s", Change: number(6.283185307)},
		"+10 A":      {Unit: "A", Change: number(10)},
		"":           {},
	} {
		assert.Equal(t, want, changeText(c))
	}
}
