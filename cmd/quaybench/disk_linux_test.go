package main

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// smallDisk mounts a file system of a few megabytes.
func smallDisk(t *testing.T) string {
	t.Helper()
	small := t.TempDir()
	if err := syscall.Mount("tmpfs", small, "tmpfs", 0, "size=4m"); err != nil {
		t.Skipf("NOT TESTED ON A FULL DISK: no small file system can be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(small, 0) })
	return small
}

// fillUp fills a disk but for some bytes, with a file in a folder of its own.
func fillUp(t *testing.T, disk string, leave int64) {
	t.Helper()
	require.NoError(t, os.MkdirAll(filepath.Join(disk, "rest"), 0o755))
	rest, err := os.Create(filepath.Join(disk, "rest", "rest"))
	require.NoError(t, err)
	for err == nil {
		_, err = rest.Write(make([]byte, 4096))
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	info, err := rest.Stat()
	require.NoError(t, err)
	require.NoError(t, rest.Truncate(info.Size()-leave))
	require.NoError(t, rest.Close())
}
