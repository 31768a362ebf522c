package study_test

import (
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/study"
)

// BenchmarkOutings draws boats and judges a two-hour outing with each, on all cores: 200 at a time. What 10,000 would take
// is extrapolated from them.
func BenchmarkOutings(b *testing.B) {
	boat, s := petrel(b)
	outing := builtin(b, "two-hour-outing")
	const draws = 200
	b.ReportAllocs()
	for b.Loop() {
		odds, err := study.FindOdds(b.Context(), boat, s, outing, study.OddsOptions{Draws: draws, Quick: true})
		require.NoError(b, err)
		require.Equal(b, draws, odds.Runs)
	}
	each := b.Elapsed().Seconds() / float64(b.N) / draws
	b.ReportMetric(1e9*each, "ns/outing")
	b.ReportMetric(1e4*each, "s/10000-extrapolated")
	b.ReportMetric(float64(runtime.GOMAXPROCS(0)), "cores")
}
