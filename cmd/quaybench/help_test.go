package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/layout"
)

// TestHelp walks all commands: each says what it is for and shows examples that are commands of this program.
func TestHelp(t *testing.T) {
	root := newRoot(&system{Out: &bytes.Buffer{}, Getenv: func(string) string { return "" }})
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Hidden {
			return
		}
		path := strings.Fields(c.CommandPath())[1:]
		t.Run(strings.Join(append([]string{"quaybench"}, path...), " "), func(t *testing.T) {
			assert.NotEmpty(t, c.Short)
			require.NotEmpty(t, c.Example, "every command has examples")
			for _, line := range strings.Split(c.Example, "\n") {
				assert.Contains(t, line, "quaybench ")
			}
			code, stdout, stderr := quaybench(t, nil, append(path, "--help")...)
			assert.Zero(t, code)
			assert.Empty(t, stderr)
			assert.Contains(t, stdout, "Examples:\n")
			typed := strings.Join(strings.Fields(strings.ReplaceAll(stdout, "\\\n", "")), " ") // as a shell joins lines
			for _, line := range strings.Split(c.Example, "\n") {
				command, _, _ := strings.Cut(line, "  #")
				assert.Contains(t, typed, strings.Join(strings.Fields(command), " "))
			}
			assert.NotRegexp(t, `(?m)^ +(-\w, )?--[\w-]+ [a-z]\w+ `, stdout, "what a flag takes is named in capitals")
			for _, line := range strings.Split(stdout, "\n") {
				assert.LessOrEqual(t, layout.Visible(line), helpWidth, line)
			}
		})
		for _, below := range c.Commands() {
			walk(below)
		}
	}
	walk(root)
}

// TestScreensFitSixtyColumns: the widest tables, each with a form that a narrow terminal has room for.
func TestScreensFitSixtyColumns(t *testing.T) {
	home := t.TempDir()
	environment := map[string]string{"COLUMNS": "60", "QUAYBENCH_BOOK": home, "XDG_DATA_HOME": home}
	for _, command := range [][]string{
		{"demo"}, {"try", "bracken", "--trial", "hot-restart", "--trial", "dry-running"}, {"odds", "petrel", "--draws", "8"},
		{"choose", "petrel", "contactor"}, {"plan", "petrel", "--to", "limits.motor_current=150 A", "--steps", "1"},
		{"step", "petrel", "--trial", "locked-shaft", "--on", "sim", "--record", home + "/a.csv"}, {"compare", "petrel", home + "/a.csv"},
		{"help"}, {"learn", "--help"}, {"check", "petrel", "--values"}, {"sheet", "petrel", "--trial", "full-throttle"}, // five meters
		{"profile", "save", "petrel", "-m", "what I did on this wet Monday with the limits, and why"}, {"profile", "list", "petrel"}, {"profile", "history", "petrel", "limits.motor_current"},
	} {
		code, stdout, stderr := quaybench(t, environment, command...)
		require.Zero(t, code, "%s: %s", command, stderr)
		require.NotEmpty(t, stdout)
		for _, line := range strings.Split(stdout, "\n") {
			if !strings.Contains(line, home) { // a path is not broken
				assert.LessOrEqual(t, layout.Visible(line), 60, "%s: %s", command, line)
			}
		}
	}
}
