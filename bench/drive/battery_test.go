package drive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
)

// bank returns a battery of 100 A·h at 20 h.
func bank(t require.TestingT, exponent float64) battery {
	m, err := newBattery(&boat.Battery{
		Cells: 6, Chemistry: "flooded lead-acid", Capacity: si(100 * 3600), RatedTime: si(20 * 3600), Peukert: si(exponent), Mass: si(30), Resistance: si(0.01),
	})
	require.NoError(t, err)
	return m
}

// TestABankLastsAsPeukertSays: t = H·(C/(I·H))^n, exactly at once, five and twenty times the rated current and closely
// between, as setPeukert promises for each exponent.
func TestABankLastsAsPeukertSays(t *testing.T) {
	for _, c := range []struct{ exponent, within float64 }{
		{1, 1e-12}, {1.001, 0.001}, {1.05, 0.001}, {1.1, 0.002}, {1.15, 0.003}, {1.2, 0.005}, {1.25, 0.007}, {1.3, 0.01}, {1.35, 0.013}, {1.4, 0.016}, {1.5, 0.025}, {1.6, 0.035},
	} {
		m := bank(t, c.exponent)
		law := func(times float64) float64 { return 20 * 3600 * math.Pow(times, -c.exponent) }
		off := func(times float64) float64 { return m.lasts(1, 0, 5*times)/law(times) - 1 }
		for _, exact := range []float64{1, 5, 20} {
			assert.InDelta(t, 0, off(exact), 1e-9, "exponent %g, %g times the rated current", c.exponent, exact)
		}
		worst := 0.0
		for times := 1.0; times <= 20; times *= 1.05 {
			worst = max(worst, math.Abs(off(times)))
		}
		t.Logf("exponent %g: at most %.2f %% off from once to 20 times the rated current; %+.1f %% at half of it, %+.1f %% at 40 times", c.exponent, 100*worst, 100*off(0.5), 100*off(40))
		assert.Less(t, worst, c.within, "exponent %g", c.exponent)
		for _, w := range m.wells {
			assert.Positive(t, w.share, "exponent %g: charge that lags behind, not ahead", c.exponent)
		}
		last := math.Inf(1)
		for times := 0.1; times <= 100; times *= 1.1 {
			gives := m.lasts(1, 0, 5*times) * 5 * times
			assert.LessOrEqual(t, gives, last*(1+1e-9), "exponent %g: the faster, the less", c.exponent)
			last = gives
		}
	}
}

// TestEnduranceKnowsPeukert: at twice the power a lithium bank lasts half as long, a lead-acid bank less than that.
func TestEnduranceKnowsPeukert(t *testing.T) {
	lithium, lead := bank(t, 1), bank(t, 1.2)
	assert.InEpsilon(t, lithium.endurance(0.9, 500)/2, lithium.endurance(0.9, 1000), 1e-9)
	assert.InEpsilon(t, lead.endurance(0.9, 500)/math.Pow(2, 1.2), lead.endurance(0.9, 1000), 0.05, "nearly as the law says of a full bank")
	assert.Zero(t, lead.endurance(0.1, 500))
	assert.InEpsilon(t, lithium.capacity*0.8*meanVoltage(lithium)/500, lithium.endurance(0.9, 500), 1e-3)
}

// meanVoltage returns a bank's mean voltage at rest between a tenth and nine tenths, V, by the trapezium rule.
func meanVoltage(b battery) float64 {
	sum := (b.openCircuit(0.1) + b.openCircuit(0.9)) / 2
	for i := 1; i < 1000; i++ {
		sum += b.openCircuit(0.1 + 0.8*float64(i)/1000)
	}
	return sum / 1000
}

// TestATiredBankRecovers: what a fast discharge could not get comes back at rest, up to the state of charge.
func TestATiredBankRecovers(t *testing.T) {
	m := bank(t, 1.3)
	charge, lag := 1.0, make([]float64, lags)
	run := func(amps, seconds float64) {
		for range 100000 { // Euler's method: no solver of ours
			dt := seconds / 100000
			charge -= amps / m.capacity * dt
			for k, w := range m.wells {
				lag[k] += (amps/m.capacity - w.rate*lag[k]) * dt
			}
		}
	}
	run(50, m.lasts(1, 0, 50))
	assert.InDelta(t, 0, m.level(charge, lag), 1e-3, "empty at the terminals")
	assert.Greater(t, charge, 0.4, "with much left inside")
	run(0, 20*3600)
	assert.InDelta(t, charge, m.level(charge, lag), 0.01)
}
