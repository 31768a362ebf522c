package ode_test

import (
	"context"
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
)

func TestCancelGivesWhatThereIs(t *testing.T) {
	ctx, cancel := context.WithCancelCause(context.Background())
	why := errors.New("the person pressed Ctrl-C")
	steps := 0
	r, err := ode.Solve(ctx, ode.Problem{System: oscillator, T1: 100, Y0: []float64{0, 1}, Observe: func(s *ode.Step) error {
		if steps++; steps == 10 {
			cancel(why)
		}
		return nil
	}}, ode.Options{})
	require.ErrorIs(t, err, why)
	var typed *ode.CanceledError
	require.ErrorAs(t, err, &typed)
	require.Equal(t, r.T, typed.T)
	require.Equal(t, 10, r.Statistics.Steps, "no step after the cancel")
	require.InDelta(t, math.Sin(r.T), r.Y[0], 1e-4)
}

func TestObserverStops(t *testing.T) {
	full := errors.New("disk full")
	r, err := ode.Solve(context.Background(), ode.Problem{System: oscillator, T1: 100, Y0: []float64{0, 1}, Observe: func(s *ode.Step) error { return full }}, ode.Options{})
	require.ErrorIs(t, err, full)
	require.Equal(t, 1, r.Statistics.Steps)
	require.InDelta(t, math.Sin(r.T), r.Y[0], 1e-4)
}

func TestNonFinite(t *testing.T) {
	t.Run("derivative beyond a point", func(t *testing.T) {
		sys := system{2, func(_ float64, y, d []float64) {
			d[0], d[1] = 1, -y[1]
			if y[0] > 2 {
				d[1] = math.NaN()
			}
		}}
		r, err := ode.Solve(context.Background(), ode.Problem{System: sys, T1: 10, Y0: []float64{0, 1}}, ode.Options{})
		var typed *ode.NonFiniteError
		require.ErrorAs(t, err, &typed)
		require.Equal(t, 1, typed.State)
		require.InDelta(t, 2, typed.T, 1e-6)
		require.InDelta(t, 2, r.T, 1e-6, "all that can be had is had")
		require.ErrorContains(t, err, "derivative of state 1 is NaN at t = 2")
	})
	t.Run("only in trial stages", func(t *testing.T) {
		// √y is no number where a bold step overshoots to y < 0; the solution
		// (1 − t/2)² of y' = −√y stays above.
		sys := system{1, func(_ float64, y, d []float64) { d[0] = -math.Sqrt(y[0]) }}
		r, err := ode.Solve(context.Background(), ode.Problem{System: sys, T1: 1.99, Y0: []float64{1}}, ode.Options{FirstStep: 1.99, RelTol: 1e-8, AbsTol: []float64{1e-10}})
		require.NoError(t, err)
		require.InDelta(t, 0.005*0.005, r.Y[0], 1e-8)
		require.Positive(t, r.Statistics.Rejected)
	})
	t.Run("initial value", func(t *testing.T) {
		_, err := ode.Solve(context.Background(), ode.Problem{System: oscillator, T1: 1, Y0: []float64{0, math.Inf(1)}}, ode.Options{})
		require.ErrorContains(t, err, "initial value of state 1 is +Inf")
	})
	t.Run("at the start", func(t *testing.T) {
		sys := system{1, func(_ float64, y, d []float64) { d[0] = math.Log(-1) }}
		_, err := ode.Solve(context.Background(), ode.Problem{System: sys, T0: 3, T1: 4, Y0: []float64{0}}, ode.Options{})
		require.ErrorContains(t, err, "derivative of state 0 is NaN at t = 3")
	})
	t.Run("jacobian", func(t *testing.T) {
		_, err := ode.Solve(context.Background(), ode.Problem{System: badJacobian{}, T1: 1, Y0: []float64{1}}, ode.Options{})
		require.ErrorContains(t, err, "jacobian of state 0 is NaN")
	})
}

type badJacobian struct{}

func (badJacobian) Dim() int                              { return 1 }
func (badJacobian) Derivatives(_ float64, y, d []float64) { d[0] = -y[0] }
func (badJacobian) Jacobian(_ float64, _, jac []float64)  { jac[0] = math.NaN() }

// TestBlowUp: y' = y² from 1 is 1/(1−t): there is no answer beyond t = 1.
func TestBlowUp(t *testing.T) {
	sys := system{1, func(_ float64, y, d []float64) { d[0] = y[0] * y[0] }}
	r, err := ode.Solve(context.Background(), ode.Problem{System: sys, T1: 2, Y0: []float64{1}}, ode.Options{})
	var typed *ode.StepSizeError
	require.ErrorAs(t, err, &typed)
	require.Equal(t, 0, typed.State)
	require.InDelta(t, 1, r.T, 1e-4)
}

func TestTooManySteps(t *testing.T) {
	r, err := ode.Solve(context.Background(), ode.Problem{System: oscillator, T1: 1e6, Y0: []float64{0, 1}}, ode.Options{MaxSteps: 50})
	var typed *ode.TooManyStepsError
	require.ErrorAs(t, err, &typed)
	require.Equal(t, 50, typed.Steps)
	require.Equal(t, r.T, typed.T)
	require.Equal(t, 50, r.Statistics.Steps+r.Statistics.Rejected)
}

func TestOptionsRefused(t *testing.T) {
	ok := []float64{1e-6, 1e-6}
	for _, c := range []struct {
		name   string
		t0, t1 float64
		opts   ode.Options
		want   string
	}{
		{"loose", 0, 1, ode.Options{RelTol: 0.1, AbsTol: ok}, "relative tolerance = 0.1: want 1e-12 to 1e-3"},
		{"tight", 0, 1, ode.Options{RelTol: 1e-15, AbsTol: ok}, "relative tolerance"},
		{"NaN", 0, 1, ode.Options{RelTol: math.NaN(), AbsTol: ok}, "relative tolerance"},
		{"zero absolute", 0, 1, ode.Options{AbsTol: []float64{1e-6, 0}}, "absolute tolerance of state 1 = 0"},
		{"backwards", 1, 0, ode.Options{}, "t1 = 0: want a finite time not before t0 = 1"},
		{"endless", 0, math.Inf(1), ode.Options{}, "t1 = +Inf"},
		{"no start", math.NaN(), 1, ode.Options{}, "t0 = NaN"},
		{"negative step", 0, 1, ode.Options{MaxStep: -1}, "largest step = -1"},
		{"negative steps", 0, 1, ode.Options{MaxSteps: -1}, "largest number of steps = -1"},
		{"NaN event tolerance", 0, 1, ode.Options{EventTol: math.NaN()}, "event tolerance = NaN"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ode.Solve(context.Background(), ode.Problem{System: oscillator, T0: c.t0, T1: c.t1, Y0: []float64{0, 1}}, c.opts)
			var typed *ode.OptionError
			require.ErrorAs(t, err, &typed)
			require.ErrorContains(t, err, c.want)
		})
	}
}

func TestMisusePanics(t *testing.T) {
	run := func(y []float64, atol []float64) func() {
		return func() {
			_, _ = ode.Solve(context.Background(), ode.Problem{System: oscillator, T1: 1, Y0: y}, ode.Options{AbsTol: atol})
		}
	}
	require.PanicsWithValue(t, "ode: 1 initial values for 2 states", run([]float64{0}, nil))
	require.PanicsWithValue(t, "ode: 3 absolute tolerances for 2 states", run([]float64{0, 1}, []float64{1, 1, 1}))
}

func TestNothingToDo(t *testing.T) {
	y := []float64{0.25, 1}
	r, err := ode.Solve(context.Background(), ode.Problem{System: oscillator, T0: 3, T1: 3, Y0: y}, ode.Options{})
	require.NoError(t, err)
	require.Equal(t, ode.Done, r.Status)
	require.Equal(t, 3.0, r.T)
	require.Equal(t, y, r.Y)
}

// TestPlain: what goes on to a person has none of the integrator's words, and that a context ended is that alone.
func TestPlain(t *testing.T) {
	for _, cause := range []error{
		&ode.TooManyStepsError{T: 3, Steps: 100000}, &ode.StepSizeError{T: 3}, &ode.NonFiniteError{What: "jacobian", T: 3},
		&ode.EventValueError{Name: "fuse", T: 3}, &ode.SuspectError{},
	} {
		err := ode.Plain(3, cause)
		require.NotRegexp(t, `(?i)ode:|maxsteps|step size|chatter|tolerance|derivative|jacobian|event "`, err.Error())
		require.ErrorContains(t, err, "nothing can be computed beyond 3 s")
		require.ErrorIs(t, err, cause)
	}
	require.Equal(t, context.Canceled, ode.Plain(3, &ode.CanceledError{T: 2, Cause: context.Canceled}))
}
