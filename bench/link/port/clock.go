package port

import (
	"context"
	"time"
)

// Clock is where the code above a port takes the time from, so that a
// simulated line can run on simulated time.
type Clock interface {
	Now() time.Time
	// Sleep returns nil after d, or the context's error as soon as it ends.
	Sleep(ctx context.Context, d time.Duration) error
}

// Age returns the time between two readings of a clock, by its monotonic part or by the wall, whichever is longer: the
// monotonic clock of most systems stands still while the machine sleeps, and the wall may be set back.
func Age(from, to time.Time) time.Duration {
	return max(to.Sub(from), to.Round(0).Sub(from.Round(0)))
}

// WallClock is the machine's clock (inside testing/synctest, the bubble's).
type WallClock struct{}

// Now is time.Now.
func (WallClock) Now() time.Time { return time.Now() }

// AfterFunc calls f after d, as time.AfterFunc does.
func (WallClock) AfterFunc(d time.Duration, f func()) (stop func() bool) {
	return time.AfterFunc(d, f).Stop
}

// Sleep waits for d of real time.
func (WallClock) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil || d <= 0 {
		return err
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
