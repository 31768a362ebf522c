package port

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Users returns the other programs that hold a port open, as in "tail (process 4711)", as far as the system tells: on Linux those
// of the same user, or all for root; elsewhere none.
func Users(name string) []string { return users("/proc", name, os.Getpid()) }

// users looks through a folder of processes for those that hold a file open, all but one.
func users(proc, name string, self int) (list []string) {
	if real, err := filepath.EvalSymlinks(name); err == nil {
		name = real
	}
	open, _ := filepath.Glob(filepath.Join(proc, "[0-9]*", "fd", "*"))
	for _, fd := range open {
		dir := filepath.Dir(filepath.Dir(fd))
		id := filepath.Base(dir)
		if to, err := os.Readlink(fd); err != nil || to != name || id == strconv.Itoa(self) || isFarEnd(dir, name) {
			continue
		}
		program, err := os.ReadFile(filepath.Join(dir, "comm"))
		if err != nil {
			program = []byte("a program")
		}
		if text := fmt.Sprintf("%s (process %s)", strings.TrimSpace(string(program)), id); !slices.Contains(list, text) {
			list = append(list, text)
		}
	}
	return list
}

// isFarEnd reports whether a process holds the far end of a pseudo-terminal: what it reads there is what others write to the name.
func isFarEnd(process, name string) bool {
	index, is := strings.CutPrefix(name, "/dev/pts/")
	if !is {
		return false
	}
	open, _ := filepath.Glob(filepath.Join(process, "fd", "*"))
	for _, fd := range open {
		if to, err := os.Readlink(fd); err != nil || filepath.Base(to) != "ptmx" {
			continue
		}
		info, _ := os.ReadFile(filepath.Join(process, "fdinfo", filepath.Base(fd)))
		if strings.Contains(string(info), "tty-index:\t"+index+"\n") {
			return true
		}
	}
	return false
}
