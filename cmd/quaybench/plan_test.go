//go:build unix

package main

import (
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestPlanRunsAsItSays: the commands that a plan prints are typed into a shell as they stand, but for PORT, and take the
// controller to the new limit.
func TestPlanRunsAsItSays(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moor(t)
	folder := filepath.Join(home, "the plan") // a name that a shell would part
	code, stdout, stderr := piped(t, home, "", "plan", "petrel", "--to", "limits.motor_current=150 A", "--steps", "2", "--hold", "5 s", "--moored", "--out", folder)
	require.Zero(t, code, stdout+stderr)
	writes := regexp.MustCompile(`(?m)^  write: (.*)$`).FindAllStringSubmatch(stdout, -1)
	runs := regexp.MustCompile(`(?m)^  run:   (.*)$`).FindAllStringSubmatch(stdout, -1)
	require.Len(t, writes, 2)
	require.Len(t, runs, 2)
	shell := func(line string) *desk {
		return sitWith(t, home, func(cmd *exec.Cmd) {
			cmd.Path, cmd.Args = "/bin/sh", []string{"sh", "-c", strings.ReplaceAll(line, "PORT", p.port)}
		})
	}
	for i, amps := range []float64{145, 150} {
		d := shell(writes[i][1])
		d.await("type petrel to write them: ")
		d.line("petrel")
		assert.Contains(t, d.ended(0), "1 settings written and read back")
		assert.InDelta(t, amps, p.Setting("limits.motor_current"), 1e-9)
		if i == 0 {
			continue // one step is run in real time; the other is of the same words
		}
		d = shell(runs[i][1])
		d.await("type release ")
		d.line("release")
		screen := d.ended(0)
		assert.Contains(t, screen, "the test ran to its end")
		assert.Contains(t, screen, "measured and predicted do not part")
		zeroLast(t, p)
	}
}
