package ode_test

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
)

// pulsed is y' = −y with a pulse of area one, far narrower than a step, in the
// middle of the first half of the step from 4 to 5: no stage of a whole step
// comes near it.
var pulsed = system{1, func(t float64, y, d []float64) {
	x := (t - 4.1607) / 0.004
	d[0] = -y[0] + math.Exp(-x*x/2)/(0.004*math.Sqrt(2*math.Pi))
}}

// bold steps by one second, whatever the pulse.
var bold = ode.Options{RelTol: 1e-3, AbsTol: []float64{1e-2}, MaxStep: 1, FirstStep: 1}

// TestGuard: the error estimate alone steps over the pulse and gives a wrong
// answer; the guard says so.
func TestGuard(t *testing.T) {
	const right = 0.0029 // e^-10 + e^(4.16-10)
	run := func(change func(*ode.Options)) (ode.Result, error) {
		opts := bold
		change(&opts)
		return ode.Solve(context.Background(), ode.Problem{System: pulsed, T1: 10, Y0: []float64{1}}, opts)
	}

	t.Run("without it the answer is wrong", func(t *testing.T) {
		r, err := run(func(o *ode.Options) { o.Check.Every = -1 })
		require.NoError(t, err)
		require.Less(t, r.Y[0], right/10)
		require.Zero(t, r.Statistics.Checked)
	})
	t.Run("the statistics tell", func(t *testing.T) {
		r, err := run(func(o *ode.Options) { o.Check.Every = 1 })
		require.NoError(t, err)
		require.Equal(t, r.Statistics.Steps, r.Statistics.Checked)
		require.Equal(t, 1, r.Statistics.Suspect)
		require.InDelta(t, 4.16, r.Statistics.Worst.T, 1)
		require.Greater(t, r.Statistics.Worst.End, 10.0)
	})
	t.Run("or an error names the place", func(t *testing.T) {
		_, err := run(func(o *ode.Options) { o.Check = ode.CheckOptions{Every: 1, Fail: true} })
		var typed *ode.SuspectError
		require.ErrorAs(t, err, &typed)
		require.Equal(t, 0, typed.State)
		require.LessOrEqual(t, typed.T, 4.16)
		require.GreaterOrEqual(t, typed.T+typed.H, 4.16)
	})
	t.Run("MaxStep cures it", func(t *testing.T) {
		r, err := run(func(o *ode.Options) { o.MaxStep = 0.004 })
		require.NoError(t, err)
		require.InDelta(t, right, r.Y[0], 1e-4)
		require.Zero(t, r.Statistics.Suspect)
	})
	t.Run("samples come round", func(t *testing.T) {
		// One step in four is checked, wherever the sample begins: over many
		// calls that begin at different times a quarter in all.
		var total ode.Statistics
		for call := range 200 {
			r, err := ode.Solve(context.Background(), ode.Problem{System: oscillator, T0: float64(call) / 7, T1: float64(call)/7 + 1, Y0: []float64{0, 1}}, ode.Options{Check: ode.CheckOptions{Every: 4}})
			require.NoError(t, err)
			total.Add(r.Statistics)
		}
		require.InEpsilon(t, 0.25, float64(total.Checked)/float64(total.Steps), 0.1)
	})
}

// TestNoFalseAlarm: sound runs raise no suspicion.
func TestNoFalseAlarm(t *testing.T) {
	every := ode.CheckOptions{Every: 1}
	for _, p := range problems {
		for _, tol := range []float64{1e-4, 1e-6, 1e-8} {
			opts := p.options(tol)
			opts.Check = every
			r, err := ode.Solve(context.Background(), ode.Problem{System: p, T0: p.t0, T1: p.t1, Y0: p.y0}, opts)
			require.NoError(t, err)
			require.Zero(t, r.Statistics.Suspect, "%s at %g: %+v", p.name, tol, r.Statistics.Worst)
		}
	}
	opts := outingTolerance(1e-4)
	opts.Check = every
	o := &outing{}
	_, st, err := o.run(new(ode.Integrator), o, nil, opts, nil)
	require.NoError(t, err)
	require.Zero(t, st.Suspect, "%+v", st.Worst)
}

// TestEventStepIsRefined: the dense output can be many tolerances off where the
// steps are not (Robertson: its middle state), so a step in which an event
// fires is halved until it agrees. The event is in time alone: what is left is
// the error of the state. Reference: the same method at a thousandth of the tolerance.
func TestEventStepIsRefined(t *testing.T) {
	p, tol := robertson, 1e-8
	worst := func(every int) (worst float64) {
		for k := range 40 {
			at := math.Pow(800, float64(k)/39)
			event := []ode.Event{{Name: "clock", Value: func(t float64, _ []float64) float64 { return t - at }}}
			opts := p.options(tol)
			opts.Check.Every = every
			var in ode.Integrator
			r, err := in.Solve(context.Background(), ode.Problem{System: p, T1: 1000, Y0: p.y0, Events: event}, opts)
			require.NoError(t, err)
			require.InDelta(t, at, r.T, 1e-7)
			want, err := in.Solve(context.Background(), ode.Problem{System: p, T1: r.T, Y0: p.y0}, p.options(tol/1000))
			require.NoError(t, err)
			for i := range r.Y {
				worst = math.Max(worst, math.Abs(r.Y[i]-want.Y[i])/(opts.AbsTol[i]+tol*want.Y[i]))
			}
		}
		return worst
	}
	require.Less(t, worst(1e9), 3.0, "tolerances, with the guard at events only")
	require.Greater(t, worst(-1), 6.0, "tolerances, without any: else this test shows nothing")
}
