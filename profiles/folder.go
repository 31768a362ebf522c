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
	"strconv"
	"strings"
	"syscall"
	"time"
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

// explain returns an error that names the file in the book, in place of the system's call and temporary name.
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

// step is called before each file operation, so that tests can make it fail.
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

// list returns the names in the folder in order, but for temporary files.
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

// isFolder reports whether a name in f is a folder, and no link to one.
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

// take moves a temporary file to its place; afterwards the temporary name is gone, come what may.
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

// rename moves a temporary file to its name, or removes it.
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

// replace writes new content to a working file in one step: a reader sees the old or the new, whole.
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

// Temporary files carry the number of the process that writes them, so that a sweep can spare the
// ones of a process that lives.
const temporaryPrefix = ".tmp-"

func isTemporary(name string) bool { return strings.HasPrefix(name, temporaryPrefix) }

// maxTemporaries is how many leftovers of one process number are passed over before giving up.
const maxTemporaries = 10_000

func (f *folder) createTemporary(mode fs.FileMode) (*os.File, string, error) {
	if err := f.step("create", temporaryPrefix); err != nil {
		return nil, "", err
	}
	for n := range maxTemporaries {
		name := fmt.Sprintf("%s%d-%d", temporaryPrefix, os.Getpid(), n)
		file, err := f.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
		if !errors.Is(err, fs.ErrExist) {
			return file, name, err
		}
	}
	return nil, "", fmt.Errorf("%s is full of leftover files %s*: remove them", f.path, temporaryPrefix)
}

// sweepAge is how old a leftover must be: no save takes a day, and clocks of two machines that share
// a folder differ by less.
const sweepAge = 24 * time.Hour

// sweep removes temporary files that a killed process left behind, and names them.
func (f *folder) sweep(ctx context.Context, now time.Time) (swept []string, err error) {
	var leftovers []string
	scanErr := f.scan(ctx, func(name string) {
		pid, ok := temporaryPid(name)
		if !ok || processLives(pid) {
			return
		}
		info, err := f.root.Lstat(name)
		if err == nil && info.Mode().IsRegular() && now.Sub(info.ModTime()) >= sweepAge {
			leftovers = append(leftovers, name)
		}
	})
	for _, name := range leftovers {
		removeErr := f.step("remove", name)
		if removeErr == nil {
			removeErr = f.root.Remove(name)
		}
		if removeErr != nil {
			err = errors.Join(err, removeErr)
			continue
		}
		swept = append(swept, f.at(name))
	}
	return swept, errors.Join(scanErr, err)
}

func temporaryPid(name string) (pid int, ok bool) {
	rest, found := strings.CutPrefix(name, temporaryPrefix)
	if !found {
		return 0, false
	}
	number, _, _ := strings.Cut(rest, "-")
	pid, err := strconv.Atoi(number)
	return pid, err == nil && pid > 0
}

// lockWait is how long a second process waits for the first; one change takes some milliseconds.
const lockWait = 2 * time.Second

// lockPoll is far below what a person notices, and far above what the call costs.
const lockPoll = 2 * time.Millisecond

// lockFile is what is locked where a folder cannot be; it stays, and is empty.
const lockFile = ".lock"

// lock lets one process at a time change a boat. It is held on the open folder itself, on
// Windows on an empty file in it, and it ends with the process that holds it, however that ends. Versions are safe without
// it (where the system or the disk has no such lock, two saves at once end in two heads); with it
// they follow each other.
func (f *folder) lock(ctx context.Context) (unlock func(), err error) {
	dir, err := openLock(f.root)
	if err != nil {
		return nil, err
	}
	for range lockWait / lockPoll {
		busy, err := tryLock(dir)
		if err != nil {
			_ = dir.Close()
			return nil, fmt.Errorf("lock %s: %w", f.path, err)
		}
		if !busy {
			return func() { _ = dir.Close() }, nil
		}
		wait := time.NewTimer(lockPoll)
		select {
		case <-ctx.Done():
			wait.Stop()
			_ = dir.Close()
			return nil, ctx.Err()
		case <-wait.C:
		}
	}
	_ = dir.Close()
	return nil, fmt.Errorf("%s: %w; wait for it, or end it, and try again", f.path, ErrBusy)
}
