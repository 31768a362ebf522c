package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Manners, point 8: each example of the help runs as it stands, in a shell, with no book to begin with. The rest of them and
// those of the README are run by the slow suite.
func TestQuickExamples(t *testing.T) {
	runExamples(t, func(path string) bool {
		slow := []string{"highest", "odds", "envelope", "plan", "step", "run", "repl", "try", "demo"}
		words := strings.Fields(path)
		return len(words) < 2 || !slices.Contains(slow, words[1])
	})
}

// notHere says why an example cannot be run by a test; "" where it can.
func notHere(line string) string {
	switch {
	case strings.Contains(line, "/dev/"):
		return "needs hardware"
	case strings.HasPrefix(line, "quaybench simulate-controller"):
		return "runs until Ctrl-C"
	case strings.Contains(line, "--prompted"):
		return "needs a person"
	case strings.HasPrefix(line, "source <("):
		return "is for bash, which TestBashCompletion asks"
	}
	return ""
}

// runExamples runs the examples of the commands that want takes: those of one command after each other, in a folder that holds
// what they say that the user has.
func runExamples(t *testing.T, want func(path string) bool) {
	shell, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no sh here")
	}
	program, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	ran := 0
	for _, c := range commands(&system{Out: &bytes.Buffer{}, Getenv: func(string) string { return "" }}) {
		if c.Hidden || !want(c.CommandPath()) {
			continue
		}
		t.Run(c.CommandPath(), func(t *testing.T) {
			t.Parallel()
			dir := exampleFolder(t)
			for _, line := range strings.Split(c.Example, "\n") {
				runExample(t, shell, program, dir, strings.TrimSpace(line))
			}
		})
		ran++
	}
	assert.Greater(t, ran, 5)
}

func runExample(t *testing.T, shell, program, dir, line string) {
	t.Helper()
	if why := notHere(line); why != "" || line == "" {
		t.Logf("not run, %s: %s", why, line)
		return
	}
	if strings.Contains(line, "jq ") {
		if _, err := exec.LookPath("jq"); err != nil {
			t.Logf("no jq here: %s", line)
			return
		}
	}
	cmd := exec.Command(shell, "-c", line)
	cmd.Dir = dir
	cmd.Env = []string{"PATH=" + filepath.Dir(program) + string(os.PathListSeparator) + os.Getenv("PATH"), "HOME=" + dir, "QUAYBENCH_AUTHOR=yard"}
	out, err := cmd.CombinedOutput()
	switch cmd.ProcessState.ExitCode() {
	case exitOver, exitNotJudged: // answers: a verdict of over; a new boat whose values are still the example's
	default:
		assert.NoError(t, err, "%s\n%s", line, out)
	}
}

// exampleFolder holds the files of the examples: a boat's folder, a trial, a programme, scripts.
func exampleFolder(t *testing.T) string {
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(filepath.Join(dir, "petrel"), os.DirFS("demo/petrel")))
	require.NoError(t, os.CopyFS(filepath.Join(dir, "scripts"), os.DirFS("../../scripts")))
	require.NoError(t, os.MkdirAll(filepath.Join(dir, ".config/fish/completions"), 0o755))
	script, err := os.ReadFile("../../scripts/coast-down/main.go")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "my-script.go"), script, 0o644))
	trial, err := os.ReadFile("../../bench/trial/builtin/crash-stop.toml")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "my-trial.toml"), regexp.MustCompile(`(?m)^name = .*`).ReplaceAll(trial, []byte(`name = "my-trial"`)), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "steps.toml"), []byte(hop), 0o644))
	return dir
}
