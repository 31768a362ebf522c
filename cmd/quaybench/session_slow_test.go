//go:build slow && unix

package main

import (
	"testing"

	"github.com/stretchr/testify/assert"

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
