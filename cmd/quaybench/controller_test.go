//go:build unix

package main

import (
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The controller in these tests holds two settings that differ from petrel's file: 100 A instead of 140 A motor current
// limit, and 1 s instead of 2.5 s ramp.
var otherSettings = []string{"limits.motor_current=100 A", "ramp.rise=1 s"}

func held(t *testing.T, p *pontoon) (amps, ramp float64) {
	t.Helper()
	return p.Setting("limits.motor_current"), p.Setting("ramp.rise")
}

// TestWriteAsksAndWrites: shown, judged, asked, written in a safe order, read back, known afterwards.
func TestWriteAsksAndWrites(t *testing.T) {
	t.Parallel()
	home, p := t.TempDir(), moor(t, otherSettings...)

	code, stdout, stderr := piped(t, home, "", "controller", "verify", "petrel", "--on", p.port)
	assert.Equal(t, 1, code)
	assert.Regexp(t, `(?m)^limits.motor_current +100.0 A +140.0 A +differs$`, stdout)
	assert.Contains(t, stderr, "the controller does not hold the settings of demo/petrel/settings.toml: limits.motor_current, ramp.rise")

	d := sit(t, home, "controller", "write", "petrel", "--on", p.port)
	d.await("type petrel to write them: ")
	assert.Contains(t, d.screen(), "in all built-in trials: clear\nto write, in this order:\n  ramp.rise from 1.000 s to 2.500 s\n  limits.motor_current from 100.0 A to 140.0 A\n")
	assert.Contains(t, d.screen(), "A simulation is no proof of safety.")
	assert.Empty(t, p.sets, "nothing is written before the answer")
	d.line("petrel")
	screen := d.ended(0)
	assert.Contains(t, screen, "2 settings written and read back\n")
	amps, ramp := held(t, p)
	assert.InDelta(t, 140, amps, 1e-9)
	assert.InDelta(t, 2.5, ramp, 1e-9)
	assert.Equal(t, []string{"ramp.rise", "limits.motor_current"}, p.sets)

	code, stdout, _ = piped(t, home, "", "controller", "verify", "petrel", "--on", p.port)
	assert.Zero(t, code, stdout)
	assert.Contains(t, stdout, "the controller holds the settings of demo/petrel/settings.toml, as far as can be seen: 8 of 35\ncompared")
	assert.Contains(t, stdout, "not in the register map")
	code, stdout, _ = piped(t, home, "", "controller", "journal", "petrel")
	assert.Zero(t, code)
	assert.Regexp(t, `(?m)^limits.motor_current +140.0 A +20`, stdout)
	assert.Regexp(t, `(?m)^limits.astern_current +120.0 A +20`, stdout, "what was only read is known too")
}

// TestWriteNotConfirmed: any other word, the end of the input, and no terminal leave the controller alone.
func TestWriteNotConfirmed(t *testing.T) {
	t.Parallel()
	home, p := t.TempDir(), moor(t, otherSettings...)
	d := sit(t, home, "controller", "write", "petrel", "--on", p.port)
	d.await("to write them: ")
	d.line("yes")
	assert.Contains(t, d.ended(2), "not confirmed: nothing was done")

	d = sit(t, home, "controller", "write", "petrel", "--on", p.port)
	d.await("to write them: ")
	d.press("\x03") // Ctrl-C
	assert.Contains(t, d.ended(1), "stopped before the end")

	code, _, stderr := piped(t, home, "petrel\n", "controller", "write", "petrel", "--on", p.port)
	assert.Equal(t, 2, code)
	assert.Contains(t, stderr, "run it in a terminal")
	assert.Empty(t, p.sets)
}

// TestWriteRefused: while the motor runs, while the verdict is over, and where the map says read-only.
func TestWriteRefused(t *testing.T) {
	t.Parallel()
	home, p := t.TempDir(), moor(t, otherSettings...)
	p.running = true
	code, _, stderr := piped(t, home, "", "controller", "write", "petrel", "--yes", "--on", p.port)
	assert.Equal(t, 1, code)
	assert.Contains(t, stderr, "nothing was written: the motor is running")
	p.mu.Lock()
	p.running = false
	p.mu.Unlock()

	code, stdout, stderr := piped(t, home, "", "controller", "write", "petrel", "--yes", "--on", p.port, "--set", "limits.motor_current=300 A")
	assert.Equal(t, 3, code, stdout)
	assert.Contains(t, stderr, "nothing was written: these settings are over a limit; see `quaybench try petrel --set limits.motor_current=\"300 A\"`")

	file := fileOf(t, "map.toml", petrelMap(t, "key = \"ramp.rise\"\n", "key = \"ramp.rise\"\nread_only = true\n"))
	code, _, stderr = piped(t, home, "", "controller", "write", "petrel", "--yes", "--on", p.port, "--map", file)
	assert.Equal(t, 2, code)
	assert.Contains(t, stderr, "nothing was written: ramp.rise differs, and the register map says read-only")
	assert.Empty(t, p.sets)
}

// TestWriteRollsBack: one setting that is not taken, and a controller that falls back to its first settings in mid-write,
// leave everything as it was.
func TestWriteRollsBack(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		setting func(p *pontoon) func(int, string) error
		want    string
	}{
		{"not taken", func(*pontoon) func(int, string) error {
			return func(n int, _ string) error {
				if n == 2 {
					return errors.New("no")
				}
				return nil
			}
		}, "limits.motor_current was not written: "},
		{"reset to defaults", func(p *pontoon) func(int, string) error {
			return func(n int, _ string) error {
				if n == 2 {
					p.Reset()
				}
				return nil
			}
		}, "ramp.rise changed by itself: the controller was reset, or somebody else writes to it"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			home, p := t.TempDir(), moor(t, otherSettings...)
			p.setting = c.setting(p)
			code, _, stderr := piped(t, home, "", "controller", "write", "petrel", "--yes", "--on", p.port)
			assert.Equal(t, 1, code)
			assert.Contains(t, stderr, c.want)
			assert.Contains(t, stderr, "the controller holds again what it held before")
			amps, ramp := held(t, p)
			assert.InDelta(t, 100, amps, 1e-9)
			assert.InDelta(t, 1, ramp, 1e-9)
			_, stdout, _ := piped(t, home, "", "controller", "journal", "petrel")
			assert.Regexp(t, `(?m)^limits.motor_current +100.0 A +20`, stdout)
			assert.Regexp(t, `(?m)^ramp.rise +1.000 s +20`, stdout)
		})
	}
}

// TestWriteKilled: after kill -9 in mid-write the journal says what is known, and the next reading says what is there.
func TestWriteKilled(t *testing.T) {
	t.Parallel()
	home, p := t.TempDir(), moor(t, otherSettings...)
	d := sit(t, home, "controller", "write", "petrel", "--yes", "--on", p.port)
	p.mu.Lock()
	p.setting = func(n int, _ string) error {
		if n == 2 {
			_ = d.cmd.Process.Signal(syscall.SIGKILL)
		}
		return nil
	}
	p.mu.Unlock()
	d.ended(-1)

	code, stdout, _ := piped(t, home, "", "controller", "journal", "petrel")
	assert.Zero(t, code)
	assert.Regexp(t, `(?m)^ramp.rise +2.500 s +20`, stdout)
	assert.Regexp(t, `(?m)^limits.motor_current +100.0 A or 140.0 A +20`, stdout)
	assert.Contains(t, stdout, "read the controller before anything else: a write was cut off")

	amps, _ := held(t, p)
	assert.InDelta(t, 140, amps, 1e-9, "the last request was still carried out")
	code, stdout, stderr := piped(t, home, "", "controller", "read", "petrel", "--on", p.port)
	assert.Zero(t, code, stderr)
	assert.Regexp(t, `mind: a write of limits.motor_current from 100.0 A to 140.0 A was cut off on 20.*; the controller holds 140.0 A\n`, stdout)
	_, stdout, _ = piped(t, home, "", "controller", "read", "petrel", "--on", p.port)
	assert.NotContains(t, stdout, "mind:", "it is known now")
	_, stdout, _ = piped(t, home, "", "controller", "journal", "petrel")
	assert.Regexp(t, `(?m)^limits.motor_current +140.0 A +20`, stdout)
}

// TestWriteUnplugged: with the line gone in mid-write what is unknown is named, and the journal tells without a line.
func TestWriteUnplugged(t *testing.T) {
	t.Parallel()
	home, p := t.TempDir(), moor(t, otherSettings...)
	p.setting = func(n int, _ string) error {
		if n == 2 {
			p.unplug()
		}
		return nil
	}
	code, _, stderr := piped(t, home, "", "controller", "write", "petrel", "--yes", "--on", p.port)
	assert.Equal(t, 1, code)
	assert.Contains(t, stderr, "nobody knows what it holds now for limits.motor_current, ramp.rise: read the controller before anything else")
	assert.Contains(t, stderr, "`quaybench controller journal petrel` tells what is known to be in the controller")

	code, _, stderr = piped(t, home, "", "controller", "read", "petrel", "--on", p.port)
	assert.Equal(t, 1, code, stderr)
	assert.Contains(t, stderr, "controller journal petrel")
	_, stdout, _ := piped(t, home, "", "controller", "journal", "petrel")
	assert.Regexp(t, `(?m)^limits.motor_current +(nobody knows|140.0 A or 100.0 A)`, stdout)
	assert.Regexp(t, `(?m)^limits.astern_current +120.0 A`, stdout)
}

// TestSimulateController: the command as a user starts it, in a process of its own, with faults on demand; Ctrl-C ends it.
func TestSimulateController(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("real time on a real pseudo-terminal; not with -short")
	}
	for _, c := range []struct {
		name, want string
		args       []string
		code       int
	}{
		{"well", "the controller holds the settings of demo/petrel/settings.toml", nil, 0},
		{"other settings", "does not hold the settings of demo/petrel/settings.toml: ramp.rise", []string{"--set", "ramp.rise=1 s"}, 1},
		{"a fault at every reply", "the reply has a bad check sum", []string{"--fault", "bad check sum", "--every", "1"}, 1},
		{"a fault at every third reply", "no reply: check power", []string{"--fault", "silence", "--every", "3"}, 1},
		{"unplugged", "the controller's settings cannot be read: ", []string{"--fault", "unplugged before the reply", "--every", "2"}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			home := t.TempDir()
			d := sit(t, home, append([]string{"simulate-controller", "petrel"}, c.args...)...)
			d.await("Ctrl-C ends it.")
			on := regexp.MustCompile(`petrel's simulated controller is on (\S+@115200)`).FindStringSubmatch(d.screen())
			require.NotNil(t, on)
			assert.Contains(t, d.screen(), "A simulation is no proof of safety.")
			code, stdout, stderr := piped(t, home, "", "controller", "verify", "petrel", "--on", on[1])
			assert.Equal(t, c.code, code)
			assert.Contains(t, stdout+stderr, c.want)
			if c.name == "unplugged" {
				assert.Contains(t, d.ended(1), "lost the line")
				return
			}
			d.press("\x03")
			d.ended(0)
		})
	}
}

// TestWriteIsNotedInTheBook: where the boat's files are a saved version; with --set they are not.
func TestWriteIsNotedInTheBook(t *testing.T) {
	t.Parallel()
	home := t.TempDir()
	book := filepath.Join(home, "book")
	p := moor(t, otherSettings...)
	run := func(code int, args ...string) (stdout, stderr string) {
		t.Helper()
		got, stdout, stderr := piped(t, home, "", args...)
		require.Equal(t, code, got, stdout+stderr)
		return stdout, stderr
	}
	run(0, "demo", "--copy", book)
	stdout, _ := run(0, "--book", book, "controller", "write", "petrel", "--yes", "--on", p.port, "--set", "limits.motor_current=120 A")
	assert.NotContains(t, stdout, "noted in the book")
	stdout, _ = run(0, "--book", book, "controller", "write", "petrel", "--yes", "--on", p.port)
	assert.Contains(t, stdout, "these settings are in no version of the book: `quaybench profile save petrel -m REASON` keeps them")

	run(0, "--book", book, "profile", "save", "petrel", "-m", "as delivered", "--untried")
	require.NoError(t, p.Controller.SetSetting("ramp.rise", 1))
	stdout, _ = run(0, "--book", book, "controller", "write", "petrel", "--yes", "--on", p.port)
	assert.Regexp(t, `noted in the book: v1 [0-9a-f]+ is in the controller`, stdout)
	stdout, _ = run(0, "--book", book, "profile", "list", "petrel")
	assert.Contains(t, stdout, "in a controller")
	run(0, "--book", book, "profile", "verify")
	_, err := os.Stat(filepath.Join(book, "petrel", journalFile))
	assert.NoError(t, err, "the journal lies beside the boat file")
}
