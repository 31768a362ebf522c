//go:build linux || darwin

package child

import (
	"fmt"
	"os"
	"os/signal"
	"time"

	"golang.org/x/sys/unix"
)

// limitCPU ends the process when its processor time is used up: with a word at
// the limit, and without one two seconds later.
func limitCPU(l Limits) error {
	over := make(chan os.Signal, 1)
	signal.Notify(over, unix.SIGXCPU)
	go func() {
		<-over
		os.Exit(say(report{CPU, cpuText(l.CPU)}))
	}()
	seconds := uint64((l.CPU + time.Second - 1) / time.Second)
	return setLimit(unix.RLIMIT_CPU, seconds, 2)
}

// setLimit sets a limit, and the one that can't be raised again above it.
func setLimit(what int, limit, above uint64) error {
	var r unix.Rlimit
	if err := unix.Getrlimit(what, &r); err != nil {
		return fmt.Errorf("reading limit %d: %w", what, err)
	}
	r.Max = min(r.Max, limit+above)
	r.Cur = min(r.Max, limit)
	if err := unix.Setrlimit(what, &r); err != nil {
		return fmt.Errorf("setting limit %d: %w", what, err)
	}
	return nil
}
