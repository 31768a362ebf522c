package ode_test

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/ode"
)

// system makes a System of a function.
type system struct {
	n int
	f func(t float64, y, dydt []float64)
}

func (s system) Dim() int                                 { return s.n }
func (s system) Derivatives(t float64, y, dydt []float64) { s.f(t, y, dydt) }

// ramp is y = t: linear, so one step goes any distance.
var ramp = system{1, func(_ float64, _, d []float64) { d[0] = 1 }}

// oscillator is y = (sin t, cos t).
var oscillator = system{2, func(_ float64, y, d []float64) { d[0], d[1] = y[1], -y[0] }}

func level(name string, state int, at float64, direction ode.Direction) ode.Event {
	return ode.Event{
		Name:      name,
		Value:     func(_ float64, y []float64) float64 { return y[state] - at },
		Direction: direction,
	}
}

// firing is when which events fired.
type firing struct {
	t     float64
	fired []int
}

// chain integrates from t0 to t1 through every event.
func chain(t require.TestingT, sys ode.System, t0, t1 float64, y []float64, events []ode.Event, opts ode.Options) (firings []firing) {
	var in ode.Integrator
	for t0 < t1 {
		r, err := in.Solve(context.Background(), ode.Problem{System: sys, T0: t0, T1: t1, Y0: y, Events: events}, opts)
		require.NoError(t, err)
		if r.Status == ode.EventFired {
			firings = append(firings, firing{r.T, r.Fired})
			require.LessOrEqual(t, len(firings), 1000, "the same event fires for ever")
		}
		t0, y = r.T, r.Y
	}
	return firings
}

func TestFiveEventsInOneStep(t *testing.T) {
	events := []ode.Event{
		level("c", 0, 0.3, ode.Rising), level("a", 0, 0.1, ode.Rising), level("e", 0, 0.5, ode.Rising),
		level("b", 0, 0.2, ode.Rising), level("d", 0, 0.4, ode.Rising),
	}
	got := chain(t, ramp, 0, 1, []float64{0}, events, ode.Options{FirstStep: 10})
	require.Len(t, got, 5)
	for i, k := range []int{1, 3, 0, 4, 2} {
		require.Equal(t, []int{k}, got[i].fired, "earliest first")
		require.InDelta(t, 0.1*float64(i+1), got[i].t, 1e-14)
	}
}

func TestEventsAtTheSameInstant(t *testing.T) {
	events := []ode.Event{
		level("one", 0, 0.5, ode.Rising),
		{Name: "same, steeper", Value: func(_ float64, y []float64) float64 { return 1e6 * (0.5 - y[0]) }},
		level("within the tolerance", 0, 0.5+2e-11, ode.Either),
		level("later", 0, 0.5001, ode.Either),
	}
	got := chain(t, ramp, 0, 1, []float64{0}, events, ode.Options{})
	require.Len(t, got, 2)
	require.Equal(t, []int{0, 1, 2}, got[0].fired)
	require.InDelta(t, 0.5, got[0].t, 1e-10)
	require.Equal(t, []int{3}, got[1].fired)
}

func TestDirectionFilter(t *testing.T) {
	tight := ode.Options{RelTol: 1e-9, AbsTol: []float64{1e-9, 1e-9}}
	for _, c := range []struct {
		name      string
		direction ode.Direction
		want      []float64 // in units of π
	}{
		{"rising", ode.Rising, []float64{2, 4}},
		{"falling", ode.Falling, []float64{1, 3, 5}},
		{"either", ode.Either, []float64{1, 2, 3, 4, 5}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := chain(t, oscillator, 0, 5.5*math.Pi, []float64{0, 1}, []ode.Event{level("zero", 0, 0, c.direction)}, tight)
			require.Len(t, got, len(c.want))
			for i, w := range c.want {
				require.InDelta(t, w*math.Pi, got[i].t, 1e-7)
			}
		})
	}
}

// TestRepeatedEvent fires a hundred times and drifts no further than the tolerance lets it.
func TestRepeatedEvent(t *testing.T) {
	got := chain(t, oscillator, 0, 100.5*math.Pi, []float64{0, 1}, []ode.Event{level("zero", 0, 0, ode.Either)},
		ode.Options{RelTol: 1e-10, AbsTol: []float64{1e-10, 1e-10}})
	require.Len(t, got, 100)
	for i, f := range got {
		require.InDelta(t, float64(i+1)*math.Pi, f.t, 1e-6)
	}
}

func TestStartOnAnEvent(t *testing.T) {
	var in ode.Integrator
	ctx := context.Background()
	event := []ode.Event{level("zero", 0, 0, ode.Either)}

	t.Run("leaving it does not fire", func(t *testing.T) {
		r, err := in.Solve(ctx, ode.Problem{System: ramp, T1: 1, Y0: []float64{0}, Events: event}, ode.Options{})
		require.NoError(t, err)
		require.Equal(t, ode.Done, r.Status)
		require.Equal(t, []int{0}, r.OnStart)
	})
	t.Run("coming back fires", func(t *testing.T) {
		r, err := in.Solve(ctx, ode.Problem{System: oscillator, T1: 5, Y0: []float64{0, 1}, Events: event}, ode.Options{RelTol: 1e-9, AbsTol: []float64{1e-9, 1e-9}})
		require.NoError(t, err)
		require.Equal(t, ode.EventFired, r.Status)
		require.InDelta(t, math.Pi, r.T, 1e-8)
	})
	t.Run("resting on it for a while does not fire", func(t *testing.T) {
		late := system{1, func(t float64, _, d []float64) { d[0] = math.Max(0, t-1) }}
		rests := event[0]
		rests.Band = 1e-5 // ten tolerances
		r, err := in.Solve(ctx, ode.Problem{System: late, T1: 3, Y0: []float64{0}, Events: []ode.Event{rests}}, ode.Options{})
		require.NoError(t, err)
		require.Equal(t, ode.Done, r.Status)
	})
	t.Run("a start beyond has crossed before", func(t *testing.T) {
		r, err := in.Solve(ctx, ode.Problem{System: ramp, T1: 1, Y0: []float64{0.5}, Events: event}, ode.Options{})
		require.NoError(t, err)
		require.Equal(t, ode.Done, r.Status)
		require.Empty(t, r.OnStart)
	})
	t.Run("turning back on the event does not fire it again", func(t *testing.T) {
		// A limit that reverses the motion: the state sits a rounding error
		// beyond it and crosses back at once.
		slope := 1.0
		sys := system{1, func(_ float64, _, d []float64) { d[0] = slope }}
		limit := []ode.Event{level("limit", 0, 400, ode.Either)}
		for _, start := range []float64{300, 399.3, 123.456} {
			slope = 1
			r, err := in.Solve(ctx, ode.Problem{System: sys, T1: 1000, Y0: []float64{start}, Events: limit}, ode.Options{})
			require.NoError(t, err)
			require.Equal(t, []int{0}, r.Fired)
			slope = -0.7
			r, err = in.Solve(ctx, ode.Problem{System: sys, T0: r.T, T1: r.T + 100, Y0: r.Y, Events: limit}, ode.Options{})
			require.NoError(t, err)
			require.Equal(t, ode.Done, r.Status)
			require.Equal(t, []int{0}, r.OnStart)
		}
	})
	t.Run("a call shorter than the tolerance", func(t *testing.T) {
		r, err := in.Solve(ctx, ode.Problem{System: ramp, T1: 1e-3, Y0: []float64{0}, Events: event}, ode.Options{EventTol: 1})
		require.NoError(t, err)
		require.Equal(t, ode.Done, r.Status)
		require.Equal(t, []int{0}, r.OnStart)
	})
}

// TestBand: a value that rests at zero with noise fires without a band only.
func TestBand(t *testing.T) {
	// A little noise about zero, then away and back across.
	shape := func(t float64) float64 {
		if t < 5 {
			return 1e-9 * math.Sin(1+20*t)
		}
		return 1e-9*math.Sin(101) + math.Sin(t-5)
	}
	event := ode.Event{Name: "noisy", Value: func(t float64, _ []float64) float64 { return shape(t) }}
	opts := ode.Options{MaxStep: 0.05}
	noisy := chain(t, ramp, 0, 10, []float64{0}, []ode.Event{event}, opts)
	require.Greater(t, len(noisy), 10)
	event.Band = 1e-6
	quiet := chain(t, ramp, 0, 10, []float64{0}, []ode.Event{event}, opts)
	require.Len(t, quiet, 1)
	require.InDelta(t, 5+math.Pi, quiet[0].t, 1e-6)
}

// TestCrossAndReturnInOneStep: the excursion is far shorter than the step, yet
// seen, because the value is linear in the states.
func TestCrossAndReturnInOneStep(t *testing.T) {
	const bottom = 1.3 // not where the value is looked at anyway
	parabola := system{1, func(t float64, _, d []float64) { d[0] = 2 * (t - bottom) }}
	for _, depth := range []float64{1e-2, 1e-4, 1e-6} {
		dip := []ode.Event{level("dip", 0, 0, ode.Either)}
		got := chain(t, parabola, 0, 3, []float64{bottom*bottom - depth}, dip, ode.Options{FirstStep: 3})
		require.Len(t, got, 2)
		// Closed form: (t − bottom)² = depth.
		allowed := 1e-11 / math.Sqrt(depth) // rounding of the state over the slope
		require.InDelta(t, bottom-math.Sqrt(depth), got[0].t, allowed)
		require.InDelta(t, bottom+math.Sqrt(depth), got[1].t, allowed)
	}
	t.Run("grazing from above without touching", func(t *testing.T) {
		dip := []ode.Event{level("dip", 0, 0, ode.Either)}
		require.Empty(t, chain(t, parabola, 0, 3, []float64{bottom*bottom + 1e-9}, dip, ode.Options{FirstStep: 3}))
	})
}

func TestEventAtTheEnd(t *testing.T) {
	got := chain(t, ramp, 0, 0.5, []float64{0}, []ode.Event{level("end", 0, 0.5, ode.Rising)}, ode.Options{})
	require.Len(t, got, 1)
	require.InDelta(t, 0.5, got[0].t, 1e-14)
}

// TestBouncingBall has closed-form bounces: 2 v/g apart, v falling by the
// restitution each time.
func TestBouncingBall(t *testing.T) {
	const g, height, restitution = 9.81, 1.0, 0.7
	ball := system{2, func(_ float64, y, d []float64) { d[0], d[1] = y[1], -g }}
	floor := []ode.Event{level("floor", 0, 0, ode.Falling)}
	var in ode.Integrator
	now, y := 0.0, []float64{height, 0}
	speed := math.Sqrt(2 * g * height)
	want := speed / g
	for bounce := range 25 {
		r, err := in.Solve(context.Background(), ode.Problem{System: ball, T0: now, T1: 10, Y0: y, Events: floor}, ode.Options{})
		require.NoError(t, err)
		require.Equal(t, ode.EventFired, r.Status, "bounce %d", bounce)
		require.InDelta(t, want, r.T, 1e-9, "bounce %d", bounce)
		require.InDelta(t, -speed, r.Y[1], 1e-8)
		now, y = r.T, []float64{r.Y[0], -restitution * r.Y[1]}
		speed *= restitution
		want += 2 * speed / g
	}
}

// TestStateAtTheEvent: the state returned lies on the far side of zero, so that
// nothing that compares it with the limit disagrees with the event.
func TestStateAtTheEvent(t *testing.T) {
	cooling := system{1, func(_ float64, y, d []float64) { d[0] = -0.01 * (y[0] - 293) }}
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Float64Range(300, 390).Draw(t, "limit")
		var in ode.Integrator
		r, err := in.Solve(context.Background(), ode.Problem{System: cooling, T1: 1000, Y0: []float64{400}, Events: []ode.Event{level("cold", 0, at, ode.Falling)}}, ode.Options{RelTol: 1e-8, AbsTol: []float64{1e-6}})
		require.NoError(t, err)
		require.Equal(t, ode.EventFired, r.Status)
		require.LessOrEqual(t, r.Y[0], at)
		require.InDelta(t, 100*math.Log(107/(at-293)), r.T, 1e-4) // closed form
	})
}

// TestEarliestCrossingOfACubic compares with a search by brute force: cubics are
// integrated within 1e-7 (what ∂f/∂t by differences leaves), so every crossing must be found.
func TestEarliestCrossingOfACubic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SliceOfN(rapid.Float64Range(-3, 3), 4, 4).Draw(t, "coefficients")
		direction := rapid.SampledFrom([]ode.Direction{ode.Rising, ode.Falling, ode.Either}).Draw(t, "direction")
		p := func(x float64) float64 { return c[0] + x*(c[1]+x*(c[2]+x*c[3])) }
		sys := system{1, func(t float64, _, d []float64) { d[0] = c[1] + t*(2*c[2]+t*3*c[3]) }}
		r, err := ode.Solve(context.Background(), ode.Problem{System: sys, T1: 2, Y0: []float64{c[0]}, Events: []ode.Event{level("zero", 0, 0, direction)}}, ode.Options{})
		require.NoError(t, err)

		const grid = 20000
		want := math.Inf(1)
		for i := 1; i <= grid; i++ {
			a, b := p(2*float64(i-1)/grid), p(2*float64(i)/grid)
			if i == 1 && math.Abs(a) < 1e-9 {
				return // starts on zero: another test
			}
			if a < 0 && b >= 0 && direction != ode.Falling || a > 0 && b <= 0 && direction != ode.Rising {
				want = 2 * (float64(i) - 0.5) / grid
				break
			}
		}
		if math.IsInf(want, 1) {
			if r.Status == ode.EventFired { // the grid may miss a crossing, the integrator must not invent one
				require.InDelta(t, 0, p(r.T), 1e-6)
			}
			return
		}
		require.Equal(t, ode.EventFired, r.Status, "crossing near %g", want)
		require.LessOrEqual(t, r.T, want+2.0/grid)
		require.InDelta(t, 0, p(r.T), 1e-6)
	})
}

func TestEventValueNaN(t *testing.T) {
	bad := ode.Event{Name: "fuse", Value: func(t float64, _ []float64) float64 { return math.Sqrt(0.5 - t) }}
	r, err := ode.Solve(context.Background(), ode.Problem{System: ramp, T1: 1, Y0: []float64{0}, Events: []ode.Event{bad}}, ode.Options{})
	var typed *ode.EventValueError
	require.ErrorAs(t, err, &typed)
	require.Equal(t, "fuse", typed.Name)
	require.ErrorContains(t, err, `event "fuse" is not a number`)
	require.Less(t, r.T, 1.0)
}

// TestEventsLookedAtTogether: one look at all events finds what looks at each of them find.
func TestEventsLookedAtTogether(t *testing.T) {
	sys := &outing{throttle: 1, air: 300}
	events := outingEvents()
	run := func(together func(t float64, y, values []float64), events []ode.Event) ode.Result {
		var in ode.Integrator
		r, err := in.Solve(context.Background(), ode.Problem{System: sys, T1: 7200, Y0: outingStart(), Events: events, EventValues: together}, outingTolerance(1e-5))
		require.NoError(t, err)
		return r
	}
	want := run(nil, events)
	require.Equal(t, ode.EventFired, want.Status)
	together := func(at float64, y, values []float64) {
		for k := range events {
			values[k] = events[k].Value(at, y)
		}
	}
	blank := make([]ode.Event, len(events))
	for k := range blank {
		blank[k] = ode.Event{Name: events[k].Name, Direction: events[k].Direction}
	}
	got := run(together, blank)
	require.Equal(t, want.Fired, got.Fired)
	require.Equal(t, want.T, got.T)
	require.Equal(t, want.Y, got.Y)
}

// TestARefusedStepEndsOnTheEventAhead: a ramp sets something off where it passes 0.7. The step across that kink is refused; the next
// ends on the event that lies there, in place of many that feel their way to it.
func TestARefusedStepEndsOnTheEventAhead(t *testing.T) {
	sys := system{2, func(_ float64, y, d []float64) {
		d[0], d[1] = 1, 100*max(0, y[0]-0.7)-y[1]
	}}
	kink := ode.Event{Name: "kink", Value: func(_ float64, y []float64) float64 { return y[0] - 0.7 }}
	r, err := ode.Solve(t.Context(), ode.Problem{System: sys, T1: 1, Y0: []float64{0, 0}, Events: []ode.Event{kink}}, ode.Options{RelTol: 1e-6, AbsTol: []float64{1e-3, 1e-3}, FirstStep: 0.45})
	require.NoError(t, err)
	require.InDelta(t, 0.7, r.T, 1e-6)
	require.LessOrEqual(t, r.Statistics.Rejected, 3) // 5 before; one of them by the guard at the event
}
