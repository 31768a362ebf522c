package profiles

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"time"
)

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
		if removeErr := f.root.Remove(name); removeErr != nil {
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
