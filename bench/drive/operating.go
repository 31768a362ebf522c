package drive

import (
	"math"

	"quaybench/bench/control"
)

// supply is the source the power stage sees: E behind a resistance.
type supply struct {
	E, R float64 // V, Ω
	live bool    // the circuit is closed
}

// Electric is the electrical operating point: everything algebraic.
type Electric struct {
	MotorCurrent    float64 // A, along ahead
	BatteryCurrent  float64 // A in the battery circuit, out of the battery
	Voltage         float64 // V at the controller
	MotorVoltage    float64 // V, along ahead
	Unbalanced      float64 // V along ahead that the motor's current does not take: what its inductance sees, where that counts
	Duty            float64 // 0..1
	Torque          float64 // electromagnetic, N·m along ahead
	Losses          losses
	ArmatureCurrent float64 // A along ahead; differs from MotorCurrent only while a series-wound motor plugs
	Extra           float64 // W drawn from the link beside duty × motor current
	Link            float64 // A that bridge and losses take from the link; the battery's current where no capacitor lies between

	BatteryLimited bool // the battery current limit holds the motor current down
	ChargeLimited  bool
	DutyLimited    bool    // full voltage is on the motor
	Asked          float64 // motor current the law asks for, before those, A (magnitude)
	Uncontrolled   bool    // the freewheel path carries what the law does not ask for
	SelfExcited    bool    // a plugging motor drives more than any limit allows by a field that the stage cannot take away
}

// loop is the motor circuit at an instant, in the frame of the demand: emf along it, resistance, drop.
type loop struct {
	m        *Model
	speed    float64 // rad/s along the demand
	R        float64 // Ω, motor and its cables
	armature float64 // Ω, the part of it inside the plug diode: the armature
	magnetT  float64
	devices  devices
	source   supply
	duty     float64 // highest duty

	// What solve found:
	point point
	along float64 // direction of the frame, ±1
	rule  rule
	free  bool // the law asks for what a share of the voltage drives, not for a current
}

// rule is what sets the motor current of a solved loop.
type rule uint8

const (
	otherwise   rule = iota // none of these
	asAsked                 // the law's demand
	fullDuty                // what voltage is left
	heldBattery             // the battery or charge current limit
)

// need returns the motor voltage that current i takes.
func (l *loop) need(i float64) float64 {
	return l.m.motor.perSpeed(i, l.magnetT)*l.speed + l.R*i + l.m.motor.drop(i)
}

// needSlope returns the change of need per ampere, Ω.
func (l *loop) needSlope(i float64) float64 {
	return l.m.motor.perSpeedSlope(i)*l.speed + l.R + l.m.motor.dropSlope(i)
}

// point is one trial solution of the loop.
type point struct {
	i, u, V, battery float64
	joined           float64 // see stage.bridge
	rest             float64 // V of u that the motor's current does not take
	loss             losses
	extra            float64 // W from the link beside joined·i·V
	converged        bool
}

// extra returns the power drawn from the link beside duty × current: switching, the ripple's heat, housekeeping.
func (l *loop) extra(loss losses) float64 {
	return loss.switching + l.rippled(loss) + l.m.stage.standby()
}

// rippled returns the heat of the motor's ripple current in motor, cables and stage, W: it goes with the square of the voltage.
func (l *loop) rippled(loss losses) float64 { return loss.rippleMotor*l.R + loss.rippleStage }

// at solves link voltage and duty for motor current i (≥ 0 along the demand). The voltage is the upper of the two that
// the source allows; the caller has made sure that the duty fits.
func (l *loop) at(i float64, p *point) { l.with(i, l.need(i), p) }

// batteryAt returns the battery current at motor current i.
func (l *loop) batteryAt(i float64) float64 {
	var p point
	l.at(i, &p)
	return p.battery
}

// with sets p to the point at motor current i and motor voltage u.
func (l *loop) with(i, u float64, p *point) {
	E, R := l.source.E, l.source.R
	p.i, p.u, p.rest, p.converged = i, u, 0, false
	s, d := &l.m.stage, &l.devices
	chopped := u*i + s.standby() + s.switched(i, E)
	mag, share := math.Abs(i), min(1, math.Abs(u)/E)
	p.V = l.upper(chopped + mag*(share*d.switchR*mag+(1-share)*d.path(mag)))
	if !s.braking || i < 0 || u >= 0 {
		l.settle(p, 1)
		return
	}
	if against := s.against(u, i, *d); against == 0 || against == 1 {
		l.settle(p, 1-2*against)
		return
	}
	for range 30 {
		l.fill(p)
		slope := 1 + R*l.batterySlope(p)
		if slope < 0.05 {
			slope = 0.05
		}
		step := (p.V - E + R*p.battery) / slope
		p.V = max(p.V-step, 0.2*E)
		if math.Abs(step) < 2e-5*E { // the next would be less than 1e-5 of this one
			p.converged = true
			break
		}
	}
	l.fill(p)
}

// settle iterates for the link voltage as with does, for a bridge that works one way round: what does not change with the link voltage is worked
// out once. See stage.duty, stage.losses and batterySlope.
func (l *loop) settle(p *point, way float64) {
	E, R, s, d := l.source.E, l.source.R, &l.m.stage, &l.devices
	k, u := way*p.i, way*p.u
	mag := math.Abs(k)
	a, path := s.esr*k, d.path(mag)
	less, c := path-d.switchR*k, u+path // the switches' drop off the link's voltage; what u and the freewheel path need
	on, off := d.switchR, d.freewheelR  // what conducts for a share D of the time, and for the rest
	if k < 0 {
		less, c = path+d.switchR*k, u+d.switchR*k
		on, off = off, on
	}
	less -= a
	fourAC := 4 * a * c
	ripple := tanh(mag) / (l.m.motor.inductance * s.frequency)
	switched, standby := s.switched(k, 1), s.standby()
	V, D, mix := p.V, 0.0, l.R+off
	on -= off
	for range 30 {
		b := V + less
		root := math.Sqrt(max(0, b*b+fourAC))
		D = 2 * c / (b + root)
		peak := V * D * (1 - D) * ripple
		rippled := peak * peak * (1.0 / 12) * (mix + D*on)
		switching := switched * V * chopping(D)
		extra := switching + rippled + standby
		perV := 1 / V
		slope := 1 + R*(((switching+2*rippled)-extra)*perV*perV-D*k/root)
		step := (V - E + R*(D*k+extra*perV)) / max(slope, 0.05)
		V = max(V-step, 0.2*E)
		if math.Abs(step) < 2e-5*E { // the next would be less than 1e-5 of this one
			p.converged = true
			break
		}
	}
	b := V + less
	D = 2 * c / (b + math.Sqrt(max(0, b*b+fourAC)))
	p.V, p.joined = V, way*D
	peak := V * D * (1 - D) * ripple
	square := peak * peak * (1.0 / 12)
	inSwitch, inFreewheel := D, 1-D // as in stage.losses
	if k < 0 {
		inSwitch, inFreewheel = inFreewheel, inSwitch
	}
	loss := &p.loss
	loss.conductionSwitch = inSwitch * d.switchR * (k*k + square)
	loss.conductionFreewheel = inFreewheel * (path*mag + d.freewheelR*square)
	loss.rippleMotor = square
	loss.rippleStage = (inSwitch*d.switchR + inFreewheel*d.freewheelR) * square
	loss.switching = switched * V * chopping(D)
	loss.rippleCapacitor = s.esr * D * (1 - D) * k * k
	p.extra = loss.switching + square*l.R + loss.rippleStage + standby
	p.battery = D*k + p.extra/V
}

// fill works out the bridge for the current and both voltages of a point.
func (l *loop) fill(p *point) {
	p.joined, p.loss = l.m.stage.bridge(p.u, p.i, p.V, l.m.motor.inductance, l.devices)
	p.extra = l.extra(p.loss)
	p.battery = p.joined*p.i + p.extra/p.V
}

// batterySlope estimates the change of a point's battery current per volt of the link.
func (l *loop) batterySlope(p *point) float64 {
	s := &l.m.stage
	way := math.Copysign(1, p.joined)
	byDuty, _ := s.outputSlopes(way*p.joined, way*p.i, p.V, l.devices)
	return -p.joined*p.i/byDuty + ((p.loss.switching+2*l.rippled(p.loss))-p.extra)/(p.V*p.V)
}

// full sets p to the point at the highest duty, between no current and hi, which needs more voltage than there is.
func (l *loop) full(hi float64, p *point) {
	s, E, R, D := &l.m.stage, l.source.E, l.source.R, l.duty
	*p = point{i: hi, V: E - R*D*hi, joined: D}
	for range 12 { // Newton's method for current and link voltage
		p.u = l.need(p.i)
		p.loss = s.losses(D, p.i, p.V, l.m.motor.inductance, l.devices)
		p.extra = l.extra(p.loss)
		p.battery = D*p.i + p.extra/p.V
		_, byCurrent := s.outputSlopes(D, p.i, p.V, l.devices)
		f, fi := s.output(D, p.i, p.V, l.devices)-p.u, byCurrent-l.needSlope(p.i) // and D by V
		g, gi := p.V-E+R*p.battery, R*(D+(p.loss.switching/max(p.i, 1e-9))/p.V)
		gV := 1 + R*(p.loss.switching+2*l.rippled(p.loss)-p.extra)/(p.V*p.V)
		det := fi*gV - D*gi
		di, dV := (D*g-gV*f)/det, (gi*f-fi*g)/det
		if !(math.Abs(di) < 1e5 && p.i+di > 0 && p.V+dV > 0.2*E) {
			break
		}
		p.i, p.V = p.i+di, p.V+dV
		if math.Abs(di) < 1e-13*(1+p.i) && math.Abs(dV) < 1e-13*E {
			p.converged = true
			return
		}
	}
	l.at(l.root(l.spare, 0, hi), p)
}

// limitBattery sets p to the point between no current and hi at which the battery current equals limit.
func (l *loop) limitBattery(limit, hi float64, p *point) {
	s, E, R := &l.m.stage, l.source.E, l.source.R
	V := E - R*limit
	// Power gives a first guess: (e + R i) i = V limit − extra.
	e := l.need(hi) - l.R*hi
	power := V*limit - s.standby() - s.switched(hi, V)
	*p = point{V: V, i: (math.Copysign(math.Sqrt(max(0, e*e+4*l.R*power)), limit) - e) / (2 * l.R)}
	for range 12 { // Newton's method for the current alone
		if !(p.i > 0 && p.i < 1.0001*hi) {
			break
		}
		p.u = l.need(p.i)
		l.fill(p)
		way := math.Copysign(1, p.joined)
		byDuty, byCurrent := s.outputSlopes(way*p.joined, way*p.i, V, l.devices)
		slope := p.i*(l.needSlope(p.i)-byCurrent)/byDuty + p.joined + p.loss.switching/(p.i*V)
		step := (p.battery - limit) / slope
		p.i -= step
		if math.Abs(step) < 1e-9*(1+p.i) && p.i <= hi {
			p.u = l.need(p.i)
			l.fill(p)
			p.converged = math.Abs(p.battery-limit) < 1e-9*(1+math.Abs(limit))
			break
		}
	}
	if !p.converged {
		beyond := func(i float64) float64 { return math.Copysign(1, limit) * (limit - l.batteryAt(i)) }
		l.at(l.root(beyond, 0, hi), p)
	}
}

// upper returns the higher voltage at which the source gives a power.
func (l *loop) upper(power float64) float64 {
	E, R := l.source.E, l.source.R
	root := E*E - 4*R*power
	if root < 0 {
		return E / 2
	}
	return (E + math.Sqrt(root)) / 2
}

// spare returns the motor voltage to be had at full duty less what current i needs; it falls as i rises.
func (l *loop) spare(i float64) float64 {
	return l.offered(l.duty, i) - l.need(i)
}

// solve finds the operating point for a command at motor speed w.
func (l *loop) solve(c *control.Command, w float64, e *Electric) {
	asked, along := l.ask(c, w)
	l.speed, l.along, l.rule = along*w, along, asAsked
	*e = Electric{Asked: asked}
	p := &l.point
	if !l.source.live {
		l.rule, *p = otherwise, point{}
		e.Voltage, e.Asked = l.source.E, 0
		return
	}
	if asked > 0 && l.plug(asked, c, e, p) {
		l.rule = otherwise
		l.electric(e)
		return
	}
	l.at(asked, p)
	if asked > 0 && (p.joined > l.duty || !p.converged && l.spare(asked) < 0) {
		e.DutyLimited = true
		l.full(asked, p)
		l.rule = fullDuty
	}
	if limit := c.BatteryLimit; p.battery > limit {
		e.BatteryLimited = true
		l.limitBattery(limit, p.i, p)
		l.rule = heldBattery
	} else if limit := -c.ChargeLimit; l.m.stage.braking && p.battery < limit {
		e.ChargeLimited = true
		l.limitBattery(limit, p.i, p)
		l.rule = heldBattery
	}
	if p.i == 0 && asked > 0 { // there is not even voltage or battery current for a little
		l.rule = otherwise
	}
	if r := l.rectified(); r > 0 && r > -math.Copysign(p.i, l.speed) {
		e.Uncontrolled, l.rule = true, otherwise
		l.at(math.Copysign(r, -l.speed), p)
	}
	if !l.m.stage.braking && asked > 0 {
		if i := p.i; p.u+l.devices.path(i) < 0 { // the motor drives a current that the stage cannot stop
			l.rule = otherwise
			rest := func(i float64) float64 { return -l.need(i) - l.devices.path(i) }
			if l.m.motor.series { // the stage opens its synchronous switch in time, whose own diode drops more than the plug diode
				l.with(i, -l.devices.path(i), p)
			} else {
				i += contact(c.Demand) * (l.root(rest, i, (-l.need(0)+1)/l.R) - i)
				l.idle(i, p)
			}
			p.loss.conductionFreewheel += rest(i) * i // in the closing contacts
			e.Uncontrolled = i > max(c.FullAhead, c.FullAstern)
		}
	}
	l.electric(e)
}

// contact returns how far the reversing contactor has closed; without it a current that the law does not make would jump.
func contact(demand float64) float64 { return min(1, math.Abs(dropTail(demand))/0.01) }

// idle sets p to the point at zero duty with the motor short-circuited through the freewheel path.
func (l *loop) idle(i float64, p *point) {
	*p = point{i: i, u: -l.devices.path(i)}
	p.loss.conductionFreewheel = l.devices.path(i) * i
	p.extra = l.m.stage.standby()
	p.V = l.upper(p.extra)
	p.battery = p.extra / p.V
}

// rectified returns the current that a motor turning so fast that it induces more than the battery's voltage drives through
// the diodes of a bridge: no controller makes it less. A chopper without a braking quadrant blocks it, and a
// series-wound motor loses its field by it.
func (l *loop) rectified() float64 {
	if !l.m.stage.braking || l.m.motor.series {
		return 0
	}
	induced := l.m.motor.perSpeed(0, l.magnetT) * math.Abs(l.speed)
	if induced <= l.source.E/2 || induced <= l.upper(l.m.stage.standby()) { // which is no less than half of E
		return 0
	}
	frame := *l
	frame.speed, frame.duty = math.Abs(l.speed), 1
	short := frame.spare(0)
	return -frame.root(frame.spare, 2*short/l.R, 0)
}

// ask returns the magnitude and direction of the motor current that the law wants, its limits by quadrant applied.
func (l *loop) ask(c *control.Command, w float64) (magnitude, along float64) {
	// Which quadrant: driving with the rotation and at standstill, braking against it, blended where the shaft still
	// turns slowly the other way.
	l.free = false
	blend := func(driving, speed float64) float64 {
		with, _ := drivingShare(speed)
		return with*driving + (1-with)*l.against(c.Braking, driving)
	}
	if !c.Voltage {
		demand := dropTail(c.Demand)
		if demand >= 0 {
			return min(demand*c.FullAhead, blend(c.Ahead, w)), 1
		}
		return min(-demand*c.FullAstern, blend(c.Astern, -w)), -1
	}
	ahead, astern := blend(c.Ahead, w), blend(c.Astern, -w)
	// Voltage demand: the current that this share of the voltage would drive, within the same limits.
	along = 1
	if c.Demand < 0 {
		along = -1
	}
	l.speed = along * w
	wanted := func(i float64) float64 {
		return math.Abs(c.Demand)*(l.source.E-l.source.R*math.Abs(c.Demand*i)) - l.need(i)
	}
	high, low := ahead, astern
	if along < 0 {
		high, low = astern, ahead
	}
	if !l.m.stage.braking || l.m.motor.series {
		high, low = high*contact(c.Demand), 0
	}
	switch {
	case wanted(high) >= 0:
		return high, along
	case wanted(0) >= 0:
		l.free = true
		return l.root(wanted, 0, high), along
	case low == 0:
		return 0, along
	case wanted(-low) <= 0:
		return low, -along
	}
	l.free = true
	return -l.root(wanted, -low, 0), -along
}

// drivingShare returns the weight of driving at a speed along the demand, and its slope.
func drivingShare(speed float64) (with, slope float64) {
	const slow = 4 // rad/s
	x := 1 + 2*speed/slow
	if math.Abs(x) < 1 {
		slope = 0.75 * (1 - x*x) * 2 / slow
	}
	return smooth(x), slope
}

// leastDemand is what counts as no demand at all.
const leastDemand = 1e-3

// dropTail returns the demand beyond leastDemand, zero below it, so that a ramp that only approaches zero still switches the
// stage off.
func dropTail(demand float64) float64 {
	return math.Copysign(max(0, math.Abs(demand)-leastDemand)/(1-leastDemand), demand)
}

// against returns the limit for current against the rotation: the braking limit, or, where the stage cannot brake, the
// limit of the direction asked for (a reversal is then a plugging).
func (l *loop) against(braking, limit float64) float64 {
	if l.m.stage.braking {
		return braking
	}
	return limit
}

// smooth returns 0 below −1, 1 above +1, and smooth between.
func smooth(x float64) float64 {
	if x >= 1 {
		return 1
	}
	if x <= -1 {
		return 0
	}
	return 0.5 + 0.75*x - 0.25*x*x*x
}

// plug sets p for a series-wound motor whose field has been reversed while it still turns the old way, and reports whether that is so. Once its induced voltage
// exceeds what the armature drops at the asked current, the armature drives its own current through the plug diode
// across it, the chopper feeds only the field, and the controller chops the field so that the armature current stays
// within what is asked. The plug diode's drop lies in the field's circuit too and feeds it: less field than that keeps up against
// the freewheel path no chopper can hold. ok is false where the diode does not conduct: then it is an ordinary series circuit.
func (l *loop) plug(asked float64, c *control.Command, e *Electric, p *point) (ok bool) {
	if !l.plugs(asked) {
		return false
	}
	closed := contact(c.Demand)
	f := l.root(func(f float64) float64 { return l.plugDrop(asked, f) - l.turning(f) }, 0, asked)
	armature := asked
	if least := closed * l.sustained(f); f <= least { // what the field is left with is too much already
		f = least
		armature = max(asked, l.circulates(f, closed))
		e.Uncontrolled = armature > 1.01*asked
		e.SelfExcited = armature > 1.01*max(c.FullAhead, c.FullAstern)
	}
	e.ArmatureCurrent = armature
	u := (l.R-l.armature)*f - l.plugDiode(armature-f)
	l.freewheeling(f, u, p)
	p.loss.conductionFreewheel += l.inPlug(f, armature)
	return true
}

// freewheeling sets p to the point at field current f and motor voltage u, which may lie below what the freewheel path drops: then the
// stage's synchronous switch is open, and its own diode drops the rest.
func (l *loop) freewheeling(f, u float64, p *point) {
	held := u
	if !l.m.stage.braking {
		held = max(u, -l.devices.path(f))
	}
	l.with(f, held, p)
	p.loss.conductionFreewheel += (held - u) * f
}

// coasting returns the most that the freewheel path drops at current i: the stage's synchronous switch, if it has one, open.
func (l *loop) coasting(i float64) float64 {
	return max(l.devices.path(i), l.m.stage.diodeDrop*tanh(2*i))
}

// sustained returns the field current that the plug diode's drop keeps up against resistance and freewheel path while the stage gives
// nothing, if that may be more than f; 0 where a stage that brakes takes the field away. Below it the field grows, above it the field
// falls. It comes with the contacts' closing, so that nothing jumps.
func (l *loop) sustained(f float64) float64 {
	if l.m.stage.braking {
		return 0
	}
	field := l.R - l.armature
	if f > 0 && l.m.stage.diodeDrop <= l.coasting(f)+field*f { // more than any armature current keeps up
		return 0
	}
	return l.root(func(f float64) float64 { return l.plugDiode(l.circulates(f, 1)-f) - l.coasting(f) - field*f }, 0, l.m.stage.diodeDrop/field)
}

// turning returns the voltage that a motor turning against its field induces at field current f.
func (l *loop) turning(f float64) float64 { return -l.m.motor.perSpeed(f, l.magnetT) * l.speed }

// plugDiode returns the drop of the diode across the armature at its own current.
func (l *loop) plugDiode(i float64) float64 { return l.m.stage.diodeDrop * tanh(2*i) }

// plugDrop returns what the armature drops, and the plug diode across it, which carries what the field does not.
func (l *loop) plugDrop(armature, f float64) float64 {
	return l.armature*armature + l.m.motor.drop(armature) + l.plugDiode(armature-f)
}

// plugs reports whether the plug diode of a series-wound motor conducts at field current f.
func (l *loop) plugs(f float64) bool {
	return l.m.motor.series && l.speed < 0 && f >= 0 && l.turning(f) > l.plugDrop(f, f)
}

// circulates returns the armature current that field current f drives through the plug diode, as far as the reversing contacts have closed.
func (l *loop) circulates(f, closed float64) float64 {
	turning := l.turning(f)
	circulating := l.root(func(i float64) float64 { return turning - l.plugDrop(i, f) }, f, turning/l.armature)
	return f + closed*(circulating-f)
}

// inPlug returns the heat in the plug diode and in contacts that have not quite closed: of the induced power, what neither the armature
// nor the field's circuit takes. The voltage across an open contact is in the contact, and feeds no field.
func (l *loop) inPlug(f, armature float64) float64 {
	across := l.turning(f) - l.armature*armature - l.m.motor.drop(armature)
	return across*armature - l.plugDiode(armature-f)*f
}

// electric states the point as seen from outside the frame of the demand.
func (l *loop) electric(e *Electric) {
	p, along := &l.point, l.along
	e.MotorCurrent = along * p.i
	e.ArmatureCurrent = along * max(p.i, e.ArmatureCurrent)
	if p.i < 0 {
		e.ArmatureCurrent = e.MotorCurrent
	}
	e.BatteryCurrent, e.Link = p.battery, p.battery
	e.Voltage = p.V
	e.MotorVoltage = along * p.u
	e.Unbalanced = along * p.rest
	if p.i != 0 {
		e.Duty = math.Abs(p.joined)
	}
	e.Losses = p.loss
	e.Extra = p.extra
	e.Torque = e.ArmatureCurrent * l.m.motor.perSpeed(p.i, l.magnetT)
	if spoil := l.m.stage.spoil; spoil != nil {
		spoil(e)
	}
}

// root finds the zero of a falling function between lo and hi (Illinois form of regula falsi, Dowell and Jarratt 1971).
// It is called with f(lo) ≥ 0 ≥ f(hi); where that does not hold it returns the nearer end.
func (l *loop) root(f func(float64) float64, lo, hi float64) float64 {
	a, b := lo, hi
	fa, fb := f(a), f(b)
	if fa <= 0 {
		return a
	}
	if fb >= 0 {
		return b
	}
	side := 0
	for range 60 {
		x := (a*fb - b*fa) / (fb - fa)
		fx := f(x)
		if fx == 0 || math.Abs(b-a) < 1e-10*(1+math.Abs(x)) {
			return x
		}
		if fx > 0 {
			if math.Abs(x-a) < 1e-11*(1+math.Abs(x)) {
				return x
			}
			a, fa = x, fx
			if side == 1 {
				fb /= 2
			}
			side = 1
		} else {
			if math.Abs(x-b) < 1e-11*(1+math.Abs(x)) {
				return x
			}
			b, fb = x, fx
			if side == -1 {
				fa /= 2
			}
			side = -1
		}
	}
	return (a*fb - b*fa) / (fb - fa)
}
