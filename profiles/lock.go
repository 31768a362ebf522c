package profiles

import (
	"context"
	"fmt"
	"time"
)

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
