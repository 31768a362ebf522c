//go:build slow

package study

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestSlowHighestDecidesAsAllRuns: at each value of the grid of many keys, and from present values far from what is clear, the same as by
// every run; of the draws left to a fit at most 1 in 100,000 is on the wrong side. FIT_DRAWS and FIT_SEED take another size.
func TestSlowHighestDecidesAsAllRuns(t *testing.T) {
	var sum compared
	compare := func(boat, set, key, trials string) {
		t.Run(strings.Join([]string{boat, set, key, trials}, "/"), func(t *testing.T) {
			c := compareHighest(t, boat, strings.FieldsFunc(set, func(r rune) bool { return r == ',' }), key, strings.Fields(trials), env("FIT_DRAWS", 100), uint64(env("FIT_SEED", 1)), 0.6, 0.95, 1)
			t.Logf("%+v", c)
			assert.Zero(t, c.wrong)
			sum.runs, sum.most, sum.values, sum.left, sum.draws, sum.untold = sum.runs+c.runs, sum.most+c.most, sum.values+c.values, sum.left+c.left, sum.draws+c.draws, sum.untold+c.untold
		})
	}
	for _, boat := range []string{"petrel", "bracken"} {
		for _, key := range []string{"limits.motor_current", "limits.battery_current", "ramp.rise", "derating.stage_start", "low_voltage.start", "air", "charge", "propeller.pitch", "cable[motor cable].section", "fuse.rating"} {
			for _, trials := range []string{"full-throttle", "hot-day", "hot-restart", "crash-stop", "low-battery", "two-hour-outing locked-shaft"} {
				compare(boat, "", key, trials)
			}
		}
		for _, set := range []string{"limits.motor_current=30 A", "limits.motor_current=60 A", "limits.motor_current=260 A", "air=45 °C", "cable[motor cable].section=25 mm²"} {
			for _, trials := range []string{"hot-day", "hot-restart", "crash-stop"} {
				compare(boat, set, "limits.motor_current", trials)
			}
		}
	}
	t.Logf("%+v", sum)
	assert.LessOrEqual(t, sum.draws, sum.left/100000)
}
