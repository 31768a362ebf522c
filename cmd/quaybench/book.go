package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/profiles"
)

// bookDir is the folder of the book.
func bookDir(cmd *cobra.Command, sys *system) (string, error) {
	flag, _ := cmd.Flags().GetString("book")
	dir, err := profiles.DefaultDir(sys.Getenv, flag)
	return dir, input(err)
}

// loadBoat finds BOAT: a boat file or a boat's folder where it is written as a path, else a name in the book.
func loadBoat(cmd *cobra.Command, sys *system, name string) (*bench.Setup, error) {
	if isPath(name) {
		setup, err := bench.Load(name)
		return setup, input(err)
	}
	return namedBoat(cmd, sys, name)
}

// namedBoat finds a boat by its name in the book, or among the demo boats.
func namedBoat(cmd *cobra.Command, sys *system, name string) (*bench.Setup, error) {
	dir, noBook := bookDir(cmd, sys)
	if folder := filepath.Join(dir, name); noBook == nil && isThere(folder) && profiles.CheckBoatName(name) == nil {
		setup, err := bench.Load(folder)
		return setup, input(err)
	}
	switch demo, ok := demoBoat(name); {
	case ok && !explicitBook(cmd, sys):
		return demo, nil
	case noBook != nil:
		return nil, noBook
	}
	text := fmt.Sprintf("no boat %q in the book %s%s", name, dir, boatsIn(dir))
	switch {
	case isThere(name):
		text += fmt.Sprintf("; if you mean the file, write .%c%s", filepath.Separator, name)
	case profiles.CheckBoatName(name) == nil:
		text += fmt.Sprintf("; `quaybench new %s` makes one, or give the path of a boat file", name)
	default:
		text += "; give a boat's name or the path of a boat file"
	}
	return nil, input(errors.New(text))
}

func isThere(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// explicitBook says whether the user has named a book; the demo boats then don't stand in for missing ones.
func explicitBook(cmd *cobra.Command, sys *system) bool {
	flag, _ := cmd.Flags().GetString("book")
	return flag != "" || sys.Getenv("QUAYBENCH_BOOK") != ""
}

// boatsIn lists the boats of a book for a message.
func boatsIn(dir string) string {
	names := boatNames(os.DirFS(dir))
	if len(names) == 0 {
		return " (which has none yet)"
	}
	return " (which has " + strings.Join(names, ", ") + ")"
}

// boatNames lists the folders that hold a boat file.
func boatNames(book fs.FS) (names []string) {
	entries, err := fs.ReadDir(book, ".")
	if err != nil {
		return nil
	}
	for _, e := range entries {
		if _, err := fs.Stat(book, e.Name()+"/"+bench.BoatFile); e.IsDir() && err == nil {
			names = append(names, e.Name())
		}
	}
	return names
}
