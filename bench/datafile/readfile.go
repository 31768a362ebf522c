package datafile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// ReadFile reads a plain file that a person named, of at most most bytes. Anything else is refused before it is opened: a
// pipe would wait for somebody who writes, and a device such as /dev/zero has no end.
func ReadFile(name string, most int64) ([]byte, error) {
	text, err := ReadFrom(os.DirFS(filepath.Dir(name)), filepath.Base(name), most)
	var path *fs.PathError
	if errors.As(err, &path) {
		return nil, &fs.PathError{Op: path.Op, Path: name, Err: path.Err}
	}
	return text, err
}

// ReadFrom reads as ReadFile does, from a file system.
func ReadFrom(files fs.FS, name string, most int64) ([]byte, error) {
	info, err := fs.Stat(files, name)
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, &fs.PathError{Op: "read", Path: name, Err: errors.New("it is a directory, not a file")}
	}
	if !info.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "read", Path: name, Err: errors.New("it is not a plain file")}
	}
	file, err := files.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	text, err := io.ReadAll(io.LimitReader(file, most+1)) // it may grow
	if err == nil && int64(len(text)) > most {
		err = &fs.PathError{Op: "read", Path: name, Err: fmt.Errorf("it has more than the %d bytes taken up here", most)}
	}
	if err != nil {
		return nil, err
	}
	return text, nil
}
