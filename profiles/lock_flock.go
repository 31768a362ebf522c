//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package profiles

import (
	"errors"
	"os"
	"syscall"
)

// openLock opens what is locked: the folder itself.
func openLock(root *os.Root) (*os.File, error) { return root.Open(".") }

// tryLock takes the advisory lock of an open file; it is given back when the file is closed.
func tryLock(file *os.File) (busy bool, err error) {
	conn, err := file.SyscallConn()
	if err != nil {
		return false, err
	}
	var lockErr error
	err = conn.Control(func(fd uintptr) {
		for {
			lockErr = syscall.Flock(int(fd), syscall.LOCK_EX|syscall.LOCK_NB)
			if lockErr != syscall.EINTR {
				return
			}
		}
	})
	if err != nil {
		return false, err
	}
	switch {
	case errors.Is(lockErr, syscall.EWOULDBLOCK):
		return true, nil
	case errors.Is(lockErr, syscall.ENOLCK), errors.Is(lockErr, syscall.EOPNOTSUPP), errors.Is(lockErr, syscall.EINVAL), errors.Is(lockErr, syscall.ENOSYS), errors.Is(lockErr, syscall.EBADF):
		return false, nil // a disk without locks: go on without
	}
	return false, lockErr
}
