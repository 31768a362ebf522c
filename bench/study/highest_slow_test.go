//go:build slow

package study

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestSlowHighestDecidesAsAllRuns:
func TestSlowHighestDecidesAsAllRuns(t *testing.T) {
	runs, most, values, wrong, left, draws := 0, 0, 0, 0, 0, 0
	for _, name := range []string{"petrel", "bracken"} {
		for _, key := range strings.Split("limits.motor_current limits.battery_current ramp.rise derating.motor.start air charge propeller.pitch cable[motor cable].section motor.resistance", " ") {
			for _, in := range []string{"hot-day", "hot-restart", "full-throttle", "crash-stop", "low-battery", "hot-day hot-restart two-hour-outing"} {
				c := compareHighest(t, name, key, strings.Fields(in), 100, uint64(env("FIT_SEED", 1)), 0.6, 0.95, 1)
				t.Logf("%s %s in %s: %+v", name, key, in, c)
				runs, most, values, wrong, left, draws = runs+c.runs, most+c.most, values+c.values, wrong+c.wrong, left+c.left, draws+c.draws
			}
		}
	}
	t.Logf("%d of %d values wrong, %d of %d draws left to the fit; %d runs for %d", wrong, values, draws, left, runs, most)
	assert.Zero(t, wrong)
	assert.LessOrEqual(t, draws, left/100000)
}
