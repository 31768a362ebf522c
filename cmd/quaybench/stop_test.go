package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/layout"
)

// onGlass has the program in this process, with its standard error on a terminal of 80 columns: there is the bar of progress.
func onGlass(y *yard, args ...string) (d *desk, stdout *strings.Builder) {
	stdout = &strings.Builder{}
	return y.sitWith(func(d *desk, sys *system) { sys.Out, sys.Err = stdout, glass{d, 80, 24} }, args...), stdout
}

// TestCtrlC: what is there so far is shown, no half-written file is left, exit code 1.
func TestCtrlC(t *testing.T) { inBubble(t, ctrlC) }

func ctrlC(y *yard) {
	t := y.t
	dir := t.TempDir()
	var long strings.Builder
	long.WriteString("name = \"long\"\nduration = \"40 h\"\n")
	for i := range 6000 {
		fmt.Fprintf(&long, "[[throttle]]\nat = \"%d s\"\nto = \"%d %%\"\nover = \"1 s\"\n", 2+20*i, []int{100, -40, 0, 60}[i%4])
	}
	file := filepath.Join(dir, "long.toml")
	require.NoError(t, os.WriteFile(file, []byte(long.String()), 0o644))
	csv := filepath.Join(dir, "out.csv")

	d, stdout := onGlass(y, "try", "petrel", "--trial", "locked-shaft", "--trial", file, "--csv", csv)
	// The bar of progress moves when the short trial has ended: the long one then has far to go.
	d.await("1/2")
	d.interrupt()
	assert.Contains(t, d.ended(1), "quaybench: stopped before the end")
	assert.Regexp(t, `(?m)^winding +motor .* (locked-shaft|long)$`, stdout.String())
	assert.Contains(t, stdout.String(), "stall timer stops the motor")
	if strings.Contains(stdout.String(), " long ") { // else a busy machine had not let the long one begin
		assert.Regexp(t, `(?m)^ +\S+ \S+  long +the run was stopped here$`, stdout.String())
	}
	assert.Contains(t, stdout.String(), "\nverdict: not judged, for it was stopped early")
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 1, "nothing but the trial file: %v", entries)
}

// TestCtrlCJSON: half an object is none.
func TestCtrlCJSON(t *testing.T) { inBubble(t, ctrlCJSON) }

func ctrlCJSON(y *yard) {
	t := y.t
	file := fileOf(t, "long.toml", "name = \"long\"\nduration = \"48 h\"\nelectrical = true\n[[throttle]]\nat = \"1 s\"\nto = \"40 %\"\n")
	d, stdout := onGlass(y, "try", "petrel", "--json", "--trial", "locked-shaft", "--trial", file)
	d.await("1/2")
	d.interrupt()
	assert.Contains(t, d.ended(1), "stopped before the end")
	assert.Empty(t, stdout.String())
}

// TestFullDisk: a result that could not be written is no success.
func TestFullDisk(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("NOT TESTED ON A FULL OUTPUT: this system has no /dev/full")
	}
	defer full.Close()
	for _, args := range [][]string{{"check", "petrel"}, {"try", "petrel", "--trial", "locked-shaft", "--json"}, {"settings"}, {"--help"}} {
		var stderr strings.Builder
		y := &yard{t: t, home: t.TempDir()}
		sys := y.system()
		sys.Out, sys.Err = full, &stderr
		assert.Equal(t, exitOther, run(t.Context(), args, sys), args)
		assert.Contains(t, stderr.String(), "quaybench: the result cannot be written: ")
	}
}

// TestTerminal looks at the table as terminals of several widths show it.
func TestTerminal(t *testing.T) {
	benchtest.Computes(t)
	for _, c := range []struct {
		columns  int
		title    string // of the table
		colour   string // NO_COLOR
		coloured bool
	}{
		{186, `^part +of +limit +\| +peak +when +margin +used +verdict +trial +\| +peak`, "", true},
		{172, `^part +of +limit +\| +peak +when +margin +verdict +trial +\| +peak`, "1", false},
		{100, `^ +peak +when +margin +used +verdict +trial$`, "1", false},
		{80, `^ +peak +when +margin +used +verdict +trial$`, "", true},
	} {
		t.Run(fmt.Sprint(c.columns), func(t *testing.T) {
			y := &yard{t: t, home: t.TempDir()}
			screen := y.sitWith(func(d *desk, sys *system) {
				sys.Out = glass{d, c.columns, 50}
				sys.Getenv = func(key string) string { return map[string]string{"NO_COLOR": c.colour, "TERM": "xterm"}[key] }
			}, "try", "petrel", "--trial", "fouled-propeller", "--trial", "hot-restart", "--set", "limits.motor_current=240 A").ended(exitOver)

			assert.Equal(t, c.coloured, strings.Contains(screen, "\x1b["))
			plain := layout.Plain(screen)
			assert.Regexp(t, "(?m)"+c.title, plain)
			for _, line := range strings.Split(plain, "\n") {
				assert.LessOrEqual(t, layout.Visible(line), c.columns, line)
			}
		})
	}
}

// silence returns an environment that says nothing.
func silence(string) string { return "" }

// Manners, point 8: a command that Ctrl-C ended says so in the program's own words, wherever it was.
func TestASignalIsToldInOurWords(t *testing.T) {
	signals := make(chan os.Signal, 1)
	ctx := untilSignal(t.Context(), signals)
	signals <- os.Interrupt
	<-ctx.Done()
	require.ErrorIs(t, context.Cause(ctx), context.Canceled)
	for _, err := range []error{context.Cause(ctx), ctx.Err()} { // the library returns either
		var said strings.Builder
		code := exitCode(fmt.Errorf("boat petrel: %w", err), &system{Err: &said, Getenv: silence})
		require.Equal(t, exitOther, code)
		require.Equal(t, "quaybench: boat petrel: stopped before the end\n", said.String())
	}
}

// narrow is a terminal of 80 columns.
type narrow struct{ strings.Builder }

func (*narrow) size() (columns, rows int, ok bool) { return 80, 24, true }

// TestErrorsFitTheTerminal: lines wider than it are broken between words, their indent kept; elsewhere a line stays one.
func TestErrorsFitTheTerminal(t *testing.T) {
	long := "boat.toml:3:1: a key that nobody knows, in a sentence that goes on for more than eighty columns of a terminal\n  and a line below it, set in, which also goes on for more than the eighty columns that there are"
	var at narrow
	exitCode(errors.New(long), &system{Err: &at, Getenv: silence})
	lines := strings.Split(strings.TrimRight(at.String(), "\n"), "\n")
	require.Len(t, lines, 4)
	for _, line := range lines {
		require.LessOrEqual(t, len(line), 80)
	}
	require.True(t, strings.HasPrefix(lines[3], "  "))
	var piped strings.Builder
	exitCode(errors.New(long), &system{Err: &piped, Getenv: silence})
	require.Equal(t, "quaybench: "+long+"\n", piped.String())
}
