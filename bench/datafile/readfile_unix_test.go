//go:build unix

package datafile

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestReadFile: only plain files of a stated size, and a pipe is refused rather than waited for.
func TestReadFile(t *testing.T) {
	dir := t.TempDir()
	pipe, plain := filepath.Join(dir, "pipe"), filepath.Join(dir, "plain")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	require.NoError(t, os.WriteFile(plain, []byte(strings.Repeat("x", 10)), 0o600))
	text, err := ReadFile(plain, 10)
	require.NoError(t, err)
	assert.Len(t, text, 10)
	for name, want := range map[string]string{
		pipe: "it is not a plain file", dir: "it is a directory, not a file", "/dev/zero": "it is not a plain file",
		filepath.Join(dir, "none"): "no such file",
	} {
		_, err := ReadFile(name, 10)
		assert.ErrorContains(t, err, want)
		assert.ErrorContains(t, err, name)
	}
	_, err = ReadFile(plain, 9)
	assert.ErrorContains(t, err, "plain: it has more than the 9 bytes taken up here")
}
