package port

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// A step of the wall clock is no age, a suspend is. (Only time since boot moves this clock: the wall is read once.)
func TestAStepOfTheWallClockIsNoSuspend(t *testing.T) {
	boot := 90 * time.Minute
	c := bootClock{start: time.Now().Round(0), at: boot, sinceBoot: func() time.Duration { return boot }}
	from := c.Now()
	boot += 20 * time.Millisecond // and the wall an hour
	assert.Equal(t, 20*time.Millisecond, Age(from, c.Now()))
	boot += 5 * time.Second // asleep
	assert.Equal(t, 5020*time.Millisecond, Age(from, c.Now()))
}

// The machine's clock shows the wall's time, and never goes back.
func TestSystemClock(t *testing.T) {
	c := SystemClock()
	first, wall, second := c.Now(), time.Now(), c.Now()
	assert.False(t, second.Before(first))
	assert.Equal(t, first, first.Round(0), "it has no monotonic part, which would stand still in a suspend")
	assert.InDelta(t, 0, wall.Sub(first).Seconds(), 3600, "seconds apart on a busy machine")
}
