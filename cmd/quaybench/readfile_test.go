package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// readers are commands that read a file which a person names, each with that file.
func readers(file string) [][]string {
	return [][]string{
		{"check", file},
		{"try", "petrel", "--trial", file},
		{"run", file},
		{"learn", "petrel", file},
		{"readings", "petrel", file, "--columns", file},
		{"controller", "read", "petrel", "--on", "sim", "--map", file},
		{"step", "petrel", "--trial", "harbour", "--prompted", "--logger", os.DevNull + "@9600", "--columns", file},
		{"profile", "import", file},
		{"profile", "approve", "petrel", "head", "--evidence", file},
	}
}

// refuseAll expects each of these commands to refuse a file that is no plain one, as bad input.
func refuseAll(t *testing.T, file string) {
	t.Helper()
	book := t.TempDir()
	for _, args := range readers(file) {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			code, _, stderr := quaybench(t, nil, append(args, "--book", book)...)
			assert.Equal(t, exitInput, code, stderr)
			assert.Contains(t, stderr, "not a plain file")
		})
	}
}

// TestFilesWithoutEnd: a device without an end is refused wherever a command reads a file, and none reads until memory is gone.
func TestFilesWithoutEnd(t *testing.T) {
	const endless = "/dev/zero"
	if _, err := os.Stat(endless); err != nil {
		t.Skip("NOT TESTED ON A FILE WITHOUT END: no " + endless + " here")
	}
	refuseAll(t, endless)
}

// TestFilesAreReadByOneFunction: datafile.ReadFile, which looks before it opens. openExport looks too, and the kernel's own file of a process has an end.
func TestFilesAreReadByOneFunction(t *testing.T) {
	opens := regexp.MustCompile(`\bos\.(ReadFile|Open)\b`)
	for _, folder := range []string{".", "../../bench", "../../repl/check", "../../repl/line"} {
		require.NoError(t, filepath.WalkDir(folder, func(path string, e os.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.Contains(path, "benchtest") || strings.Contains(path, "testdata") {
				return err
			}
			text, err := os.ReadFile(path)
			most := map[string]int{"profile_check.go": 1, "../../bench/link/port/users.go": 2}[path]
			assert.LessOrEqual(t, len(opens.FindAll(text, -1)), most, path)
			return err
		}))
	}
}
