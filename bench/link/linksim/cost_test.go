package linksim_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
)

// BenchmarkReading is what it costs to bring the simulated controller up to 10 ms later and read it, with the lever moving.
func BenchmarkReading(b *testing.B) {
	bt, s, m := petrelFor(b)
	clock := linksim.NewVirtual(time.Unix(0, 0))
	sim, err := linksim.New(bt, s, m.Describe(), clock, linksim.Options{})
	require.NoError(b, err)
	sim.Throttle(0)
	slowest := time.Duration(0)
	for i := range b.N {
		begun := time.Now()
		sim.Throttle(0.2 + 0.1*float64(i%100)/100)
		require.NoError(b, clock.Sleep(b.Context(), 10*time.Millisecond))
		sim.Reading(link.MotorCurrent)
		slowest = max(slowest, time.Since(begun))
	}
	b.ReportMetric(1e3*slowest.Seconds(), "ms-slowest")
	require.NoError(b, sim.Err())
}
