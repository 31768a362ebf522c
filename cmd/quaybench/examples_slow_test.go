//go:build slow

package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// filledCodes are the exit codes of the examples that follow a sheet which somebody filled in, or that are not in exampleCodes.
var filledCodes = map[string]int{
	`quaybench sheet petrel --trial harbour --fill sheet.csv`:                         0,
	`quaybench sheet heron --trial full-throttle --fill sheet.csv --record first.csv`: exitNotJudged, // values that are still the example's
	`quaybench compare heron first.csv`:                                               exitNotJudged,
	`quaybench learn heron --next`:                                                    exitNotJudged,
	`quaybench learn heron first.csv --write`:                                         exitNotJudged,
	`quaybench drift petrel`:                                                          exitInput, // no record in the book
}

// fillSheet writes what each meter would show in a boat that is as predicted into the sheet.
func fillSheet(t *testing.T, program, line string, like *exec.Cmd) {
	t.Helper()
	f := strings.Fields(line)
	cmd := exec.Command(program, f[1], f[2], f[3], f[4], "--json", "--example")
	cmd.Dir, cmd.Env = like.Dir, like.Env
	out, err := cmd.Output()
	require.NoError(t, err)
	var sheet struct {
		Rows []struct {
			At    float64 `json:"at_s"`
			Lever float64 `json:"lever"`
			Read  []struct {
				Meter     string  `json:"meter"`
				Unit      string  `json:"shown_in"`
				Predicted float64 `json:"predicted"`
			} `json:"read"`
		} `json:"rows"`
	}
	require.NoError(t, json.Unmarshal(out, &sheet))
	var text strings.Builder
	for _, row := range sheet.Rows {
		if len(row.Read) == 0 {
			continue
		}
		if text.Len() == 0 {
			text.WriteString("time [s],lever [%]")
			for _, r := range row.Read {
				fmt.Fprintf(&text, ",%s [%s]", r.Meter, r.Unit)
			}
			text.WriteByte('\n')
		}
		fmt.Fprintf(&text, "%g,%g", row.At, 100*row.Lever)
		for _, r := range row.Read {
			switch r.Unit {
			case "°C":
				r.Predicted -= 273.15
			case "km/h":
				r.Predicted *= 3.6
			}
			fmt.Fprintf(&text, ",%.1f", r.Predicted)
		}
		text.WriteByte('\n')
	}
	require.NoError(t, os.WriteFile(filepath.Join(like.Dir, "sheet.csv"), []byte(text.String()), 0o644))
}

// TestAllExamples runs every example of help and README in a shell: see TestExamples.
func TestAllExamples(t *testing.T) {
	shell, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("NOT TESTED IN A SHELL: no sh here")
	}
	program, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	ran := 0
	for command, lines := range examples(t) {
		t.Run(command, func(t *testing.T) {
			dir := exampleFolder(t)
			for _, line := range lines {
				if why := notHere(line); why != "" {
					t.Logf("not run, %s: %s", why, line)
					continue
				}
				if strings.Contains(line, "jq ") {
					if _, err := exec.LookPath("jq"); err != nil {
						t.Logf("NOT RUN, no jq here: %s", line)
						continue
					}
				}
				cmd := exec.Command(shell, "-c", line)
				cmd.Dir = dir
				cmd.Env = []string{"PATH=" + filepath.Dir(program) + string(os.PathListSeparator) + os.Getenv("PATH"), "HOME=" + dir, "QUAYBENCH_AUTHOR=yard", "COLUMNS=80"}
				out, err := cmd.CombinedOutput()
				require.NotNil(t, cmd.ProcessState, err)
				want, ok := filledCodes[line]
				if !ok {
					want = exampleCodes[line]
				}
				assert.Equal(t, want, cmd.ProcessState.ExitCode(), "%s\n%s", line, out)
				if !strings.Contains(line, " run ") { // a script's lines are its own
					assert.Empty(t, tooWide(line, string(out)), "lines of more than 80 columns: %s", line)
				}
				ran++
				if strings.Contains(line, "--csv sheet.csv") {
					fillSheet(t, program, line, cmd)
				}
			}
		})
	}
	require.Greater(t, ran, 60)
}
