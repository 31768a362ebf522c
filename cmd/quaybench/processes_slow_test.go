//go:build slow && linux

package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
)

// What needs processes, pseudo-terminals and real time: the same tests as in the bubble, and those that a bubble cannot hold.

// inProcesses runs a test in a yard of processes: the program sits in a terminal, the controller at a pseudo-terminal.
func inProcesses(t *testing.T, test func(y *yard)) {
	t.Helper()
	if !inRealTime(t) {
		return
	}
	test(ofProcesses(t))
}

// ofProcesses makes a yard of processes.
func ofProcesses(t *testing.T) *yard {
	y := &yard{t: t, home: t.TempDir()}
	y.moor, y.sit, y.plug = y.moorInMemory, y.sitInTerminal, y.plugInTerminal
	y.run = func(stdin string, args ...string) (int, string, string) {
		cmd := y.command(args...)
		var out, err strings.Builder
		cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(stdin), &out, &err
		_ = cmd.Run()
		return cmd.ProcessState.ExitCode(), out.String(), err.String()
	}
	return y
}

func (y *yard) command(args ...string) *exec.Cmd {
	cmd := command(y.t, args...)
	cmd.Env = append(cmd.Env, "XDG_DATA_HOME="+y.home, "QUAYBENCH_AUTHOR=yard hand", "NO_COLOR=1")
	return cmd
}

// plugInTerminal returns the name of a pseudo-terminal whose near end is served.
func (y *yard) plugInTerminal(far func(ctx context.Context, p port.Port)) (name string, unplug func()) {
	near, name, err := port.Pseudo()
	require.NoError(y.t, err)
	ctx, stop := context.WithCancel(context.Background())
	served := make(chan bool)
	go func() {
		defer close(served)
		far(ctx, near)
	}()
	unplug = func() {
		stop()
		_ = near.Close()
	}
	y.t.Cleanup(func() {
		unplug()
		<-served
	})
	return name, unplug
}

func (y *yard) sitInTerminal(args ...string) *desk { return y.sitAt(y.command(args...)) }

// sitAt starts a command in a terminal of its own.
func (y *yard) sitAt(cmd *exec.Cmd) *desk {
	t, d := y.t, newDesk(y.t)
	keys, tty, err := pty.Open()
	require.NoError(t, err)
	require.NoError(t, pty.Setsize(keys, &pty.Winsize{Rows: 40, Cols: 100}))
	cmd.Stdin, cmd.Stdout, cmd.Stderr = tty, tty, tty
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	require.NoError(t, cmd.Start())
	require.NoError(t, tty.Close())
	shown := make(chan bool)
	go func() {
		defer close(shown)
		in, b := bufio.NewReader(keys), make([]byte, 4096)
		for {
			n, err := in.Read(b)
			_ = d.show(b[:n], err != nil)
			if err != nil {
				return
			}
		}
	}()
	d.press = func(text string) {
		_, err := io.WriteString(keys, text)
		require.NoError(t, err)
	}
	d.interrupt = func() { d.press("\x03") }
	d.terminate = func() { _ = cmd.Process.Signal(syscall.SIGTERM) }
	d.hangUp = func() { _ = keys.Close() }
	d.pid = func() int { return cmd.Process.Pid }
	d.code = func() int {
		done := make(chan error, 1)
		go func() { done <- cmd.Wait() }()
		select {
		case <-done:
		case <-time.After(aLot):
			t.Fatalf("it does not end:\n%s", d.screen())
		}
		<-shown
		return cmd.ProcessState.ExitCode()
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = keys.Close()
	})
	return d
}

// inRealTime has a test that keeps real time run in a process of its own, and again, three times at most, where the test says
// that it came late and the kernel's own count says why: other work had the processors. It is true in that process.
func inRealTime(t *testing.T) bool {
	t.Helper()
	if testing.Short() {
		t.Skip("it keeps real time, which the race detector, run with -short, does not")
	}
	if os.Getenv("QUAYBENCH_REAL_TIME") == t.Name() {
		return true
	}
	for attempt := 1; ; attempt++ {
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^"+t.Name()+"$", "-test.timeout=4m", "-test.parallel=4")
		cmd.Env = append(os.Environ(), "QUAYBENCH_REAL_TIME="+t.Name())
		begun, waited := time.Now(), waitedForProcessors()
		out, err := cmd.CombinedOutput()
		busy := float64(waitedForProcessors()-waited) / float64(time.Since(begun))
		late := bytes.Contains(out, []byte("this computer was late")) || bytes.Contains(out, []byte("the line was late, or this computer")) || bytes.Contains(out, []byte("no reply: check power"))
		switch {
		case err == nil:
			return false
		case late && busy > 0.5 && attempt < 3:
			t.Logf("attempt %d: other work kept it waiting, for tasks waited for a processor %.0f %% of the time", attempt, 100*busy)
		default:
			t.Errorf("tasks waited for a processor %.0f %% of the time; %v\n%s", 100*busy, err, out)
			return false
		}
	}
}

// waitedForProcessors returns for how long so far any task of the machine waited for a processor (Linux, pressure stall
// information); 0 where the kernel does not count it.
func waitedForProcessors() time.Duration {
	text, err := os.ReadFile("/proc/pressure/cpu")
	var recent [3]float64
	var micros int64
	if err != nil {
		return 0
	}
	if _, err := fmt.Sscanf(string(text), "some avg10=%g avg60=%g avg300=%g total=%d", &recent[0], &recent[1], &recent[2], &micros); err != nil {
		return 0
	}
	return time.Duration(micros) * time.Microsecond
}

// TestScriptsInProcesses: see TestScripts.
func TestScriptsInProcesses(t *testing.T) {
	path, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	transcripts(t, true, func(ts *testscript.TestScript, args []string, stdin string) int {
		cmd := exec.CommandContext(t.Context(), path, args...)
		cmd.Dir, cmd.Env = ts.MkAbs("."), os.Environ()
		for _, key := range []string{"QUAYBENCH_BOOK", "QUAYBENCH_AUTHOR", "XDG_DATA_HOME", "HOME"} {
			cmd.Env = append(cmd.Env, key+"="+ts.Getenv(key))
		}
		cmd.Stdin = strings.NewReader(stdin)
		var out, said bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &said
		err := cmd.Run()
		_, _ = ts.Stdout().Write(out.Bytes())
		_, _ = ts.Stderr().Write(said.Bytes())
		if cmd.ProcessState == nil {
			ts.Fatalf("%v", err)
		}
		assert.NotContains(t, said.String(), "goroutine ", "a panic reached the user")
		return cmd.ProcessState.ExitCode()
	})
}

// TestInProcesses runs tests of the plain run with processes and pseudo-terminals.
func TestInProcesses(t *testing.T) {
	for name, test := range map[string]func(y *yard){
		"step on hardware":   stepOnHardware,
		"script asks twice":  scriptAsksTwice,
		"asks and writes":    writeAsksAndWrites,
		"not confirmed":      writeNotConfirmed,
		"refused":            writeRefused,
		"rolls back":         writeRollsBack,
		"unplugged":          writeUnplugged,
		"noted in the book":  writeIsNotedInTheBook,
		"plan runs as it is": planRunsAsItSays,
	} {
		t.Run(name, func(t *testing.T) { inProcesses(t, test) })
	}
}

// TestStepEndsInZeroInProcesses: see TestStepEndsInZero; and where the program dies the controller's own time-out acts.
func TestStepEndsInZeroInProcesses(t *testing.T) {
	for _, c := range append(stepEndings,
		stepEnding{"Ctrl-C twice", func(d *desk, _ *pontoon) { d.press("\x03\x03") }, exitNotJudged, "STOPPED after", false},
		stepEnding{`Ctrl-\`, func(d *desk, _ *pontoon) { d.press("\x1c") }, exitNotJudged, "STOPPED after", false},
		stepEnding{"kill -9", func(d *desk, _ *pontoon) { _ = syscall.Kill(d.pid(), syscall.SIGKILL) }, -1, "", true},
	) {
		t.Run(c.name, func(t *testing.T) { inProcesses(t, func(y *yard) { stepEndsInZero(y, c) }) })
	}
}

// TestStepWithLoggerInProcesses: see TestStepWithLogger.
func TestStepWithLoggerInProcesses(t *testing.T) {
	for _, l := range loggerTests {
		t.Run(l.name, func(t *testing.T) { inProcesses(t, func(y *yard) { stepWithLogger(y, l) }) })
	}
}

// childOf returns the process that a process has started.
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

// goneSoon waits for the end of a process.
func goneSoon(t *testing.T, pid int) {
	t.Helper()
	assert.Eventually(t, func() bool {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		return err != nil || strings.Contains(string(text), ") Z ")
	}, aLot, 20*time.Millisecond, "the script's process stays behind")
}

// TestScriptFaultsInProcesses: see TestScriptFaults; the script's process does not stay behind, and where the holder dies
// the controller's own time-out acts.
func TestScriptFaultsInProcesses(t *testing.T) {
	const turns = "go func() {\n\t\twait()\n\t\tfor {\n\t\t}\n\t}()\n\treturn step(s)"
	child := 0
	signal := func(s syscall.Signal) func(*yard, *desk) {
		return func(*yard, *desk) { _ = syscall.Kill(child, s) }
	}
	for _, c := range append(scriptFaults,
		scriptFault{"SIGHUP", nothing, func(_ *yard, d *desk) { _ = syscall.Kill(d.pid(), syscall.SIGHUP) }, exitNotJudged, "the test was called off", "stopped before the end", false},
		scriptFault{"killed holder", nothing, func(_ *yard, d *desk) { _ = syscall.Kill(d.pid(), syscall.SIGKILL) }, -1, "", "", true},
		scriptFault{"a script that turns without end", turns, func(_ *yard, d *desk) { d.interrupt() }, exitNotJudged, "the test was called off", "stopped before the end", false},
	) {
		switch c.name {
		case "killed script":
			c.act, c.want = signal(syscall.SIGKILL), "the script's process was ended by the system (signal: killed)"
		case "hanging script":
			c.act = signal(syscall.SIGSTOP)
		}
		t.Run(c.name, func(t *testing.T) {
			inProcesses(t, func(y *yard) {
				act := c.act
				c.act = func(y *yard, d *desk) {
					child = childOf(t, d.pid())
					if act != nil {
						act(y, d)
					}
				}
				stepOfAFaultyScript(y, c)
				goneSoon(t, child)
			})
		})
	}
}

// TestScriptRunsTooLong: a script that turns without end is ended when its time is over, and does not hold up a test.
func TestScriptRunsTooLong(t *testing.T) {
	for name, c := range map[string]struct {
		meanwhile, longest string
		code               int
		want               string
	}{
		"beside a test":  {"go func() { for { } }(); return step(s)", "5 min", 0, "test: finished"},
		"without a test": {"for { }; return step(s)", "2 s", 2, "the script runs too long: more than 2s"},
		"recursion":      {"return long(s)", "5 min", 2, "does a function call itself, or start goroutines, without end?"},
		"memory":         {"var all [][]byte; for { all = append(all, make([]byte, 1<<20)) }; return step(s)", "5 min", 2, "the script was stopped: it used more than"},
		"its own error":  {`return fmt.Errorf("no wind today")`, "5 min", 2, "no wind today"},
		"other import":   {"return os.Remove(SIGN)", "5 min", 2, "main.go:"},
	} {
		t.Run(name, func(t *testing.T) {
			inProcesses(t, func(y *yard) {
				script, _ := mischievous(t, c.meanwhile)
				code, stdout, stderr := y.run("", "step", "petrel", "--script", script, "--longest", c.longest)
				assert.Equal(t, c.code, code, stdout+stderr)
				assert.Contains(t, stdout+stderr, c.want)
				assert.NotContains(t, stdout+stderr, "goroutine ")
			})
		})
	}
}

// TestWriteKilled: after kill -9 in mid-write the journal says what is known, and the next reading says what is there.
func TestWriteKilled(t *testing.T) { inProcesses(t, writeKilled) }

func writeKilled(y *yard) {
	t, p := y.t, y.petrel(otherSettings...)
	d := y.sit("controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
	p.mu.Lock()
	p.setting = func(n int, _ string) error {
		if n == 2 {
			_ = syscall.Kill(d.pid(), syscall.SIGKILL)
		}
		return nil
	}
	p.mu.Unlock()
	d.ended(-1)

	code, stdout, _ := y.run("", "controller", "journal", "petrel")
	assert.Zero(t, code)
	assert.Regexp(t, `(?m)^ramp.rise +2.5 s +20`, stdout)
	assert.Regexp(t, `(?m)^limits.motor_current +100 A or 140 A +20`, stdout)
	assert.Contains(t, stdout, "read the controller before anything else: a write was cut off")

	amps, _ := held(t, p)
	assert.InDelta(t, 140, amps, 1e-9, "the last request was still carried out")
	code, stdout, stderr := y.run("", "controller", "read", "petrel", "--on", p.port)
	assert.Zero(t, code, stderr)
	assert.Regexp(t, `mind: a write of limits.motor_current from 100 A to 140 A was cut off on 20.*; the controller holds 140 A `, unwrapped(stdout))
	_, stdout, _ = y.run("", "controller", "read", "petrel", "--on", p.port)
	assert.NotContains(t, stdout, "mind:", "it is known now")
	_, stdout, _ = y.run("", "controller", "journal", "petrel")
	assert.Regexp(t, `(?m)^limits.motor_current +140 A +20`, stdout)
}

// TestSimulateController: the command as a user starts it, in a process of its own, with faults on demand; Ctrl-C ends it.
func TestSimulateController(t *testing.T) {
	for _, c := range []struct {
		name, want string
		args       []string
		code       int
	}{
		{"well", "the controller holds the settings of the demo boat petrel", nil, 0},
		{"other settings", "does not hold the settings of the demo boat petrel: ramp.rise", []string{"--set", "ramp.rise=1 s"}, 1},
		{"a fault at every reply", "the reply has a bad check sum", []string{"--fault", "bad check sum", "--every", "1"}, 1},
		{"a fault at every third reply", "no reply: check power", []string{"--fault", "silence", "--every", "3"}, 1},
		{"unplugged", "the controller's settings cannot be read: ", []string{"--fault", "unplugged before the reply", "--every", "2"}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			inProcesses(t, func(y *yard) {
				d := y.sit(append([]string{"simulate-controller", "petrel"}, c.args...)...)
				d.await("Ctrl-C ends it.")
				on := regexp.MustCompile(`petrel's simulated controller is on (\S+@115200)`).FindStringSubmatch(d.screen())
				require.NotNil(t, on)
				assert.Contains(t, d.screen(), "A simulation is no proof of safety.")
				code, stdout, stderr := y.run("", "controller", "verify", "petrel", "--on", on[1])
				assert.Equal(t, c.code, code)
				assert.Contains(t, stdout+stderr, c.want)
				if c.name == "unplugged" {
					assert.Contains(t, d.ended(1), "lost the line")
					return
				}
				d.interrupt()
				d.ended(0)
			})
		})
	}
}

// TestFewFileHandles: at each limit the program works, or says in one line what is wrong; Go's runtime shows nobody its insides.
func TestFewFileHandles(t *testing.T) {
	y := ofProcesses(t)
	for limit := 4; limit < 24; limit++ {
		whole := y.command("try", "petrel", "--trial", "full-throttle")
		cmd := exec.Command("/bin/sh", append([]string{"-c", fmt.Sprintf(`ulimit -n %d; exec "$0" "$@"`, limit), whole.Path}, whole.Args[1:]...)...)
		cmd.Env = whole.Env
		var said strings.Builder
		cmd.Stderr = &said
		if cmd.Run() == nil {
			continue
		}
		assert.Equal(t, exitOther, cmd.ProcessState.ExitCode(), "limit %d: %s", limit, said.String())
		assert.Regexp(t, `^(quaybench: .*files.*|\S+: error while loading shared libraries: .*)\n$`, said.String(), "limit %d", limit)
	}
}
