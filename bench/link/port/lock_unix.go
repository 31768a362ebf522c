//go:build unix

package port

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// lock locks a port for this process, whose end unlocks it at the latest, and returns what unlocks it. The system's own exclusive use of a terminal
// does not bind root. The lock is a file that is never removed, so that no two hold two, in the one folder that all users
// share: TMPDIR may be each one's own.
func lock(name string) (give func() error, err error) {
	if real, err := filepath.EvalSymlinks(name); err == nil {
		name = real
	}
	dir := "/tmp"
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		dir = os.TempDir()
	}
	path := filepath.Join(dir, "quaybench"+strings.ReplaceAll(filepath.Clean(name), string(filepath.Separator), "-")+".lock")
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOFOLLOW, 0)
	if errors.Is(err, os.ErrNotExist) {
		f, err = os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
		_ = os.Chmod(path, 0o666) // whatever the mask: another user's program must see it too
	}
	if err != nil {
		return nil, fmt.Errorf("the lock of %s, %s, cannot be opened: %w", name, path, err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s is in use by another quaybench: end it first", name)
		}
		return nil, fmt.Errorf("the lock of %s: %w", name, err)
	}
	return f.Close, nil
}
