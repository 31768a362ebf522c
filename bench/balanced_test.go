package bench

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// TestBalanced: a result that loses or makes energy, or does not know, is refused; what is clear of it by rounding is not.
func TestBalanced(t *testing.T) {
	for _, c := range []struct {
		residual, throughput float64
		share                float64 // 0: it balances
	}{
		{0, 1e6, 0},
		{-90, 1e6, 0},
		{999, 1e6, 0},
		{1100, 1e6, 1.1e-3},
		{-5e5, 1e6, 0.5},
		{math.NaN(), 1e6, math.NaN()},
		{0, 0, 0}, // nothing was drawn, as before the first step
	} {
		run := &record.Run{Energy: record.Energy{Residual: c.residual, Throughput: c.throughput}}
		err := balanced([][]verdict.Trial{{{Name: "sound", Run: &record.Run{}}, {Name: "trial", Run: run}}})
		if c.share == 0 {
			assert.NoError(t, err, "%+v", c)
			continue
		}
		var lost *UnbalancedError
		require.ErrorAs(t, err, &lost, "%+v", c)
		assert.Equal(t, "trial", lost.Trial)
		if !math.IsNaN(c.share) {
			assert.InDelta(t, c.share, lost.Share, 1e-12)
		}
	}
}
