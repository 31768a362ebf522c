//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package profiles

import "os"

// tryLock has nothing to take: no lock on an open folder here.
func tryLock(*os.File) (busy bool, err error) { return false, nil }
