package control_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/control"
	"quaybench/bench/settings"
)

// typical returns a set of settings with everything in it, in round numbers.
func typical() settings.Set {
	var s settings.Set
	s.Limits = settings.Limits{MotorCurrent: 100, AsternCurrent: 80, BrakingCurrent: 60, BatteryCurrent: 90, ChargeCurrent: 30, Duty: 1}
	s.Ramp = settings.Ramp{Rise: 2, Fall: 0.5, Reversal: 1}
	s.Throttle = settings.Throttle{Deadband: 0.05, Curve: 1, FilterTime: 0.002, Demand: "torque", NeutralStart: true}
	s.Derating = settings.Derating{StageStart: 350, StageEnd: 360, MotorStart: 400, MotorEnd: 440, MotorSensor: "winding", Floor: 0, Combine: "smallest", FilterTime: 1}
	s.LowVoltage = settings.LowVoltage{Start: 46, End: 44, CutOff: 43, CutOffDelay: 2, FilterTime: 0.2}
	s.HighVoltage = settings.HighVoltage{Start: 56, End: 58}
	s.Stall = settings.Stall{Time: 4, Speed: 6, Current: 0.3}
	return s
}

// healthy returns what a controller sees when nothing is wrong.
func healthy(lever float64) control.Measured {
	return control.Measured{Lever: lever, Voltage: 52, StageTemperature: 300, MotorTemperature: 310, MotorCurrent: 50, Speed: 100}
}

func TestLeverShape(t *testing.T) {
	for _, c := range []struct{ curve, deadband, lever, want float64 }{
		{1, 0.05, 0, 0},
		{1, 0.05, 0.05, 0},
		{1, 0.05, 0.525, 0.5},
		{1, 0.05, 1, 1},
		{1, 0.05, -1, -1},
		{1, 0.05, 1.2, 1}, // a lever past its stop
		{2, 0, 0.5, 0.25},
		{2, 0, -0.5, -0.25},
		{0.5, 0, 0.25, 0.5},
	} {
		s := typical()
		s.Throttle.Curve, s.Throttle.Deadband = c.curve, c.deadband
		assert.InDelta(t, c.want, control.New(s).Shape(c.lever), 1e-12, "%+v", c)
	}
}

// TestASwitchedOnControllerForgets: whatever the state held, a controller just switched on has no time, demand or boost behind it.
func TestASwitchedOnControllerForgets(t *testing.T) {
	law := control.New(typical())
	fresh, used := make([]float64, control.States), make([]float64, control.States)
	for i := range used {
		used[i] = 7
	}
	assert.Equal(t, law.Start(healthy(0), fresh), law.Start(healthy(0), used))
	assert.Equal(t, fresh, used)
}

func TestLeverShapeIsOddAndRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := typical()
		s.Throttle.Curve = rapid.Float64Range(0.2, 5).Draw(t, "curve")
		s.Throttle.Deadband = rapid.Float64Range(0, 0.4).Draw(t, "deadband")
		law := control.New(s)
		a, b := rapid.Float64Range(-1, 1).Draw(t, "a"), rapid.Float64Range(-1, 1).Draw(t, "b")
		require.Equal(t, -law.Shape(a), law.Shape(-a))
		require.LessOrEqual(t, law.Shape(min(a, b)), law.Shape(max(a, b)))
		require.LessOrEqual(t, math.Abs(law.Shape(a)), 1.0)
	})
}

// TestRampsAreStraightAndAsLongAsSet follows the demand and compares it with the straight line drawn by hand: a stretch
// at the rate that is set, and an exponential end once the lever's filter is slower than the ramp.
func TestRampsAreStraightAndAsLongAsSet(t *testing.T) {
	const filter = 0.002
	for _, c := range []struct {
		name           string
		from, lever    float64
		way            float64 // the demand's way to its end or to neutral
		seconds        float64 // for all of the demand
		after, crossed float64 // what it does then: the other side's rise; when neutral is passed, s
	}{
		{"rise ahead", 0, 1, 1, 2, 0, 0},
		{"rise astern", 0, -1, -1, 2, 0, 0},
		{"fall to neutral", 1, 0, -1, 0.5, 0, 0},
		{"fall to neutral from astern", -1, 0, 1, 0.5, 0, 0},
		{"fall to half", 1, 0.525, -0.5, 0.5, 0, 0},
		{"reversal from ahead", 1, -1, -1, 1, -1, 1},
		{"reversal from astern", -1, 1, 1, 1, 1, 1},
		{"reversal from half", 0.5, -1, -0.5, 1, -1, 0.5},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newLawRun(t, typical(), func(float64) control.Measured { return healthy(c.lever) })
			r.mode.Released = true
			r.x[control.Demand] = c.from
			rate := math.Copysign(1/c.seconds, c.way)
			straight := math.Abs(c.way) * c.seconds // until it is there at that rate
			for r.t < straight+4 {
				r.advance(r.t + 0.05)
				got := r.x[control.Demand]
				switch bend := straight - filter; {
				case c.crossed > 0 && r.t <= c.crossed:
					require.InDelta(t, c.from+rate*r.t, got, 1e-6, "at %g s", r.t)
				case c.crossed > 0 && r.t <= c.crossed+2-filter:
					require.InDelta(t, c.after*(r.t-c.crossed)/2, got, 1e-6, "at %g s, on the other side", r.t)
				case c.crossed > 0:
				case r.t <= bend:
					require.InDelta(t, c.from+rate*r.t, got, 1e-6, "at %g s", r.t)
				default:
					require.InDelta(t, c.from+c.way-rate*filter*math.Exp(-(r.t-bend)/filter), got, 1e-5, "at %g s", r.t)
				}
			}
			require.InDelta(t, control.New(typical()).Shape(c.lever), r.x[control.Demand], 1e-9, "at last it is where the lever asks")
		})
	}
}

func TestLimitsPerQuadrant(t *testing.T) {
	law := control.New(typical())
	x := make([]float64, control.States)
	mode := law.Start(healthy(0), x)
	c := law.Output(x, mode)
	assert.Equal(t, control.Command{
		Ahead: 100, Astern: 80, Braking: 60, FullAhead: 100, FullAstern: 80, BatteryLimit: 90, ChargeLimit: 30, Duty: 1,
		Deratings: control.Deratings{Stage: 1, Motor: 1, LowVoltage: 1, HighVoltage: 1, Driving: 1, Braking: 1},
	}, c)
	s := typical()
	s.Throttle.Demand = "voltage"
	assert.True(t, control.New(s).Output(x, mode).Voltage)
}

// TestDeratingsActInTheirQuadrants: low voltage holds back driving only, high voltage braking only, heat both.
func TestDeratingsActInTheirQuadrants(t *testing.T) {
	const stage, motor, voltage = control.StageSensor, control.MotorSensor, control.Voltage
	for _, c := range []struct {
		name             string
		see              map[int]float64 // filtered values
		change           func(*settings.Set)
		driving, braking float64
	}{
		{"nothing", nil, nil, 1, 1},
		{"stage at its start", map[int]float64{stage: 350}, nil, 1, 1},
		{"stage halfway", map[int]float64{stage: 355}, nil, 0.5, 0.5},
		{"stage at its end", map[int]float64{stage: 360}, nil, 0, 0},
		{"stage beyond", map[int]float64{stage: 400}, nil, 0, 0},
		{"stage beyond, with a floor", map[int]float64{stage: 400}, func(s *settings.Set) { s.Derating.Floor = 0.2 }, 0.2, 0.2},
		{"stage halfway, with a floor", map[int]float64{stage: 355}, func(s *settings.Set) { s.Derating.Floor = 0.2 }, 0.6, 0.6},
		{"motor a quarter", map[int]float64{motor: 410}, nil, 0.75, 0.75},
		{"motor hot, no sensor", map[int]float64{motor: 500}, func(s *settings.Set) { s.Derating.MotorSensor = "none" }, 1, 1},
		{"low voltage halfway", map[int]float64{voltage: 45}, nil, 0.5, 1},
		{"low voltage at its end, floor does not help", map[int]float64{voltage: 44}, func(s *settings.Set) { s.Derating.Floor = 0.2 }, 0, 1},
		{"high voltage halfway", map[int]float64{voltage: 57}, nil, 1, 0.5},
		{"high voltage beyond", map[int]float64{voltage: 60}, nil, 1, 0},
		{"high voltage, not set", map[int]float64{voltage: 60}, func(s *settings.Set) { s.HighVoltage = settings.HighVoltage{} }, 1, 1},
		{"two, the smallest wins", map[int]float64{stage: 355, motor: 410, voltage: 45.5}, nil, 0.5, 0.5},
		{"two, their product", map[int]float64{stage: 355, motor: 410, voltage: 45.5}, func(s *settings.Set) { s.Derating.Combine = "product" }, 0.5 * 0.75 * 0.75, 0.5 * 0.75},
		{"boost does not bypass one", map[int]float64{stage: 355}, func(s *settings.Set) { s.Boost = settings.Boost{Current: 150, Time: 10, Rest: 60} }, 0.5, 0.5},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := typical()
			if c.change != nil {
				c.change(&s)
			}
			law := control.New(s)
			x := make([]float64, control.States)
			mode := law.Start(healthy(0), x)
			for i, v := range c.see {
				x[i] = v
			}
			got := law.Output(x, mode)
			full := max(s.Limits.MotorCurrent, s.Boost.Current)
			assert.InDelta(t, c.driving*full, got.Ahead, 1e-9, "ahead")
			assert.InDelta(t, c.driving*80, got.Astern, 1e-9, "astern")
			assert.InDelta(t, c.braking*60, got.Braking, 1e-9, "braking")
			assert.InDelta(t, full, got.FullAhead, 1e-9, "what full lever asks for is not derated")
		})
	}
}

// TestMoreHeatNeverAllowsMoreCurrent, nor does a lower voltage while driving or a higher one while braking.
func TestMoreHeatNeverAllowsMoreCurrent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := typical()
		s.Derating.Combine = rapid.SampledFrom([]string{"smallest", "product"}).Draw(t, "combine")
		s.Derating.Floor = rapid.Float64Range(0, 1).Draw(t, "floor")
		law := control.New(s)
		x := make([]float64, control.States)
		mode := law.Start(healthy(0), x)
		x[control.StageSensor] = rapid.Float64Range(330, 380).Draw(t, "stage")
		x[control.MotorSensor] = rapid.Float64Range(380, 460).Draw(t, "motor")
		x[control.Voltage] = rapid.Float64Range(42, 60).Draw(t, "voltage")
		before := law.Output(x, mode)
		which := rapid.SampledFrom([]int{control.StageSensor, control.MotorSensor, control.Voltage}).Draw(t, "which")
		x[which] += rapid.Float64Range(0, 20).Draw(t, "more")
		after := law.Output(x, mode)
		require.LessOrEqual(t, after.Braking, before.Braking)
		if which == control.Voltage {
			require.GreaterOrEqual(t, after.Ahead, before.Ahead)
		} else {
			require.LessOrEqual(t, after.Ahead, before.Ahead)
			require.LessOrEqual(t, after.Astern, before.Astern)
		}
	})
}

// TestFiltersAreOfFirstOrder: a step of what is measured is seen with its time constant.
func TestFiltersAreOfFirstOrder(t *testing.T) {
	r := newLawRun(t, typical(), func(float64) control.Measured {
		m := healthy(0)
		m.Voltage, m.StageTemperature, m.MotorTemperature = 50, 340, 330
		return m
	})
	require.Equal(t, 50.0, r.x[control.Voltage], "a controller just switched on begins with what it sees")
	r.x[control.Voltage], r.x[control.StageSensor], r.x[control.MotorSensor] = 52, 300, 310
	r.advance(0.4)
	assert.InDelta(t, 50+2*math.Exp(-0.4/0.2), r.x[control.Voltage], 1e-6)
	assert.InDelta(t, 340-40*math.Exp(-0.4), r.x[control.StageSensor], 1e-5)
	assert.InDelta(t, 330-20*math.Exp(-0.4), r.x[control.MotorSensor], 1e-5)
}

// Boost is drawn only by current beyond the limit: at exactly the limit it comes back, resting or not.
func TestBoostComesBackAtTheLimit(t *testing.T) {
	s := typical()
	s.Boost = settings.Boost{Current: 1.5 * s.Limits.MotorCurrent, Time: 10, Rest: 40}
	l := control.New(s)
	rate := func(current float64, resting bool) float64 {
		x, dx := make([]float64, control.States), make([]float64, control.States)
		x[control.BoostLeft] = 0.5
		in := healthy(1)
		in.MotorCurrent = current
		l.DerivativesTo(1, &in, x, control.Mode{Resting: resting}, dx)
		return dx[control.BoostLeft]
	}
	for _, resting := range []bool{false, true} {
		assert.InDelta(t, 1.0/40, rate(s.Limits.MotorCurrent, resting), 1e-12, "resting %v", resting)
		assert.InDelta(t, 1.0/40, rate(0.5*s.Limits.MotorCurrent, resting), 1e-12, "resting %v", resting)
	}
	assert.Negative(t, rate(1.2*s.Limits.MotorCurrent, false))
	assert.Zero(t, rate(1.2*s.Limits.MotorCurrent, true))
}
