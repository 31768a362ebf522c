package simulate

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
)

// TestBalanced: a run that loses or makes energy, or does not know, is refused; what is clear of it by rounding is not.
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
		{4, 100, 0}, // the tolerances allow that
		{6, 100, 0.06},
		{math.NaN(), 1e6, math.NaN()},
		{0, 0, 0}, // nothing was drawn, as before the first step
	} {
		err := balanced(record.Energy{Residual: c.residual, Throughput: c.throughput})
		if c.share == 0 {
			assert.NoError(t, err, "%+v", c)
			continue
		}
		var lost *UnbalancedError
		require.ErrorAs(t, err, &lost, "%+v", c)
		if !math.IsNaN(c.share) {
			assert.InDelta(t, c.share, lost.Share, 1e-12)
		}
	}
}

// TestRunNamesWhatMakesNoDrive: numbers that no drive can be built from are told apart from a solver's failure.
func TestRunNamesWhatMakesNoDrive(t *testing.T) {
	b, s, tr := petrel(t, "crash-stop")
	b.Propeller.MeasuredPower.SI *= 100
	_, err := Run(context.Background(), b, s, tr, Options{})
	require.ErrorAs(t, err, new(*NoDriveError))
}

// TestAnEmptyBankLetsItsContactorGo: what the electronics draw has no operating point on a bank whose voltage has collapsed.
// The contactor then drops out, and the books close: such a run lost 22 % of its energy.
func TestAnEmptyBankLetsItsContactorGo(t *testing.T) {
	b, s, tr := petrel(t, "two-hour-outing")
	b.Battery.Capacity.SI *= 1.9 / 300
	b.Battery.Management = nil
	r, err := Run(context.Background(), b, s, tr, Options{})
	require.NoError(t, err)
	assert.Less(t, math.Abs(r.Energy.Residual), 1e-4*r.Energy.Throughput)
	at := math.NaN()
	for _, e := range r.Events {
		if e.Device == "contactor" {
			at = e.At
			assert.Equal(t, record.Protecting, e.Kind)
		}
	}
	require.False(t, math.IsNaN(at), "it drops out")
	volts, _ := r.Trace(record.Voltage)
	assert.Zero(t, r.At(volts, at+60))
}
