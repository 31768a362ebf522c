package ode_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
)

// TestNoAllocationPerStep: a call of many more steps allocates no more, with
// events, observer, guard and both kinds of Jacobian.
func TestNoAllocationPerStep(t *testing.T) {
	for _, stated := range []bool{true, false} {
		o := &outing{throttle: 0.2, air: 293}
		sys := ode.System(o)
		if stated {
			sys = analytic{o}
		}
		var in ode.Integrator
		events, opts, y0 := outingEvents(), outingTolerance(1e-6), outingStart()
		opts.Check.Every = 4
		y := make([]float64, outingStates)
		observe := func(s *ode.Step) error {
			s.At((s.T0+s.T1)/2, y)
			return nil
		}
		steps := 0
		allocations := func(t1 float64) float64 {
			return testing.AllocsPerRun(5, func() {
				r, err := in.Solve(context.Background(), ode.Problem{System: sys, T1: t1, Y0: y0, Events: events, Observe: observe}, opts)
				require.NoError(t, err)
				require.Equal(t, ode.Done, r.Status)
				steps = r.Statistics.Steps
			})
		}
		short := allocations(0.01)
		few := steps
		long := allocations(300)
		require.Greater(t, steps, 3*few)
		require.Equal(t, short, long, "allocations; Jacobian stated %v", stated)
	}
}
