package profiles

import (
	"errors"
	"os"
	"strings"
	"syscall"
)

// mountTmpfs mounts a disk in memory, or changes one that is mounted.
func mountTmpfs(dir, options string) error {
	if os.Geteuid() != 0 {
		return errors.New("only root may mount one")
	}
	if rest, remount := strings.CutPrefix(options, "remount,"); remount {
		if rest != "ro" {
			return errors.New("only ro is known")
		}
		return syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT|syscall.MS_RDONLY, "")
	}
	return syscall.Mount("tmpfs", dir, "tmpfs", 0, options)
}

func unmount(dir string) error { return syscall.Unmount(dir, 0) }
