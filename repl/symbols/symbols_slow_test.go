//go:build slow

package symbols_test

import (
	"archive/zip"
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The generated files must be those the generator writes today.
func TestGeneratedFilesAreFresh(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("no Go toolchain here: the generator can't run")
	}
	dir := t.TempDir()
	cmd := exec.Command("go", "run", "./gen", "-out", dir)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		want, err := os.ReadFile(f)
		require.NoError(t, err)
		got, err := os.ReadFile(filepath.Base(f))
		require.NoError(t, err)
		if strings.HasSuffix(f, ".zip") {
			assert.Equal(t, content(t, want), content(t, got), "%s differs: run go generate ./repl/symbols", filepath.Base(f))
			continue
		}
		assert.True(t, string(want) == string(got), "%s differs: run go generate ./repl/symbols", filepath.Base(f))
	}
}

// content is what an archive says of each package: names and docs. Export data holds the line of every declaration, so that a
// comment elsewhere would change it; that its types are right is held by TestTypesAgreeWithValues.
func content(t *testing.T, data []byte) map[string]string {
	archive, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	out := map[string]string{}
	for _, f := range archive.File {
		r, err := f.Open()
		require.NoError(t, err)
		text, err := io.ReadAll(r)
		require.NoError(t, err)
		if out[f.Name] = string(text); strings.HasPrefix(f.Name, "types/") {
			out[f.Name] = ""
		}
	}
	return out
}
