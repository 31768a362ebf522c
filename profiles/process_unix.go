//go:build unix

package profiles

import (
	"errors"
	"syscall"
)

// processLives reports whether a process of this number runs on this machine.
func processLives(pid int) bool {
	err := syscall.Kill(pid, 0)
	return err == nil || errors.Is(err, syscall.EPERM)
}
