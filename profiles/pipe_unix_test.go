//go:build unix

package profiles

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A pipe in the place of a file would block whoever opens it.
func TestPipesAreNotOpened(t *testing.T) {
	b, v := yardWithHistory(t)
	boat := filepath.Join(b.Dir(), "petrel")
	for _, path := range []string{
		versionFile(b, v[3]), filepath.Join(boat, keptDir, string(v[0].BoatFile().Hash)), filepath.Join(boat, SettingsFile),
		filepath.Join(boat, marksDir, firstIn(t, b, marksDir)),
	} {
		require.NoError(t, os.Remove(path))
		require.NoError(t, syscall.Mkfifo(path, 0o644))
	}
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	hurt := 0
	for _, p := range r.Problems {
		if p.Hurt {
			assert.Contains(t, p.What, "not a plain file")
			hurt++
		}
	}
	assert.Equal(t, 4, hurt)
	_, err = b.Texts(t.Context(), "petrel")
	require.ErrorContains(t, err, "not a plain file")
}
