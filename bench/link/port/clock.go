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

// WallClock is the machine's clock (inside testing/synctest, the bubble's).
type WallClock struct{}

// Now is time.Now.
func (WallClock) Now() time.Time { return time.Now() }

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
