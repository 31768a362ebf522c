//go:build slow && unix

package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	. "quaybench/repl/line/linetest"

	"quaybench/bench/layout"
)

// Sixty columns are enough: nothing that is shown is wider.
func TestSessionInSixtyColumns(t *testing.T) {
	p := session(t, t.TempDir(), 60)
	p.Sees("> ")
	for _, typed := range []string{"help", "help boat.Odds", "help limits.motor_current", "trials", `boat.TryIn("locked-shaft")`, `plot("locked-shaft", "winding")`, "boat.Check()"} {
		mark := p.Mark()
		p.Types(typed + Enter)
		p.Sees("\r\n") // the end of what was typed
		p.Types("1000+337" + Enter)
		p.Gets("1337\r\n")
		for _, line := range strings.Split(p.Since(mark), "\n") {
			if !strings.Contains(line, "> ") && !strings.Contains(line, "1000+") {
				assert.LessOrEqual(t, layout.Visible(line), 60, "%s shows: %s", typed, line)
			}
		}
	}
	p.Types(CtrlD)
	assert.Zero(t, p.Leaves())
}

// Ctrl-Z stops the job, at the prompt and while something runs; fg lets it go on as it was.
func TestSessionSuspended(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Skip("NOT TESTED WITH JOB CONTROL: no bash here (apt-get install bash)")
	}
	tool, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	shell := exec.Command(bash, "--norc", "--noprofile", "--noediting", "-i")
	shell.Env = append(os.Environ(), "QUAYBENCH_BOOK=", "XDG_DATA_HOME="+t.TempDir(), "TERM=xterm", "PS1=shell% ", "HISTFILE=")
	p := Sit(t, shell, 80)
	p.Sees("shell% ")
	p.Types(fmt.Sprintf("%s repl petrel%s", tool, Enter))
	p.Sees("> ")
	p.Types("20+" + CtrlZ)
	p.Sees("Stopped")
	p.Sees("shell% ")
	p.Types("echo a$((1+1))b" + Enter) // the shell has its terminal back
	p.Sees("a2b")
	p.Sees("shell% ")
	p.Types("fg" + Enter)
	p.Sees("20+")
	p.Types("1" + Enter)
	p.Gets("21")

	p.Types(`for { fmt.Println("ti" + "ck"); time.Sleep(100 * time.Millisecond) }` + Enter)
	p.Sees("tick")
	p.Types(CtrlZ)
	p.Sees("Stopped")
	p.Sees("shell% ")
	p.Types("fg" + Enter)
	p.Sees("tick") // it has the terminal again
	p.Types(CtrlC)
	p.Gets("stopped")
	p.Types("20+2" + Enter)
	p.Gets("22")
	p.Types(CtrlD)
	p.Sees("shell% ")
	p.Types("exit" + Enter)
	p.Leaves()
}

// Without colour there is none, and a terminal that can't move its cursor is never asked to.
func TestSessionWithoutColour(t *testing.T) {
	colours := func(screen string) bool { return strings.Contains(screen, "\x1b[3") }
	for _, c := range []struct {
		env             string
		coloured, plain bool
	}{{"NO_COLOR=", true, false}, {"NO_COLOR=1", false, false}, {"TERM=dumb", false, true}} {
		p := session(t, t.TempDir(), 80, c.env)
		p.Sees("> ")
		p.Types(`boat.TryIn("locked-shaft")` + Enter)
		p.Gets("verdict: ")
		p.Types("func half(x int) int {" + Enter)
		p.Sees(". ")
		p.Types("return x / 2 }" + Enter)
		p.Sees("> ")
		p.Types("half(84)" + Enter)
		p.Gets("42")
		p.Types(CtrlD)
		assert.Zero(t, p.Leaves(), c.env)
		assert.Equal(t, c.coloured, colours(p.Screen()), c.env)
		assert.Equal(t, c.plain, !strings.Contains(p.Screen(), "\x1b"), c.env)
	}
}

// Where the history cannot be kept the session goes on without.
func TestSessionWithoutHistory(t *testing.T) {
	data := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(data, nil, 0o644))
	p := session(t, data, 80)
	p.Sees("> ")
	p.Types("6*7" + Enter)
	p.Gets("42")
	p.Types(CtrlD)
	assert.Zero(t, p.Leaves())
}
