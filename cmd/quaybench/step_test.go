package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

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
func TestStepOnHardware(t *testing.T) { inBubble(t, stepOnHardware) }

func stepOnHardware(y *yard) {
	t, p := y.t, y.petrel()
	csv := filepath.Join(y.home, "run.csv")
	d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port, "--record", csv)
	d.await("type release to release the throttle for this one test: ")
	before := d.screen()
	assert.Contains(t, before, "verdict of the simulation: clear")
	assert.Contains(t, before, "a hard-wired stop in somebody's hand, tried just now")
	assert.Contains(t, before, "A simulation is no proof of safety.")
	assert.Contains(t, before, "First the map and the controller's command time-out (400 ms) are proven")
	assert.Empty(t, p.commanded(), "locked out before")
	d.line("release")
	screen := d.ended(0)
	assert.Regexp(t, `proven: 2.5 % inside the dead band shows nothing; \d+ % changes motor current by [\d.]+ A`, screen)
	assert.Contains(t, screen, "motor_current, A, over", "drawn live")
	assert.Contains(t, screen, "the test ran to its end, 4.0 s")
	assert.Contains(t, screen, "lies within its predicted band")
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

// refusal is a step test that is refused before anything moves.
type refusal struct {
	name string
	set  []string // the controller holds
	args func(t *testing.T, script string) []string
	code int
	want string
}

var refusals = []refusal{
	{"no terminal", nil, nil, 2, "on hardware a person at the terminal releases the throttle: run it in a terminal"},
	{"other settings", otherSettings, nil, 2, "it holds limits.motor_current 100 A instead of 140 A, ramp.rise 1 s instead of 2.5 s; write them first"},
	{"no throttle in the map", nil, func(t *testing.T, _ string) []string {
		text := petrelMap(t)
		return []string{"--map", fileOf(t, "map.toml", text[:strings.Index(text, "[throttle]")])}
	}, 2, "this controller takes no throttle over the line: use prompted mode"},
	{"no time-out in the map", nil, func(t *testing.T, _ string) []string {
		return []string{"--map", fileOf(t, "map.toml", petrelMap(t, "command_timeout = \"400 ms\"", ""))}
	}, 2, "command_timeout is missing"},
	{"over in simulation", []string{"limits.motor_current=330 A"}, func(t *testing.T, _ string) []string {
		over := strings.NewReplacer(`"hop"`, `"over"`, `"4 s"`, `"60 min"`, `"2.5 s"`, `"59 min"`, "50 %", "100 %", "moored", "charge = \"100 %\"\nmoored").Replace(hop)
		return []string{"--set", "limits.motor_current=330 A", "--trial", fileOf(t, "over.toml", over)}
	}, 3, "the simulation of this programme is over a limit, so it is not run on hardware"},
	{"a rate beyond", nil, func(*testing.T, string) []string { return []string{"--rate", "500"} }, 2, "--rate must be 1 to 200, got 500"},
	{"a record on the standard output", nil, func(*testing.T, string) []string { return []string{"--record", "-"} }, 2, "a record needs a file"},
	{"a record that is there", nil, func(_ *testing.T, script string) []string { return []string{"--record", script, "--force"} }, 2, "exists already: name a new file for the record, since one is never written over, not with --force either"},
	{"a record on a full disk", nil, func(*testing.T, string) []string { return []string{"--record", "/dev/full"} }, 1, "no space left on device"},
}

// TestStepIsRefused before anything moves.
func TestStepIsRefused(t *testing.T) {
	eachInBubble(t, refusals, func(c refusal) string { return c.name }, func(y *yard, c refusal) {
		t, p := y.t, y.petrel(c.set...)
		script := fileOf(t, "hop.toml", hop)
		args := []string{"step", "petrel", "--trial", script, "--on", p.port}
		if c.args != nil {
			args = append(args, c.args(t, script)...)
		}
		if c.name == "no terminal" {
			code, _, stderr := y.run("release\n", args...)
			assert.Equal(t, c.code, code)
			assert.Contains(t, stderr, c.want)
		} else {
			assert.Contains(t, y.sit(args...).ended(c.code), c.want)
		}
		assert.Empty(t, p.commanded())
	})
}

// TestStepNotReleased: another word, and nothing is commanded.
func TestStepNotReleased(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, p := y.t, y.petrel()
		csv := filepath.Join(y.home, "run.csv")
		d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port, "--record", csv)
		d.await("type release ")
		d.line("yes")
		assert.Contains(t, d.ended(2), "not confirmed: nothing was done")
		assert.NotContains(t, p.commanded(), 0.5)
		for _, share := range p.commanded() {
			assert.Zero(t, share)
		}
		assert.NoFileExists(t, csv, "no test, no record")
	})
}

// TestStepTimeOutNotProven: a controller that goes on without commands is found out before the test.
func TestStepTimeOutNotProven(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, p := y.t, y.moor(petrelMap(y.t, `command_timeout = "400 ms"`, `command_timeout = "10 s"`))
		d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port)
		d.await("type release ")
		d.line("release")
		assert.Contains(t, d.ended(1), "though its map says it stops after 400 ms: throttle over the line is refused")
		assert.NotContains(t, p.commanded(), 0.5)
		zeroLast(t, p)
	})
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

// stepEnding is something that ends the program while the throttle is on.
type stepEnding struct {
	name string
	act  func(d *desk, p *pontoon)
	code int
	want string // shown; "" where nobody sees it
	dies bool   // no command can come any more
}

var stepEndings = []stepEnding{
	{"Ctrl-C", func(d *desk, _ *pontoon) { d.interrupt() }, exitNotJudged, "STOPPED after", false},
	{"SIGTERM", func(d *desk, _ *pontoon) { d.terminate() }, exitNotJudged, "STOPPED after", false},
	{"the terminal hangs up", func(d *desk, _ *pontoon) { d.hangUp() }, 1, "", false},
	{"unplugged", func(_ *desk, p *pontoon) { p.unplug() }, exitNotJudged, ">> ZERO THROTTLE WAS NOT CONFIRMED: use the hard-wired stop now!", true},
}

// TestStepEndsInZero: whatever ends the program while the throttle is on, zero is the last command, the record is readable
// up to the last sample; and where no command can come any more, the controller's own time-out has acted.
func TestStepEndsInZero(t *testing.T) {
	eachInBubble(t, stepEndings, func(c stepEnding) string { return c.name }, stepEndsInZero)
}

func stepEndsInZero(y *yard, c stepEnding) {
	t, p := y.t, y.petrel()
	csv := filepath.Join(y.home, "run.csv")
	d := y.sit("step", "petrel", "--trial", fileOf(t, "long.toml", long), "--on", p.port, "--record", csv)
	d.await("type release ")
	d.release(p, 0.3)
	c.act(d, p)
	assert.Contains(t, d.ended(c.code), c.want)
	zeroAndRecorded(t, p, csv, c.dies)
}

// TestStepNoticesAReset: settings that changed during the test are told, for the record is then of others.
func TestStepNoticesAReset(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, p := y.t, y.petrel()
		p.on(0.5, func() { assert.NoError(t, p.Controller.SetSetting("limits.astern_current", 110)) })
		d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port)
		d.await("type release ")
		d.line("release")
		screen := unwrapped(d.ended(1))
		assert.Contains(t, screen, "the test ran to its end")
		assert.Contains(t, screen, "the controller was reset during the test, or somebody wrote to it, so the record is not of these settings: it holds now limits.astern_current 110 A instead of 120 A")
		zeroLast(t, p)
	})
}

// TestStepOutputGone: a reader of the output that has seen enough is a hang-up too.
func TestStepOutputGone(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, p := y.t, y.petrel()
		d := y.sitWith(func(d *desk, sys *system) {
			sys.Out = writer(func(text []byte) error { return d.show(text, false) }) // a pipe
			sys.Err = io.Discard
		}, "step", "petrel", "--trial", fileOf(t, "long.toml", long), "--on", p.port)
		p.on(0.3, func() {
			d.mu.Lock()
			d.gone = syscall.EPIPE
			d.mu.Unlock()
		})
		d.await("type release ")
		d.line("release")
		d.ended(1)
		zeroLast(t, p)
	})
}

// TestStepDrawing: a chart on a terminal, coloured unless NO_COLOR says no; lines on a dumb one and in a pipe.
func TestStepDrawing(t *testing.T) {
	type drawing struct {
		name, key, value string
		chart, colour    bool
	}
	inBubble(t, func(y *yard) {
		t, script := y.t, fileOf(y.t, "hop.toml", hop)
		for _, c := range []drawing{
			{"colour", "NO_COLOR", "", true, true}, {"NO_COLOR", "NO_COLOR", "1", true, false}, {"dumb", "TERM", "dumb", false, false},
		} {
			screen := y.sitWith(func(_ *desk, sys *system) {
				env := map[string]string{"TERM": "xterm", "XDG_DATA_HOME": y.home}
				env[c.key] = c.value
				sys.Getenv = func(key string) string { return env[key] }
			}, "step", "petrel", "--trial", script).ended(0)
			assert.Equal(t, c.chart, strings.Contains(screen, "┤"), "a chart: %s", c.name)
			assert.Equal(t, c.chart, strings.Contains(screen, "\x1b["), "moved over: %s", c.name)
			assert.Equal(t, c.colour, strings.Contains(screen, "\x1b[38;5") || strings.Contains(screen, "\x1b[96m") || strings.Contains(screen, "\x1b[36m"), "coloured: %s", c.name)
		}
		code, stdout, stderr := y.run("", "step", "petrel", "--trial", script)
		assert.Zero(t, code, stderr)
		assert.NotContains(t, stdout, "\x1b")
		assert.Regexp(t, `(?m)^ +2\.0 s  lever   50 %  voltage .* motor current`, stdout)
	})
}

// TestStepFullDisk: the disk that fills in mid-test stops it, and the record is readable up to the last sample.
func TestStepFullDisk(t *testing.T) {
	small := smallDisk(t)
	inBubble(t, func(y *yard) {
		t, p := y.t, y.petrel()
		csv := filepath.Join(small, "run.csv")
		d := y.sit("step", "petrel", "--trial", fileOf(t, "long.toml", long), "--on", p.port, "--record", csv)
		d.await("type release ")
		fillUp(t, small, 4096)
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
	})
}

// TestStepPrompted: a person at the lever and the panel; in a terminal they say that they are ready, through a pipe the
// readings come as they are.
func TestStepPrompted(t *testing.T) {
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
		speed, ok := r.Trace("rotor speed")
		require.True(t, ok)
		assert.True(t, speed.Inferred, "nobody read the speed: it follows from the motor's voltage")
		assert.Contains(t, strings.Join(r.Assumed, "\n"), "motor speed follows")
	}
	type sitting struct {
		name string
		test func(y *yard, script, csv string)
	}
	eachInBubble(t, []sitting{
		{"piped", func(y *yard, script, csv string) {
			code, stdout, stderr := y.run("voltage battery_current motor_current\n"+strings.Join(readings, "\n")+"\n", "step", "petrel", "--prompted", "--trial", script, "--record", csv)
			require.Zero(y.t, code, stdout+stderr)
			check(y.t, stdout, csv)
		}},
		{"terminal", func(y *yard, script, csv string) {
			d := y.sit("step", "petrel", "--prompted", "--trial", script, "--record", csv)
			d.await("Which meters are there?")
			d.line("voltage battery_current motor_current")
			d.await("type ready when all of this is so: ")
			assert.Contains(y.t, d.screen(), "lever in neutral")
			d.line("ready")
			for i, text := range readings {
				d.until(func() bool { return strings.Count(d.screen(), "; stop ends the test\n> ") > i }, "it does not ask")
				d.line(text)
			}
			check(y.t, d.ended(0), csv)
		}},
		{"stopped by a reading", func(y *yard, script, _ string) {
			code, stdout, _ := y.run("all\n53.4 0.4 0 0 25\n53.2 19 520 400 25\n", "step", "petrel", "--prompted", "--trial", script)
			assert.Equal(y.t, 3, code, "the power stage is over in the record")
			assert.Regexp(y.t, `>> STOP, lever to neutral now! motor current is 520 A: beyond the\s+controller.s\s+rating\s+\(motor\s+current\)`, stdout)
		}},
		{"stopped by the person", func(y *yard, script, csv string) {
			code, stdout, _ := y.run("all\n53.4 0.4 0 0 25\n53.2 17.5 52 640 25\nstop\n", "step", "petrel", "--prompted", "--trial", script, "--record", csv)
			assert.Equal(y.t, exitNotJudged, code)
			assert.Contains(y.t, stdout, ">> STOP, lever to neutral now! the person at the panel stopped it")
			// It is no evidence, and the refusal names it, for the version's own verdict is clear.
			approve := []string{"profile", "approve", "petrel", "head", "--author", "yard"}
			code, _, stderr := y.run("", append(approve, "--evidence", csv)...)
			assert.Equal(y.t, exitInput, code)
			assert.Regexp(y.t, `its\s+verdict\s+is\s+not\s+judged[^;]*;[^;]*;\s+run.csv\s+is\s+of\s+a\s+test\s+that\s+was\s+stopped`, stderr)
			code, _, stderr = y.run("", approve...)
			assert.Zero(y.t, code, stderr)
		}},
		{"stopped before a reading", func(y *yard, script, csv string) { // it names no record where there is none
			code, stdout, _ := y.run("all\nstop\n", "step", "petrel", "--prompted", "--trial", script, "--record", csv)
			assert.Equal(y.t, exitNotJudged, code)
			assert.NotContains(y.t, stdout, "\nrecord: ")
			assert.Contains(y.t, strings.Join(strings.Fields(stdout), " "), "no record: the test ended before its first reading")
			assert.NoFileExists(y.t, csv)
		}},
	}, func(s sitting) string { return s.name }, func(y *yard, s sitting) {
		s.test(y, fileOf(y.t, "hop.toml", hop), filepath.Join(y.home, "run.csv"))
	})
}

// hand moves the lever as a person does, from when it is told until it is told again.
func hand(d *desk, p *pontoon, share float64, from, to string) {
	d.t.Helper()
	d.await(from)
	over, done := make(chan bool), make(chan bool)
	go func() {
		defer close(done)
		again := time.NewTicker(50 * time.Millisecond)
		defer again.Stop()
		for {
			p.Controller.Throttle(share)
			select {
			case <-over:
				p.Controller.Throttle(0)
				return
			case <-again.C:
			}
		}
	}()
	d.await(to)
	close(over)
	<-done
}

// TestStepPromptedWithTelemetry: the person moves the lever, the controller measures; nothing is commanded.
func TestStepPromptedWithTelemetry(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, p := y.t, y.petrel()
		d := y.sit("step", "petrel", "--prompted", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port)
		d.await("type ready ")
		d.line("ready")
		hand(d, p, 0.52, "NOW: lever to 50 % ahead", "NOW: lever to neutral")
		screen := d.ended(0)
		assert.Contains(t, screen, "the test ran to its end")
		assert.Contains(t, screen, ">> The programme has ended. Lever to neutral.")
		assert.Empty(t, p.commanded())
	})
}

// TestStepPromptedLeverNotMoved: a person who does not move the lever is found out, for the readings leave the band.
func TestStepPromptedLeverNotMoved(t *testing.T) {
	inBubble(t, func(y *yard) {
		t, p := y.t, y.petrel()
		d := y.sit("step", "petrel", "--prompted", "--trial", fileOf(t, "wait.toml", strings.NewReplacer(`"4 s"`, `"20 s"`, `"2.5 s"`, `"18 s"`).Replace(hop)), "--on", p.port)
		d.await("type ready ")
		d.line("ready")
		screen := d.ended(exitNotJudged)
		assert.Contains(t, screen, ">> STOP, lever to neutral now! ")
		assert.Regexp(t, `measured and predicted part at [\d.]+ s: `, screen)
	})
}

// TestTheMetersAreNotTypedAhead: what was typed before a question was asked answers another one.
func TestTheMetersAreNotTypedAhead(t *testing.T) {
	inBubble(t, func(y *yard) {
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "hop.toml", hop), "--prompted")
		d.await("Which meters are there?")
		d.press("volts\nall\n")
		d.await("no meter is called \"volts\"")
		d.line("battery_current")
		d.await("type ready ")
		assert.NotContains(y.t, d.screen(), "voltage passes", "all meters were taken")
		d.interrupt()
		d.ended(exitOther)
	})
}
