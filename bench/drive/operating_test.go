package drive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/bench/settings"
	"quaybench/testdata/reference"
)

// situation is a boat's electrical circuit in one state.
type situation struct {
	name string
	run  *Run
	y    []float64
}

// stages are the circuits there are: each kind of motor, with and without a braking quadrant.
var stages = map[string]struct {
	boat   string
	change func(*boat.Boat)
}{
	"brushed, braking":            {"petrel", func(*boat.Boat) {}},
	"brushed, no braking":         {"petrel", func(b *boat.Boat) { b.Stage.Braking = false }},
	"brushless, braking":          {"petrel", func(b *boat.Boat) { b.Motor.Kind, b.Motor.BrushDrop = "permanent-magnet brushless", si(0) }},
	"brushed, diode, braking":     {"petrel", func(b *boat.Boat) { b.Stage.Freewheel, b.Stage.FreewheelDrop = "diode", si(0.8) }},
	"series-wound, no braking":    {"bracken", func(*boat.Boat) {}},
	"series-wound, braking stage": {"bracken", func(b *boat.Boat) { b.Stage.Braking = true }},
	"series-wound, synchronous":   {"bracken", func(b *boat.Boat) { b.Stage.Freewheel = "synchronous" }},
}

// situated puts a circuit into a state.
func situated(t require.TestingT, kind string, change func(*settings.Set)) *situation {
	c := stages[kind]
	b, s, err := reference.Boat(c.boat)
	require.NoError(t, err)
	c.change(b)
	s.Limits.BrakingCurrent, s.Limits.ChargeCurrent = 60, 40
	if change != nil {
		change(&s)
	}
	m, err := New(b, s, Conditions{Air: 298.15, Water: 288.15})
	require.NoError(t, err)
	r := m.NewRun(func(float64) float64 { return 0 })
	nan := math.NaN()
	y := r.Begin(Start{Charge: 0.8, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
	return &situation{kind, r, y}
}

// at returns the operating point at a demand and a motor speed.
func (s *situation) at(demand, speed float64) *Point {
	s.y[s.run.layout.control+control.Demand] = demand
	s.y[s.run.layout.speed] = speed
	s.run.Changed()
	return s.run.Point(0, s.y)
}

// anySituation draws a circuit, its settings, its temperatures and its charge.
func anySituation(t *rapid.T) *situation {
	kind := rapid.SampledFrom([]string{
		"brushed, braking", "brushed, no braking", "brushless, braking", "brushed, diode, braking", "series-wound, no braking", "series-wound, braking stage", "series-wound, synchronous",
	}).Draw(t, "stage")
	amps := rapid.Float64Range(5, 400)
	s := situated(t, kind, func(s *settings.Set) {
		s.Limits.MotorCurrent, s.Limits.AsternCurrent = amps.Draw(t, "ahead"), amps.Draw(t, "astern")
		s.Limits.BrakingCurrent = rapid.Float64Range(0, 300).Draw(t, "braking")
		s.Limits.BatteryCurrent, s.Limits.ChargeCurrent = amps.Draw(t, "battery"), rapid.Float64Range(0, 200).Draw(t, "charge")
		s.Limits.Duty = rapid.Float64Range(0.3, 1).Draw(t, "duty")
		s.Throttle.Demand = rapid.SampledFrom([]string{"torque", "voltage"}).Draw(t, "demand is")
	})
	l := &s.run.layout
	s.y[l.charge] = rapid.Float64Range(0.05, 1).Draw(t, "state of charge")
	for i := range s.run.heat {
		s.y[l.nodes+i] = rapid.Float64Range(260, 400).Draw(t, "temperature")
	}
	return s
}

// anywhere draws a demand and a speed, slow ones as often as those at which the motor's own voltage passes the battery's.
func (s *situation) anywhere(t *rapid.T) (demand, speed float64) {
	fastest := 1.3 * s.run.boat.Motor.SpeedLimit.SI
	return rapid.Float64Range(-1, 1).Draw(t, "demand"), rapid.OneOf(rapid.Float64Range(-50, 50), rapid.Float64Range(-fastest, fastest)).Draw(t, "speed")
}

// TestChopperBalancesItsPowerInEveryQuadrant: what the battery gives at the controller is what the motor takes plus
// every loss, driving, braking, plugging, freewheeling and at rest.
func TestChopperBalancesItsPowerInEveryQuadrant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySituation(t)
		checkChopper(t, s, s.at(s.anywhere(t)))
	})
}

// TestQuadrants walks through what a motor can do, each with what is known of it by hand.
func TestQuadrants(t *testing.T) {
	for _, c := range []struct {
		name, stage   string
		demand, speed float64
		change        func(*settings.Set)
		quadrant      string
		check         func(t *testing.T, s *situation, p *Point)
	}{
		{"driving ahead at the motor current limit", "brushed, braking", 1, 30, nil, "driving", func(t *testing.T, s *situation, p *Point) {
			assert.InDelta(t, 140, p.MotorCurrent, 1e-9)
			assert.Less(t, p.BatteryCurrent, 35.0, "8 V of 53 V: the battery carries about a sixth of the motor's current")
		}},
		{"driving astern at the astern limit", "brushed, braking", -1, -30, nil, "driving", func(t *testing.T, s *situation, p *Point) {
			assert.InDelta(t, -120, p.MotorCurrent, 1e-9)
			assert.Positive(t, p.BatteryCurrent)
		}},
		{"standing still at full lever", "brushed, braking", 1, 0, nil, "driving", func(t *testing.T, s *situation, p *Point) {
			assert.InDelta(t, 140, p.MotorCurrent, 1e-9)
			assert.Less(t, p.Duty, 0.08)
			assert.Less(t, p.BatteryCurrent, 10.0)
		}},
		{"braking into the battery", "brushed, braking", -1, 120, nil, "braking", func(t *testing.T, s *situation, p *Point) {
			assert.InDelta(t, -60, p.MotorCurrent, 1e-9, "the braking limit, not the astern limit")
			assert.InDelta(t, -60*(24-60*0.016-1)/53, p.BatteryCurrent, 1.5)
		}},
		{"braking at the charge limit", "brushed, braking", -1, 240, nil, "braking", func(t *testing.T, s *situation, p *Point) {
			assert.True(t, p.ChargeLimited)
			assert.InDelta(t, -40, p.BatteryCurrent, 1e-6)
			assert.Greater(t, p.MotorCurrent, -60.0)
		}},
		{"driving at the battery current limit", "brushed, braking", 1, 220, func(s *settings.Set) { s.Limits.BatteryCurrent = 60 }, "driving", func(t *testing.T, s *situation, p *Point) {
			assert.True(t, p.BatteryLimited)
			assert.InDelta(t, 60, p.BatteryCurrent, 1e-6)
			assert.Less(t, p.MotorCurrent, 140.0)
		}},
		{"full voltage on the motor", "brushed, braking", 1, 255, nil, "driving", func(t *testing.T, s *situation, p *Point) {
			assert.True(t, p.DutyLimited)
			assert.InDelta(t, 1, p.Duty, 1e-9)
			assert.Less(t, p.MotorCurrent, 140.0)
		}},
		{"windmilling below the battery's voltage", "brushed, braking", 0, 250, nil, "rest", func(t *testing.T, s *situation, p *Point) {
			assert.Zero(t, p.MotorCurrent)
			assert.False(t, p.Uncontrolled)
		}},
		{"windmilling above it: the diodes rectify", "brushed, braking", 0, 300, nil, "braking", func(t *testing.T, s *situation, p *Point) {
			assert.True(t, p.Uncontrolled)
			assert.InDelta(t, 1, p.Duty, 1e-9)
			emf := p.Torque / p.MotorCurrent * 300
			assert.InDelta(t, (emf-p.Voltage-1)/(p.DriveLoop.R+p.DriveLoop.devices.freewheelR), -p.MotorCurrent, 1e-6)
		}},
		{"the same astern", "brushed, braking", 0, -300, nil, "braking", func(t *testing.T, s *situation, p *Point) {
			assert.True(t, p.Uncontrolled)
			assert.Positive(t, p.MotorCurrent)
			assert.Negative(t, p.BatteryCurrent)
		}},
		{"a lever ahead does not help against rectifying", "brushed, braking", 1, 300, nil, "braking", func(t *testing.T, s *situation, p *Point) {
			assert.True(t, p.Uncontrolled)
			assert.Negative(t, p.MotorCurrent)
		}},
		{"a chopper without a braking quadrant blocks it", "brushed, no braking", 0, 300, nil, "rest", func(t *testing.T, s *situation, p *Point) {
			assert.Zero(t, p.MotorCurrent)
		}},
		{"reversed against rotation without a braking quadrant", "brushed, no braking", -1, 150, nil, "braking", func(t *testing.T, s *situation, p *Point) {
			assert.True(t, p.Uncontrolled, "the motor is shorted through the freewheel path")
			emf := p.Torque / p.MotorCurrent * 150
			assert.InDelta(t, (emf-1)/(p.DriveLoop.R+p.DriveLoop.devices.freewheelR), -p.MotorCurrent, 1e-6)
			assert.Zero(t, p.Duty)
			assert.Positive(t, p.BatteryCurrent, "nothing goes back to the battery")
		}},
		{"a series-wound motor driving", "series-wound, no braking", 1, 60, nil, "driving", func(t *testing.T, s *situation, p *Point) {
			assert.InDelta(t, 200, p.MotorCurrent, 1e-9)
			assert.InDelta(t, 0.265*200, p.Torque, 1e-9, "the file's flux at 200 A")
		}},
		{"a series-wound motor plugging", "series-wound, no braking", -1, 100, nil, "plugging", func(t *testing.T, s *situation, p *Point) {
			assert.InDelta(t, -170, p.ArmatureCurrent, 1e-6, "the armature carries the astern limit")
			assert.Less(t, math.Abs(p.MotorCurrent), 60.0, "the field far less")
			assert.Negative(t, p.Torque, "and brakes")
		}},
		{"a series-wound motor run backwards by its propeller", "series-wound, no braking", 0, -100, nil, "rest", func(t *testing.T, s *situation, p *Point) {
			assert.Zero(t, p.ArmatureCurrent)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := situated(t, c.stage, c.change)
			p := s.at(c.demand, c.speed)
			assert.Equal(t, c.quadrant, quadrant(p))
			checkChopper(t, s, p)
			c.check(t, s, p)
		})
	}
}

// quadrant names what the motor does.
func quadrant(p *Point) string {
	switch power := p.Torque * p.Measured.Speed; {
	case p.MotorCurrent == 0:
		return "rest"
	case math.Abs(p.ArmatureCurrent) > math.Abs(p.MotorCurrent):
		return "plugging"
	case power < 0:
		return "braking"
	}
	return "driving"
}

// checkChopper holds an operating point against Kirchhoff's laws and the boat's own figures, written down anew.
func checkChopper(t require.TestingT, s *situation, p *Point) {
	const exact = 1e-9
	lp := &p.DriveLoop
	m, w := lp.m, p.Measured.Speed
	ib, im, ia := p.BatteryCurrent, p.MotorCurrent, p.ArmatureCurrent
	E, V := lp.source.E, p.Voltage
	require.InDelta(t, E-lp.source.R*ib, V, exact*E, "%s: the source's voltage falls with its current", s.name)

	T := s.y[s.run.layout.nodes:]
	k := m.motor.constant * (1 + m.motor.perKelvin*(m.magnet(T)-293.15))
	if m.motor.series {
		k = m.motor.magnetised.Predict(math.Abs(im))
	}
	R := m.motor.resistance * (1 + 0.00393*(T[m.nodes.winding]-293.15))
	field, armature := R*m.motor.fieldShare, R*(1-m.motor.fieldShare)
	cables := lp.R - R
	if !m.motor.series {
		field, armature = 0, R
	}
	mechanical := k * ia * w
	require.InDelta(t, mechanical, p.Torque*w, exact*(1+math.Abs(mechanical)), "%s: torque is the constant times the armature's current", s.name)

	loss := p.Losses
	heat := armature*ia*ia + (field+cables)*im*im + m.motor.brushDrop*math.Tanh(ia)*ia +
		loss.conductionSwitch + loss.conductionFreewheel + loss.switching + loss.rippleCapacitor + loss.rippleMotor*lp.R +
		m.stage.housekeeping + m.stage.coilPower
	scale := math.Abs(V*ib) + math.Abs(mechanical) + heat
	require.InDelta(t, mechanical+heat, V*ib, exact*scale, "%s, %s: power from the battery is mechanical power and heat", s.name, quadrant(p))
}

// TestLimitsHoldInEveryQuadrant: no current passes what the law allows, and the duty stays within what there is.
func TestLimitsHoldInEveryQuadrant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySituation(t)
		p := s.at(s.anywhere(t))
		c := &p.Command
		require.GreaterOrEqual(t, p.Duty, 0.0)
		require.LessOrEqual(t, p.Duty, 1+1e-9, "%s: duty", s.name)
		if p.Uncontrolled {
			return // diodes: no controller limits that current, and the point says so
		}
		if quadrant(p) == "driving" { // while braking, less duty would be more current
			require.LessOrEqual(t, p.Duty, c.Duty+1e-9, "%s: duty", s.name)
		}
		require.LessOrEqual(t, p.BatteryCurrent, math.Max(c.BatteryLimit, resting(p))*(1+1e-9), "%s: battery current limit, driving", s.name)
		if s.run.stage.braking {
			require.GreaterOrEqual(t, p.BatteryCurrent, -c.ChargeLimit-1e-7, "%s: charge current limit", s.name)
		}
		require.LessOrEqual(t, math.Abs(p.ArmatureCurrent), math.Max(c.FullAhead, math.Max(c.FullAstern, c.Braking))+1e-7, "%s: motor current", s.name)
		if p.BatteryLimited {
			require.InDelta(t, c.BatteryLimit, p.BatteryCurrent, 1e-6, "%s: the limit is used to the full", s.name)
		}
		if p.ChargeLimited {
			require.InDelta(t, -c.ChargeLimit, p.BatteryCurrent, 1e-6, "%s: the limit is used to the full", s.name)
		}
	})
}

// resting returns what the controller takes with no motor current, A.
func resting(p *Point) float64 {
	m := p.DriveLoop.m
	return (m.stage.housekeeping + m.stage.coilPower) / p.Voltage
}

// TestOperatingPointIsContinuous: a small move of lever or speed moves the currents a little. Where two near points lie
// far apart the interval is halved towards the larger change; a jump remains, however narrow the interval. One jump is
// the machine's own: two motor currents charge the battery with the same current, the larger one heating the motor with
// the rest, and as the motor slows down the controller falls from the smaller to all that the lever asks for.
func TestOperatingPointIsContinuous(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySituation(t)
		demand, speed := s.anywhere(t)
		toDemand, toSpeed := demand, speed
		if rapid.Bool().Draw(t, "move the lever") {
			toDemand = min(1, max(-1, demand+rapid.SampledFrom([]float64{-0.1, 0.1}).Draw(t, "by")))
		} else {
			toSpeed += rapid.SampledFrom([]float64{-10, 10}).Draw(t, "by")
		}
		move := func(x float64) *Point { return s.at(demand+x*(toDemand-demand), speed+x*(toSpeed-speed)) }
		value := func(x float64) [3]float64 {
			p := move(x)
			return [3]float64{p.MotorCurrent, p.BatteryCurrent, p.Torque}
		}
		if s.run.motor.series && s.run.Law.Settings.Throttle.Demand == "voltage" && min(demand*speed, toDemand*toSpeed) < 0 {
			return // turned backwards on a given voltage a series-wound motor excites itself: more than one current fits
		}
		distance := func(a, b [3]float64) float64 {
			return math.Max(math.Abs(a[0]-b[0]), math.Max(math.Abs(a[1]-b[1]), math.Abs(a[2]-b[2])))
		}
		lo, hi := 0.0, 1.0
		a, b := value(lo), value(hi)
		for range 40 {
			mid := (lo + hi) / 2
			if m := value(mid); distance(a, m) > distance(m, b) {
				hi, b = mid, m
			} else {
				lo, a = mid, m
			}
		}
		limit := -s.at(demand, speed).Command.ChargeLimit
		if s.run.stage.braking && math.Abs(a[1]-limit) < 1e-4 && math.Abs(b[1]-limit) < 1e-4 {
			return
		}
		require.Less(t, distance(a, b), 1e-3, "%s: between %+v and %+v the currents jump from %v to %v", s.name, at(move(lo)), at(move(hi)), a, b)
	})
}

// at returns what a message tells of a point.
func at(p *Point) map[string]float64 {
	return map[string]float64{"demand": p.Command.Demand, "speed": p.Measured.Speed, "duty": p.Duty}
}

// The slopes that Newton's method takes are those of the motor voltage: differences over a small change show the same, for
// drive and braking, with diodes and with synchronous freewheeling.
func TestOutputSlopesAreThoseOfTheOutput(t *testing.T) {
	const step = 1e-5
	for name := range stages {
		s := &situated(t, name, nil).run.stage
		for _, d := range []devices{s.devices(300, 310), s.devices(380, 390)} {
			for _, i := range []float64{-150, -20, 20, 150} {
				for _, D := range []float64{0.05, 0.5, 0.97} {
					byDuty, byCurrent := s.outputSlopes(D, i, 50, d)
					assert.InDelta(t, (s.output(D+step, i, 50, d)-s.output(D-step, i, 50, d))/(2*step), byDuty, 1e-6*math.Abs(byDuty), "%s: by duty at %g A, %g", name, i, D)
					assert.InDelta(t, (s.output(D, i+step, 50, d)-s.output(D, i-step, 50, d))/(2*step), byCurrent, 1e-6, "%s: by current at %g A, %g", name, i, D)
				}
			}
		}
	}
}
