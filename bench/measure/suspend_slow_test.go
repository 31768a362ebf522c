//go:build slow

package measure_test

import (
	"testing"
	"time"
)

// However long it is stopped, and wherever.
func TestNoStaleThrottleWhereverAndHoweverLong(t *testing.T) {
	noStaleThrottle(t, func(all int) (from, to, every int) { return 1, all, 3 },
		410*time.Millisecond, 450*time.Millisecond, 600*time.Millisecond, 1200*time.Millisecond, 5*time.Second, time.Hour)
}
