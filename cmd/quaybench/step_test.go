//go:build unix

package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// hop is a short programme: half throttle for two seconds.
const hop = `
name = "hop"
duration = "4 s"
moored = true
[[throttle]]
at = "0.5 s"
to = "50 %"
[[throttle]]
at = "2.5 s"
to = "0 %"
`

// long is one that a test interrupts.
const long = `
name = "long"
duration = "20 s"
moored = true
[[throttle]]
at = "0.5 s"
to = "30 %"
`

// zeroLast holds what reached the controller against the promise: throttle was on, and zero is the last command.
func zeroLast(t *testing.T, p *pontoon) {
	t.Helper()
	list := p.commanded()
	require.NotEmpty(t, list)
	assert.Zero(t, list[len(list)-1], "the last command")
	assert.Zero(t, p.Lever())
}

// readRecord reads a record's file.
func readRecord(t *testing.T, name string) *record.Run {
	t.Helper()
	f, err := os.Open(name)
	require.NoError(t, err)
	defer f.Close()
	r, err := record.Read(name, f)
	require.NoError(t, err)
	return r
}

// TestStepOnHardware: prediction, before-start list, release, time-out proven, test, comparison, completed record.
func TestStepOnHardware(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moor(t)
	csv := filepath.Join(home, "run.csv")
	d := sit(t, home, "step", "petrel", "--script", fileOf(t, "hop.toml", hop), "--on", p.port, "--record", csv)
	d.await("type release to release the throttle for this one test: ")
	before := d.screen()
	assert.Contains(t, before, "verdict of the simulation: clear")
	assert.Contains(t, before, "a hard-wired stop in somebody's hand, tried just now")
	assert.Contains(t, before, "A simulation is no proof of safety.")
	assert.Contains(t, before, "First the controller's command time-out (400ms) is proven")
	assert.Empty(t, p.commanded(), "locked out before")
	d.line("release")
	screen := d.ended(0)
	assert.Regexp(t, `proven: a command of \d+ % shows in motor_(current|speed) and is gone [\d.]+ s after the last command`, screen)
	assert.Contains(t, screen, "motor_current, A, over", "drawn live")
	assert.Contains(t, screen, "the test ran to its end, 4.0 s")
	assert.Contains(t, screen, "measured and predicted do not part")
	assert.Regexp(t, `(?m)^winding +motor +155 °C +2\d °C`, screen)
	assert.Contains(t, screen, "\nverdict: clear\nA simulation is no proof of safety.")
	zeroLast(t, p)
	assert.Contains(t, p.commanded(), 0.5)

	r := readRecord(t, csv)
	assert.Equal(t, "petrel", r.Boat)
	assert.Equal(t, "hop", r.Trial)
	assert.Equal(t, "petrel's controller (invented) on "+p.port, r.Provenance.Source)
	for _, s := range []string{r.Provenance.Tool, r.Provenance.Settings, r.Provenance.Boat, r.Provenance.Clock} {
		assert.NotEmpty(t, s)
	}
	assert.Len(t, r.Time, 81)
	winding, ok := r.Trace("winding")
	require.True(t, ok)
	assert.True(t, winding.Inferred)
	assert.NotEmpty(t, winding.Low)
	v, err := verdict.Judge(r)
	require.NoError(t, err)
	assert.Equal(t, verdict.Clear, v.Level, "judged as a simulation is")
}

// TestStepIsRefused before anything moves.
func TestStepIsRefused(t *testing.T) {
	t.Parallel()
	script := fileOf(t, "hop.toml", hop)
	over := fileOf(t, "over.toml", strings.NewReplacer(`"hop"`, `"over"`, `"4 s"`, `"60 min"`, `"2.5 s"`, `"59 min"`, "50 %", "100 %", "moored", "charge = \"100 %\"\nmoored").Replace(hop))
	noThrottle := petrelMap(t)
	noThrottle = fileOf(t, "map.toml", noThrottle[:strings.Index(noThrottle, "[throttle]")])
	noTimeout := fileOf(t, "map.toml", petrelMap(t, "command_timeout = \"400 ms\"", ""))
	for _, c := range []struct {
		name string
		set  []string // the controller holds
		args []string
		code int
		want string
	}{
		{"no terminal", nil, nil, 2, "on hardware a person at the terminal releases the throttle: run it in a terminal"},
		{"other settings", otherSettings, nil, 2, "it holds limits.motor_current 100.0 A instead of 140.0 A, ramp.rise 1.000 s instead of 2.500 s; write them first"},
		{"no throttle in the map", nil, []string{"--map", noThrottle}, 2, "this controller takes no throttle over the line: use prompted mode"},
		{"no time-out in the map", nil, []string{"--map", noTimeout}, 2, "command_timeout is missing"},
		{"over in simulation", []string{"limits.motor_current=330 A"}, []string{"--set", "limits.motor_current=330 A", "--script", over}, 3, "the simulation of this programme is over a limit, so it is not run on hardware"},
		{"a rate beyond", nil, []string{"--rate", "500"}, 2, "--rate must be 1 to 200, got 500"},
		{"a record that is there", nil, []string{"--record", script}, 2, "exists already: name a new file for the record"},
		{"a record on a full disk", nil, []string{"--record", "/dev/full"}, 1, "no space left on device"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			home, p := t.TempDir(), moor(t, c.set...)
			args := append([]string{"step", "petrel", "--script", script, "--on", p.port}, c.args...)
			if c.name == "no terminal" {
				code, _, stderr := piped(t, home, "release\n", args...)
				assert.Equal(t, c.code, code)
				assert.Contains(t, stderr, c.want)
			} else {
				screen := sit(t, home, args...).ended(c.code)
				assert.Contains(t, screen, c.want)
			}
			assert.Empty(t, p.commanded())
		})
	}
}

// TestStepNotReleased: another word, and nothing is commanded.
func TestStepNotReleased(t *testing.T) {
	home, p := t.TempDir(), moor(t)
	csv := filepath.Join(home, "run.csv")
	d := sit(t, home, "step", "petrel", "--script", fileOf(t, "hop.toml", hop), "--on", p.port, "--record", csv)
	d.await("type release ")
	d.line("yes")
	assert.Contains(t, d.ended(2), "not confirmed: nothing was done")
	assert.NotContains(t, p.commanded(), 0.5)
	for _, share := range p.commanded() {
		assert.Zero(t, share)
	}
	assert.NoFileExists(t, csv, "no test, no record")
}

// TestStepTimeOutNotProven: a controller that goes on without commands is found out before the test.
func TestStepTimeOutNotProven(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moorWith(t, petrelMap(t, `command_timeout = "400 ms"`, `command_timeout = "10 s"`))
	d := sit(t, home, "step", "petrel", "--script", fileOf(t, "hop.toml", hop), "--on", p.port)
	d.await("type release ")
	d.line("release")
	assert.Contains(t, d.ended(1), "though its register map says it stops after 400ms: throttle over the line is refused")
	assert.NotContains(t, p.commanded(), 0.5)
	zeroLast(t, p)
}

// zeroAndRecorded: zero was the last command, or, where the program died, the controller's own time-out acted; and the record
// can be read up to its last sample, which was taken with the throttle on.
func zeroAndRecorded(t *testing.T, p *pontoon, csv string, died bool) {
	t.Helper()
	if died {
		p.goesToZero(t)
	} else {
		zeroLast(t, p)
	}
	r := readRecord(t, csv)
	assert.Greater(t, len(r.Time), 20)
	current, ok := r.Trace(record.MotorCurrent)
	require.True(t, ok)
	assert.Greater(t, current.Values[len(current.Values)-1], 5.0)
}

// TestStepEndsInZero: whatever ends the program while the throttle is on, zero is the last command, the record is readable
// up to the last sample; and where no command can come any more, the controller's own time-out has acted.
func TestStepEndsInZero(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	for _, c := range []struct {
		name string
		act  func(d *desk, p *pontoon)
		code int
		want string // shown; "" where nobody sees it
		dies bool   // no command can come any more
	}{
		{"Ctrl-C", func(d *desk, _ *pontoon) { d.press("\x03") }, 1, "STOPPED after", false},
		{"Ctrl-C twice", func(d *desk, _ *pontoon) { d.press("\x03\x03") }, 1, "STOPPED after", false},
		{"SIGTERM", func(d *desk, _ *pontoon) { _ = d.cmd.Process.Signal(syscall.SIGTERM) }, 1, "STOPPED after", false},
		{"the terminal hangs up", func(d *desk, _ *pontoon) { _ = d.keys.Close() }, 1, "", false},
		{"kill -9", func(d *desk, _ *pontoon) { _ = d.cmd.Process.Signal(syscall.SIGKILL) }, -1, "", true},
		{"unplugged", func(_ *desk, p *pontoon) { p.unplug() }, 1, ">> ZERO THROTTLE WAS NOT CONFIRMED: use the hard-wired stop now!", true},
	} {
		// One prediction after the other, and only then all tests at once: a machine that is busy predicting would stop them.
		home, p := t.TempDir(), moor(t)
		csv := filepath.Join(home, "run.csv")
		d := sit(t, home, "step", "petrel", "--script", fileOf(t, "long.toml", long), "--on", p.port, "--record", csv)
		d.await("type release ")
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			d.t = t
			d.release(p, 0.3)
			c.act(d, p)
			screen := d.ended(c.code)
			assert.Contains(t, screen, c.want)
			zeroAndRecorded(t, p, csv, c.dies)
		})
	}
}

// TestStepNoticesAReset: settings that changed during the test are told, for the record is then of others.
func TestStepNoticesAReset(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moor(t)
	p.throttle = func(share float64) {
		if share == 0.5 {
			assert.NoError(t, p.Controller.SetSetting("limits.astern_current", 110))
		}
	}
	d := sit(t, home, "step", "petrel", "--script", fileOf(t, "hop.toml", hop), "--on", p.port)
	d.await("type release ")
	d.line("release")
	screen := unwrapped(d.ended(1))
	assert.Contains(t, screen, "the test ran to its end")
	assert.Contains(t, screen, "the controller was reset during the test, or somebody wrote to it, so the record is not of these settings: it holds now limits.astern_current 110.0 A instead of 120.0 A")
	zeroLast(t, p)
}

// TestStepOutputGone: a reader of the output that has seen enough is a hang-up too.
func TestStepOutputGone(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moor(t)
	ends, out, err := os.Pipe()
	require.NoError(t, err)
	p.throttle = func(share float64) {
		if share == 0.3 {
			_ = ends.Close()
		}
	}
	d := sitWith(t, home, func(cmd *exec.Cmd) { cmd.Stdout = out }, "step", "petrel", "--script", fileOf(t, "long.toml", long), "--on", p.port)
	require.NoError(t, out.Close())
	go func() { // a reader, until it has seen enough
		text := make([]byte, 1<<16)
		for {
			if _, err := ends.Read(text); err != nil {
				return
			}
			if bytes.Contains(text, []byte("type release")) {
				d.press("release\n")
				clear(text)
			}
		}
	}()
	d.ended(1)
	zeroLast(t, p)
}

// TestStepFullDisk: the disk that fills in mid-test stops it, and the record is readable up to the last sample.
func TestStepFullDisk(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	small := t.TempDir()
	if err := syscall.Mount("tmpfs", small, "tmpfs", 0, "size=4k"); err != nil {
		t.Skipf("no small file system can be mounted here: %v", err)
	}
	defer func() { _ = syscall.Unmount(small, 0) }()
	home, p := t.TempDir(), moor(t)
	csv := filepath.Join(small, "run.csv")
	d := sit(t, home, "step", "petrel", "--script", fileOf(t, "long.toml", long), "--on", p.port, "--record", csv)
	d.await("type release ")
	d.line("release")
	screen := d.ended(1)
	assert.Contains(t, screen, "the record could not be written")
	assert.Contains(t, screen, "no space left on device")
	zeroLast(t, p)
	f, err := os.ReadFile(csv)
	require.NoError(t, err)
	whole := f[:bytes.LastIndexByte(f, '\n')+1]
	r, err := record.Read("run.csv", bytes.NewReader(whole))
	require.NoError(t, err)
	assert.Greater(t, len(r.Time), 20)
}

// TestStepDrawing: a chart on a terminal, coloured unless NO_COLOR says no; lines on a dumb one and in a pipe.
func TestStepDrawing(t *testing.T) {
	script := fileOf(t, "hop.toml", hop)
	for _, c := range []struct {
		name          string
		env           string
		chart, colour bool
	}{{"colour", "NO_COLOR=", true, true}, {"NO_COLOR", "NO_COLOR=1", true, false}, {"dumb", "TERM=dumb", false, false}} {
		t.Run(c.name, func(t *testing.T) {
			d := sitWith(t, t.TempDir(), func(cmd *exec.Cmd) { cmd.Env = append(cmd.Env, "NO_COLOR=", c.env) }, "step", "petrel", "--script", script)
			screen := d.ended(0)
			assert.Equal(t, c.chart, strings.Contains(screen, "┤"), "a chart")
			assert.Equal(t, c.chart, strings.Contains(screen, "\x1b["), "moved over")
			assert.Equal(t, c.colour, strings.Contains(screen, "\x1b[38;5") || strings.Contains(screen, "\x1b[96m") || strings.Contains(screen, "\x1b[36m"), "coloured")
		})
	}
	code, stdout, stderr := piped(t, t.TempDir(), "", "step", "petrel", "--script", script)
	assert.Zero(t, code, stderr)
	assert.NotContains(t, stdout, "\x1b")
	assert.Regexp(t, `(?m)^ +2\.0 s  lever   50 %  voltage .* motor_current`, stdout)
}

// TestStepPrompted: a person at the lever and the panel; in a terminal they say that they are ready, through a pipe the
// readings come as they are.
func TestStepPrompted(t *testing.T) {
	t.Parallel()
	script := fileOf(t, "hop.toml", hop)
	// What petrel's panel shows at rest, at half throttle moored (the simulation's values, rounded), and at rest again.
	readings := []string{"53.4 0.4 0", "53.2 17.5 52", "53.4 0.4 0"}
	check := func(t *testing.T, out, csv string) {
		assert.Contains(t, out, ">> NOW: lever to 50 % ahead\n")
		assert.Contains(t, out, ">> NOW: lever to neutral\n")
		assert.Contains(t, out, ">> The programme has ended. Lever to neutral.\n")
		assert.Contains(t, out, "\nverdict: clear\n")
		r := readRecord(t, csv)
		assert.Equal(t, "panel meters, read by a person", r.Provenance.Source)
		current, ok := r.Trace(record.MotorCurrent)
		require.True(t, ok)
		assert.Equal(t, []float64{0, 52, 0}, current.Values)
		winding, ok := r.Trace("winding")
		require.True(t, ok)
		assert.Greater(t, winding.Values[2], winding.Values[0])
		_, ok = r.Trace("rotor speed")
		assert.False(t, ok, "nobody read the speed")
	}
	t.Run("piped", func(t *testing.T) {
		t.Parallel()
		csv := filepath.Join(t.TempDir(), "run.csv")
		code, stdout, stderr := piped(t, t.TempDir(), "voltage battery_current motor_current\n"+strings.Join(readings, "\n")+"\n", "step", "petrel", "--prompted", "--script", script, "--record", csv)
		require.Zero(t, code, stdout+stderr)
		check(t, stdout, csv)
	})
	t.Run("terminal", func(t *testing.T) {
		t.Parallel()
		home := t.TempDir()
		csv := filepath.Join(home, "run.csv")
		d := sit(t, home, "step", "petrel", "--prompted", "--script", script, "--record", csv)
		d.await("Which meters are there?")
		d.line("voltage battery_current motor_current")
		d.await("type ready when all of this is so: ")
		assert.Contains(t, d.screen(), "lever in neutral")
		d.line("ready")
		for i, text := range readings {
			d.until(func() bool { return strings.Count(d.screen(), "; stop ends the test\n> ") > i }, "it does not ask")
			d.line(text)
		}
		check(t, d.ended(0), csv)
	})
	t.Run("stopped by a reading", func(t *testing.T) {
		t.Parallel()
		code, stdout, _ := piped(t, t.TempDir(), "all\n53.4 0.4 0 0 25\n53.2 19 520 400 25\n", "step", "petrel", "--prompted", "--script", script)
		assert.Equal(t, 3, code, "the power stage is over in the record")
		assert.Regexp(t, `>> STOP, lever to neutral now! motor_current is 520.0 A: beyond the\s+controller.s\s+rating\s+\(motor\s+current\)`, stdout)
	})
	t.Run("stopped by the person", func(t *testing.T) {
		t.Parallel()
		code, stdout, _ := piped(t, t.TempDir(), "all\n53.4 0.4 0 0 25\nstop\n", "step", "petrel", "--prompted", "--script", script)
		assert.Equal(t, 1, code)
		assert.Contains(t, stdout, ">> STOP, lever to neutral now! the person at the panel stopped it")
	})
}

// TestStepPromptedWithTelemetry: the person moves the lever, the controller measures; nothing is commanded.
func TestStepPromptedWithTelemetry(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moor(t)
	script := fileOf(t, "hop.toml", hop)
	d := sit(t, home, "step", "petrel", "--prompted", "--script", script, "--on", p.port)
	d.await("type ready ")
	d.line("ready")
	hand(d, p, 0.52, "NOW: lever to 50 % ahead", "NOW: lever to neutral")
	screen := d.ended(0)
	assert.Contains(t, screen, "the test ran to its end")
	assert.Contains(t, screen, ">> The programme has ended. Lever to neutral.")
	assert.Empty(t, p.commanded())

	// A person who does not move it is found out: the readings leave the band.
	p = moor(t) // at the first, the motor may still turn
	d = sit(t, home, "step", "petrel", "--prompted", "--script", fileOf(t, "wait.toml", strings.NewReplacer(`"4 s"`, `"20 s"`, `"2.5 s"`, `"18 s"`).Replace(hop)), "--on", p.port)
	d.await("type ready ")
	d.line("ready")
	screen = d.ended(1)
	assert.Contains(t, screen, ">> STOP, lever to neutral now! ")
	assert.Regexp(t, `measured and predicted part at [\d.]+ s: `, screen)
}
