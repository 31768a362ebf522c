package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"quaybench/bench/benchtest"
)

// TestPlanRunsAsItSays: the commands that a plan prints are typed as they stand, but for PORT, answered as a person at the controller
// does, and take it to the new limit.
func TestPlanRunsAsItSays(t *testing.T) { inBubble(t, planRunsAsItSays) }

func planRunsAsItSays(y *yard) {
	t, p := y.t, y.petrel()
	folder := filepath.Join(y.home, "the plan") // a name that a shell would part
	code, stdout, stderr := y.run("", "plan", "petrel", "--to", "limits.motor_current=150 A", "--steps", "2", "--hold", "5 s", "--moored", "--out", folder)
	require.Zero(t, code, stdout+stderr)
	whole := regexp.MustCompile(`\s*\\\n\s*`).ReplaceAllString(stdout, " ") // a long command goes on in the next line
	writes := regexp.MustCompile(`(?m)^  (quaybench controller write .*)$`).FindAllStringSubmatch(whole, -1)
	runs := regexp.MustCompile(`(?m)^  (quaybench step .*)$`).FindAllStringSubmatch(whole, -1)
	require.Len(t, writes, 2)
	require.Len(t, runs, 2)
	shell := func(line string) *desk { return y.sit(words(t, strings.ReplaceAll(line, "PORT", p.port))...) }
	const display = "limits.motor_current there? With its unit:"
	for i, amps := range []float64{145, 150} {
		d := shell(writes[i][1])
		d.await("type petrel to write them: ")
		d.line("petrel")
		if i == 0 { // the first write with this map: its scale is held against the controller's own display
			d.await(display)
			assert.Empty(t, p.sets, "nothing is written before the answer")
			d.line("140 A")
		}
		screen := d.ended(0)
		assert.Contains(t, screen, "1 setting written and read back")
		assert.Equal(t, i == 0, strings.Contains(screen, display), "asked once")
		assert.InDelta(t, amps, p.Setting("limits.motor_current"), 1e-9)
		d = shell(runs[i][1])
		d.await("type release ")
		d.line("release")
		screen = d.ended(0)
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

// TestAPlanWithoutAMapIsDoneByHand: a boat without a map of its controller got commands that end with "no map of the controller".
func TestAPlanWithoutAMapIsDoneByHand(t *testing.T) {
	benchtest.Computes(t)
	folder := t.TempDir()
	book := []string{"--book", filepath.Join(folder, "book")}
	code, _, stderr := quaybench(t, nil, append(book, "new", "heron")...)
	require.Zero(t, code, stderr)
	code, stdout, stderr := quaybench(t, nil, append(book, "plan", "heron", "--example", "--steps", "1", "--hold", "5 s", "--to", "limits.motor_current=105 A", "--out", filepath.Join(folder, "plan"))...)
	require.Zero(t, code, stderr)
	whole := regexp.MustCompile(`\s*\\\n\s*`).ReplaceAllString(stdout, " ")
	assert.NotContains(t, whole, "controller write")
	assert.Regexp(t, `(?m)^  quaybench step heron --trial .* --prompted$`, whole)
	typed := regexp.MustCompile(`(?m)^  (quaybench sheet heron .*)$`).FindStringSubmatch(whole)
	require.Len(t, typed, 2)
	code, stdout, _ = quaybench(t, nil, append(book, append(words(t, typed[1]), "--example")...)...)
	assert.Contains(t, []int{exitClear, exitNotJudged}, code, stdout)
}

// TestPlanJudgesItsTargetFirst: a target that is over in a built-in trial is not planned, though each step's own programme may be
// clear; --despite plans it and keeps the reason. A step that never reaches its setting says so.
func TestPlanJudgesItsTargetFirst(t *testing.T) {
	benchtest.Computes(t)
	folder := t.TempDir()
	book := []string{"--book", filepath.Join(folder, "book")}
	code, _, stderr := quaybench(t, nil, append(book, "new", "heron")...)
	require.Zero(t, code, stderr)
	plan := append(book, "plan", "heron", "--example", "--steps", "2", "--hold", "5 s", "--to")
	code, stdout, _ := quaybench(t, nil, append(plan, "limits.motor_current=150 A")...)
	assert.Equal(t, exitOver, code)
	assert.Contains(t, unwrapped(stdout), "no plan: limits.motor_current = 150 A is over in the built-in trials: ")
	assert.NotContains(t, stdout, "step 1")
	assert.Contains(t, unwrapped(stdout), "quaybench highest heron limits.motor_current --example finds how far it may go", "else highest refuses examples")

	out := filepath.Join(folder, "plan")
	code, stdout, _ = quaybench(t, nil, append(plan, "limits.motor_current=150 A", "--despite", "one lap, cold", "--out", out)...)
	assert.Zero(t, code, "its own programme is clear")
	assert.Contains(t, unwrapped(stdout), "planned despite that: one lap, cold")
	assert.Contains(t, unwrapped(stdout), "limits.motor_current = 150 A: over by ")
	kept, err := os.ReadFile(filepath.Join(out, "plan.toml"))
	require.NoError(t, err)
	assert.Contains(t, string(kept), "planned despite that: one lap, cold")

	_, stdout, _ = quaybench(t, nil, "plan", "petrel", "--steps", "1", "--hold", "5 s", "--to", "limits.battery_current=150 A")
	assert.Contains(t, unwrapped(stdout), "not tested by this step: limits.battery_current never reaches 150 A")
}
