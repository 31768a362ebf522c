package simulate

import (
	"context"
	"testing"

	"quaybench/bench/ode"
	"quaybench/bench/record"
	"quaybench/bench/trial"

	"github.com/stretchr/testify/require"
)

// TestCostFollowsEvents: ten times as long a quiet run takes hardly more steps.
func TestCostFollowsEvents(t *testing.T) {
	b, s, _ := petrel(t, "two-hour-outing")
	steps := func(hours float64) int {
		quiet := &trial.Trial{
			Name: "quiet", Load: "normal", Air: 298.15, Water: 288.15, Charge: 0.9, LoadFrom: 0, CoolingLostFrom: 1e6,
			Throttle: []trial.Step{{At: 2, To: 0.15, Over: 1}}, Duration: hours * 3600,
		}
		r, err := Run(context.Background(), b, s, quiet, Options{})
		require.NoError(t, err)
		require.Empty(t, r.Events)
		return r.Statistics.Steps
	}
	two, twenty := steps(2), steps(20)
	t.Logf("steps: %d in 2 h, %d in 20 h", two, twenty)
	require.LessOrEqual(t, twenty, two+two/2)
}

// TestNoAllocationPerStep: more steps for the same trial allocate no more, the record's traces apart, which are one piece.
func TestNoAllocationPerStep(t *testing.T) {
	b, s, tr := petrel(t, "two-hour-outing")
	var scratch workspace // not from the pool, which the collector empties
	var r *record.Run
	allocations := func(rel float64) (int, float64) {
		o := Options{RelTol: rel, Check: ode.CheckOptions{Every: 16}}
		n := testing.AllocsPerRun(5, func() {
			var err error
			r, err = scratch.run(context.Background(), b, s, tr, o)
			require.NoError(t, err)
		})
		return r.Statistics.Steps, n
	}
	allocations(1e-7) // makes room
	few, least := allocations(1e-4)
	many, most := allocations(1e-7)
	t.Logf("%.0f allocations in %d steps, %.0f in %d", least, few, most, many)
	require.Greater(t, many, 3*few)
	require.LessOrEqual(t, most, least+20) // an instant at which something passes may cost one
}
