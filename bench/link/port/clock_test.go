package port_test

import (
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/link/port"
)

// The age of an instant runs through a suspend, in which the monotonic clock stands still, and through a wall clock that is
// set back.
func TestAgeRunsThroughASuspend(t *testing.T) {
	from := time.Now()
	awake := from.Add(5 * time.Second)
	assert.Equal(t, 5*time.Second, port.Age(from, awake))
	assert.Equal(t, 5*time.Second, port.Age(from, withoutMonotonic(awake, 5*time.Second)), "the monotonic clock stood still")
	back := withoutMonotonic(from.Add(-time.Hour), -time.Hour-5*time.Second)
	assert.Equal(t, 5*time.Second, port.Age(from, back), "the wall was set back by an hour")
}

// withoutMonotonic takes d off the monotonic part of an instant, which no function of package time can.
func withoutMonotonic(t time.Time, d time.Duration) time.Time {
	(*struct {
		wall uint64
		ext  int64
	})(unsafe.Pointer(&t)).ext -= int64(d)
	return t
}
