//go:build slow

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The program that README's `go build` makes has less than 33 MB (of 10^6 bytes), with all its scripts may reach.
func TestProgramIsSmall(t *testing.T) {
	gotool, err := exec.LookPath("go")
	if err != nil {
		t.Skip("NOT TESTED HOW LARGE THE PROGRAM IS: no Go toolchain here")
	}
	program := filepath.Join(t.TempDir(), "quaybench")
	out, err := exec.Command(gotool, "build", "-ldflags=-w", "-o", program, ".").CombinedOutput()
	require.NoError(t, err, string(out))
	info, err := os.Stat(program)
	require.NoError(t, err)
	t.Logf("%.1f MB", float64(info.Size())/1e6)
	assert.Less(t, info.Size(), int64(33e6), "go tool nm -size -sort size; net/http alone is 2 MB")
}
