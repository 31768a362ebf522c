package simulate_test

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// TestInrushLosesAsMuchAsTheCapacitorStores: a capacitor charged from a stiff source through any resistance takes
// C·ΔV²/2 and leaves as much heat in the resistance (any textbook); part of it in its own.
func TestInrushLosesAsMuchAsTheCapacitorStores(t *testing.T) {
	for _, name := range boats {
		run := func(empty bool) (*record.Run, float64) {
			s := setup(t, name)
			tr, err := trial.Builtin("full-throttle")
			require.NoError(t, err)
			tr.Electrical, tr.PrechargeSkipped, tr.Throttle, tr.Duration = true, empty, nil, 0.2
			r, err := simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{})
			require.NoError(t, err)
			assert.Less(t, math.Abs(r.Energy.Residual), 1e-4*r.Energy.Throughput, "%s: energy, empty %v", name, empty)
			volts, _ := r.Trace(record.Voltage)
			return r, s.Boat.Stage.Capacitance.SI * math.Pow(r.At(volts, 0.2)-1, 2) / 2 // the tool's empty is 1 V
		}
		charged, _ := run(false)
		empty, stored := run(true)
		assert.InEpsilon(t, stored, empty.Energy.Heat-charged.Energy.Heat, 0.03, "%s: J of heat", name)
		core, _ := empty.Trace("link capacitor")
		b := setup(t, name).Boat
		heated := (empty.At(core, 0.2) - empty.At(core, 0)) * b.Stage.CapacitorHeatCapacity.SI
		share := b.Stage.CapacitorESR.SI / (b.Battery.Resistance.SI + b.Stage.CapacitorESR.SI)
		assert.Greater(t, heated, 0.2*share*stored, "%s: J in the capacitor", name)
		assert.Less(t, heated, share*stored, "%s: the capacitor has its share of the resistance and no more", name)
	}
}

// TestAReversalCostsLittleMore: following the currents through a reversal, plugging included, takes at most twice the
// steps of the algebra. (A frame that turned over with the sign of no demand at all once took fifteen times as many.)
func TestAReversalCostsLittleMore(t *testing.T) {
	for _, name := range boats {
		resolved, algebraic := electrical(t, name, func(tr *trial.Trial) {
			tr.Throttle = []trial.Step{{At: 1, To: 0.6}, {At: 10, To: -0.6, Over: 0.3}, {At: 20, To: 0}}
			tr.Duration = 30
		})
		tried := func(r *record.Run) int { return r.Statistics.Steps + r.Statistics.Rejected }
		t.Logf("%s: %d steps tried, %d without", name, tried(resolved), tried(algebraic))
		assert.Less(t, tried(resolved), 2*tried(algebraic), name)
		// The armature of a series-wound motor carries the plug current in both.
		for _, at := range []float64{10.5, 11.2, 11.7, 12.5, 15} {
			for _, w := range []struct {
				trace string
				band  float64
			}{{record.MotorCurrent, 1}, {record.BatteryCurrent, 0.5}, {record.MotorSpeed, 0.5}} {
				a, _ := algebraic.Trace(w.trace)
				b, _ := resolved.Trace(w.trace)
				assert.InDelta(t, algebraic.At(a, at), resolved.At(b, at), w.band, "%s: %s at %g s", name, w.trace, at)
			}
		}
	}
}
