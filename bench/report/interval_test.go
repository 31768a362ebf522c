package report

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/record"
	"quaybench/bench/study"
)

// An interval of a share has two digits and no exponent.
func TestIntervalsHaveNoExponent(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		shown     string
	}{{0, 0.036, "0 to 3.6 %"}, {0.964, 1, "96 to 100 %"}, {0.0012, 0.0994, "0.12 to 10 %"}, {0, 0.9957, "0 to 100 %"}, {0.00004, 0.5, "0.004 to 50 %"}} {
		assert.Equal(t, c.shown, interval(study.Probability{Low: c.low, High: c.high}))
	}
}

// The distance of a run in which a slow fuse opens too is no distance of a fuse that holds to the end.
func TestDistanceSaysForHowLongTheFuseHolds(t *testing.T) {
	run := func(latest float64) []*record.Run {
		return []*record.Run{nil, {Events: []record.Event{{At: 10, Device: "fuse", Latest: latest}}}}
	}
	assert.Equal(t, "distance, if the fuse holds", holding(run(math.Inf(1))))
	assert.Equal(t, "distance, if the fuse holds as long as a slow one does", holding(run(70)))
}
