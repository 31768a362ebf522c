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

func TestNeutralStartInterlock(t *testing.T) {
	lever := 1.0
	r := newLawRun(t, typical(), func(float64) control.Measured { return healthy(lever) })
	r.advance(5)
	assert.Zero(t, r.x[control.Demand], "switched on with the lever ahead, nothing moves")
	lever = 0.02
	r.advance(5.1)
	assert.True(t, r.mode.Released, "within the deadband is neutral")
	lever = 1
	r.advance(6.1)
	assert.InDelta(t, 0.5, r.x[control.Demand], 1e-6, "then it ramps")

	s := typical()
	s.Throttle.NeutralStart = false
	r = newLawRun(t, s, func(float64) control.Measured { return healthy(1) })
	r.advance(1)
	assert.InDelta(t, 0.5, r.x[control.Demand], 1e-6, "without the interlock it leaves at once")
}

// TestBoostBudget: the budget is current squared above the limit squared, so less than the full boost current lasts
// longer in that proportion, and what is used up comes back in the rest time.
func TestBoostBudget(t *testing.T) {
	s := typical()
	s.Boost = settings.Boost{Current: 150, Time: 10, Rest: 60}
	current := 150.0
	see := func(float64) control.Measured {
		m := healthy(1)
		m.MotorCurrent = current
		return m
	}
	for _, c := range []struct{ current, lasts float64 }{
		{150, 10},
		{-150, 10}, // astern and braking count too
		{125, 10 * (150*150 - 100*100) / (125*125 - 100*100.0)},
		{200, 10 * (150*150 - 100*100) / (200*200 - 100*100.0)},
	} {
		current = c.current
		r := newLawRun(t, s, see)
		r.mode.Released = true
		assert.Equal(t, 150.0, r.law.Output(r.x, r.mode).FullAhead)
		r.advance(c.lasts + 1)
		require.Len(t, r.events, 1, "%g A", c.current)
		assert.Equal(t, "boost is used up", r.events[0].what)
		assert.InDelta(t, c.lasts, r.events[0].at, 1e-6, "%g A", c.current)
		assert.Equal(t, 100.0, r.law.Output(r.x, r.mode).FullAhead, "then the motor current limit holds")

		current = 90
		used := r.t
		r.advance(used + 0.998*60 - 1)
		assert.Len(t, r.events, 1, "it rests")
		r.advance(used + 61)
		require.Len(t, r.events, 2)
		assert.Equal(t, "boost is full again", r.events[1].what)
		assert.InDelta(t, used+0.998*60, r.events[1].at, 0.01)
		assert.Equal(t, 150.0, r.law.Output(r.x, r.mode).FullAhead)
		r.advance(used + 300)
		assert.LessOrEqual(t, r.x[control.BoostLeft], 1+1e-9, "never more than full")
	}
	current = 100
	r := newLawRun(t, s, see)
	r.advance(1000)
	assert.Empty(t, r.events, "at the limit itself no boost is used")
}

func TestStallTimer(t *testing.T) {
	lever, current, speed := 1.0, 100.0, 0.0
	see := func(float64) control.Measured {
		m := healthy(lever)
		m.MotorCurrent, m.Speed = current, speed
		return m
	}
	r := newLawRun(t, typical(), see)
	r.mode.Released = true
	r.advance(3.9)
	assert.Empty(t, r.events)
	speed = 100 // it turns after all
	r.advance(5)
	speed = 0
	r.advance(8.9)
	assert.Empty(t, r.events, "the timer begins anew")
	r.advance(9.1)
	require.Equal(t, []told{{r.events[0].at, "stall timer stops the motor"}}, r.events)
	assert.InDelta(t, 9, r.events[0].at, 1e-6)
	r.advance(10)
	assert.InDelta(t, 0, r.x[control.Demand], 1e-9, "the demand has fallen")
	current = 0
	r.advance(20)
	assert.True(t, r.mode.Stalled, "it stays stopped while the lever is ahead")
	lever = 0
	r.advance(20.1)
	assert.False(t, r.mode.Stalled, "neutral releases it")
	lever, speed, current = 1, 100, 50
	r.advance(21.1)
	assert.InDelta(t, 0.5, r.x[control.Demand], 1e-6)

	for _, c := range []struct {
		name           string
		current, speed float64
		time           float64
		stalls         bool
	}{
		{"astern counts", -100, 0, 4, true},
		{"below the share of the limit", 29, 0, 4, false},
		{"just above it", 31, 0, 4, true},
		{"creeping astern is not turning", 100, -5, 4, true},
		{"turning slowly enough", 100, 6.1, 4, false},
		{"switched off", 100, 0, 0, false},
	} {
		s := typical()
		s.Stall.Time = c.time
		r := newLawRun(t, s, func(float64) control.Measured {
			m := healthy(1)
			m.MotorCurrent, m.Speed = c.current, c.speed
			return m
		})
		r.mode.Released = true
		r.advance(30)
		assert.Equal(t, c.stalls, len(r.events) > 0, c.name)
	}
}

func TestCutOffLatchesUntilNeutralAndVoltage(t *testing.T) {
	lever, voltage := 1.0, 50.0
	see := func(float64) control.Measured {
		m := healthy(lever)
		m.Voltage = voltage
		return m
	}
	r := newLawRun(t, typical(), see)
	r.mode.Released = true
	r.advance(3)
	voltage = 42.5
	r.advance(4)
	voltage = 50 // a dip shorter than the delay
	r.advance(8)
	assert.Empty(t, r.events)
	// From 50 V to 42.5 V the filter (0.2 s) passes 43 V after 0.2·ln(7.5/0.5); the delay of 2 s begins there.
	voltage = 42.5
	r.advance(12)
	require.Len(t, r.events, 1)
	assert.Equal(t, "controller cuts off at low voltage", r.events[0].what)
	assert.InDelta(t, 8+0.2*math.Log(15)+2, r.events[0].at, 1e-5)
	assert.InDelta(t, 0, r.x[control.Demand], 1e-9)
	lever = 0
	r.advance(20)
	assert.True(t, r.mode.CutOff, "neutral alone does not release it")
	lever, voltage = 1, 50
	r.advance(30)
	assert.True(t, r.mode.CutOff, "nor the voltage alone")
	lever = 0
	r.advance(31)
	assert.False(t, r.mode.CutOff, "both do")
}

// TestSettleActsOnceAndComesToRest: whatever a controller sees, applying its switches ends, and then nothing is left to do.
func TestSettleActsOnceAndComesToRest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := typical()
		s.Boost = settings.Boost{Current: rapid.SampledFrom([]float64{0, 150}).Draw(t, "boost"), Time: 10, Rest: 60}
		law := control.New(s)
		switches := law.Switches()
		x := make([]float64, control.States)
		in := control.Measured{
			Lever: rapid.Float64Range(-1, 1).Draw(t, "lever"), Voltage: rapid.Float64Range(40, 60).Draw(t, "voltage"), StageTemperature: 300, MotorTemperature: 300,
			MotorCurrent: rapid.Float64Range(-200, 200).Draw(t, "current"), Speed: rapid.Float64Range(-20, 20).Draw(t, "speed"),
		}
		m := law.Start(in, x)
		for i, of := range []int{control.BoostLeft, control.StallTime, control.LowTime} {
			x[of] = rapid.Float64Range(0, 10).Draw(t, []string{"boost left", "stall time", "low time"}[i])
		}
		b := func(name string) bool { return rapid.Bool().Draw(t, name) }
		m = control.Mode{Released: b("released"), Resting: b("resting"), Stalling: b("stalling"), Stalled: b("stalled"), Low: b("low"), CutOff: b("cut off")}
		control.Settle(switches, in, x, &m)
		before := m
		for i := range switches {
			sw := &switches[i]
			require.False(t, sw.Armed(m) && sw.Margin(in, x) >= 0, "%s has still something to do in %+v", sw.Name, m)
		}
		require.Empty(t, control.Settle(switches, in, x, &m))
		require.Equal(t, before, m)
	})
}

// TestASampledControllerAgreesWithTheIntegratedOne runs a controller that samples every millisecond beside the law
// integrated from switch to switch, through a rough ten minutes: they tell the same events, and their demands part by no
// more than a sample's ramp.
func TestASampledControllerAgreesWithTheIntegratedOne(t *testing.T) {
	s := typical()
	s.Throttle.FilterTime = 0.02
	s.Boost = settings.Boost{Current: 150, Time: 3, Rest: 60}
	saw := func(t, period float64) float64 { return 2*math.Abs(2*(t/period-math.Floor(t/period+0.5))) - 1 } // −1..1
	between := func(t, from, to float64) float64 { return max(0, min(1, (t-from)/0.1, (to-t)/0.1)) }        // 1 there, 0 elsewhere
	see := func(t float64) control.Measured {
		m := control.Measured{Lever: max(-1, min(1, 2*saw(t, 37))), Voltage: 49 + 5*saw(t, 61), StageTemperature: 340 + 12*saw(t, 90), MotorTemperature: 390, MotorCurrent: 110 + 60*saw(t, 43), Speed: 100}
		m.Speed *= 1 - between(t, 200, 210)
		m.Voltage += (42 - m.Voltage) * between(t, 400, 420)
		return m
	}
	const sample, end = 1e-3, 600.0
	integrated := newLawRun(t, s, see)

	law := control.New(s)
	switches := law.Switches()
	x, dx := make([]float64, control.States), make([]float64, control.States)
	mode := law.Start(see(0), x)
	var events []told
	worst := 0.0
	for i := 0; i < int(end/sample); i++ {
		now := float64(i) * sample
		for _, sw := range control.Settle(switches, see(now), x, &mode) {
			events = append(events, told{now, sw.Event})
		}
		if i%50 == 0 {
			integrated.advance(now)
			worst = max(worst, math.Abs(x[control.Demand]-integrated.x[control.Demand]))
		}
		law.Derivatives(see(now), x, mode, dx)
		for k := range x {
			x[k] += sample * dx[k]
		}
	}
	assert.Less(t, worst, 0.01, "their demands part")
	require.NotEmpty(t, events)
	kinds := map[string]int{}
	require.Len(t, integrated.events, len(events))
	for i, e := range events {
		kinds[e.what]++
		assert.Equal(t, e.what, integrated.events[i].what)
		assert.InDelta(t, e.at, integrated.events[i].at, 0.02, e.what)
	}
	assert.Len(t, kinds, 4, "boost used up, boost full, stall and cut-off all occur: %v", kinds)
}
