//go:build !linux

package profiles

import "errors"

func mountTmpfs(dir, options string) error { return errors.New("only on Linux") }

func unmount(dir string) error { return nil }
