//go:build slow

package symbols_test

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The generated files must be those the generator writes today.
func TestGeneratedFilesAreFresh(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("NOT TESTED THAT THE SYMBOLS ARE UP TO DATE: no Go toolchain here to run the generator")
	}
	dir := t.TempDir()
	cmd := exec.Command("go", "run", "./gen", "-out", dir)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	files := 0
	require.NoError(t, filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		files++
		want, err := os.ReadFile(name)
		require.NoError(t, err)
		rel, err := filepath.Rel(dir, name)
		require.NoError(t, err)
		got, err := os.ReadFile(rel)
		require.NoError(t, err)
		assert.True(t, string(want) == string(got), "%s differs: run go generate ./repl/symbols", rel)
		return nil
	}))
	require.Greater(t, files, 50)
}
