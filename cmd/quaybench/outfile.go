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
	"github.com/spf13/pflag"
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

// forceFlag is --force of a command; not given where there is no command line.
type forceFlag struct{ flags *pflag.FlagSet }

// forced adds --force to a command, once.
func forced(cmd *cobra.Command) forceFlag {
	if cmd.Flags().Lookup("force") == nil {
		cmd.Flags().Bool("force", false, "overwrite a file that is there")
	}
	return forceFlag{cmd.Flags()}
}

func (f forceFlag) given() bool {
	if f.flags == nil {
		return false
	}
	force, _ := f.flags.GetBool("force")
	return force
}

// tableFile is the file of --csv.
type tableFile struct {
	name  string
	force forceFlag
	out   io.Writer // the standard output, where the file goes there
}

func (f *tableFile) add(cmd *cobra.Command, what string) {
	cmd.Flags().StringVar(&f.name, "csv", "", "write "+what+"; - is the standard output, and the text then goes to standard error")
	f.force = forced(cmd)
}

// check reports, before the work, why the file cannot be written after it, and keeps the standard output free for it.
func (f *tableFile) check(sys *system, asJSON bool) error {
	if f.name == "" {
		return nil
	}
	if f.name == standardOutput {
		out, err := takeOutput(sys, asJSON)
		f.out = out
		return err
	}
	return readyToWrite("--csv", f.name, f.force.given())
}

// takeOutput returns the standard output for a file that goes there; the text goes to standard error from now on.
func takeOutput(sys *system, asJSON bool) (io.Writer, error) {
	if asJSON || sys.taken {
		return nil, input(errors.New("two results cannot both go to the standard output: name a file for one of them"))
	}
	out := sys.Out
	sys.Out, sys.taken = sys.Err, true
	return out, nil
}

// write writes the file, or one of several beside it.
func (f *tableFile) write(name string, write func(io.Writer) error) error {
	return writeWhole(f.out, name, f.force.given(), write)
}

// beside returns the file name of one of several runs.
func (f *tableFile) beside(run string) string {
	ext := filepath.Ext(f.name)
	return strings.TrimSuffix(f.name, ext) + "." + run + ext
}

// mayWrite reports why no file may be written under a name.
func mayWrite(name string, force bool) error {
	if name == standardOutput {
		return nil
	}
	switch info, err := os.Stat(name); {
	case err == nil && info.IsDir():
		return input(fmt.Errorf("%s is a folder; name a file in it", name))
	case err == nil && !info.Mode().IsRegular(): // a device would be lost
		return input(fmt.Errorf("%s is not a plain file; name a new one, or - for the standard output", name))
	case err == nil && !force:
		return taken(name)
	}
	return nil
}

// room is what must be free on the disk before the work: as much as a large report takes, in bytes.
const room = 1 << 20

// readyToWrite reports, before the work, why the file that a flag names could not be written after it: it may not be, its
// folder is not there or takes no files, or the disk is full.
func readyToWrite(flag, name string, force bool) error {
	if name == standardOutput {
		return nil
	}
	if err := mayWrite(name, force); err != nil {
		return fmt.Errorf("%s: %w", flag, err)
	}
	f, put, err := createUnnamed(filepath.Dir(name), filepath.Base(name))
	if err == nil {
		if _, err = f.Write(make([]byte, room)); err == nil {
			err = f.Sync()
		}
		err = errors.Join(err, f.Close(), put("", false))
	}
	if err != nil {
		var path *fs.PathError
		if errors.As(err, &path) {
			err = path.Err // the name is the temporary file's
		}
		return input(fmt.Errorf("%s: %s cannot be written: %w", flag, name, err))
	}
	return nil
}

func taken(name string) error {
	return input(fmt.Errorf("%s is there already: name another file, or overwrite it with --force", name))
}

// createNamed does what createUnnamed does where files must have names.
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
