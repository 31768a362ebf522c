package port

import (
	"time"

	"golang.org/x/sys/unix"
)

// SystemClock returns the machine's clock. On Linux it counts the time since boot: that runs through a suspend, and no step of the
// wall clock (a time server's, say) moves it. Elsewhere it is [WallClock], with which [Age] takes a step forward for a suspend.
func SystemClock() Clock {
	return bootClock{start: time.Now().Round(0), at: sinceBoot(), sinceBoot: sinceBoot}
}

// bootClock counts from a start by the time since boot. Its instants have no monotonic part: they need none.
type bootClock struct {
	WallClock
	start     time.Time
	at        time.Duration // since boot, at the start
	sinceBoot func() time.Duration
}

func (c bootClock) Now() time.Time { return c.start.Add(c.sinceBoot() - c.at) }

func sinceBoot() time.Duration {
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &now); err != nil {
		panic("no boot-time clock: " + err.Error()) // Linux has it since 2.6.39, and Go asks for more
	}
	return time.Duration(now.Nano())
}
