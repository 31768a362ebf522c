package main

import (
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

// loadBoat finds BOAT: a boat file, a boat's folder, or a name in the book.
func loadBoat(cmd *cobra.Command, sys *system, name string) (*bench.Setup, error) {
	if strings.ContainsAny(name, `/\`) || filepath.Ext(name) == ".toml" {
		setup, err := bench.Load(name)
		return setup, input(err)
	}
	dir, err := bookDir(cmd, sys)
	if err != nil {
		return nil, err
	}
	folder := filepath.Join(dir, name)
	if _, err := os.Stat(folder); err != nil {
		if demo, ok := demoBoat(name); ok && !explicitBook(cmd, sys) {
			return demo, nil
		}
		return nil, input(fmt.Errorf("no boat %q in the book %s%s; `quaybench new %s` makes one, or give the path of a boat file", name, dir, boatsIn(dir), name))
	}
	setup, err := bench.Load(folder)
	return setup, input(err)
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
