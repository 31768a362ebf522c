package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// standardOutput is the name of a file that stands for the standard output.
const standardOutput = "-"

// writeWhole writes a file that the user named: whole or not at all, over no other file without force. Killed at any time it
// leaves nothing, where the system has files without a name (Linux, on most disks); elsewhere a file may be left beside it
// whose name starts with a dot.
func writeWhole(sys *system, name string, force bool, write func(io.Writer) error) error {
	if name == standardOutput {
		return write(sys.Out)
	}
	if err := mayWrite(name, force); err != nil {
		return err
	}
	unwritten := func(err error) error {
		var path *fs.PathError
		var link *os.LinkError
		switch {
		case errors.As(err, &path):
			err = path.Err // the name is the temporary file's
		case errors.As(err, &link):
			err = link.Err
		}
		if errors.Is(err, fs.ErrExist) {
			return taken(name)
		}
		return input(fmt.Errorf("%s cannot be written: %w", name, err))
	}
	f, put, err := createUnnamed(filepath.Dir(name), filepath.Base(name))
	if err != nil {
		return unwritten(err)
	}
	defer func() { _ = put("", false) }() // nothing is left where it did not get its name
	if err := write(f); err != nil {
		_ = f.Close()
		return err
	}
	if err := f.Sync(); err != nil {
		_ = f.Close()
		return unwritten(err)
	}
	if err := put(name, force); err != nil {
		_ = f.Close()
		return unwritten(err)
	}
	if err := f.Close(); err != nil {
		return unwritten(err)
	}
	return nil
}

// mayWrite reports, before the work, why a file cannot be written under a name.
func mayWrite(name string, force bool) error {
	if name == standardOutput {
		return nil
	}
	switch info, err := os.Stat(name); {
	case err == nil && info.IsDir():
		return input(fmt.Errorf("%s is a folder; name a file in it", name))
	case err == nil && info.Mode().IsRegular() && !force:
		return taken(name)
	}
	return nil
}

func taken(name string) error {
	return input(fmt.Errorf("%s is there already: name another file, or overwrite it with --force", name))
}

// createNamed is createUnnamed where there are only files with a name.
func createNamed(dir, base string) (f *os.File, put func(name string, force bool) error, err error) {
	f, err = os.CreateTemp(dir, "."+base+".*")
	if err != nil {
		return nil, nil, err
	}
	done := false
	return f, func(name string, force bool) error {
		if done {
			return nil
		}
		done = true
		switch {
		case name == "":
			return os.Remove(f.Name())
		case force:
			err = os.Rename(f.Name(), name)
		default: // a link, other than a rename, takes no other file's place
			if err = os.Link(f.Name(), name); err != nil && !errors.Is(err, fs.ErrExist) {
				err = os.Rename(f.Name(), name) // a disk without links
			}
		}
		_ = os.Remove(f.Name())
		return err
	}, nil
}
