package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
)

// standardOutput is the name of a file that stands for the standard output.
const standardOutput = "-"

// writeWhole writes a file that the user named: whole or not at all, over no other file without force. Killed at any time it
// leaves nothing, where the system has files without a name (Linux, on most disks); elsewhere a file may be left beside it
// whose name starts with a dot.
func writeWhole(out io.Writer, name string, force bool, write func(io.Writer) error) error {
	if name == standardOutput {
		return write(out)
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

// tableFile is the file of --csv.
type tableFile struct {
	name  string
	force bool
	out   io.Writer // the standard output, where the file goes there
}

func (f *tableFile) add(cmd *cobra.Command, what string) {
	cmd.Flags().StringVar(&f.name, "csv", "", "write "+what+"; - is the standard output, and the text then goes to standard error")
	cmd.Flags().BoolVar(&f.force, "force", false, "overwrite a file that is there")
}

// check reports, before the work, why the file cannot be written after it, and keeps the standard output free for it.
func (f *tableFile) check(sys *system, asJSON bool) error {
	if f.name == "" {
		return nil
	}
	if f.name == standardOutput {
		if asJSON {
			return input(errors.New("--json and --csv - cannot both go to the standard output"))
		}
		f.out, sys.Out = sys.Out, sys.Err
		return nil
	}
	if info, err := os.Stat(f.name); err == nil && info.IsDir() {
		return input(fmt.Errorf("--csv: %s is a folder; name a file in it", f.name))
	}
	probe, err := os.CreateTemp(filepath.Dir(f.name), ".quaybench-*")
	if err != nil {
		return f.unwritten(err)
	}
	if err := errors.Join(probe.Close(), os.Remove(probe.Name())); err != nil {
		return f.unwritten(err)
	}
	return mayWrite(f.name, f.force)
}

func (f *tableFile) unwritten(err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		err = path.Err // the name is the temporary file's
	}
	return input(fmt.Errorf("--csv: the record cannot be written to %s: %w", f.name, err))
}

// write writes the file, or one of several beside it.
func (f *tableFile) write(name string, write func(io.Writer) error) error {
	return writeWhole(f.out, name, f.force, write)
}

// beside names the file of one of several runs.
func (f *tableFile) beside(run string) string {
	ext := filepath.Ext(f.name)
	return strings.TrimSuffix(f.name, ext) + "." + run + ext
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
