package profiles

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// openLock opens what is locked: a file, since Windows locks no folders.
func openLock(root *os.Root) (*os.File, error) {
	return root.OpenFile(lockFile, os.O_RDWR|os.O_CREATE, 0o644)
}

// tryLock takes the lock of an open file; it is given back when the file is closed.
func tryLock(file *os.File) (busy bool, err error) {
	err = windows.LockFileEx(windows.Handle(file.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
	switch {
	case errors.Is(err, windows.ERROR_LOCK_VIOLATION), errors.Is(err, windows.ERROR_IO_PENDING):
		return true, nil
	case errors.Is(err, windows.ERROR_NOT_SUPPORTED), errors.Is(err, windows.ERROR_INVALID_FUNCTION):
		return false, nil // a disk without locks: go on without
	}
	return false, err
}
