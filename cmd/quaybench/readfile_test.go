package main

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestFilesWithoutEnd names a device without an end wherever a command reads a file that a person names: each refuses it
// as bad input, and none reads until memory is gone.
func TestFilesWithoutEnd(t *testing.T) {
	const endless = "/dev/zero"
	if _, err := os.Stat(endless); err != nil {
		t.Skip("no " + endless + " here")
	}
	book := t.TempDir()
	for _, args := range [][]string{
		{"check", endless},
		{"try", "petrel", "--trial", endless},
		{"run", endless},
		{"controller", "read", "petrel", "--on", "sim", "--map", endless},
		{"step", "petrel", "--script", "harbour", "--prompted", "--logger", "/dev/null", "--columns", endless},
		{"profile", "import", endless},
		{"profile", "approve", "petrel", "head", "--evidence", endless},
	} {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			code, _, stderr := quaybench(t, nil, append(args, "--book", book)...)
			require.Equal(t, 2, code, stderr)
			require.NotContains(t, stderr, "panic")
		})
	}
}
