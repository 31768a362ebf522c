package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/layout"
)

// exampleCodes are the exit codes of the examples whose answer is another than clear or close.
var exampleCodes = map[string]int{
	`quaybench check heron`:                                  exitNotJudged, // as new left it: values that are still the example's
	`quaybench try heron`:                                    exitNotJudged,
	`quaybench check heron --values`:                         exitNotJudged,
	`quaybench try heron --set limits.motor_current="150 A"`: exitNotJudged,
	`quaybench try heron --set limits.motor_current="180 A" --trial full-throttle --trial hot-day`: exitNotJudged,
	`quaybench try petrel --set limits.motor_current="180 A"`:                                      exitOver, // the example of a limit that is too high
	`quaybench check ./petrel/boat.toml --set limits.battery_current="260 A"`:                      exitOver,
	`quaybench sheet heron --trial full-throttle --report sheet.pdf --csv sheet.csv`:               exitNotJudged,
	`quaybench sheet petrel --trial harbour --fill sheet.csv`:                                      exitInput, // nobody filled in its blanks
	`quaybench sheet heron --trial full-throttle --fill sheet.csv --record first.csv`:              exitInput,
}

// Each example of the help and of the README runs as it stands, with no book to begin with, and ends with its own exit code. What
// needs a shell or many simulations is left to the slow suite, which runs all of them in one.
func TestExamples(t *testing.T) {
	if testing.Short() {
		t.Skip("examples run without -short; the transcripts run the same commands")
	}
	home, err := os.Getwd()
	require.NoError(t, err)
	used, tried := map[string]bool{}, map[string]bool{}
	for command, lines := range examples(t) {
		t.Run(command, func(t *testing.T) {
			slow := []string{"highest", "odds", "envelope", "plan", "step", "run", "repl", "learn", "compare", "drift"}
			dir := exampleFolder(t)
			require.NoError(t, os.Chdir(dir))
			defer func() { require.NoError(t, os.Chdir(home)) }()
			for _, line := range lines {
				if notHere(line) != "" || strings.ContainsAny(line, "|<>") {
					continue
				}
				args := words(t, line)
				if slices.Contains(slow, args[0]) || alike(args) && used[line] {
					continue
				}
				_, coded := exampleCodes[line]
				if dear := []string{"choose", "demo", "sheet", "try"}; command != "README" && !coded && slices.Contains(dear, args[0]) && tried[command+args[0]] {
					continue // the slow suite runs all (TestAllExamples)
				}
				tried[command+args[0]] = true
				var out strings.Builder
				y := &yard{t: t, home: dir, columns: "80"}
				sys := y.system()
				sys.Out, sys.Err = &out, &out
				assert.Equal(t, exampleCodes[line], run(t.Context(), args, sys), "%s\n%s", line, &out)
				assert.Empty(t, tooWide(line, out.String()), "lines of more than 80 columns: %s", line)
				used[line] = true
			}
		})
	}
	for line := range exampleCodes {
		assert.True(t, used[line], "no example any more, or not run: %s", line)
	}
}

// alike reports whether a command answers the same wherever it is an example: of a demo boat, and nothing is written.
func alike(args []string) bool {
	return args[0] == "demo" && len(args) == 1 || args[0] == "try" && args[1] == "petrel" && !slices.Contains(args, "--csv")
}

// tooWide lists the lines that do not fit into 80 columns. What is for programs is not asked, nor what a name of the user's makes
// wide: no line can be broken within one.
func tooWide(command, out string) (wide []string) {
	for _, forPrograms := range []string{"--json", "quaybench completion ", "--to -", "> "} {
		if strings.Contains(command, forPrograms) {
			return nil
		}
	}
	for _, line := range strings.Split(out, "\n") {
		long := slices.ContainsFunc(strings.Fields(line), func(word string) bool { return layout.Visible(word) > 40 })
		if layout.Visible(line) > 80 && !long {
			wide = append(wide, line)
		}
	}
	return wide
}

// examples are all commands that help and README show, by where they stand, without what is said beside them.
func examples(t *testing.T) map[string][]string {
	t.Helper()
	all := map[string][]string{}
	add := func(where, line string) {
		line, _, _ = strings.Cut(line, " #")
		if line = strings.TrimSpace(line); line != "" {
			all[where] = append(all[where], line)
		}
	}
	for _, c := range commands(&system{Out: &bytes.Buffer{}, Getenv: func(string) string { return "" }}) {
		if !c.Hidden {
			for _, line := range strings.Split(c.Example, "\n") {
				add(c.CommandPath(), line)
			}
		}
	}
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	for _, line := range strings.Split(string(readme), "\n") {
		if strings.HasPrefix(line, "    quaybench ") {
			add("README", line)
		}
	}
	require.Greater(t, len(all["README"]), 2)
	return all
}

// notHere says why an example cannot be run by a test; "" where it can.
func notHere(line string) string {
	switch {
	case strings.Contains(line, "/dev/"):
		return "needs hardware"
	case strings.HasPrefix(line, "quaybench simulate-controller"):
		return "runs until Ctrl-C"
	case strings.Contains(line, "--prompted"):
		return "needs a person"
	case strings.Contains(line, "--compare"):
		return "needs the source of quaybench, and trust, which TestRunCompare gives"
	case strings.HasPrefix(line, "source <("):
		return "is for bash, which TestBashCompletion asks"
	}
	return ""
}

// exampleFolder holds the files of the examples: a boat's folder, a trial, a programme, scripts.
func exampleFolder(t *testing.T) string {
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(filepath.Join(dir, "petrel"), os.DirFS("demo/petrel")))
	require.NoError(t, os.CopyFS(filepath.Join(dir, "scripts"), os.DirFS("../../scripts")))
	require.NoError(t, os.MkdirAll(filepath.Join(dir, ".config/fish/completions"), 0o755))
	script, err := os.ReadFile("../../scripts/coast-down/main.go")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "my-script.go"), script, 0o644))
	trial, err := os.ReadFile("../../bench/trial/builtin/crash-stop.toml")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "my-trial.toml"), regexp.MustCompile(`(?m)^name = .*`).ReplaceAll(trial, []byte(`name = "my-trial"`)), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "steps.toml"), []byte(hop), 0o644))
	for name, from := range map[string]string{"monday.csv": "monday.csv", "friday.csv": "friday.csv", "logger.csv": "logger.csv"} { // invented
		text, err := os.ReadFile("testdata/records/" + from)
		require.NoError(t, err)
		if name == "friday.csv" {
			text = anotherDay(text, 2)
		}
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), text, 0o644))
	}
	monday, err := os.ReadFile("testdata/records/monday.csv")
	require.NoError(t, err)
	for month, day := range map[string]string{"may": "2026-05-28", "june": "2026-06-28", "july": "2026-07-28"} { // invented: the same hour in three months
		require.NoError(t, os.WriteFile(filepath.Join(dir, month+".csv"), anotherDay(bytes.Replace(monday, []byte("2026-11-28"), []byte(day), 1), uint64(month[2])), 0o644))
	}
	const registers = "name;register;table;type;unit;factor;minimum;maximum;access;key\nMotor current limit;16;holding;u16;A;0.5;1;250;rw;limits.motor_current\n"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "manual.csv"), []byte(registers), 0o644))
	const device = "[FileInfo]\nFileName=controller.eds\n[DeviceInfo]\nVendorNumber=0x99\n[MandatoryObjects]\nSupportedObjects=1\n1=0x1000\n[1000]\nParameterName=Device type\nObjectType=0x7\nDataType=0x0007\nAccessType=ro\nDefaultValue=0x192\nPDOMapping=0\n"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "controller.eds"), []byte(device), 0o644))
	return dir
}

// anotherDay returns a record with readings as meters show them another time: each reading that is not zero a little off.
func anotherDay(text []byte, seed uint64) []byte {
	noise := rand.New(rand.NewPCG(seed, 1))
	return regexp.MustCompile(`(?m)^[\d.]+,.*$`).ReplaceAllFunc(text, func(line []byte) []byte {
		cells := strings.Split(string(line), ",")
		for i, size := range []float64{0, 0, 0.01, 0.1, 0.2, 2, 0.1} {
			if v, err := strconv.ParseFloat(cells[i], 64); err == nil && v != 0 && size > 0 {
				cells[i] = strconv.FormatFloat(v+size*noise.NormFloat64(), 'f', 2, 64)
			}
		}
		return []byte(strings.Join(cells, ","))
	})
}
