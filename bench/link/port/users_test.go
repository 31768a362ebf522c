package port

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestUsers: who else holds a port is told by name and number, once, and this process is not.
func TestUsers(t *testing.T) {
	proc, dev := t.TempDir(), t.TempDir()
	tty, link := filepath.Join(dev, "ttyUSB0"), filepath.Join(dev, "by-id")
	require.NoError(t, os.WriteFile(tty, nil, 0o600))
	require.NoError(t, os.Symlink(tty, link))
	for id, holds := range map[string]string{"10": tty, "11": tty, "12": filepath.Join(dev, "ttyUSB1")} {
		require.NoError(t, os.MkdirAll(filepath.Join(proc, id, "fd"), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(proc, id, "comm"), []byte("terminal\n"), 0o600))
		for _, fd := range []string{"3", "4"} {
			require.NoError(t, os.Symlink(holds, filepath.Join(proc, id, "fd", fd)))
		}
	}
	real, err := filepath.EvalSymlinks(tty)
	require.NoError(t, err)
	require.NoError(t, os.Remove(filepath.Join(proc, "10", "fd", "3")))
	require.NoError(t, os.Symlink(real, filepath.Join(proc, "10", "fd", "3")))
	assert.Equal(t, []string{"terminal (process 10)"}, users(proc, link, 11))
	assert.Empty(t, users(filepath.Join(proc, "none"), tty, 11))
}
