package profiles

import (
	"errors"
	"path/filepath"
	"runtime"
)

// DefaultDir is the place of the book: override where it is given, else the environment's
// QUAYBENCH_BOOK, else quaybench/book in the user's data directory. That directory follows the XDG
// Base Directory Specification 0.8 (XDG_DATA_HOME if it is absolute, else ~/.local/share), and the
// system's custom on Windows (LOCALAPPDATA) and macOS (~/Library/Application Support).
func DefaultDir(getenv func(string) string, override string) (string, error) {
	return defaultDir(getenv, override, runtime.GOOS)
}

func defaultDir(getenv func(string) string, override, goos string) (string, error) {
	if override != "" {
		return override, nil
	}
	if dir := getenv("QUAYBENCH_BOOK"); dir != "" {
		return dir, nil
	}
	data := getenv("XDG_DATA_HOME")
	if !filepath.IsAbs(data) {
		home := getenv("HOME")
		switch {
		case goos == "windows":
			data = getenv("LOCALAPPDATA")
		case home == "":
			data = ""
		case goos == "darwin":
			data = filepath.Join(home, "Library", "Application Support")
		default:
			data = filepath.Join(home, ".local", "share")
		}
	}
	if data == "" {
		return "", errors.New("no place for the book: neither --book, QUAYBENCH_BOOK nor a home directory is set")
	}
	return filepath.Join(data, "quaybench", "book"), nil
}
