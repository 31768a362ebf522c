// Package control is the controller's law: one output function and the derivatives of its small state.
//
// It has no clock and does no I/O. The simulator integrates it; a simulated controller samples it. The order is:
// lever, interlocks, deadband and curve, ramp, demand, current limit with boost, derating, battery limit, duty, stall
// timer. The last three need the motor's equations, so the law states them as limits that the plant meets: limits act
// on the current target, never by rescaling the duty.
//
// A Law is safe for use from several goroutines; State and Mode belong to one run.
package control

import (
	"math"

	"quaybench/bench/settings"
)

// Indices into the law's continuous state.
const (
	Demand      = iota // ramped demand, −1..1
	Voltage            // filtered battery voltage at the controller, V
	StageSensor        // filtered heat sink temperature, K
	MotorSensor        // filtered motor sensor temperature, K
	BoostLeft          // boost that is left, 0..1
	StallTime          // how long the motor has drawn current without turning, s
	LowTime            // how long the voltage has been below the cut-off, s
	States             // number of states
)

// Mode is the law's discrete state: what has latched. The zero value is a controller just switched on.
type Mode struct {
	Released bool // the lever has been in neutral since power-up: the interlock is content
	Resting  bool // boost is used up and fills again
	Stalling bool // current without turning: the stall timer runs
	Stalled  bool // the stall timer has acted; until the lever is in neutral
	Low      bool // voltage below the cut-off: its timer runs
	CutOff   bool // the cut-off has acted; until the lever is in neutral and the voltage is back
}

// Measured is what the controller sees. Currents are signed along ahead; temperatures in kelvin.
type Measured struct {
	Lever            float64 // −1..1
	Voltage          float64 // battery voltage at the controller, V
	StageTemperature float64 // heat sink, K
	MotorTemperature float64 // at the motor's sensor, K
	MotorCurrent     float64 // A
	Speed            float64 // motor, rad/s
}

// Command is what the law asks of the power stage.
type Command struct {
	Demand       float64 // ramped and shaped, −1..1
	Voltage      bool    // the demand is a share of the voltage, not of the current limit
	Ahead        float64 // motor current limit driving ahead, A, derating included
	Astern       float64 // the same astern
	Braking      float64 // motor current limit while braking, A, derating included
	FullAhead    float64 // motor current asked for at full lever ahead, A, before derating
	FullAstern   float64
	BatteryLimit float64 // battery current limit driving, A
	ChargeLimit  float64 // battery current limit braking, A
	Duty         float64 // highest duty
	Deratings    Deratings
}

// Deratings are the factors on the motor current limits, each 1 when it does not act.
type Deratings struct {
	Stage, Motor, LowVoltage, HighVoltage float64
	Driving, Braking                      float64 // combined, per quadrant
}

// None reports whether none of them acts.
func (d *Deratings) None() bool {
	return d.Stage == 1 && d.Motor == 1 && d.LowVoltage == 1 && d.HighVoltage == 1
}

// Law is a set of settings ready to run.
type Law struct {
	Settings  settings.Set
	boostOver float64 // boost current squared over the limit squared, less the limit squared

	voltage, product, sensed bool // demand as a voltage; deratings multiplied; a motor sensor
	winding                  bool // that sensor sits in the winding
}

// SensesWinding reports whether the motor's sensor sits in the winding.
func (l *Law) SensesWinding() bool { return l.winding }

// New prepares the law of a set of settings.
func New(s settings.Set) *Law {
	l := &Law{
		Settings: s, voltage: s.Throttle.Demand == "voltage", product: s.Derating.Combine == "product", sensed: s.Derating.MotorSensor != "none",
		winding: s.Derating.MotorSensor == "winding",
	}
	if b, m := s.Boost.Current, s.Limits.MotorCurrent; b > m {
		l.boostOver = b*b - m*m
	}
	return l
}

// Start returns the state and mode of a controller just switched on that sees m.
func (l *Law) Start(m Measured, x []float64) Mode {
	x[Demand] = 0
	x[Voltage] = m.Voltage
	x[StageSensor] = m.StageTemperature
	x[MotorSensor] = m.MotorTemperature
	x[BoostLeft] = 1
	x[StallTime] = 0
	x[LowTime] = 0
	return Mode{Released: !l.Settings.Throttle.NeutralStart}
}

// Output returns the law's command in state x and mode m.
func (l *Law) Output(x []float64, m Mode) (c Command) {
	l.OutputTo(x, m, &c)
	return c
}

// OutputTo writes into c what Output returns.
func (l *Law) OutputTo(x []float64, m Mode, c *Command) {
	s := &l.Settings
	c.Demand, c.Voltage = x[Demand], l.voltage
	c.BatteryLimit, c.ChargeLimit = s.Limits.BatteryCurrent, s.Limits.ChargeCurrent
	c.Duty = s.Limits.Duty
	c.FullAhead, c.FullAstern = s.Limits.MotorCurrent, s.Limits.AsternCurrent
	if l.boostOver > 0 && !m.Resting {
		c.FullAhead = s.Boost.Current
	}
	d := &c.Deratings
	l.derate(x, d)
	c.Ahead = c.FullAhead * d.Driving
	c.Astern = c.FullAstern * d.Driving
	c.Braking = s.Limits.BrakingCurrent * d.Braking
}

// derate sets the factors in state x.
func (l *Law) derate(x []float64, d *Deratings) {
	s := &l.Settings
	d.Stage, d.Motor, d.LowVoltage, d.HighVoltage, d.Driving, d.Braking = 1, 1, 1, 1, 1, 1
	stage, motor := x[StageSensor], x[MotorSensor]
	low, high := x[Voltage] < s.LowVoltage.Start, s.HighVoltage.End > 0 && x[Voltage] > s.HighVoltage.Start
	if stage <= s.Derating.StageStart && !(l.sensed && motor > s.Derating.MotorStart) && !low && !high {
		return
	}
	d.Stage = falling(stage, s.Derating.StageStart, s.Derating.StageEnd, s.Derating.Floor)
	d.LowVoltage = falling(-x[Voltage], -s.LowVoltage.Start, -s.LowVoltage.End, 0)
	if l.sensed {
		d.Motor = falling(motor, s.Derating.MotorStart, s.Derating.MotorEnd, s.Derating.Floor)
	}
	if s.HighVoltage.End > 0 {
		d.HighVoltage = falling(x[Voltage], s.HighVoltage.Start, s.HighVoltage.End, 0)
	}
	if l.product {
		d.Driving = d.Stage * d.Motor * d.LowVoltage
		d.Braking = d.Stage * d.Motor * d.HighVoltage
	} else {
		d.Driving = min(d.Stage, d.Motor, d.LowVoltage)
		d.Braking = min(d.Stage, d.Motor, d.HighVoltage)
	}
}

// falling returns 1 up to start, floor from end on, straight between.
func falling(x, start, end, floor float64) float64 {
	switch {
	case x <= start:
		return 1
	case x >= end:
		return floor
	}
	return 1 - (1-floor)*(x-start)/(end-start)
}

// Shape returns the lever after deadband and curve, −1..1.
func (l *Law) Shape(lever float64) float64 {
	t := &l.Settings.Throttle
	a := math.Abs(lever)
	if a <= t.Deadband {
		return 0
	}
	share := (min(a, 1) - t.Deadband) / (1 - t.Deadband)
	if t.Curve != 1 {
		share = math.Exp(t.Curve * math.Log(share)) // a third of what Pow takes
	}
	return math.Copysign(share, lever)
}

// Target returns what the ramp runs to: nothing while an interlock or a latch holds.
func (l *Law) Target(lever float64, m Mode) float64 {
	if !m.Released || m.Stalled || m.CutOff {
		return 0
	}
	return l.Shape(lever)
}

// Derivatives writes dx/dt.
func (l *Law) Derivatives(in Measured, x []float64, m Mode, dx []float64) {
	l.DerivativesTo(l.Target(in.Lever, m), &in, x, m, dx)
}

// DerivativesTo computes what Derivatives does, for a Target that is known already.
func (l *Law) DerivativesTo(target float64, in *Measured, x []float64, m Mode, dx []float64) {
	s := &l.Settings
	wish, down, up := l.ramp(target, x[Demand])
	dx[Demand] = max(-down, min(up, wish))
	dx[Voltage] = (in.Voltage - x[Voltage]) / s.LowVoltage.FilterTime
	dx[StageSensor] = (in.StageTemperature - x[StageSensor]) / s.Derating.FilterTime
	dx[MotorSensor] = (in.MotorTemperature - x[MotorSensor]) / s.Derating.FilterTime
	dx[BoostLeft] = l.boostRate(in.MotorCurrent, x[BoostLeft], m.Resting)
	dx[StallTime] = running(m.Stalling)
	dx[LowTime] = running(m.Low)
}

// ramp returns how fast the lever's filter would move the demand, and how fast the ramp lets it fall and rise, 1/s.
func (l *Law) ramp(target, demand float64) (wish, down, up float64) {
	s := &l.Settings
	down, up = 1/s.Ramp.Rise, 1/s.Ramp.Rise // away from neutral in either direction
	switch {
	case demand > 0:
		down = l.releaseRate(target < 0)
	case demand < 0:
		up = l.releaseRate(target > 0)
	}
	return (target - demand) / s.Throttle.FilterTime, down, up
}

// RampKinks pass zero where the demand begins or ceases to follow its ramp: there its rate has a kink.
func (l *Law) RampKinks(target float64, x []float64) (falling, rising float64) {
	wish, down, up := l.ramp(target, x[Demand])
	return wish/down + 1, wish/up - 1
}

// DemandSlope returns the change of the demand's rate per unit of demand, 1/s: that of the lever's filter, none on a ramp. The jump
// of the rate where a reversal passes neutral is not part of it.
func (l *Law) DemandSlope(target, demand float64) float64 {
	if wish, down, up := l.ramp(target, demand); wish <= -down || wish >= up {
		return 0
	}
	return -1 / l.Settings.Throttle.FilterTime
}

// releaseRate returns how fast demand falls towards neutral.
func (l *Law) releaseRate(reversing bool) float64 {
	if reversing {
		return 1 / l.Settings.Ramp.Reversal
	}
	return 1 / l.Settings.Ramp.Fall
}

// boostRate returns the change of the boost that is left: a budget of current squared above the limit squared. While it rests
// nothing more is drawn from it, whatever drives a current beyond the limit.
func (l *Law) boostRate(current, left float64, resting bool) float64 {
	if l.boostOver == 0 {
		return 0
	}
	limit := l.Settings.Limits.MotorCurrent
	if over := current*current - limit*limit; over > 0 {
		if resting {
			return 0
		}
		return -over / (l.boostOver * max(l.Settings.Boost.Time, 1e-3))
	}
	return max(0, min(1, (1-left)*1000)) / l.Settings.Boost.Rest
}

// BoostSlopes returns the changes of the rate of BoostLeft per ampere of motor current and per unit of what is left, 1/s.
func (l *Law) BoostSlopes(current, left float64, resting bool) (byCurrent, byLeft float64) {
	if l.boostOver == 0 {
		return 0, 0
	}
	const step = 1e-6
	rate := l.boostRate(current, left, resting)
	return (l.boostRate(current+step, left, resting) - rate) / step, (l.boostRate(current, left+step, resting) - rate) / step
}

func running(on bool) float64 {
	if on {
		return 1
	}
	return 0
}
