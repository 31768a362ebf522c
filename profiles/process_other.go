//go:build !unix

package profiles

import "os"

// processLives reports whether a process of this number runs on this machine.
func processLives(pid int) bool {
	p, err := os.FindProcess(pid)
	if err != nil {
		return false
	}
	_ = p.Release()
	return true
}
