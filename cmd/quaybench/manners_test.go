package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/layout"
	"quaybench/bench/link/port"
)

// commands lists all commands of the program with their paths.
func commands(sys *system) (all []*cobra.Command) {
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		all = append(all, c)
		for _, below := range c.Commands() {
			walk(below)
		}
	}
	walk(newRoot(sys))
	return all
}

// Manners, point 8: every command with --json that is stopped, at its start or after a while, prints one JSON object or
// nothing.
func TestAStoppedCommandPrintsJSONOrNothing(t *testing.T) {
	arguments := map[string][]string{
		"quaybench try": {"petrel", "--trial", "crash-stop"}, "quaybench highest": {"petrel", "limits.motor_current", "limits.battery_current"},
		"quaybench odds": {"petrel", "--quick", "--runs", "16", "--trial", "crash-stop"}, "quaybench envelope": {"petrel"}, "quaybench check": {"petrel"},
		"quaybench profile save": {"petrel", "-m", "x"}, "quaybench profile verify": {"petrel", "--again"},
	}
	book := filepath.Join(t.TempDir(), "book")
	stoppedThere := 0
	for _, c := range commands(&system{Out: &bytes.Buffer{}, Getenv: func(string) string { return "" }}) {
		if c.Flags().Lookup("json") == nil {
			continue
		}
		args, known := arguments[c.CommandPath()]
		if !known {
			args = []string{"petrel", "head", "summer"}[:min(3, strings.Count(c.Use, " "))]
		}
		for _, after := range []int{0, 5} { // looks at the context before it is stopped
			t.Run(c.CommandPath(), func(t *testing.T) {
				var out, errs bytes.Buffer
				inner, cancel := context.WithCancel(t.Context())
				ctx := &stopsAfter{Context: inner, cancel: cancel}
				ctx.looks.Store(int32(after))
				run(ctx, slices.Concat(strings.Fields(c.CommandPath())[1:], args, []string{"--json", "--book", book}), system{
					In: strings.NewReader(""), Out: &out, Err: &errs, Getenv: func(string) string { return "" }, Clock: port.WallClock{}, Open: port.Open, Guard: guardSignals,
				})
				if out.Len() > 0 {
					assert.True(t, json.Valid(out.Bytes()), "%s", out.String())
				} else {
					stoppedThere++
				}
			})
		}
	}
	assert.Greater(t, stoppedThere, 10)
}

// stopsAfter is a context that ends when it was looked at often enough.
type stopsAfter struct {
	context.Context
	cancel context.CancelFunc
	looks  atomic.Int32
}

func (s *stopsAfter) look() {
	if s.looks.Add(-1) < 0 {
		s.cancel()
	}
}

func (s *stopsAfter) Err() error            { s.look(); return s.Context.Err() }
func (s *stopsAfter) Done() <-chan struct{} { s.look(); return s.Context.Done() }

// Manners, point 8: tables fit a screen of 80 columns, and no word is lost by it.
func TestTablesFitAScreen(t *testing.T) {
	long := strings.Repeat("a reason of many words ", 8)
	tab := &layout.Table{Right: map[int]bool{1: true}}
	tab.Add("version", "share", "when", "marks", "why")
	tab.Add("v1", "61 %", "2026-04-01 07:00", "summer, approved despite its verdict, in a controller", long)
	tab.Add("  a heading that takes the whole line of the table, and more than that: " + long)
	tab.Add("v2", "7 %", "2026-04-02 07:00", "head", "short")
	for _, width := range []int{60, 80, 100} {
		lines := tab.Fitted(width)
		assert.LessOrEqual(t, layout.Widest(lines), width)
		want := strings.Fields(strings.Join(tab.Lines(), " "))
		got := strings.Fields(strings.Join(lines, " "))
		slices.Sort(want)
		slices.Sort(got)
		assert.Equal(t, want, got)
	}
	assert.Equal(t, tab.Lines(), tab.Fitted(1<<20), "where there is room, a row stays a line")
}

// Manners, point 8: a file that is there is overwritten only with --force; what is killed on the way leaves nothing.
func TestWriteWhole(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "out")
	put := func(s string, force bool, fail error) error {
		return writeWhole(nil, name, force, func(w io.Writer) error {
			_, err := w.Write([]byte(s))
			require.NoError(t, err)
			entries, err := os.ReadDir(dir)
			require.NoError(t, err)
			for _, e := range entries {
				assert.True(t, e.Name() == "out" || !unnamedFiles(t, dir), "while it is written nothing of it has a name: %s", e.Name())
			}
			return fail
		})
	}
	require.ErrorIs(t, put("half", false, context.Canceled), context.Canceled)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, entries)
	require.NoError(t, put("first", false, nil))
	require.ErrorContains(t, put("second", false, nil), "--force")
	require.NoError(t, put("third", true, nil))
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	assert.Equal(t, "third", string(content))
	entries, err = os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, 1)
	var out bytes.Buffer
	require.NoError(t, writeWhole(&out, standardOutput, false, func(w io.Writer) error { _, err := w.Write([]byte("there")); return err }))
	assert.Equal(t, "there", out.String())
}

// unnamedFiles reports whether this disk has files without a name.
func unnamedFiles(t *testing.T, dir string) bool {
	f, put, err := createUnnamed(dir, "probe")
	require.NoError(t, err)
	defer func() { _, _ = put("", false), f.Close() }()
	_, err = os.Stat(f.Name())
	return os.IsNotExist(err)
}

// Manners, point 8: running text of a screen folds too, not its tables alone.
func TestRunningTextFitsAScreen(t *testing.T) {
	book := t.TempDir()
	run := func(args ...string) []string {
		code, out, stderr := quaybench(t, nil, append(args, "--book", book)...)
		require.Zero(t, code, stderr)
		return strings.Split(out, "\n")
	}
	note := "a note of many words, as somebody who was asked to write down everything would leave it with the controller"
	for _, lines := range [][]string{
		run("settings"),
		run("profile", "written", "petrel", "head", "the spare controller, in the locker under the stern bench", "--author", "yard", "-m", note),
		run("profile", "show", "petrel"),
	} {
		assert.LessOrEqual(t, layout.Widest(lines), 100, "where there is no terminal")
	}
}

// What a command writes takes no other file's place, unless --force says so; what it wrote itself just so is there already.
func TestNothingIsOverwrittenWithoutForce(t *testing.T) {
	for _, c := range []struct {
		file string
		args []string
	}{
		{"r.html", []string{"try", "petrel", "--trial", "locked-shaft", "--report", "r.html"}},
		{"c.svg", []string{"envelope", "petrel", "--times", "10 s..20 s", "--current", "100 A..200 A", "--plot", "c.svg"}},
		{"o.pdf", []string{"odds", "petrel", "--draws", "10", "--trial", "locked-shaft", "--report", "o.pdf"}},
		{"e.csv", []string{"try", "petrel", "--trial", "locked-shaft", "--csv", "e.csv"}},
		{"plan.toml", []string{"plan", "petrel", "--to", "limits.motor_current=145 A", "--steps", "1", "--hold", "5 s", "--out", "."}},
		{"s.go", []string{"repl", "petrel", "--script", "s.go"}},
		{"b.quaybook", []string{"profile", "export", "petrel", "b.quaybook"}},
	} {
		t.Run(c.args[0], func(t *testing.T) {
			args := slices.Clone(c.args)
			file := filepath.Join(t.TempDir(), c.file)
			for i, a := range args {
				switch {
				case a == c.file:
					args[i] = file
				case a == ".":
					args[i] = filepath.Dir(file)
				}
			}
			require.NoError(t, os.WriteFile(file, []byte("a year's work"), 0o644))
			code, _, stderr := quaybench(t, nil, args...)
			assert.Equal(t, exitInput, code)
			assert.Contains(t, stderr, file+" is there already: name another file, or overwrite it with --force")
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Equal(t, "a year's work", string(text))
			code, stdout, stderr := quaybench(t, nil, append(args, "--force")...)
			assert.Zero(t, code, stdout+stderr)
			text, err = os.ReadFile(file)
			require.NoError(t, err)
			assert.NotEqual(t, "a year's work", string(text))
		})
	}
}

// A report, charts or an export go to the standard output by the name -, one of them, and then nothing else does; an import reads
// the standard input by that name.
func TestStandardOutputAndInput(t *testing.T) {
	for flag, begins := range map[string]string{"--report": "<!DOCTYPE html>", "--plot": "<svg", "--csv": "# quaybench_record"} {
		code, stdout, stderr := quaybench(t, nil, "try", "petrel", "--trial", "locked-shaft", flag, "-")
		assert.Zero(t, code, stderr)
		assert.True(t, strings.HasPrefix(stdout, begins), flag)
		assert.NotContains(t, stdout, "verdict: clear\n", "the text goes to standard error")
		assert.Contains(t, stderr, "verdict: clear\n")
	}
	for _, more := range [][]string{{"--report", "-", "--plot", "-"}, {"--report", "-", "--json"}, {"--csv", "-", "--plot", "-"}} {
		code, stdout, stderr := quaybench(t, nil, append([]string{"try", "petrel", "--trial", "locked-shaft"}, more...)...)
		assert.Equal(t, exitInput, code)
		assert.Empty(t, stdout)
		assert.Contains(t, stderr, "two results cannot both go to the standard output")
	}
	code, export, stderr := quaybench(t, nil, "profile", "export", "petrel", "-")
	require.Zero(t, code, stderr)
	var out, said strings.Builder
	y := &yard{t: t, home: t.TempDir()}
	sys := y.system()
	sys.In, sys.Out, sys.Err = strings.NewReader(export), &out, &said
	require.Zero(t, run(t.Context(), []string{"profile", "import", "-"}, sys), &said)
	assert.Contains(t, out.String(), "imported petrel: 2 versions")
}

// TestPrintedCommandsBearAnyFolder: what is printed to be copied is one word to a shell, whatever the folder of the book is called,
// and a text that is much too long is not printed whole.
func TestPrintedCommandsBearAnyFolder(t *testing.T) {
	book := filepath.Join(t.TempDir(), "my böök  $HOME")
	code, stdout, stderr := quaybench(t, nil, "--book", book, "new", "heron")
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "quaybench --book '"+book+"' check heron\n")

	code, _, stderr = quaybench(t, nil, "--book", book, "profile", "save", "heron", "--untried", "-m", strings.Repeat("much ", 1000))
	assert.Equal(t, exitInput, code)
	assert.Contains(t, stderr, "is longer than")
	assert.Less(t, len(stderr), 300)
}
