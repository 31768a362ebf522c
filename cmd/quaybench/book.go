package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/profiles"
)

// bookDir returns the folder of the book.
func bookDir(sys *system) (string, error) {
	dir, err := profiles.DefaultDir(sys.Getenv, sys.Book)
	return dir, input(err)
}

// loadBoat finds BOAT: a boat file or a boat's folder where it is written as a path, else a name in the book, else a demo boat.
func loadBoat(sys *system, name string) (*bench.Setup, error) {
	if isPath(name) {
		setup, err := bench.Load(name)
		return sys.drawing(setup), input(err)
	}
	return namedBoat(sys, name)
}

// drawing sets how many draws a boat's bands rest on, as the system has it.
func (sys *system) drawing(setup *bench.Setup) *bench.Setup {
	if setup != nil {
		setup.Draws = sys.Draws
	}
	return setup
}

// namedBoat finds a boat by its name in the book, or among the demo boats.
func namedBoat(sys *system, name string) (*bench.Setup, error) {
	dir, noBook := bookDir(sys)
	if noBook == nil && hasBoat(dir, name) {
		tellOwn(sys, dir, name)
		there := func(file string) bool { return isThere(filepath.Join(dir, name, file)) }
		if there("versions") && !(there(bench.BoatFile) && there(bench.SettingsFile)) { // each machine's own: a clone has none
			return nil, input(fmt.Errorf("%s has versions in the book %s, but no %s and %s to work on yet: `quaybench profile restore %s head` makes them of the newest version", name, dir, bench.BoatFile, bench.SettingsFile, word(name)))
		}
		setup, err := bench.Load(filepath.Join(dir, name))
		return sys.drawing(setup), input(err)
	}
	switch demo, ok := demoBoat(name); {
	case ok:
		return sys.drawing(demo), nil
	case noBook != nil:
		return nil, noBook
	}
	return nil, noBoat(dir, name)
}

// hasBoat reports whether a book has a boat. A folder with only a journal is a demo boat's.
func hasBoat(dir, name string) bool {
	return profiles.CheckBoatName(name) == nil && slices.ContainsFunc([]string{bench.BoatFile, bench.SettingsFile, "versions"},
		func(file string) bool { return isThere(filepath.Join(dir, name, file)) })
}

// tellOwn tells the user that a boat of their own is meant where a demo boat has the same name.
func tellOwn(sys *system, dir, name string) {
	demo, err := fs.ReadFile(demoBook(), name+"/"+bench.BoatFile)
	own, ownErr := datafile.ReadFile(filepath.Join(dir, name, bench.BoatFile), largestText)
	if err == nil && ownErr == nil && string(own) != string(demo) && sys.once("own boat "+name) {
		sys.say(fmt.Sprintf("quaybench: %s is your own boat of the book %s, not the demo boat of this name", name, dir))
	}
}

func noBoat(dir, name string) error {
	text := fmt.Sprintf("no boat %q in the book %s%s", name, dir, boatsIn(dir))
	switch {
	case isThere(name):
		text += fmt.Sprintf("; if you mean the file, write .%c%s", filepath.Separator, name)
	case profiles.CheckBoatName(name) == nil:
		text += fmt.Sprintf("; `quaybench new %s` makes one, or give the path of a boat file", name)
	default:
		text += "; give a boat's name or the path of a boat file"
	}
	return input(errors.New(text))
}

// bookOptions returns how every command opens a book: what is wrong with it goes to standard error, each thing once.
func bookOptions(sys *system) profiles.Options {
	var mu sync.Mutex
	told := map[profiles.Problem]bool{}
	return profiles.Options{Now: sys.Clock.Now, Rows: profileRows, OnProblem: func(p profiles.Problem) {
		mu.Lock()
		defer mu.Unlock()
		if !told[p] {
			told[p] = true
			sys.say("mind: " + p.String())
		}
	}, DespiteDamage: sys.DespiteDamage}
}

// openBook opens the user's book.
func openBook(sys *system) (*profiles.Book, error) {
	dir, err := bookDir(sys)
	if err != nil {
		return nil, err
	}
	book, err := profiles.Open(dir, bookOptions(sys))
	if missing := new(profiles.NotFoundError); errors.As(err, &missing) && missing.What == "book" {
		err = fmt.Errorf("%w: `quaybench new NAME` makes it, with a first boat; --book names another folder", err)
	}
	return book, fromBook(err)
}

// makeBook opens the user's book, and makes it where there is none yet.
func makeBook(sys *system) (*profiles.Book, error) {
	dir, err := bookDir(sys)
	if err != nil {
		return nil, err
	}
	book, err := profiles.Create(dir, bookOptions(sys))
	return book, fromBook(err)
}

// openBookWith opens a book that has the boat. A demo boat that the user's book does not have comes with an invented history:
// to look at, in a book of its own that done removes; to change, in the user's book, and that is told.
func openBookWith(ctx context.Context, sys *system, boat string, change bool) (book *profiles.Book, done func(), err error) {
	done = func() {}
	dir, err := bookDir(sys)
	if err != nil && (change || boat == "") {
		return nil, nil, err
	}
	_, isDemo := demoBoat(boat)
	switch {
	case err == nil && boat != "" && hasBoat(dir, boat):
		tellOwn(sys, dir, boat)
		book, err = openBook(sys)
	case isDemo && change:
		if book, err = makeBook(sys); err == nil {
			sys.say(fmt.Sprintf("quaybench: %s is an invented demo boat; it is copied into your book %s with an invented history", boat, dir))
			err = addDemo(ctx, sys, book, boat)
		}
	case isDemo:
		var folder string
		if folder, err = os.MkdirTemp("", "quaybench-demo-*"); err != nil {
			return nil, nil, err
		}
		done = func() { _ = os.RemoveAll(folder) }
		if book, err = profiles.Create(folder, bookOptions(sys)); err == nil {
			err = addDemo(ctx, sys, book, boat)
		}
	case boat == "" && !isThere(dir) && !explicitBook(sys):
		book, err = makeBook(sys)
	default:
		book, err = openBook(sys)
	}
	if err != nil {
		done()
		return nil, nil, fromBook(err)
	}
	return book, done, nil
}

func isThere(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// explicitBook reports whether the user has named a book.
func explicitBook(sys *system) bool {
	return sys.Book != "" || sys.Getenv("QUAYBENCH_BOOK") != ""
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

// author returns who stands for a change: --author, else QUAYBENCH_AUTHOR, else the name of the machine's user.
func author(sys *system, flag string) (string, error) {
	if flag != "" {
		return flag, nil
	}
	if name := sys.Getenv("QUAYBENCH_AUTHOR"); name != "" {
		return name, nil
	}
	if u, err := user.Current(); err == nil {
		if u.Name != "" && !strings.ContainsAny(u.Name, ",;") {
			return u.Name, nil
		}
		return u.Username, nil
	}
	return "", input(fmt.Errorf("nobody stands for this: give --author NAME, or set QUAYBENCH_AUTHOR"))
}
