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
				r, err := in.Integrate(context.Background(), p, p.t0, p.t1, p.y0, nil, p.options(tol), nil)
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

// TestOutingJacobian: the outing's stated pattern and Jacobian agree with
// differences, within the limits, at a limit and while derating.
func TestOutingJacobian(t *testing.T) {
	for name, change := range map[string]func(o *outing, y []float64){
		"free":             func(o *outing, y []float64) {},
		"at the limit":     func(o *outing, y []float64) { y[2] = 5 },
		"astern":           func(o *outing, y []float64) { o.throttle = -0.8 },
		"derating":         func(o *outing, y []float64) { y[2], y[o.node(1, 1)] = 5, 380 },
		"battery drained":  func(o *outing, y []float64) { y[4] = 8e5 },
		"parts below air":  func(o *outing, y []float64) { o.air = 320 },
		"current backward": func(o *outing, y []float64) { y[0] = -80 },
	} {
		o := &outing{throttle: 0.3, air: 293}
		y := outingStart()
		for k := 8; k < len(y); k++ {
			y[k] += 10 + 3*math.Sin(float64(k))
		}
		y[0], y[1], y[2], y[3], y[4], y[5], y[6] = 60, 50, 120, 2, 1e5, 0.1, 0.2
		change(o, y)
		require.NoError(t, ode.VerifyJacobian(analytic{o}, 0, y, outingTolerance(1).AbsTol), name)
	}
}

// TestThreeRoutesOneAnswer: with the Jacobian stated, by grouped differences, or
// by plain differences and dense factors, the outing ends alike.
func TestThreeRoutesOneAnswer(t *testing.T) {
	o := &outing{}
	tol := 1e-5
	opts := outingTolerance(tol)
	var ends [][]float64
	for _, sys := range []ode.System{analytic{o}, o, dense{o}} {
		y, _, err := o.run(new(ode.Integrator), sys, nil, opts, nil)
		require.NoError(t, err)
		ends = append(ends, y)
	}
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
			r, err := new(ode.Integrator).Integrate(context.Background(), sys, 0, 7200, []float64{math.Sin(phase)}, nil, ode.Options{RelTol: tol},
				func(*ode.Step) error { return first })
			require.ErrorIs(t, err, first)
			require.InDelta(t, math.Sin(omega*r.T+phase), r.Y[0], tol)
			require.LessOrEqual(t, r.Statistics.Rejected, 2, "tolerance %g, phase %g", tol, phase)
			require.Greater(t, omega*r.T, 0.1*math.Pow(tol, 0.25), "no overcautious start either")
		}
	}
}
