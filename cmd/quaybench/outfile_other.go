//go:build !linux

package main

import "os"

func createUnnamed(dir, base string) (f *os.File, put func(name string, force bool) error, err error) {
	return createNamed(dir, base)
}
