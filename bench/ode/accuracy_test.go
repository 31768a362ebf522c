package ode_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
)

// TestKnownEnds runs every problem with a known end at three tolerances: the
// error must stay within a hundred tolerances (a global error gathers over steps).
func TestKnownEnds(t *testing.T) {
	for _, p := range problems {
		for _, tol := range []float64{1e-4, 1e-6, 1e-8} {
			t.Run(fmt.Sprintf("%s at %g", p.name, tol), func(t *testing.T) {
				var in ode.Integrator
				r, err := in.Solve(context.Background(), ode.Problem{System: p, T0: p.t0, T1: p.t1, Y0: p.y0}, p.options(tol))
				require.NoError(t, err)
				require.Equal(t, p.t1, r.T)
				for i := range p.want {
					allowed := 100 * tol * math.Max(math.Abs(p.want[i]), p.scale[i])
					require.InDelta(t, p.want[i], r.Y[i], allowed, "state %d; reference: %s", i, p.source)
				}
				t.Logf("%+v", r.Statistics)
			})
		}
	}
}

// TestTwoRoutesOneAnswer: with the Jacobian stated or by differences the outing ends alike, after as many steps.
func TestTwoRoutesOneAnswer(t *testing.T) {
	o := &outing{}
	tol := 1e-5
	opts := outingTolerance(tol)
	var ends [][]float64
	var steps []float64
	for _, sys := range []ode.System{analytic{o}, o} {
		y, st, err := o.run(new(ode.Integrator), sys, nil, opts, nil)
		require.NoError(t, err)
		ends, steps = append(ends, y), append(steps, float64(st.Steps))
	}
	require.InEpsilon(t, steps[0], steps[1], 0.02)
	for _, y := range ends[1:] {
		for k := range y {
			require.InDelta(t, ends[0][k], y[k], 0.1*(opts.AbsTol[k]+tol*math.Abs(y[k])), "state %d", k)
		}
	}
}

// TestFastForcingFromTheStart: a long call does not make a bold start. At any
// phase of a forcing with two hundred million swings the first step fits the forcing.
func TestFastForcingFromTheStart(t *testing.T) {
	const omega = 2e5
	first := errors.New("one step is enough")
	for _, tol := range []float64{1e-4, 1e-6, 1e-8} {
		for phase := 0.0; phase < 2*math.Pi; phase += 0.1 {
			sys := system{1, func(t float64, _, d []float64) { d[0] = omega * math.Cos(omega*t+phase) }}
			r, err := ode.Solve(context.Background(), ode.Problem{System: sys, T1: 7200, Y0: []float64{math.Sin(phase)}, Observe: func(*ode.Step) error { return first }}, ode.Options{RelTol: tol})
			require.ErrorIs(t, err, first)
			require.InDelta(t, math.Sin(omega*r.T+phase), r.Y[0], tol)
			require.LessOrEqual(t, r.Statistics.Rejected, 2, "tolerance %g, phase %g", tol, phase)
			require.Greater(t, omega*r.T, 0.1*math.Pow(tol, 0.25), "no overcautious start either")
		}
	}
}
