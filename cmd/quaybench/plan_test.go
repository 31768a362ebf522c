package main

import (
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestPlanRunsAsItSays: the commands that a plan prints are typed as they stand, but for PORT, and take the controller to the
// new limit.
func TestPlanRunsAsItSays(t *testing.T) { inBubble(t, planRunsAsItSays) }

func planRunsAsItSays(y *yard) {
	t, p := y.t, y.petrel()
	folder := filepath.Join(y.home, "the plan") // a name that a shell would part
	code, stdout, stderr := y.run("", "plan", "petrel", "--to", "limits.motor_current=150 A", "--steps", "2", "--hold", "5 s", "--moored", "--out", folder)
	require.Zero(t, code, stdout+stderr)
	writes := regexp.MustCompile(`(?m)^  write: (.*)$`).FindAllStringSubmatch(stdout, -1)
	runs := regexp.MustCompile(`(?m)^  run:   (.*)$`).FindAllStringSubmatch(stdout, -1)
	require.Len(t, writes, 2)
	require.Len(t, runs, 2)
	shell := func(line string, more ...string) *desk {
		return y.sit(append(words(t, strings.ReplaceAll(line, "PORT", p.port)), more...)...)
	}
	for i, amps := range []float64{145, 150} {
		d := shell(writes[i][1], "--unconfirmed") // what the controller's own display shows is asked in a test of its own
		d.await("type petrel to write them: ")
		d.line("petrel")
		assert.Contains(t, d.ended(0), "1 settings written and read back")
		assert.InDelta(t, amps, p.Setting("limits.motor_current"), 1e-9)
		d = shell(runs[i][1])
		d.await("type release ")
		d.line("release")
		screen := d.ended(0)
		assert.Contains(t, screen, "the test ran to its end")
		assert.Contains(t, screen, "lies within its predicted band")
		zeroLast(t, p)
	}
}

// words parts a printed command as a shell does that knows double quotes and no more, and leaves the program's name out.
func words(t *testing.T, line string) (list []string) {
	t.Helper()
	for _, m := range regexp.MustCompile(`(?:[^\s"']|"[^"]*"|'[^']*')+`).FindAllString(line, -1) {
		list = append(list, strings.NewReplacer(`"`, "", "'", "").Replace(m))
	}
	require.Equal(t, "quaybench", list[0])
	return list[1:]
}
