//go:build slow

package bench_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestNewChannelIsOneLine: a channel that is added to the table, in one line, is known to every room: the program built with that
// line has it on a sheet with a band and a stop, takes it from a logger's file, predicts it, reads it from the simulated controller in a step
// test, stops on its hard limit, compares it, learns from it, and reports it.
func TestNewChannelIsOneLine(t *testing.T) {
	const row = "\t{Name: \"cable_temperature\", Unit: \"°C\", Doc: \"the battery cable's hottest end\", Part: \"battery cable\", Instrument: \"temperature\", Stray: 0.5, Digits: 3, Highest: \"cable[0].rated_temperature\", Limit: \"the battery cable is at its limit\", ByHand: \"thermometer under tape at the cable's end\", Said: []string{\"cable temperature\"}, Also: []string{\"lead_temperature\"}},\n"
	dir := t.TempDir()
	run := programWith(t, dir, "link/channels.go", "\t{Name: Duty,", row)
	boat := filepath.Join(dir, "book", "petrel")
	require.NoError(t, os.CopyFS(boat, os.DirFS("../cmd/quaybench/demo/petrel")))
	registers := filepath.Join(boat, "registers.toml")
	text, err := os.ReadFile(registers)
	require.NoError(t, err)
	text = append(text, "\n[[reading]]\nkey = \"cable_temperature\"\ntable = \"input\"\naddress = 40\ntype = \"s16\"\nunit = \"°C\"\nscale = \"0.1 K\"\noffset = \"0 °C\"\n"...)
	require.NoError(t, os.WriteFile(registers, text, 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "hop.toml"), []byte(shortHop), 0o644))

	sheet := run("sheet", "petrel", "--trial", "full-throttle", "--meters", "voltage,battery_current,cable_temperature")
	assert.Contains(t, sheet, "thermometer under tape at the cable's end")
	assert.Contains(t, sheet, "the battery cable is at its limit")
	assert.Contains(t, run("sheet", "petrel", "--trial", "full-throttle", "--meters", "nose"), "cable_temperature")
	page := filepath.Join(dir, "step.html")
	step := run("step", "petrel", "--trial", "hop.toml", "--record", "hop.csv", "--report", page)
	assert.Regexp(t, `reading lowest highest .*cable temperature [0-9.]+ °C [0-9.]+ °C`, step)
	assert.Contains(t, step, "cable temperature passes 90.0 °C: the battery cable is at its limit")
	assert.Regexp(t, `measured less predicted.*cable temperature [-0-9.]+ K`, step)
	report, err := os.ReadFile(page)
	require.NoError(t, err)
	assert.Contains(t, string(report), "cable temperature")
	compared := run("compare", "petrel", "hop.csv", "--json")
	assert.Contains(t, compared, `"cable_temperature"`)

	log := "time [s],voltage [V],battery current [A],cable temperature [°C]\n"
	for _, row := range []string{"0,53,20,25", "10,53,20,26", "20,53,20,26", "30,53,20,27"} {
		log += row + "\n"
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "log.csv"), []byte(log), 0o644))
	assert.Contains(t, run("readings", "petrel", "log.csv", "--dry-run"), "cable_temperature")
	require.NoError(t, os.WriteFile(registers, append(text, "\n[[reading]]\nkey = \"lead_temperature\"\ntable = \"input\"\naddress = 41\ntype = \"s16\"\nunit = \"°C\"\nscale = \"0.1 K\"\noffset = \"0 °C\"\n"...), 0o644))
	assert.Contains(t, run("step", "petrel", "--trial", "hop.toml"), "is cable_temperature meant?")
}
