package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
			assert.Contains(t, stdout, c.Example)
			for _, line := range strings.Split(c.Long, "\n") {
				assert.LessOrEqual(t, visible(line), helpWidth, line)
			}
		})
		for _, below := range c.Commands() {
			walk(below)
		}
	}
	walk(root)
}

// TestBashCompletion asks a real shell what it offers, by the script that `quaybench completion bash` prints.
func TestBashCompletion(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Skip("no bash here")
	}
	program, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	ask := filepath.Join(t.TempDir(), "ask")
	// A bare shell: nothing of the package bash-completion is there.
	require.NoError(t, os.WriteFile(ask, []byte(`
source <(quaybench completion bash)
COMP_WORDS=("$@"); COMP_CWORD=$(( $# - 1 )); COMP_LINE="$*"; COMP_POINT=${#COMP_LINE}; COMP_TYPE=9
compopt() { :; }
__start_quaybench
printf '%s\n' "${COMPREPLY[@]}"
`), 0o644))
	for _, c := range []struct {
		words string
		want  string
	}{
		{"quaybench che", "check"},
		{"quaybench try pet", "petrel"},
		{"quaybench check bra", "bracken"},
		{"quaybench try petrel --trial two", "two-hour-outing"},
		{"quaybench try petrel --set limits.motor_", "limits.motor_current="},
		{"quaybench settings low_voltage.cut_off_", "low_voltage.cut_off_delay"},
		{"quaybench trials lock", "locked-shaft"},
		{"quaybench profile show petrel sum", "summer"},
	} {
		t.Run(c.words, func(t *testing.T) {
			cmd := exec.Command(bash, append([]string{"--norc", ask}, strings.Fields(c.words)...)...)
			cmd.Env = []string{"PATH=" + filepath.Dir(program) + string(os.PathListSeparator) + os.Getenv("PATH"), "HOME=" + t.TempDir()}
			out, err := cmd.CombinedOutput()
			require.NoError(t, err, string(out))
			assert.Contains(t, strings.Split(string(out), "\n")[0], c.want)
		})
	}
}
