package profiles

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"runtime"
	"slices"
	"syscall"
)

// folder is one open directory of the book. Whatever is done through it stays in it: names are single
// path elements, links out of it are refused by os.Root, and only regular files are read.
type folder struct {
	root  *os.Root
	path  string // from the book's folder, for messages
	fault func(op, path string) error
	opens func(path string) error
}

func (f *folder) close() { _ = f.root.Close() }

func (f *folder) at(name string) string { return path.Join(f.path, Printable(name)) }

// explain names the file in the book instead of the call and the temporary name the system tells.
func (f *folder) explain(name string, err error) error {
	var atPath *fs.PathError
	var atLink *os.LinkError
	switch {
	case errors.As(err, &atPath):
		return fmt.Errorf("%s: %w", f.at(name), atPath.Err)
	case errors.As(err, &atLink):
		return fmt.Errorf("%s: %w", f.at(name), atLink.Err)
	}
	return err
}

// step is where tests make a file operation fail.
func (f *folder) step(op, name string) error {
	if f.fault == nil {
		return nil
	}
	return f.fault(op, f.at(name))
}

// sub opens a directory in f. One that is not there is fs.ErrNotExist; a link is refused.
func (f *folder) sub(name string) (*folder, error) {
	info, err := f.root.Lstat(name)
	if err != nil {
		return nil, f.explain(name, err)
	}
	if !info.IsDir() {
		return nil, fmt.Errorf("%s is not a folder but a link or file: remove it", f.at(name))
	}
	root, err := f.root.OpenRoot(name)
	if err != nil {
		return nil, f.explain(name, err)
	}
	return &folder{root: root, path: path.Join(f.path, name), fault: f.fault, opens: f.opens}, nil
}

// ensure opens a directory in f and makes it, durably, if it is not there.
func (f *folder) ensure(name string) (*folder, error) {
	err := f.step("mkdir", name)
	if err == nil {
		err = f.root.Mkdir(name, 0o755)
	}
	if err == nil {
		err = f.sync()
	}
	if err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, f.explain(name, err)
	}
	return f.sub(name)
}

// list gives the names in the folder in order, but for temporary files.
func (f *folder) list(ctx context.Context) ([]string, error) {
	var all []string
	err := f.scan(ctx, func(name string) {
		if !isTemporary(name) {
			all = append(all, name)
		}
	})
	slices.Sort(all)
	return all, err
}

// scan goes through the names in the folder in no order, in batches, so that a folder of endless files
// is given up before it fills the memory.
func (f *folder) scan(ctx context.Context, each func(name string)) error {
	dir, err := f.root.Open(".")
	if err != nil {
		return err
	}
	defer dir.Close()
	for n := 0; n <= maxFilesPerFolder; {
		// Names only: in a Root, reading entries looks at each file once more.
		some, err := dir.Readdirnames(1024)
		for _, name := range some {
			each(name)
		}
		n += len(some)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err := errors.Join(err, ctx.Err()); err != nil {
			return err
		}
	}
	return fmt.Errorf("%s holds more than %d files: this is no folder of a book", f.path, maxFilesPerFolder)
}

// isFolder tells whether a name in f is a folder, and no link to one.
func (f *folder) isFolder(name string) bool {
	info, err := f.root.Lstat(name)
	return err == nil && info.IsDir()
}

// open opens a regular file that is not longer than limit.
func (f *folder) open(name string, limit int64) (*os.File, int64, error) {
	// A pipe would block the opening, so look first.
	info, err := f.root.Lstat(name)
	if err != nil {
		return nil, 0, f.explain(name, err)
	}
	switch {
	case !info.Mode().IsRegular():
		return nil, 0, fmt.Errorf("%s is not a plain file: remove it", f.at(name))
	case info.Size() > limit:
		return nil, 0, fmt.Errorf("%s is larger than the %d bytes read here", f.at(name), limit)
	}
	if f.opens != nil {
		if err := f.opens(f.at(name)); err != nil {
			return nil, 0, f.explain(name, err)
		}
	}
	file, err := f.root.Open(name)
	return file, info.Size(), f.explain(name, err)
}

func (f *folder) read(name string, limit int64) ([]byte, error) {
	file, size, err := f.open(name, limit)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	// One byte more than the size shows the end without a second, grown buffer.
	content := bytes.NewBuffer(make([]byte, 0, size+bytes.MinRead))
	_, err = content.ReadFrom(io.LimitReader(file, limit+1))
	if err == nil && int64(content.Len()) > limit {
		err = fmt.Errorf("%s grew past the %d bytes read here", f.at(name), limit)
	}
	return content.Bytes(), err
}

// hash reads a file through and returns the hash and length of its content.
func (f *folder) hash(ctx context.Context, name string, limit int64) (Hash, int64, error) {
	file, _, err := f.open(name, limit)
	if err != nil {
		return "", 0, err
	}
	defer file.Close()
	return copyHashed(ctx, io.Discard, io.LimitReader(file, limit+1))
}

// copyHashed copies and returns hash and length of what went through.
func copyHashed(ctx context.Context, to io.Writer, from io.Reader) (Hash, int64, error) {
	sum := sha256.New()
	n, err := io.Copy(io.MultiWriter(to, sum), contextReader{ctx, from})
	return Hash(hex.EncodeToString(sum.Sum(nil))), n, err
}

type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (c contextReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}

// publish writes content, whose hash must be want, under a name that contains this hash. On return
// without error it is on the disk under this name, whole. A file that is there already is left alone
// if it is whole too, and replaced if it is damaged: what may stand under this name is not in doubt.
// New tells whether it was not there before.
func (f *folder) publish(ctx context.Context, name string, content io.Reader, want Hash) (isNew bool, err error) {
	have, _, err := f.hash(ctx, name, maxKeptBytes)
	there := !errors.Is(err, fs.ErrNotExist)
	if err == nil && have == want {
		// Copied in, perhaps, by a program that did not wait for the disk.
		return false, errors.Join(f.syncFile(name), f.sync())
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	temporary, have, err := f.writeTemporary(ctx, content, 0o444)
	if err != nil {
		return false, f.explain(name, err)
	}
	if err = f.take(temporary, name, there, have, want); err != nil {
		return false, err
	}
	return !there, f.sync()
}

// take puts a temporary file in its place; afterwards the temporary name is gone, come what may.
func (f *folder) take(temporary, name string, there bool, have, want Hash) (err error) {
	if have != want {
		_ = f.root.Remove(temporary)
		return fmt.Errorf("%s: its content has the hash %s", f.at(name), have.Short())
	}
	if !there {
		// A link, other than a rename, never takes the place of another file.
		err = f.step("link", name)
		if err == nil {
			err = f.root.Link(temporary, name)
		}
		if err == nil || errors.Is(err, fs.ErrExist) {
			// Left behind in the worst case, and then swept.
			_ = f.root.Remove(temporary)
			return nil
		}
	}
	// Some sticks and shares know no links. What a rename could replace now has the same content, or is
	// damaged.
	return f.rename(temporary, name)
}

// rename gives a temporary file its name, or removes it.
func (f *folder) rename(temporary, name string) error {
	err := f.step("rename", name)
	if err == nil {
		err = f.root.Rename(temporary, name)
	}
	if err != nil {
		_ = f.root.Remove(temporary)
	}
	return f.explain(name, err)
}

// replace gives a working file new content in one step: a reader sees the old or the new, whole.
func (f *folder) replace(ctx context.Context, name string, content []byte) error {
	if info, err := f.root.Lstat(name); err == nil && !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a plain file: remove it", f.at(name))
	}
	temporary, _, err := f.writeTemporary(ctx, bytes.NewReader(content), 0o644)
	if err != nil {
		return f.explain(name, err)
	}
	if err := f.rename(temporary, name); err != nil {
		return err
	}
	return f.sync()
}

// writeTemporary writes a new file of its own name in the folder and waits until it is on the disk.
func (f *folder) writeTemporary(ctx context.Context, content io.Reader, mode fs.FileMode) (name string, hash Hash, err error) {
	file, name, err := f.createTemporary(mode)
	if err != nil {
		return "", "", err
	}
	defer func() {
		if err != nil {
			_ = f.root.Remove(name)
		}
	}()
	hash, _, err = copyHashed(ctx, stepWriter{f, name, file}, content)
	if err == nil {
		err = f.step("fsync", name)
	}
	if err == nil {
		err = file.Sync()
	}
	return name, hash, errors.Join(err, file.Close())
}

// stepWriter is where tests let a write fail half-way, as a full disk does.
type stepWriter struct {
	f    *folder
	name string
	to   io.Writer
}

func (w stepWriter) Write(p []byte) (int, error) {
	if err := w.f.step("write", w.name); err != nil {
		n, _ := w.to.Write(p[:len(p)/2])
		return n, err
	}
	return w.to.Write(p)
}

// sync waits until the names in the folder are on the disk.
func (f *folder) sync() error {
	if err := f.step("fsync folder", "."); err != nil {
		return err
	}
	if runtime.GOOS == "windows" {
		return nil // Windows has no such call for a folder; NTFS journals the names itself
	}
	dir, err := f.root.Open(".")
	if err != nil {
		return err
	}
	err = dir.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, errors.ErrUnsupported) {
		err = nil // a disk that cannot, as some shares; then there is no better
	}
	return errors.Join(err, dir.Close())
}

// syncFile waits until a file that is there already is on the disk.
func (f *folder) syncFile(name string) error {
	if runtime.GOOS == "windows" {
		return nil // needs write access there, and files written once have none
	}
	file, err := f.root.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(file.Sync(), file.Close())
}
