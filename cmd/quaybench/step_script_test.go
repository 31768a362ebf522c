//go:build linux

package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
)

// mischievous is a script in Go that asks for 30 % of throttle, and does something else meanwhile. It knows that the time has
// come by a file that appears: scripts may read trials.
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
	turns = `go func() {
		wait()
		for {
		}
	}()
	return step(s)`
)

// childOf is the process that a process has started.
func childOf(t *testing.T, pid int) int {
	t.Helper()
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	require.NoError(t, err)
	for _, name := range stats {
		text, err := os.ReadFile(name)
		if err != nil {
			continue // it has ended
		}
		fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		if parent, _ := strconv.Atoi(fields[1]); parent == pid && fields[0] != "Z" {
			child, err := strconv.Atoi(filepath.Base(filepath.Dir(name)))
			require.NoError(t, err)
			return child
		}
	}
	t.Fatalf("process %d has no child", pid)
	return 0
}

// scriptFault is something that goes wrong with a script, or with the process that holds the line for it.
type scriptFault struct {
	name      string
	meanwhile string
	act       func(d *desk, child int) // beside giving the sign; nil: nothing
	args      []string
	code      int
	stop      string // why the test was stopped; "" where nobody sees it
	want      string // said of the script
	dies      bool   // no command can come any more
}

var scriptFaults = []scriptFault{
	{"killed script", nothing, func(_ *desk, child int) { _ = syscall.Kill(child, syscall.SIGKILL) }, nil, 1,
		"the test was called off: the script's process is gone", "the script's process was ended by the system (signal: killed)", false},
	{"hanging script", nothing, func(_ *desk, child int) { _ = syscall.Kill(child, syscall.SIGSTOP) }, nil, 1,
		"the test was called off: the script's process is not heard any more", "", false},
	{"flooding script", floods, nil, nil, 1, "the test was called off: the script's process floods the line", "", false},
	{"panicking script", panics, nil, nil, 1, "the test was called off: the script called it off", "panic: index out of range", false},
	{"script that leaves early", leaves, nil, nil, 1, "the test was called off: the script called it off", "", false},
	{"Ctrl-C", nothing, func(d *desk, _ int) { d.press("\x03") }, nil, 1, "the test was called off", "stopped before the end", false},
	{"SIGHUP", nothing, func(d *desk, _ int) { _ = d.cmd.Process.Signal(syscall.SIGHUP) }, nil, 1, "the test was called off", "stopped before the end", false},
	{"hung-up terminal", nothing, func(d *desk, _ int) { _ = d.keys.Close() }, nil, 1, "", "", false},
	{"killed holder", nothing, func(d *desk, _ int) { _ = d.cmd.Process.Kill() }, nil, -1, "", "", true},
	{"script that runs too long", turns, nil, []string{"--longest", "30 s"}, 1, "the test was called off: the script runs too long: more than 30s", "", false}, // last: its time runs
}

// TestScriptFaults: whatever happens to a script whose programme runs on a controller, zero is the last command; where no
// command can come any more, the controller's own time-out acts. The record is readable up to the last sample, and the
// script's process does not stay behind.
func TestScriptFaults(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	for _, c := range scriptFaults {
		home, p := t.TempDir(), moor(t)
		script, sign := mischievous(t, c.meanwhile)
		csv := filepath.Join(home, "run.csv")
		begun := time.Now()
		// One prediction after the other, and only then all tests at once: a machine that is busy predicting would stop them.
		d := sit(t, home, append([]string{"step", "petrel", "--script", script, "--on", p.port, "--record", csv}, c.args...)...)
		d.await("type release to release the throttle for this one test: ")
		assert.Contains(t, d.screen(), "the script begins")
		t.Run(c.name, func(t *testing.T) {
			if c.args == nil { // a script whose time runs waits for nobody
				t.Parallel()
			}
			d.t = t
			d.release(p, 0.3)
			child := childOf(t, d.cmd.Process.Pid)
			require.NoError(t, os.WriteFile(sign, []byte(hop), 0o644))
			if c.act != nil {
				c.act(d, child)
			}
			screen := d.ended(c.code)
			t.Logf("ended after %v:\n%s", time.Since(begun).Round(time.Second), screen[max(0, len(screen)-5000):])
			if c.stop != "" {
				assert.Contains(t, unwrapped(screen), "STOPPED after ")
				assert.Contains(t, unwrapped(screen), "stopped by hand: "+c.stop)
				assert.Contains(t, unwrapped(screen), "the test stopped early: stopped by hand: "+c.stop)
				assert.Contains(t, screen, "measured less predicted:", "the report comes all the same")
			}
			assert.Contains(t, unwrapped(screen), c.want)
			zeroAndRecorded(t, p, csv, c.dies)
			goneSoon(t, child)
		})
	}
}

// TestScriptFaultsSimulated: the same on the simulated controller, with no terminal and no release.
func TestScriptFaultsSimulated(t *testing.T) {
	for _, c := range scriptFaults {
		if c.name == "hung-up terminal" {
			continue // there is none
		}
		t.Run(c.name, func(t *testing.T) {
			script, sign := mischievous(t, c.meanwhile)
			source := filepath.Join(script, "main.go")
			text, err := os.ReadFile(source)
			require.NoError(t, err)
			// Long enough to be still running, though its time is virtual.
			require.NoError(t, os.WriteFile(source, []byte(strings.Replace(string(text), `"long", 120`, `"long", 8000`, 1)), 0o644))
			args := c.args
			if len(args) > 0 {
				args = []string{"--longest", "5 s"}
			}
			csv := filepath.Join(t.TempDir(), "run.csv")
			dumb := func(cmd *exec.Cmd) { cmd.Env = append(cmd.Env, "TERM=dumb") } // lines instead of pictures
			d := sitWith(t, t.TempDir(), dumb, append([]string{"step", "petrel", "--script", source, "--record", csv}, args...)...)
			d.await("30 %  voltage")
			child := childOf(t, d.cmd.Process.Pid)
			require.NoError(t, os.WriteFile(sign, []byte(hop), 0o644))
			if c.act != nil {
				c.act(d, child)
			}
			screen := unwrapped(d.ended(c.code))
			if c.stop != "" {
				assert.Contains(t, screen, "stopped by hand: "+strings.Replace(c.stop, "30s", "5s", 1))
			}
			assert.Contains(t, screen, c.want)
			assert.Greater(t, len(readRecord(t, csv).Time), 20)
			goneSoon(t, child)
		})
	}
}

// TestScriptThatTurnsWithoutEnd does not hold up a test that it asked for, and is ended when its time is over.
func TestScriptThatTurnsWithoutEnd(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		meanwhile string
		code      int
		want      string
	}{
		"beside a test":  {"go func() { for { } }(); return step(s)", 0, "test: finished"},
		"without a test": {"for { }; return step(s)", 2, "the script runs too long: more than 2s"},
		"recursion":      {"return long(s)", 2, "does a function call itself without end?"},
		"memory":         {"var all [][]byte; for { all = append(all, make([]byte, 1<<20)) }; return step(s)", 2, "the script was stopped: it used more than"},
		"its own error":  {`return fmt.Errorf("no wind today")`, 2, "no wind today"},
		"other import":   {"return os.Remove(SIGN)", 2, "main.go:"},
	} {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && (name == "memory" || name == "recursion") {
				t.Skip("the race detector, run with -short, takes more memory than the limit")
			}
			script, _ := mischievous(t, c.meanwhile)
			longest := map[bool]string{true: "2 s", false: "5 min"}[name == "without a test"]
			code, stdout, stderr := piped(t, t.TempDir(), "", "step", "petrel", "--script", script, "--longest", longest)
			assert.Equal(t, c.code, code, stdout+stderr)
			assert.Contains(t, stdout+stderr, c.want)
			assert.NotContains(t, stdout+stderr, "goroutine ")
		})
	}
}

// TestScriptDecidesNothing: what a script asks for is refused by the same rules as what a person asks for.
func TestScriptDecidesNothing(t *testing.T) {
	const ask = `p := bench.NewProgramme("asked", 10).To(1, 0.3, 0).To(8, 0, 0)
	%s
	_, err := s.Step(p)
	fmt.Println("asked, and got:", err)
	return err`
	for name, c := range map[string]struct {
		change   string
		hardware bool
		code     int
		want     string
	}{
		"not in neutral":      {`p = bench.NewProgramme("asked", 10).To(0, 0.5, 0)`, false, 2, "does not begin in neutral"},
		"no release":          {``, true, 2, "on hardware a person at the terminal releases the throttle"},
		"other settings":      {`s, _ = s.With("limits.motor_current", "150 A")`, true, 2, "on hardware a person at the terminal"},
		"a nonsense setting":  {`s.Setup.Boat.Name = "other"; s.Setup.BoatHash = "0"`, false, 2, "the script is about another boat than"},
		"other, simulated":    {`s, _ = s.With("limits.motor_current", "150 A")`, false, 0, "asked, and got: <nil>"},
		"astern of full":      {`p.To(2, -3, 0)`, false, 2, "refused: "},
		"no programme at all": {`p = bench.NewProgramme("asked", 0)`, false, 2, "refused: "},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			script, _ := mischievous(t, fmt.Sprintf(ask, c.change))
			args := []string{"step", "petrel", "--script", script}
			var p *pontoon
			if c.hardware {
				p = moor(t)
				args = append(args, "--on", p.port)
			}
			code, stdout, stderr := piped(t, t.TempDir(), "", args...)
			assert.Equal(t, c.code, code, stdout+stderr)
			assert.Contains(t, unwrapped(stdout+stderr), c.want)
			if p != nil {
				assert.Empty(t, p.commanded())
			}
		})
	}
}

// TestScriptAsksTwice: each programme is a test of its own, with its own release and record; between them the throttle is
// locked out.
func TestScriptAsksTwice(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moor(t)
	script, _ := mischievous(t, `for i := range 2 {
		r, err := s.Step(bench.NewProgramme("hop", 4).To(0.5, 0.3+0.1*float64(i), 0).To(2.5, 0, 0))
		if err != nil {
			return err
		}
		fmt.Println("programme", i, "of", s.Args[0], "reached", bench.Format(bench.ValueAt(r.Run, "motor current", 2.4), "A"))
	}
	return nil`)
	csv := filepath.Join(home, "run.csv")
	d := sit(t, home, "step", "petrel", "two", "--script", script, "--on", p.port, "--record", csv)
	d.await("type release ")
	d.line("release")
	d.await("programme 0 of two reached")
	d.until(func() bool { return strings.Count(d.screen(), "type release ") == 2 }, "it does not ask again")
	zeroLast(t, p)
	assert.NotContains(t, p.commanded(), 0.4)
	d.line("release")
	screen := d.ended(0)
	assert.Contains(t, screen, "programme 1 of two reached")
	zeroLast(t, p)
	assert.Contains(t, p.commanded(), 0.4)
	for i, name := range []string{csv, filepath.Join(home, "run-2.csv")} {
		r := readRecord(t, name)
		lever, ok := r.Trace(record.Lever)
		require.True(t, ok)
		assert.InDelta(t, 0.3+0.1*float64(i), lever.Values[40], 1e-9)
	}
}

// unwrapped is a screen with its lines joined.
func unwrapped(screen string) string { return strings.Join(strings.Fields(screen), " ") }

// goneSoon waits for the end of a process.
func goneSoon(t *testing.T, pid int) {
	t.Helper()
	assert.Eventually(t, func() bool {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		return err != nil || strings.Contains(string(text), ") Z ")
	}, aLot, 20*time.Millisecond, "the script's process stays behind")
}
