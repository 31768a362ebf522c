package main

import (
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// createUnnamed creates a file that has no name until put gives it one, so that nothing is left of it before. put with an
// empty name gives it up.
func createUnnamed(dir, base string) (f *os.File, put func(name string, force bool) error, err error) {
	fd, err := unix.Open(dir, unix.O_TMPFILE|unix.O_WRONLY|unix.O_CLOEXEC, 0o644)
	if err != nil { // this disk has no such files
		return createNamed(dir, base)
	}
	f = os.NewFile(uintptr(fd), filepath.Join(dir, base))
	link := func(name string) error {
		return unix.Linkat(unix.AT_FDCWD, fmt.Sprintf("/proc/self/fd/%d", fd), unix.AT_FDCWD, name, unix.AT_SYMLINK_FOLLOW)
	}
	return f, func(name string, force bool) error {
		if name == "" {
			return nil
		}
		err := link(name)
		if err == unix.EEXIST && force {
			// A link takes no other file's place; a rename does, in one step.
			beside := filepath.Join(dir, fmt.Sprintf(".%s.%d", base, os.Getpid()))
			if err = link(beside); err == nil {
				if err = os.Rename(beside, name); err != nil {
					_ = os.Remove(beside)
				}
			}
		}
		return err
	}, nil
}
