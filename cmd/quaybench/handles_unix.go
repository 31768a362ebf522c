//go:build unix

package main

import (
	"os"
	"syscall"
)

// enoughHandles reports whether a few more files can be opened. Below that Go's own runtime ends with a page of its insides as soon as it waits
// for a file: it is asked before, by calls that wait for nothing.
func enoughHandles() bool {
	var open []int
	defer func() {
		for _, fd := range open {
			_ = syscall.Close(fd)
		}
	}()
	for range 8 {
		fd, err := syscall.Open(os.DevNull, syscall.O_RDONLY|syscall.O_CLOEXEC, 0)
		if err == syscall.EMFILE || err == syscall.ENFILE {
			return false
		}
		if err == nil {
			open = append(open, fd)
		}
	}
	return true
}
