//go:build unix

package main

import (
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestPipesAreRefused: a named pipe that nobody writes to is waited for by no command that reads a file.
func TestPipesAreRefused(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe.toml")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	refuseAll(t, pipe)
}
