//go:build unix

package main

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// command is the program as a process of its own (TestMain puts it on PATH for the transcripts; here it is this binary
// under another name).
func command(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	path, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	cmd := exec.Command(path, args...)
	cmd.Env = append(os.Environ(), "QUAYBENCH_BOOK=", "TERM=xterm", "NO_COLOR=")
	return cmd
}

// TestCtrlC: what is there so far is shown, no half-written file is left, exit code 1.
func TestCtrlC(t *testing.T) {
	dir := t.TempDir()
	var long strings.Builder
	long.WriteString("name = \"long\"\nduration = \"40 h\"\n")
	for i := range 6000 {
		fmt.Fprintf(&long, "[[throttle]]\nat = \"%d s\"\nto = \"%d %%\"\nover = \"1 s\"\n", 2+20*i, []int{100, -40, 0, 60}[i%4])
	}
	file := filepath.Join(dir, "long.toml")
	require.NoError(t, os.WriteFile(file, []byte(long.String()), 0o644))
	csv := filepath.Join(dir, "out.csv")

	cmd := command(t, "try", "petrel", "--trial", "locked-shaft", "--trial", file, "--csv", csv)
	var stdout bytes.Buffer
	cmd.Stdout = &stdout
	stderr := start(t, cmd)

	// The bar of progress moves when the short trial has ended: the long one then has far to go.
	stderr.await(t, "1/2")
	require.NoError(t, cmd.Process.Signal(syscall.SIGINT))
	rest := stderr.all()
	err := cmd.Wait()

	var ended *exec.ExitError
	require.ErrorAs(t, err, &ended)
	assert.Equal(t, 1, ended.ExitCode())
	assert.Contains(t, rest, "quaybench: stopped before the end")
	assert.NotContains(t, rest, "goroutine")
	assert.Regexp(t, `(?m)^winding +motor .* (locked-shaft|long)$`, stdout.String())
	assert.Contains(t, stdout.String(), "stall timer stops the motor")
	assert.Regexp(t, `(?m)^ +\S+ \S+  long +the run was stopped here$`, stdout.String())
	assert.Contains(t, stdout.String(), "\nverdict: none, for it was stopped early")
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 1, "nothing but the trial file: %v", entries)
}

// TestCtrlCJSON: half an object is none.
func TestCtrlCJSON(t *testing.T) {
	file := filepath.Join(t.TempDir(), "long.toml")
	require.NoError(t, os.WriteFile(file, []byte("name = \"long\"\nduration = \"48 h\"\nelectrical = true\n[[throttle]]\nat = \"1 s\"\nto = \"40 %\"\n"), 0o644))
	cmd := command(t, "try", "petrel", "--json", "--trial", "locked-shaft", "--trial", file)
	var stdout bytes.Buffer
	cmd.Stdout = &stdout
	stderr := start(t, cmd)
	stderr.await(t, "1/2")
	require.NoError(t, cmd.Process.Signal(syscall.SIGINT))
	rest := stderr.all()
	var ended *exec.ExitError
	require.ErrorAs(t, cmd.Wait(), &ended)
	assert.Equal(t, 1, ended.ExitCode())
	assert.Contains(t, rest, "stopped before the end")
	assert.Empty(t, stdout.String())
}

// TestClosedPipe: a reader that has seen enough, as in `quaybench demo | head -1`, is no reason for a panic.
func TestClosedPipe(t *testing.T) {
	cmd := command(t, "demo")
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	require.NoError(t, cmd.Start())
	line, err := bufio.NewReaderSize(out, 16).ReadString('\n')
	require.NoError(t, err)
	assert.Contains(t, line, "petrel")
	require.NoError(t, out.Close())
	var ended *exec.ExitError
	require.ErrorAs(t, cmd.Wait(), &ended)
	assert.Equal(t, syscall.SIGPIPE, ended.Sys().(syscall.WaitStatus).Signal(), "as any program ends there")
	assert.Empty(t, stderr.String())
}

// TestFullDisk: a result that could not be written is no success.
func TestFullDisk(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("this system has no /dev/full")
	}
	defer full.Close()
	for _, args := range [][]string{{"check", "petrel"}, {"try", "petrel", "--trial", "locked-shaft", "--json"}, {"settings"}, {"--help"}} {
		cmd := command(t, args...)
		var stderr bytes.Buffer
		cmd.Stdout, cmd.Stderr = full, &stderr
		var ended *exec.ExitError
		require.ErrorAs(t, cmd.Run(), &ended, args)
		assert.Equal(t, 1, ended.ExitCode(), args)
		assert.Contains(t, stderr.String(), "quaybench: the result cannot be written: ")
	}
}

// TestTerminal looks at the table as terminals of several widths show it.
func TestTerminal(t *testing.T) {
	for _, c := range []struct {
		columns  uint16
		title    string // of the table
		colour   string // NO_COLOR
		coloured bool
	}{
		{170, `^part +of +limit +\| +peak +when +margin +used +verdict +trial +\| +peak`, "", true},
		{154, `^part +of +limit +\| +peak +when +margin +verdict +trial +\| +peak`, "1", false},
		{100, `^ +peak +when +margin +used +verdict +trial$`, "1", false},
		{80, `^ +peak +when +margin +used +verdict +trial$`, "", true},
	} {
		t.Run(fmt.Sprint(c.columns), func(t *testing.T) {
			cmd := command(t, "try", "petrel", "--trial", "fouled-propeller", "--trial", "hot-restart", "--set", "limits.motor_current=240 A")
			cmd.Env = append(cmd.Env, "NO_COLOR="+c.colour)
			ends, tty, err := pty.Open()
			require.NoError(t, err)
			defer ends.Close()
			require.NoError(t, pty.Setsize(ends, &pty.Winsize{Rows: 50, Cols: c.columns}))
			cmd.Stdout = tty
			require.NoError(t, cmd.Start())
			require.NoError(t, tty.Close())
			screen := reader{bufio.NewReader(ends)}.all()
			require.Error(t, cmd.Wait(), "the verdict is over")

			assert.Equal(t, c.coloured, strings.Contains(screen, "\x1b["))
			plain := escapes.ReplaceAllString(strings.ReplaceAll(screen, "\r\n", "\n"), "")
			assert.Regexp(t, "(?m)"+c.title, plain)
			for _, line := range strings.Split(plain, "\n") {
				assert.LessOrEqual(t, visible(line), int(c.columns), line)
			}
		})
	}
}

// reader reads from the far end of a terminal.
type reader struct{ *bufio.Reader }

// start starts a command with its standard error on a terminal, and returns the far end of it.
func start(t *testing.T, cmd *exec.Cmd) reader {
	t.Helper()
	ends, tty, err := pty.Open()
	require.NoError(t, err)
	t.Cleanup(func() { ends.Close() })
	require.NoError(t, pty.Setsize(ends, &pty.Winsize{Rows: 24, Cols: 80}))
	cmd.Stderr = tty
	require.NoError(t, cmd.Start())
	require.NoError(t, tty.Close())
	return reader{bufio.NewReader(ends)}
}

// await reads up to a text.
func (r reader) await(t *testing.T, text string) {
	t.Helper()
	for seen := ""; !strings.Contains(seen, text); {
		more, err := r.ReadByte()
		require.NoError(t, err, "it ended without %q: %s", text, seen)
		seen += string(more)
	}
}

// all reads to the end; the far end of a closed terminal is an error on some systems.
func (r reader) all() string {
	var b strings.Builder
	for {
		text, err := r.ReadString('\n')
		b.WriteString(text)
		if err != nil {
			return b.String()
		}
	}
}
