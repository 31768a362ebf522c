package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
)

// mischievous returns a script in Go that asks for 30 % of throttle, and does something else meanwhile. It knows that the time has
// come by a file that appears: a script may read the trials that its command line names.
func mischievous(t *testing.T, meanwhile string) (name, sign string) {
	t.Helper()
	dir := t.TempDir()
	sign = filepath.Join(dir, "sign.toml")
	name = filepath.Join(dir, "main.go")
	require.NoError(t, os.WriteFile(name, []byte(strings.NewReplacer("SIGN", strconv.Quote(sign), "MEANWHILE", meanwhile).Replace(`
// A script of a test.
package main

import (
	"fmt"
	"time"

	"quaybench/bench"
)

func main() { bench.RunScript(long) }

func wait() {
	for {
		if _, err := bench.LoadTrial(SIGN); err == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func step(s *bench.Script) error {
	r, err := s.Step(bench.NewProgramme("long", 120).To(0.5, 0.3, 0))
	if err != nil {
		return err
	}
	fmt.Print(r.Summary())
	return nil
}

func long(s *bench.Script) error {
	fmt.Println("the script begins")
	MEANWHILE
}
`)), 0o644))
	return dir, sign
}

// What a script may do meanwhile.
const (
	nothing = "return step(s)"
	floods  = `go func() {
		wait()
		for {
			fmt.Println("flood")
			time.Sleep(time.Millisecond)
		}
	}()
	return step(s)`
	panics = `go func() {
		wait()
		var none []int
		fmt.Println(none[3])
	}()
	return step(s)`
	leaves = `go func() { _ = step(s) }()
	wait()
	return nil`
)

// scriptFault is something that goes wrong with a script, or with the process that holds the line for it.
type scriptFault struct {
	name      string
	meanwhile string
	act       func(y *yard, d *desk) // beside giving the sign; nil: nothing
	code      int
	stop      string // why the test was stopped; "" where nobody sees it
	want      string // said of the script
	dies      bool   // no command can come any more
}

var scriptFaults = []scriptFault{
	{"killed script", nothing, func(y *yard, _ *desk) { y.script.kill() }, exitNotJudged, "the test was called off: the script's process is gone", "", false},
	{"hanging script", nothing, func(y *yard, _ *desk) { y.script.hang() }, exitNotJudged, "the test was called off: the script's process is not heard any more", "", false},
	{"flooding script", floods, nil, exitNotJudged, "the test was called off: the script's process floods the line", "", false},
	{"panicking script", panics, nil, exitNotJudged, "the test was called off: the script called it off", "panic: index out of range", false},
	{"script that leaves early", leaves, nil, exitNotJudged, "the test was called off: the script called it off", "", false},
	{"Ctrl-C", nothing, func(_ *yard, d *desk) { d.interrupt() }, exitNotJudged, "the test was called off", "stopped before the end", false},
	{"hung-up terminal", nothing, func(_ *yard, d *desk) { d.hangUp() }, 1, "", "", false},
}

// TestScriptFaults: whatever happens to a script whose programme runs on a controller, zero is the last command. The record
// is readable up to the last sample.
func TestScriptFaults(t *testing.T) {
	eachInBubble(t, scriptFaults, func(c scriptFault) string { return c.name }, stepOfAFaultyScript)
}

func stepOfAFaultyScript(y *yard, c scriptFault) {
	t, p := y.t, y.petrel()
	script, sign := mischievous(t, c.meanwhile)
	csv := filepath.Join(y.home, "run.csv")
	d := y.sit("step", "petrel", sign, "--script", script, "--on", p.port, "--record", csv)
	d.await("type release to release the throttle for this one test: ")
	assert.Contains(t, d.screen(), "the script begins")
	d.release(p, 0.3)
	require.NoError(t, os.WriteFile(sign, []byte(hop), 0o644))
	if c.act != nil {
		c.act(y, d)
	}
	screen := d.ended(c.code)
	if c.stop != "" {
		assert.Contains(t, unwrapped(screen), "STOPPED after ")
		assert.Contains(t, unwrapped(screen), "stopped by hand: "+c.stop)
		assert.Contains(t, unwrapped(screen), "the test stopped early: stopped by hand: "+c.stop)
		assert.Contains(t, screen, "measured less predicted:", "the report comes all the same")
	}
	assert.Contains(t, unwrapped(screen), c.want)
	zeroAndRecorded(t, p, csv, c.dies)
}

// TestScriptDecidesNothing: what a script asks for is refused by the same rules as what a person asks for.
func TestScriptDecidesNothing(t *testing.T) {
	const ask = `p := bench.NewProgramme("asked", 10).To(1, 0.3, 0).To(8, 0, 0)
	%s
	_, err := s.Step(p)
	fmt.Println("asked, and got:", err)
	return err`
	type wish struct {
		name, change string
		hardware     bool
		code         int
		want         string
	}
	eachInBubble(t, []wish{
		{"not in neutral", `p = bench.NewProgramme("asked", 10).To(0, 0.5, 0)`, false, 2, "does not begin in neutral"},
		{"no release", ``, true, 2, "on hardware a person at the terminal releases the throttle"},
		{"other settings", `s, _ = s.With("limits.motor_current", "150 A")`, true, 2, "on hardware a person at the terminal"},
		{"a nonsense setting", `s.Setup.Boat.Name = "other"; s.Setup.BoatHash = "0"`, false, 2, "the script is about another boat than"},
		{"other, simulated", `s, _ = s.With("limits.motor_current", "150 A")`, false, 0, "asked, and got: <nil>"},
		{"astern of full", `p.To(2, -3, 0)`, false, 2, "refused: "},
		{"no programme at all", `p = bench.NewProgramme("asked", 0)`, false, 2, "refused: "},
	}, func(w wish) string { return w.name }, func(y *yard, w wish) {
		t := y.t
		script, _ := mischievous(t, fmt.Sprintf(ask, w.change))
		args := []string{"step", "petrel", "--script", script}
		var p *pontoon
		if w.hardware {
			p = y.petrel()
			args = append(args, "--on", p.port)
		}
		code, stdout, stderr := y.run("", args...)
		assert.Equal(t, w.code, code, stdout+stderr)
		assert.Contains(t, unwrapped(stdout+stderr), w.want)
		if p != nil {
			assert.Empty(t, p.commanded())
		}
	})
}

// TestScriptAsksTwice: each programme is a test of its own, with its own release and record; between them the throttle is
// locked out.
func TestScriptAsksTwice(t *testing.T) { inBubble(t, scriptAsksTwice) }

func scriptAsksTwice(y *yard) {
	t, p := y.t, y.petrel()
	script, _ := mischievous(t, `for i := range 2 {
		r, err := s.Step(bench.NewProgramme("hop", 4).To(0.5, 0.3+0.1*float64(i), 0).To(2.5, 0, 0))
		if err != nil {
			return err
		}
		v, err := bench.ValueAt(r.Run, "motor current", 2.4)
		if err != nil {
			return err
		}
		fmt.Println("programme", i, "of", s.Args[0], "reached", bench.Format(v, "A"))
	}
	return nil`)
	csv := filepath.Join(y.home, "run.csv")
	d := y.sit("step", "petrel", "two", "--script", script, "--on", p.port, "--record", csv)
	d.await("type release ")
	d.line("release")
	d.await("programme 0 of two reached")
	d.until(func() bool { return strings.Count(d.screen(), "type release ") == 2 }, "it does not ask again")
	zeroLast(t, p)
	assert.NotContains(t, p.commanded(), 0.4)
	assert.Eventually(t, func() bool { return !p.Running() }, aLot, 100*time.Millisecond, "the motor comes to rest")
	d.line("release")
	screen := d.ended(0)
	assert.Contains(t, screen, "programme 1 of two reached")
	zeroLast(t, p)
	assert.Contains(t, p.commanded(), 0.4)
	for i, name := range []string{csv, filepath.Join(y.home, "run-2.csv")} {
		r := readRecord(t, name)
		lever, ok := r.Trace(record.Lever)
		require.True(t, ok)
		assert.InDelta(t, 0.3+0.1*float64(i), lever.Values[40], 1e-9)
	}
}

// What a script's second programme could not write is found before the first begins.
func TestLaterFilesOfAScriptAreLookedForFirst(t *testing.T) {
	inBubble(t, func(y *yard) {
		dir := t.TempDir()
		for _, name := range []string{"r-2.html", "run-3.csv"} {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("mine"), 0o644))
		}
		for flag, name := range map[string]string{"--report": "r.html", "--record": "run.csv"} {
			code, _, stderr := y.run("", "step", "petrel", "--script", "../../scripts/staircase", flag, filepath.Join(dir, name))
			assert.Equal(t, exitInput, code)
			assert.Contains(t, stderr, "is there already, and the script's next programmes would write")
		}
	})
}
