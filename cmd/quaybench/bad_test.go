package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
)

// quaybench runs the command line in this process, with an environment that holds nothing but what is given.
func quaybench(t *testing.T, environment map[string]string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	y := &yard{t: t}
	sys := y.system()
	sys.Out, sys.Err, sys.Getenv, sys.Open = &out, &err, func(key string) string { return environment[key] }, port.Open
	code = run(t.Context(), args, sys)
	return code, out.String(), err.String()
}

// demoFolder returns a fresh copy of the demo boat petrel.
func demoFolder(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "petrel")
	require.NoError(t, os.CopyFS(dir, os.DirFS("demo/petrel")))
	return dir
}

// change replaces the one place where a file holds a text.
func change(t *testing.T, file, old, new string) {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(string(text), old), "the test changes exactly one place: %s", old)
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(text), old, new, 1)), 0o644))
}

// TestBadFiles: one clear error on stderr that begins with file:line:column, exit code 2, and nothing on stdout.
func TestBadFiles(t *testing.T) {
	const boat, settings, trial = "boat.toml", "settings.toml", "trial.toml"
	for _, c := range []struct {
		name, file, old, new string // old "": new is the whole file
		place, text          string
	}{
		{"empty boat", boat, "", "", "1:1", "the file is empty"},
		{"empty settings", settings, "", "", "1:1", "the file is empty"},
		{"empty trial", trial, "", " \n", "1:1", "the file is empty"},
		{"binary boat", boat, "", "\x7fELF\x02\x01\x00\x00", "1:7", "not a text file"},
		{"binary settings", settings, "", "\x89PNG\r\n\x1a\n\x00", `\d+:\d+`, "not UTF-8|not a text file"},
		{"binary trial", trial, "", "PK\x03\x04\x00", "1:5", "not a text file"},
		{"syntax", boat, `cells = 16`, `cells 16`, "8:7", "syntax: .* write key = value"},

		{"missing unit", boat, `capacity = "200 A·h ± 5 %`, `capacity = "200 ± 5 %`, "9:1[34]", "200 has no unit; write for example"},
		{"bare number", boat, `capacity = "200 A·h ± 5 %, data sheet"`, `capacity = 200`, "9:12", "without its unit"},
		{"amps for volts", boat, `cell_lowest = "2.5 V`, `cell_lowest = "2.5 A`, `\d+:\d+`, "2.5 A is a current; a voltage is wanted"},
		{"negative resistance", boat, `resistance = "14 mΩ`, `resistance = "-14 mΩ`, `\d+:15`, "-14 mΩ is too low"},
		{"fuse curve that rises", boat, `class = "gG"`, `fastest = [["200 A", "100 s"], ["400 A", "5 s"], ["800 A", "7 s"]]`, `\d+:\d+`, "a fuse melts sooner at more current"},
		{"fuse curve out of order", boat, `class = "gG"`, `fastest = [["400 A", "5 s"], ["200 A", "2 s"]]`, `\d+:\d+`, "out of order: the current must rise"},
		{"fuse class and curve", boat, `class = "gG"`, "class = \"gG\"\nfastest = [[\"200 A\", \"100 s\"], [\"400 A\", \"5 s\"]]", `\d+:\d+`, "contradict each other"},
		{"open-circuit voltages out of order", boat, `["2 %", "2.95 V"], ["5 %", "3.10 V"]`, `["5 %", "3.10 V"], ["2 %", "2.95 V"]`, "14:41", "state of charge must rise"},
		{"open-circuit voltage that falls", boat, `["2 %", "2.95 V"]`, `["2 %", "2.5 V"]`, `14:\d+`, "the open-circuit voltage falls here"},
		{"not a number", boat, `constant = "0.20 V`, `constant = "nan V`, `\d+:13`, "a real number is wanted"},
		{"infinity", boat, `constant = "0.20 V`, `constant = "inf V`, `\d+:13`, "a real number is wanted"},
		{"a number beyond all bounds", boat, `constant = "0.20 V`, `constant = "1e999 V`, `\d+:13`, "1e999"},
		{"not a number, TOML's own", boat, "conductor_class = 5\nrated_temperature = \"90 °C, data sheet\"\nshort_circuit_temperature = \"250 °C, data sheet\"\nampacity = \"285 A, data sheet\"\nampacity_at = \"30 °C, data sheet\"\nengine_space = true\n\n[[cable]]", "conductor_class = nan\n[[cable]]", `\d+:\d+`, "conductor_class"},
		{"no rows", boat, `polarisation = [["3 mΩ", "30 s"], ["2 mΩ", "600 s"]]`, `polarisation = []`, "12:16", "polarisation has no rows"},
		{"a short row", boat, `["3.3 m/s", "8.2 kW"]`, `["3.3 m/s"]`, `\d+:\d+`, "a row of 2 values is wanted"},
		{"the same thing twice", boat, `measured_power = "2.4 kW ± 10 %, measured"`, "measured_power = \"2.4 kW\"\nmeasured_torque = \"20 N·m\"", `\d+:\d+`, "say the same; keep the one that was measured"},
		{"a key twice", boat, "cells = 16", "cells = 16\ncells = 15", "9:1", "cells is there twice"},
		{"a key in capitals", boat, "cells = 16", "Cells = 16", "8:1", `unknown key "Cells"; did you mean cells\?`},
		{"a misspelt key", boat, "\nbrush_drop", "\nbrush_dorp", `\d+:1`, `unknown key "brush_dorp"; did you mean brush_drop\?`},
		{"a key that must be there", boat, "cells = 16\n", "", "6:2", "cells is missing"},
		{"a word that is none of those", boat, `class = "gG"`, `class = "gX"`, `\d+:\d+`, "gX"},
		{"two parts of one name", boat, `name = "switch stud"`, `name = "battery lug"`, `\d+:\d+`, `the name "battery lug" is taken`},
		{"a share for no part", boat, `close = "90 %"`, "close = \"90 %\"\n[[close_for]]\npart = \"windings\"\nshare = \"80 %\"", "6:8", `no part is called "windings"`},
		{"a share of more than all", boat, `close = "90 %"`, `close = "120 %"`, "4:10", "120 % is above the highest value allowed, 100 %"},
		{"propeller outside its series", boat, "kind = \"measured point\"\ndiameter = \"0.30 m, measured\"\npitch = \"0.22 m, measured\"", "kind = \"B-series\"\ndiameter = \"0.30 m\"\npitch = \"3 m\"", `\d+:\d+`, "pitch over diameter is 10, above 1.4"},

		{"settings: amps given as volts", settings, `motor_current = "140 A"`, `motor_current = "140 V"`, "3:\\d+", "a current is wanted"},
		{"settings: out of range", settings, `motor_current = "140 A"`, `motor_current = "140 kA"`, "3:18", "above the highest value allowed, 2000 A"},
		{"settings: a key that must be there", settings, "battery_current = \"130 A\"\n", "", "2:2", "battery_current is missing"},

		{"time going backwards", trial, `at = "20 s"`, `at = "1 s"`, "9:6", "time goes backwards: this movement begins at 1 s, the one before at 2 s"},
		{"a lever beyond its stop", trial, `to = "-40 %"`, `to = "-140 %"`, "10:7", "-140 %"},
		{"a movement after the end", trial, `at = "20 s"`, `at = "20 min"`, "9:6", "when the trial has ended"},
		{"no movement", trial, "", "name = \"x\"\nduration = \"1 min\"\n", "1:1", `a trial needs one \[\[throttle\]\]`},
		{"protection nobody has", trial, `duration = "1 min"`, "duration = \"1 min\"\nexpect = [\"brake\"]", `3:\d+`, `no device is called "brake"`},
		{"a trial without end", trial, `duration = "1 min"`, `duration = "1000 d"`, "2:13", "above the highest value allowed, 48 h"},
		{"a trial of no length", trial, `duration = "1 min"`, `duration = "0 s"`, "2:13", "0 s"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := demoFolder(t)
			file := filepath.Join(dir, c.file)
			require.NoError(t, os.WriteFile(filepath.Join(dir, trial), []byte(someTrial), 0o644))
			if c.old == "" {
				require.NoError(t, os.WriteFile(file, []byte(c.new), 0o644))
			} else {
				change(t, file, c.old, c.new)
			}
			code, stdout, stderr := quaybench(t, nil, "try", filepath.Join(dir, boat), "--trial", filepath.Join(dir, trial))
			assert.Equal(t, 2, code)
			assert.Empty(t, stdout)
			first, _, _ := strings.Cut(stderr, "\n")
			assert.Regexp(t, "^"+regexp.QuoteMeta(file)+":"+c.place+": .*("+c.text+")", first)
			assert.Equal(t, 1, strings.Count(stderr, file+":"), "one error:\n%s", stderr)
		})
	}
}

const someTrial = `name = "short"
duration = "1 min"

[[throttle]]
at = "2 s"
to = "60 %"

[[throttle]]
at = "20 s"
to = "-40 %"
`

// TestAllErrorsAtOnce: a person mends a file once, not error by error, and both files of a boat together.
func TestAllErrorsAtOnce(t *testing.T) {
	dir := demoFolder(t)
	change(t, filepath.Join(dir, "boat.toml"), `resistance = "14 mΩ`, `resistance = "14 mV`)
	change(t, filepath.Join(dir, "boat.toml"), `sink_limit = "90 °C`, `sink_limit = "90`)
	change(t, filepath.Join(dir, "settings.toml"), `rise = "2.5 s"`, `rise = "2.5 A"`)
	code, stdout, stderr := quaybench(t, nil, "check", dir)
	assert.Equal(t, 2, code)
	assert.Empty(t, stdout)
	assert.Equal(t, 2, strings.Count(stderr, "boat.toml:"), stderr)
	assert.Equal(t, 1, strings.Count(stderr, "settings.toml:"), stderr)

	require.NoError(t, os.Remove(filepath.Join(dir, "settings.toml")))
	code, _, stderr = quaybench(t, nil, "check", dir)
	assert.Equal(t, 2, code)
	assert.Equal(t, 2, strings.Count(stderr, "boat.toml:"), stderr)
	assert.Contains(t, stderr, "there is no file "+filepath.Join(dir, "settings.toml"))
}

// TestImpossibleBoats: numbers that no boat has end in a verdict or in one clear error, never in a panic.
func TestImpossibleBoats(t *testing.T) {
	for _, c := range []struct{ name, old, new string }{
		{"motor resistance of a megohm", `resistance = "14 mΩ ± 10 %`, `resistance = "1 MΩ`},
		{"motor without resistance", `resistance = "14 mΩ ± 10 %`, `resistance = "1 pΩ`},
		{"battery of kilohms", `resistance = "7 mΩ ± 15 %`, `resistance = "7 kΩ`},
		{"battery that cannot hold the housekeeping power", `housekeeping = "8 W`, `housekeeping = "100 kW`},
		{"battery of nothing", `capacity = "200 A·h`, `capacity = "1e-6 A·h`},
		{"motor constant of a giant", `constant = "0.20 V·s/rad`, `constant = "1e6 V·s/rad`},
		{"motor constant beyond reason", `constant = "0.20 V·s/rad`, `constant = "1e300 V·s/rad`},
		{"motor constant of nothing", `constant = "0.20 V·s/rad`, `constant = "1e-12 V·s/rad`},
		{"rotor without inertia", `inertia = "0.03 kg·m²`, `inertia = "1e-15 kg·m²`},
		{"rotor of a ship", `inertia = "0.03 kg·m²`, `inertia = "1e9 kg·m²`},
		{"boat of a gram", `displacement = "1800 kg ± 10 %`, `displacement = "1 g`},
		{"boat of a continent", `displacement = "1800 kg`, `displacement = "1e18 kg`},
		{"propeller that swallows all", `measured_power = "2.4 kW`, `measured_power = "2.4 GW`},
		{"winding that cannot cool", `rated_current = "150 A`, `rated_current = "1 mA`},
		{"fuse of a milliampere", `rating = "160 A`, `rating = "1 mA`},
		{"compartment of nothing", `heat_capacity = "40 kJ/K ± 30 %, estimated"` + "\nthermal_resistance = \"0.020", `heat_capacity = "1 nJ/K"` + "\nthermal_resistance = \"1e6"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := demoFolder(t)
			change(t, filepath.Join(dir, "boat.toml"), c.old, c.new)
			code, stdout, stderr := quaybench(t, nil, "try", dir, "--trial", "harbour", "--trial", "locked-shaft")
			switch code {
			case exitClear, exitOver:
				assert.Contains(t, stdout, "\nverdict: ")
				assert.NotContains(t, stdout, "NaN")
				assert.Empty(t, stderr)
			default:
				assert.Empty(t, stdout)
				assert.Equal(t, 1, strings.Count(strings.TrimSpace(stderr), "quaybench: ")+strings.Count(stderr, "boat.toml:"), "one error:\n%s", stderr)
				t.Log(stderr)
			}
		})
	}
}
