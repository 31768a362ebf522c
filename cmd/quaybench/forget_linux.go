package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// forget discards what was typed into a terminal and not read yet.
func forget(f *os.File) { _ = unix.IoctlSetInt(int(f.Fd()), unix.TCFLSH, unix.TCIFLUSH) }
