package main

import (
	"syscall"
	"testing"
)

// smallDisk mounts a file system that a minute's record fills.
func smallDisk(t *testing.T) string {
	t.Helper()
	small := t.TempDir()
	if err := syscall.Mount("tmpfs", small, "tmpfs", 0, "size=4k"); err != nil {
		t.Skipf("no small file system can be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(small, 0) })
	return small
}
