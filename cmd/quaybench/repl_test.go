//go:build unix

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
)

// session starts a session at a terminal, with a data folder that holds nothing but what sessions leave there.
func session(t *testing.T, data string, columns uint16, env ...string) *Person {
	t.Helper()
	cmd := command(t, "repl", "petrel")
	cmd.Env = append(append(cmd.Env, "XDG_DATA_HOME="+data), env...)
	return Sit(t, cmd, columns)
}

// longRun makes a run that takes minutes, and says when it begins.
const longRun = `long := bench.NewProgramme("long", 144000); for i := range 6000 { long.To(float64(2+20*i), []float64{1, -0.4, 0, 0.6}[i%4], 1) }`

// A session as a person has it.
func TestSessionAtATerminal(t *testing.T) {
	data := t.TempDir()
	p := session(t, data, 100)
	p.Sees("petrel is loaded as boat")
	p.Sees("no proof of safety")
	p.Sees("> ")

	// Completion: methods, fields, keys of settings, trials, boats.
	p.Types("boat.G" + Tab + `"limits.motor_c` + Tab + `")` + Enter)
	p.Gets(`"140 A"`)
	p.Types("boat.Setup.Settings.Limits.MotorC" + Tab + Enter)
	p.Gets("140")
	p.Types(`other, err := bench.Load("brac` + Tab + `"); other.Boat.Name + "!"` + Enter)
	p.Gets(`"bracken!"`)
	p.Types(`plot("locked-s` + Tab + `", "motor cur` + Tab + `")` + Enter)
	p.Gets("motor current, A")
	p.Types("boat.Try" + Tab) // more than one: they are listed
	p.Sees("TryIn(")
	p.Types(CtrlC + CtrlC)
	p.Gets("^C")

	// Several lines, a mistake, and what was typed comes back as one.
	p.Types("func twice(x int) int {" + Enter)
	p.Sees(". ")
	p.Types("return x + y" + Enter)
	p.Sees(". ")
	p.Types("}" + Enter)
	p.Gets(":12: undefined: y")
	p.Types("func twice(x int) int {\r\treturn 2 * x\r}\rtwice(21)\r") // pasted
	p.Gets("42")

	// What runs is stopped, and the session with its values stays.
	p.Types("kept := 41" + Enter)
	p.Sees("> ")
	p.Types(longRun + Enter)
	p.Sees("> ")
	p.Types(`fmt.Println("o" + "ff"); boat.Simulate(long)` + Enter)
	p.Sees("off")
	p.Types(CtrlC)
	p.Gets("stopped")
	p.Types(`fmt.Println("o" + "ff"); for {}` + Enter)
	p.Sees("off")
	p.Types(CtrlC + CtrlC) // the second does not wait for what may not look
	p.Gets("stopped")
	p.Types("kept + twice(1)" + Enter)
	p.Gets("43")

	// Another width while a line is typed.
	p.Types(`strings.Repeat("abcdefghij", 2) + "`)
	p.Sees(`+ "`)
	p.Resizes(40)
	p.Types(`the end"` + Enter)
	p.Gets(`"abcdefghijabcdefghijthe end"`)
	p.Types(CtrlD)
	assert.Zero(t, p.Leaves())
	assert.NotContains(t, p.Screen(), "goroutine ")

	// The next session finds what was typed.
	q := session(t, data, 100)
	q.Sees("> ")
	q.Types(CtrlR + "twice(x" + Enter)
	q.Sees("> ")
	q.Types("twice(4)" + Enter)
	q.Gets("8")
	q.Types(CtrlD)
	assert.Zero(t, q.Leaves())
}

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
				assert.LessOrEqual(t, visible(line), 60, "%s shows: %s", typed, line)
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
		t.Skip("no bash here: there is no job control to try")
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
