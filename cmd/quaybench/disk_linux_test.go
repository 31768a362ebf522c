package main

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
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

// TestReadOnlyBook: what cannot be written for the disk's sake is a failure and no bad input, whichever command meets it, and the
// book can be read.
func TestReadOnlyBook(t *testing.T) {
	inBubble(t, func(y *yard) {
		code, _, stderr := y.run("", "profile", "label", "petrel", "head", "mine")
		require.Zero(t, code, stderr)
		export := filepath.Join(y.home, "bracken.quaybook")
		code, _, stderr = y.run("", "profile", "export", "bracken", export)
		require.Zero(t, code, stderr)
		book := filepath.Join(y.home, "quaybench", "book")
		if err := syscall.Mount(book, book, "", syscall.MS_BIND, ""); err != nil {
			t.Skipf("NOT TESTED WITH A READ-ONLY BOOK: no folder can be mounted here: %v", err)
		}
		t.Cleanup(func() { _ = syscall.Unmount(book, 0) })
		require.NoError(t, syscall.Mount("", book, "", syscall.MS_BIND|syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
		for _, args := range [][]string{
			{"new", "dory"},
			{"set", "petrel", "limits.motor_current=90 A"},
			{"profile", "label", "petrel", "head", "late"},
			{"profile", "approve", "petrel", "spring"},
			{"profile", "restore", "petrel", "spring"},
			{"profile", "import", export},
		} {
			code, _, stderr := y.run("", args...)
			assert.Equal(t, exitOther, code, "%v: %s", args, stderr)
			assert.Contains(t, stderr, "read-only file system", args)
		}
		code, stdout, stderr := y.run("", "profile", "list", "petrel")
		assert.Zero(t, code, stderr)
		assert.Contains(t, stdout, "mine")
	})
}
