package main

import (
	"os"

	"golang.org/x/sys/windows"
)

// forget discards what was typed into a terminal and not read yet.
func forget(f *os.File) { _ = windows.FlushConsoleInputBuffer(windows.Handle(f.Fd())) }
