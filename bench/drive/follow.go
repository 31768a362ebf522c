package drive

import "math"

// Seen is what instruments saw at an instant; NaN: not measured. SI, temperatures in kelvin.
type Seen struct {
	MotorCurrent, BatteryCurrent float64
	Voltage                      float64 // at the controller
	Duty                         float64 // 0..1
	Speed                        float64 // motor, rad/s
	Boat                         float64 // m/s
	Sink, Motor, Battery         float64 // temperatures
}

// Unseen returns an instant at which no instrument saw anything.
func Unseen() Seen {
	nan := math.NaN()
	return Seen{MotorCurrent: nan, BatteryCurrent: nan, Voltage: nan, Duty: nan, Speed: nan, Boat: nan, Sink: nan, Motor: nan, Battery: nan}
}

// Following is a run whose operating point is set by what instruments saw in place of the law: the right-hand side is the
// simulation's. Temperatures and speeds that were measured draw their states along. It is an ode.System.
type Following struct {
	run *Run // not embedded: its Jacobian is that of a run driven by the law
}

// Follow makes the run follow what was seen.
func (r *Run) Follow(see func(t float64) Seen) *Following {
	r.see = see
	r.Changed()
	return &Following{run: r}
}

// Dim returns the number of states, those of the run.
func (f *Following) Dim() int { return f.run.Dim() }

// Point returns the operating point that belongs to what was seen.
func (f *Following) Point(t float64, y []float64) *Point { return f.run.Point(t, y) }

// Derivatives computes the right-hand side.
func (f *Following) Derivatives(t float64, y, dy []float64) { f.run.Derivatives(t, y, dy) }

// followTime is the time constant with which a state is drawn towards its measured value, s.
const followTime = 2.0

// speedTime is the same for the shaft, which is quicker, s.
const speedTime = 0.2

// follow draws states towards what was measured. The shaft turns by its own equation where nothing shows its speed.
func (r *Run) follow(t float64, p *Point, y, dy []float64) {
	seen, l := r.see(t), &r.layout
	draw := func(state int, measured, over float64) {
		if given(measured) {
			dy[state] = (measured - y[state]) / over
		}
	}
	draw(l.nodes+r.nodes.sink, seen.Sink, followTime)
	draw(l.nodes+r.nodes.battery, seen.Battery, followTime)
	draw(l.nodes+r.sensorNode(), seen.Motor, followTime)
	if !r.conditions.Moored {
		draw(l.boat, seen.Boat, followTime)
	}
	if p.SpeedSeen && !r.Locked {
		draw(l.speed, p.Measured.Speed, speedTime)
	}
}

func given(x float64) bool { return !math.IsNaN(x) }

// The shares of rated motor current and of full duty below which a motor's voltage does not show its speed, nor duty and
// battery current its current.
const (
	leastCurrent = 0.03
	leastDuty    = 0.01
)

// observe sets the operating point that belongs to what instruments saw, and returns the motor speed. Of motor current,
// battery current, duty and speed any two but duty and speed give the others: battery current from the balance of power, speed from
// the motor's voltage. turning is the shaft's speed by its own equation, taken where nothing shows it.
func (r *Run) observe(t, turning float64, source supply, p *Point) (speed float64) {
	seen, l, e := r.see(t), &p.DriveLoop, &p.Electric
	*e = Electric{}
	l.source, l.rule, l.free, l.point = source, otherwise, false, point{}
	switch {
	case given(seen.Voltage):
		l.source = supply{E: seen.Voltage, live: true}
	case given(seen.BatteryCurrent):
		l.source = supply{E: source.E - source.R*seen.BatteryCurrent, live: true}
	}
	speed = turning
	if given(seen.Speed) {
		speed = seen.Speed
	}
	p.SpeedSeen = given(seen.Speed)

	motor, battery, duty := given(seen.MotorCurrent), given(seen.BatteryCurrent), given(seen.Duty)
	idle := func() { l.carry(0, speed, e) }
	switch i, D := seen.MotorCurrent, seen.Duty; {
	case motor && (p.SpeedSeen || !duty && !battery || math.Abs(i) < leastCurrent*r.boat.Motor.RatedCurrent.SI):
		l.carry(i, speed, e)
	case motor:
		i = l.turned(i, turning)
		if battery {
			i, D = l.dutyFor(math.Abs(seen.MotorCurrent), seen.BatteryCurrent)
		}
		if D < leastDuty || l.plugsAt(seen.MotorCurrent, turning) {
			l.carry(seen.MotorCurrent, speed, e)
			break
		}
		l.along = math.Copysign(1, i) * math.Copysign(1, seen.MotorCurrent)
		speed, p.SpeedSeen = l.driven(i, D, e), true
	case battery && duty:
		i = l.currentFor(seen.BatteryCurrent, D)
		if D < leastDuty || i == 0 {
			idle()
			break
		}
		l.along = math.Copysign(1, turning)
		shows := math.Abs(i) >= leastCurrent*r.boat.Motor.RatedCurrent.SI && !p.SpeedSeen
		if w := l.driven(i, D, e); shows {
			speed, p.SpeedSeen = w, true
		}
	case battery:
		l.carry(l.currentAt(seen.BatteryCurrent, speed), speed, e)
	default:
		idle()
	}
	if battery {
		e.BatteryCurrent, e.Link = seen.BatteryCurrent, seen.BatteryCurrent
	}
	return speed
}

// carry computes the point at a motor current and speed, both along ahead.
func (l *loop) carry(motor, w float64, e *Electric) {
	l.along = math.Copysign(1, motor)
	if motor == 0 {
		l.along = math.Copysign(1, w)
	}
	l.speed = l.along * w
	i, p := math.Abs(motor), &l.point
	need, armature := l.takes(i, 1)
	l.freewheeling(i, need, p)
	if armature > i {
		p.loss.conductionFreewheel += l.inPlug(i, armature)
	}
	e.ArmatureCurrent = armature
	l.electric(e)
}

// driven returns the point at duty D and current i along the rotation, negative while braking. It returns the speed at which the
// motor takes the voltage that this makes.
func (l *loop) driven(i, D float64, e *Electric) (w float64) {
	u := l.offered(D, i)
	l.with(i, u, &l.point)
	w = (u - l.R*i - l.m.motor.drop(i)) / l.m.motor.perSpeed(i, l.magnetT)
	l.speed = w
	l.electric(e)
	return l.along * w
}

// turned returns a motor current as seen along the rotation: negative while it brakes.
func (l *loop) turned(motor, turning float64) float64 {
	const slow = 4 // rad/s
	if l.m.stage.braking && motor*turning < 0 && math.Abs(turning) > slow {
		return -math.Abs(motor)
	}
	return math.Abs(motor)
}

// plugsAt reports whether a motor plugs at a current and a speed along ahead: its voltage is then no measure of its speed.
func (l *loop) plugsAt(motor, w float64) bool {
	l.speed = math.Copysign(1, motor) * w
	return l.plugs(math.Abs(motor))
}

// dutyFor returns the duty at which the stage with a motor current of this magnitude takes a battery current, and the motor
// current along the rotation.
func (l *loop) dutyFor(i, battery float64) (along, D float64) {
	joined := 0.0
	for range 6 {
		extra := l.extra(l.m.stage.losses(min(1, math.Abs(joined)), i, l.source.E, l.m.motor.inductance, l.devices))
		joined = (battery - extra/l.source.E) / i
	}
	if joined < 0 && !l.m.stage.braking {
		joined = 0
	}
	return math.Copysign(i, joined), min(1, math.Abs(joined))
}

// currentFor returns the motor current along the rotation with which a duty takes a battery current.
func (l *loop) currentFor(battery, D float64) (i float64) {
	if D < leastDuty {
		return 0
	}
	for range 8 {
		extra := l.extra(l.m.stage.losses(D, i, l.source.E, l.m.motor.inductance, l.devices))
		i = (battery - extra/l.source.E) / D
	}
	if !l.m.stage.braking {
		i = max(0, i)
	}
	return i
}

// currentAt returns the motor current, along ahead, that takes a battery current at motor speed w: it drives along the
// rotation where the battery gives more than the stage lives on, else it brakes.
func (l *loop) currentAt(battery, w float64) float64 {
	l.along, l.speed = math.Copysign(1, w), math.Abs(w)
	idle := l.batteryAt(0)
	switch {
	case battery > idle:
		l.limitBattery(battery, 1+math.Sqrt(l.source.E*battery/l.R), &l.point)
	case l.m.stage.braking && battery < 0:
		l.along, l.speed = -l.along, -l.speed
		l.limitBattery(battery, -l.need(0)/(2*l.R), &l.point)
	default:
		return 0
	}
	return l.along * l.point.i
}
