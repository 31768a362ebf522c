//go:build unix

package main

import (
	"bufio"
	"bytes"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/repl/line/linetest"
)

// command returns the program as a process of its own (TestMain puts it on PATH for the transcripts; here it is this binary
// under another name).
func command(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	path, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	cmd := exec.Command(path, args...)
	cmd.Env = append(os.Environ(), "QUAYBENCH_BOOK=", "TERM=xterm", "NO_COLOR=")
	return cmd
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

// BenchmarkPrompt takes the time from the command to the prompt of a session, at a terminal.
func BenchmarkPrompt(b *testing.B) {
	least := time.Hour
	b.Setenv("XDG_DATA_HOME", b.TempDir())
	for b.Loop() {
		begin := time.Now()
		p := linetest.Sit(b, command(b, "repl"), 80)
		p.Sees("> ")
		least = min(least, time.Since(begin))
		p.Types("quit" + linetest.Enter)
		require.Zero(b, p.Leaves())
	}
	b.ReportMetric(least.Seconds()*1e3, "ms-least")
}
