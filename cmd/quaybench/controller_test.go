package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// The controller in these tests holds two settings that differ from petrel's file: 100 A instead of 140 A motor current
// limit, and 1 s instead of 2.5 s ramp.
var otherSettings = []string{"limits.motor_current=100 A", "ramp.rise=1 s"}

func held(t *testing.T, p *pontoon) (amps, ramp float64) {
	t.Helper()
	return p.Setting("limits.motor_current"), p.Setting("ramp.rise")
}

// TestWriteAsksAndWrites: shown, judged, asked, written in a safe order, read back, known afterwards.
func TestWriteAsksAndWrites(t *testing.T) { inBubble(t, writeAsksAndWrites) }

func writeAsksAndWrites(y *yard) {
	t := y.t
	p := y.petrel(otherSettings...)

	code, stdout, stderr := y.run("", "controller", "verify", "petrel", "--on", p.port)
	assert.Equal(t, 1, code)
	assert.Regexp(t, `(?m)^limits.motor_current +100 A +140 A +differs$`, stdout)
	assert.Contains(t, stderr, "the controller does not hold the settings of the demo boat petrel: limits.motor_current, ramp.rise")

	d := y.sit("controller", "write", "petrel", "--unconfirmed", "--on", p.port)
	d.await("type petrel to write them: ")
	assert.Contains(t, d.screen(), "in all built-in trials: clear\nto write, in this order:\n  ramp.rise from 1 s to 2.5 s\n  limits.motor_current from 100 A to 140 A\n")
	assert.Contains(t, d.screen(), "A simulation is no proof of safety.")
	assert.Empty(t, p.sets, "nothing is written before the answer")
	d.line("petrel")
	screen := d.ended(0)
	assert.Contains(t, screen, "2 settings written and read back\n")
	amps, ramp := held(t, p)
	assert.InDelta(t, 140, amps, 1e-9)
	assert.InDelta(t, 2.5, ramp, 1e-9)
	assert.Equal(t, []string{"ramp.rise", "limits.motor_current"}, p.sets)

	code, stdout, _ = y.run("", "controller", "verify", "petrel", "--on", p.port)
	assert.Zero(t, code, stdout)
	assert.Regexp(t, `the controller holds the settings of \S+book/petrel/settings.toml, as far as can\s+be\s+seen:\s+8\s+of\s+35\s+compared`, strings.ReplaceAll(stdout, "\n", " "))
	assert.Contains(t, stdout, "not in the register map")
	code, stdout, _ = y.run("", "controller", "journal", "petrel")
	assert.Zero(t, code)
	assert.Regexp(t, `(?m)^limits.motor_current +140 A +20`, stdout)
	assert.Regexp(t, `(?m)^limits.astern_current +120 A +20`, stdout, "what was only read is known too")
}

// TestWriteNotConfirmed: any other word, the end of the input, and no terminal leave the controller alone.
func TestWriteNotConfirmed(t *testing.T) { inBubble(t, writeNotConfirmed) }

func writeNotConfirmed(y *yard) {
	t := y.t
	p := y.petrel(otherSettings...)
	d := y.sit("controller", "write", "petrel", "--unconfirmed", "--on", p.port)
	d.await("to write them: ")
	d.line("yes")
	assert.Contains(t, d.ended(2), "not confirmed: nothing was done")

	d = y.sit("controller", "write", "petrel", "--unconfirmed", "--on", p.port)
	d.await("to write them: ")
	d.interrupt()
	assert.Contains(t, d.ended(1), "stopped before the end")

	code, _, stderr := y.run("petrel\n", "controller", "write", "petrel", "--unconfirmed", "--on", p.port)
	assert.Equal(t, 2, code)
	assert.Contains(t, stderr, "run it in a terminal")
	assert.Empty(t, p.sets)
}

// TestWriteRefused: while the motor runs, while the verdict is over, and where the map says read-only.
func TestWriteRefused(t *testing.T) { inBubble(t, writeRefused) }

func writeRefused(y *yard) {
	t := y.t
	p := y.petrel(otherSettings...)
	p.running = true
	code, _, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
	assert.Equal(t, 1, code)
	assert.Contains(t, stderr, "nothing was written: the motor is running")
	p.mu.Lock()
	p.running = false
	p.mu.Unlock()

	code, stdout, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port, "--set", "limits.motor_current=300 A")
	assert.Equal(t, 3, code, stdout)
	assert.Contains(t, stderr, "nothing was written: these settings are over a limit; see `quaybench try petrel --set limits.motor_current=\"300 A\"`")

	code, stdout, stderr = y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port, "--set", "ramp.rise=3 s", "--set", "throttle.deadband=5 %")
	assert.Equal(t, 2, code, stdout)
	assert.Contains(t, stderr, "nothing was written: the map has no throttle.deadband")

	file := fileOf(t, "map.toml", petrelMap(t, "key = \"ramp.rise\"\n", "key = \"ramp.rise\"\nread_only = true\n"))
	code, _, stderr = y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port, "--map", file)
	assert.Equal(t, 2, code)
	assert.Contains(t, stderr, "nothing was written: ramp.rise differs, and the map says read-only")
	assert.Empty(t, p.sets)
}

// TestNoReplyNamesWhoElseHasThePort, where the system tells.
func TestNoReplyNamesWhoElseHasThePort(t *testing.T) {
	inBubble(t, func(y *yard) {
		silent, _ := y.plug(func(ctx context.Context, p port.Port) { <-ctx.Done() })
		code, _, stderr := y.run("", "controller", "read", "petrel", "--on", silent+"@115200")
		assert.Equal(y.t, exitOther, code)
		assert.Contains(y.t, stderr, "no reply")
		assert.NotContains(y.t, stderr, "also open")
		y.users = func(name string) []string { return []string{"a terminal on " + name + " (process 10)"} }
		_, _, stderr = y.run("", "controller", "read", "petrel", "--on", silent+"@115200")
		assert.Contains(y.t, unwrapped(stderr), silent+" is also open in a terminal on "+silent+" (process 10), which takes bytes")
	})
}

// TestEachCommandNamesWhoElseHasThePort: where nothing comes, and where the port cannot be opened.
func TestEachCommandNamesWhoElseHasThePort(t *testing.T) {
	const refused = "/dev/refused"
	step := []string{"step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on"}
	for _, c := range []struct {
		name string
		code int
		port string // "": one that is silent
		args []string
	}{
		{"a step test", exitOther, "", step},
		{"a step test whose port is refused", exitOther, refused, step},
		{"a logger", exitInput, "", append(slices.Clone(step), "WORKS", "--logger")},
		{"a map", exitOther, "", []string{"controller", "map", "petrel", "--try"}},
		{"a write", exitOther, "", []string{"controller", "write", "petrel", "--yes", "--on"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			inBubble(t, func(y *yard) {
				p, name := y.petrel(), c.port
				if name == "" {
					name, _ = y.plug(func(ctx context.Context, p port.Port) { <-ctx.Done() })
				}
				y.users = func(asked string) []string {
					if asked == name {
						return []string{"a terminal (process 10)"}
					}
					return nil
				}
				args := append(slices.Clone(c.args), name+"@115200")
				if i := slices.Index(args, "WORKS"); i > 0 {
					args[i] = p.port
				}
				assert.Contains(y.t, unwrapped(y.sit(args...).ended(c.code)), name+" is also open in a terminal (process 10), which takes bytes")
			})
		})
	}
}

// TestAThrottleThatACutOffTestLeftIsTold by read, map --try and a prompted test, and nothing is written before it is at zero.
func TestAThrottleThatACutOffTestLeftIsTold(t *testing.T) {
	inBubble(t, func(y *yard) {
		p := y.petrel(otherSettings...)
		command := func(count uint16) {
			a, err := port.ParseAddress(p.port)
			require.NoError(y.t, err)
			line, err := y.lines[a.Name]()
			require.NoError(y.t, err)
			require.NoError(y.t, modbus.NewMaster(line, modbus.TimingAt(115200), port.WallClock{}).WriteRegister(y.t.Context(), 17, 0x80, count))
			require.NoError(y.t, line.Close())
			time.Sleep(10 * time.Second) // the controller has forgotten the command, and the motor stands
		}
		command(700)
		const left = "the throttle at holding register 128 holds 700 at rest, where its zero is 0: if a test was cut off before, switch the controller off and on"
		code, stdout, _ := y.run("", "controller", "read", "petrel", "--on", p.port)
		assert.Zero(y.t, code)
		assert.Contains(y.t, unwrapped(stdout), "mind: "+left)
		code, _, stderr := y.run("", "controller", "map", "petrel", "--try", p.port)
		assert.Equal(y.t, exitOther, code)
		assert.Contains(y.t, unwrapped(stderr), left)
		_, stdout, _ = y.run("", "step", "petrel", "--trial", fileOf(y.t, "hop.toml", hop), "--prompted", "--on", p.port)
		assert.Contains(y.t, unwrapped(stdout), "mind: "+left)
		write := []string{"controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port}
		code, _, stderr = y.run("", write...)
		assert.Equal(y.t, exitOther, code)
		assert.Contains(y.t, unwrapped(stderr), "nothing was written: "+left)
		assert.Empty(y.t, p.sets)
		command(0)
		code, stdout, stderr = y.run("", write...)
		assert.Zero(y.t, code, stdout+stderr)
		assert.NotContains(y.t, stdout, "mind:")
		assert.NotEmpty(y.t, p.sets)
	})
}

// TestWriteWaitsForACoastingShaft, as a step test does, and no longer than that.
func TestWriteWaitsForACoastingShaft(t *testing.T) {
	inBubble(t, func(y *yard) {
		p := y.petrel(otherSettings...)
		p.running = true
		time.AfterFunc(6*time.Second, func() {
			p.mu.Lock()
			defer p.mu.Unlock()
			p.running = false
		})
		code, stdout, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
		assert.Zero(y.t, code, stdout+stderr)
		assert.NotEmpty(y.t, p.sets)
	})
}

// TestWriteRollsBack: one setting that is not taken, and a controller that falls back to its first settings in mid-write,
// leave everything as it was.
func TestWriteRollsBack(t *testing.T) { inBubble(t, writeRollsBack) }

func writeRollsBack(y *yard) {
	t := y.t
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
		p := y.petrel(otherSettings...)
		p.setting = c.setting(p)
		code, _, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
		assert.Equal(t, 1, code)
		assert.Contains(t, stderr, c.want)
		assert.Contains(t, stderr, "the controller holds again what it held before")
		amps, ramp := held(t, p)
		assert.InDelta(t, 100, amps, 1e-9)
		assert.InDelta(t, 1, ramp, 1e-9)
		_, stdout, _ := y.run("", "controller", "journal", "petrel")
		assert.Regexp(t, `(?m)^limits.motor_current +100 A +20`, stdout)
		assert.Regexp(t, `(?m)^ramp.rise +1 s +20`, stdout)
	}
}

// TestWriteUnplugged: with the line gone in mid-write what is unknown is named, and the journal tells without a line.
func TestWriteUnplugged(t *testing.T) { inBubble(t, writeUnplugged) }

func writeUnplugged(y *yard) {
	t := y.t
	p := y.petrel(otherSettings...)
	p.setting = func(n int, _ string) error {
		if n == 2 {
			p.unplug()
		}
		return nil
	}
	code, _, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
	assert.Equal(t, 1, code)
	assert.Contains(t, stderr, "nobody knows what it holds now for limits.motor_current, ramp.rise: read the controller before anything else")
	assert.Contains(t, stderr, "`quaybench controller journal petrel` tells what is known to be in the controller")

	code, _, stderr = y.run("", "controller", "read", "petrel", "--on", p.port)
	assert.Equal(t, 1, code, stderr)
	assert.Contains(t, stderr, "controller journal petrel")
	_, stdout, _ := y.run("", "controller", "journal", "petrel")
	assert.Regexp(t, `(?m)^limits.motor_current +(nobody knows|140 A or 100 A)`, stdout)
	assert.Regexp(t, `(?m)^limits.astern_current +120 A`, stdout)
}

// TestWriteIsNotedInTheBook: where the boat's files are a saved version; with --set they are not.
func TestWriteIsNotedInTheBook(t *testing.T) { inBubble(t, writeIsNotedInTheBook) }

func writeIsNotedInTheBook(y *yard) {
	t := y.t
	book := filepath.Join(y.home, "book")
	p := y.petrel(otherSettings...)
	run := func(code int, args ...string) (stdout, stderr string) {
		t.Helper()
		got, stdout, stderr := y.run("", args...)
		require.Equal(t, code, got, stdout+stderr)
		return stdout, stderr
	}
	run(0, "demo", "--copy", book)
	stdout, _ := run(0, "--book", book, "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port, "--set", "limits.motor_current=120 A")
	assert.NotContains(t, stdout, "noted in the book")
	stdout, _ = run(0, "--book", book, "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
	assert.Contains(t, stdout, "these settings are in no version of the book: `quaybench profile save petrel -m REASON` keeps them")

	run(0, "--book", book, "profile", "save", "petrel", "-m", "as delivered", "--untried")
	require.NoError(t, p.Controller.SetSetting("ramp.rise", 1))
	stdout, _ = run(0, "--book", book, "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
	assert.Regexp(t, `noted in the book: v1 [0-9a-f]+ is in the controller`, stdout)
	stdout, _ = run(0, "--book", book, "profile", "list", "petrel")
	assert.Contains(t, stdout, "in a controller")

	// The same controller on another port is still one, and that the book takes it so is told.
	again := y.petrel(otherSettings...)
	require.NotEqual(t, p.port, again.port)
	stdout, _ = run(0, "--book", book, "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", again.port)
	assert.Contains(t, strings.Join(strings.Fields(stdout), " "), "if there are two, give each a map with a title of its own")
	stdout, _ = run(0, "--book", book, "profile", "list", "petrel")
	assert.Contains(t, stdout, "in a controller")
	assert.NotContains(t, stdout, "in 2 controllers")
	run(0, "--book", book, "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", again.port, "--set", "limits.motor_current=120 A")
	stdout, _ = run(0, "--book", book, "profile", "list", "petrel")
	assert.Contains(t, stdout, "was in a controller")
	run(0, "--book", book, "profile", "verify")
	_, err := os.Stat(filepath.Join(book, "petrel", journalFile))
	assert.NoError(t, err, "the journal lies beside the boat file")
}

// TestNoSignalEndsATransfer: from its first write to its last no second Ctrl-C ends the process, or what the first had undone
// would be half undone, and the controller unlocked.
func TestNoSignalEndsATransfer(t *testing.T) {
	inBubble(t, func(y *yard) {
		p, guarded, writes := y.petrel(otherSettings...), 0, 0
		p.setting = func(int, string) error {
			writes++
			assert.Equal(y.t, 1, guarded, "write %d", writes)
			return nil
		}
		sys := y.system()
		sys.Guard = func() func() {
			guarded++
			return func() { guarded-- }
		}
		assert.Zero(y.t, run(y.t.Context(), []string{"controller", "write", "petrel", "--yes", "--unconfirmed", "--on", p.port}, sys))
		assert.Positive(y.t, writes)
		assert.Zero(y.t, guarded)
	})
}

// TestDemoBoatsJournal: what a write to a demo boat's controller left in the journal is found again in whatever way the boat
// comes into a book, and what was written is noted there.
func TestDemoBoatsJournal(t *testing.T) { inBubble(t, demoBoatsJournal) }

func demoBoatsJournal(y *yard) {
	t := y.t
	run := func(args ...string) string {
		t.Helper()
		code, stdout, stderr := y.run("", args...)
		require.Zero(t, code, stdout+stderr)
		return stdout + stderr
	}
	killed := func(file string) {
		t.Helper()
		j, err := openJournal(file, "/dev/ttyUSB0@115200", morning, plainly)
		require.NoError(t, err)
		require.NoError(t, j.Note(link.Begins, link.Change{Key: "ramp.rise", From: 1, To: 2.5}))
		require.NoError(t, j.Note(link.Intends, link.Change{Key: "ramp.rise", From: 1, To: 2.5}))
		require.NoError(t, j.Close())
	}
	book := filepath.Join(y.home, "quaybench", "book")
	killed(filepath.Join(y.home, "quaybench", "demo", "petrel", journalFile)) // where it was once
	assert.Contains(t, run("controller", "journal", "petrel"), "a write was cut off")
	assert.Contains(t, run("try", "petrel", "--trial", "crash-stop"), "petrel", "it is still the demo boat")

	run("demo", "--copy", filepath.Join(y.home, "copy"))
	assert.Contains(t, run("--book", filepath.Join(y.home, "copy"), "controller", "journal", "petrel"), "a write was cut off")
	run("profile", "label", "petrel", "head", "mine")
	assert.Contains(t, run("controller", "journal", "petrel"), "a write was cut off")

	p := y.petrel(otherSettings...)
	said := run("controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
	assert.Contains(t, said, "a write was cut off (2026")
	assert.Contains(t, unwrapped(said), "it is locked now")
	assert.Contains(t, strings.Join(strings.Fields(said), " "), "(mine, summer) is in the controller")
	assert.NotContains(t, run("controller", "journal", "petrel"), "a write was cut off")

	require.NoError(t, os.RemoveAll(book))
	p = y.petrel()
	said = run("controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
	assert.Contains(t, said, "already: nothing to write")
	assert.Contains(t, strings.Join(strings.Fields(said), " "), "(summer) is in the controller")
	assert.Contains(t, run("profile", "list", "petrel"), "in a controller", "though nothing had to be written")
	assert.Contains(t, run("controller", "write", "petrel", "--yes", "--on", p.port), "the book says so already")
}

// TestSlowController: one that takes longer for an answer than is usual is waited for as its register map says, and what to
// write there is said.
func TestSlowController(t *testing.T) {
	inBubble(t, func(y *yard) {
		p := y.petrel(otherSettings...)
		p.setting = func(int, string) error { time.Sleep(400 * time.Millisecond); return nil }
		code, _, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
		assert.Equal(y.t, exitOther, code)
		assert.Contains(y.t, stderr, "whether it needs longer than its register map allows (turnaround)")
		file := fileOf(y.t, "slow.toml", petrelMap(y.t, "unit_id = 17\n", "unit_id = 17\nturnaround = \"500 ms\"\n"))
		code, stdout, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port, "--map", file)
		assert.Zero(y.t, code, stderr)
		assert.Contains(y.t, stdout, "written and read back")
	})
}

// TestAMapIsExplainedWithItsDoubts: places numbered as manuals number them, and no current to stop a step test.
func TestAMapIsExplainedWithItsDoubts(t *testing.T) {
	inBubble(t, func(y *yard) {
		check := func(text string) (code int, out string) {
			code, stdout, stderr := y.run("", "controller", "map", "petrel", "--check", "--map", fileOf(t, "map.toml", text))
			return code, unwrapped(stdout + stderr)
		}
		code, out := check(petrelMap(t))
		assert.Zero(y.t, code, out)
		assert.NotContains(y.t, out, "a manual's")
		assert.NotContains(y.t, out, "step test is refused")

		code, out = check(petrelMap(t, "address = 0x0013", "address = 40020", "address = 0x0080", "address = 40129", "[running]\ntable = \"input\"\naddress = 0", "[running]\ntable = \"input\"\naddress = 30001"))
		assert.Equal(y.t, exitOther, code, out)
		assert.Contains(y.t, out, "a manual's 40020 is address 19 in the map")
		assert.Contains(y.t, out, "the throttle: a manual's 40129 is address 128 in the map")
		assert.Contains(y.t, out, "3 doubtful lines of the map")

		text := petrelMap(t)
		for _, current := range []string{"battery_current", "motor_current"} {
			from := strings.Index(text, "[[reading]]\nkey = \""+current+"\"")
			require.Positive(y.t, from)
			text = text[:from] + text[from+2+strings.Index(text[from+2:], "[["):]
		}
		code, out = check(text)
		assert.Zero(y.t, code, out)
		assert.Contains(y.t, out, "without an instrument beside the controller (--logger) a step test is refused: nothing here measures a current")
	})
}

// TestWhatSomethingElseChangedIsTold by the next reading, and the journal knows it then.
func TestWhatSomethingElseChangedIsTold(t *testing.T) {
	inBubble(t, func(y *yard) {
		p := y.petrel(otherSettings...)
		code, stdout, stderr := y.run("", "controller", "write", "petrel", "--unconfirmed", "--yes", "--on", p.port)
		require.Zero(y.t, code, stdout+stderr)
		code, stdout, _ = y.run("", "controller", "read", "petrel", "--on", p.port)
		assert.Zero(y.t, code)
		assert.NotContains(y.t, stdout, "mind:")

		a, err := port.ParseAddress(p.port)
		require.NoError(y.t, err)
		line, err := y.lines[a.Name]()
		require.NoError(y.t, err)
		handset := modbus.NewMaster(line, modbus.TimingAt(115200), port.WallClock{})
		for _, w := range [][2]uint16{{0xF0, 0x5A}, {0xF0, 0xA5}, {0x10, 300}, {0xF0, 0}} {
			require.NoError(y.t, handset.WriteRegister(y.t.Context(), 17, w[0], w[1]))
		}
		require.NoError(y.t, line.Close())
		code, stdout, _ = y.run("", "controller", "read", "petrel", "--on", p.port)
		assert.Zero(y.t, code)
		assert.Regexp(y.t, `mind: limits.motor_current was 140 A on \S+ \S+ \(\S+\), and the controller holds 150 A: something else changed it`, unwrapped(stdout))
		assert.Equal(y.t, 1, strings.Count(stdout, "mind:"))
		_, stdout, _ = y.run("", "controller", "journal", "petrel")
		assert.Regexp(y.t, `limits.motor_current +150 A`, stdout)
		code, stdout, _ = y.run("", "controller", "compare", "petrel", "--on", p.port)
		assert.Equal(y.t, exitOther, code)
		assert.NotContains(y.t, stdout, "mind:")
	})
}

// TestASimulatedControllerHoldsTheFile: a limit that is over was "held already" by the simulated controller, which had begun with --set, and the command ended with 0.
func TestASimulatedControllerHoldsTheFile(t *testing.T) {
	code, stdout, stderr := quaybench(t, nil, "controller", "write", "petrel", "--set", "limits.motor_current=390 A", "--on", "sim")
	assert.Equal(t, exitOver, code, stdout)
	assert.Regexp(t, `limits.motor_current +140 A +390 A +differs`, stdout)
	assert.Contains(t, stderr, "nothing was written: these settings are over a limit")
}
