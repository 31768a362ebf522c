package drive

import (
	"math"

	"quaybench/bench/control"
)

// The operating point depends on the state by way of a few scalars only: these, and the states speed and demand.
const (
	bySource    = iota // open-circuit voltage of the source, V
	byOhms             // its resistance, Ω
	byLoop             // motor and its cables, Ω
	byArmature         // Ω
	byMagnet           // K
	bySwitch           // Ω
	byFreewheel        // Ω
	byDriving          // derating factor
	byBraking          // derating factor
	bySpeed            // rad/s
	byDemand           //
	byCurrent          // motor current where it is a state, A
	scalars
)

// What the right-hand side takes from the operating point.
const (
	ofMotor      = iota // A
	ofArmature          // A
	ofBattery           // A
	ofVoltage           // V
	ofTorque            // N·m
	ofSwitch            // W in the switch
	ofFreewheel         // W
	ofCapacitor         // W
	ofRipple            // A², mean square of the ripple in the motor loop
	ofUnbalanced        // V, for the electrical states
	ofLink              // A that bridge and losses take from the link, for the electrical states
	outputs
)

// gradient is a derivative by each scalar.
type gradient [scalars]float64

// sensitivity is the derivative of each output.
type sensitivity [outputs]gradient

// sensitivity fills s for an operating point: by its equations where one of the usual rules sets the current, else by
// difference quotients.
func (r *Run) sensitivity(p *Point, y []float64, s *sensitivity) {
	*s = sensitivity{}
	l := &p.DriveLoop
	electrical := r.layout.link >= 0 && r.Connected
	switch {
	case !l.source.live:
		s[ofVoltage][bySource] = 1
	case l.rule == otherwise || l.againstBoth():
		r.quotients(p, y, s)
	case electrical:
		if !l.transientSlopes(p, s) {
			r.quotients(p, y, s)
		}
	default:
		l.slopes(p, s)
	}
	if r.Locked {
		for of := range s {
			s[of][bySpeed] = 0
		}
	}
}

// againstBoth reports whether the bridge works both ways round in turn: its equations then have no simple form.
func (l *loop) againstBoth() bool {
	against := l.m.stage.against(l.point.u, l.point.i, l.devices)
	return against > 0 && against < 1
}

// The bridge's equations, the way round it is, are
//
//	way·u = out(D, k, V),   k = way·i,   battery current = draw(D, k, V) = D·k + extra/V
//
// drawn holds the values of out, draw and the losses; see stage.output, stage.losses and loop.extra.
type drawn [6]float64

const (
	dOut = iota
	dDraw
	dSwitch
	dFreewheel
	dCapacitor
	dRipple
)

// bridgeSlopes are the derivatives of the bridge's equations at a solved point.
type bridgeSlopes struct {
	way, along         float64
	byD, byK, byV      drawn
	byRs, byRf, byLoop drawn
	needI              float64 // of the motor's need by its current, Ω
	torqueI            float64 // of the torque by current, N·m/A
	torqueMagnet       float64 // and by the magnets' temperature at constant current, N·m/K
	nothing            drawn
}

func (l *loop) bridgeSlopes() (q bridgeSlopes) {
	p, s, dev := &l.point, &l.m.stage, &l.devices
	q.way = 1 - 2*s.against(p.u, p.i, *dev)
	D, k, V := q.way*p.joined, q.way*p.i, p.V
	mag, sign := math.Abs(k), 1.0
	inSwitch, inFreewheel := D, 1-D
	if k < 0 {
		sign = -1
		inSwitch, inFreewheel = inFreewheel, inSwitch
	}
	perV := 1 / V
	path, pathSlope := dev.path(mag), dev.pathSlope(mag)

	// Mean square of the ripple, and switching loss.
	square, ripple := p.loss.rippleMotor, tanh(mag)
	squareV := 2 * square * perV
	var squareD, squareK float64
	if x := D * (1 - D); x != 0 {
		squareD = 2 * square * (1 - 2*D) / x
	}
	if ripple != 0 {
		squareK = 2 * square * (1 - ripple*ripple) / ripple * sign
	}
	switchedV := s.switched(k, 1) * chopping(D)
	switchedD := s.switched(k, V) * choppingSlope(D)
	switchedK := s.switched(1, V) * chopping(D) * sign

	q.byD[dOut], q.byK[dOut] = s.outputSlopes(D, k, V, *dev)
	q.byV[dOut] = D
	q.byRs[dOut], q.byRf[dOut] = -inSwitch*k, -inFreewheel*k

	mixed := l.R + inSwitch*dev.switchR + inFreewheel*dev.freewheelR
	extraD := switchedD + squareD*mixed + square*sign*(dev.switchR-dev.freewheelR)
	q.byD[dDraw] = k + extraD*perV
	q.byK[dDraw] = D + (switchedK+squareK*mixed)*perV
	q.byV[dDraw] = (switchedV + squareV*mixed - p.extra*perV) * perV
	q.byRs[dDraw], q.byRf[dDraw] = square*inSwitch*perV, square*inFreewheel*perV

	on, off := inSwitch*dev.switchR, inFreewheel*dev.freewheelR
	q.byD[dSwitch] = sign*dev.switchR*(k*k+square) + on*squareD + switchedD
	q.byK[dSwitch] = on*(2*k+squareK) + switchedK
	q.byV[dSwitch] = on*squareV + switchedV
	q.byRs[dSwitch] = inSwitch * (k*k + square)

	q.byD[dFreewheel] = -sign*(path*mag+dev.freewheelR*square) + off*squareD
	q.byK[dFreewheel] = inFreewheel*(pathSlope*mag+path)*sign + off*squareK
	q.byV[dFreewheel] = off * squareV
	q.byRf[dFreewheel] = inFreewheel * (k*k + square)

	q.byD[dCapacitor], q.byK[dCapacitor] = s.esr*(1-2*D)*k*k, 2*s.esr*D*(1-D)*k
	q.byD[dRipple], q.byK[dRipple], q.byV[dRipple] = squareD, squareK, squareV

	q.needI = l.needSlope(p.i)
	q.byLoop[dDraw] = p.loss.rippleMotor / p.V
	m := &l.m.motor
	q.along = l.along
	q.torqueI = m.perSpeed(p.i, l.magnetT) + p.i*m.perSpeedSlope(p.i)
	q.torqueMagnet = p.i * m.perKelvinSpeed()
	return q
}

// direct returns the derivative of each equation by a scalar at constant D, k and V, and of the motor's need.
func (q *bridgeSlopes) direct(by int) *drawn {
	switch by {
	case bySwitch:
		return &q.byRs
	case byFreewheel:
		return &q.byRf
	case byLoop:
		return &q.byLoop
	}
	return &q.nothing
}

// needs returns the derivative of the motor's need by each scalar at constant current.
func (l *loop) needs() (g gradient) {
	m, i := &l.m.motor, l.point.i
	g[bySpeed] = m.perSpeed(i, l.magnetT) * l.along
	g[byLoop] = i
	g[byMagnet] = m.perKelvinSpeed() * l.speed
	return g
}

// slopes differentiates the solved loop:
//
//	out(D, k, V) = way·need(i),  V = E − R·battery,  battery = draw(D, k, V),  and one of i = asked, D = duty, battery = limit.
func (l *loop) slopes(at *Point, s *sensitivity) {
	q, need := l.bridgeSlopes(), l.needs()
	E, ohms := gradient{bySource: 1}, gradient{byOhms: l.point.battery}
	var asked gradient
	if l.rule == asAsked {
		asked = l.askedSlope(&at.Command, at.Measured.Speed, &q, &need)
	}
	r := l.source.R
	rest := q.way*q.needI - q.way*q.byK[dOut] // of way·need − out by current
	drawI := q.way * q.byK[dDraw]
	perD, drawD, drawV := 1/q.byD[dOut], q.byD[dDraw], q.byV[dDraw]
	outV := q.byV[dOut]
	var perV float64 // 1 over what a volt of the link does to V − E + R·battery
	switch l.rule {
	case asAsked:
		perV = 1 / (1 + r*(drawV-drawD*outV*perD))
	case fullDuty:
		perV = 1 / (1 + r*(drawI*outV/rest+drawV))
	case heldBattery:
		perV = 1 / (drawD*rest*perD + drawI) // per ampere, here
	}
	used := l.m.choice.used
	if at.Command.Deratings.None() {
		used = used[:len(used)-2]
	}
	for _, by := range used {
		direct := q.direct(by)
		free, draw := q.way*need[by]-direct[dOut], direct[dDraw]
		open := E[by] - ohms[by]
		var di, dV, dD float64
		switch l.rule {
		case asAsked: // dD = (free + rest·di − outV·dV)/outD
			di = asked[by]
			known := (free + rest*di) * perD
			dV = (open - r*(drawD*known+drawI*di+draw)) * perV
			dD = known - outV*dV*perD
		case fullDuty: // di = (outV·dV − free)/rest
			dV = (open + r*(drawI*free/rest-draw)) * perV
			di = (outV*dV - free) / rest
		case heldBattery:
			dV = open
			di = -(drawD*(free-outV*dV)*perD + drawV*dV + draw) * perV
			dD = (free + rest*di - outV*dV) * perD
		}
		q.fill(s, by, direct, di, dV, dD)
		s[ofBattery][by] = drawD*dD + drawI*di + drawV*dV + draw
		s[ofVoltage][by] = dV
	}
}

// fill sets the derivatives of currents, torque and losses from those of current, link voltage and duty.
func (q *bridgeSlopes) fill(s *sensitivity, by int, direct *drawn, di, dV, dD float64) {
	dk := q.way * di
	s[ofMotor][by] = q.along * di
	s[ofArmature][by] = q.along * di
	torque := di * q.torqueI
	if by == byMagnet {
		torque += q.torqueMagnet
	}
	s[ofTorque][by] = q.along * torque
	s[ofSwitch][by] = q.byD[dSwitch]*dD + q.byK[dSwitch]*dk + q.byV[dSwitch]*dV + direct[dSwitch]
	s[ofFreewheel][by] = q.byD[dFreewheel]*dD + q.byK[dFreewheel]*dk + q.byV[dFreewheel]*dV + direct[dFreewheel]
	s[ofCapacitor][by] = q.byD[dCapacitor]*dD + q.byK[dCapacitor]*dk + q.byV[dCapacitor]*dV + direct[dCapacitor]
	s[ofRipple][by] = q.byD[dRipple]*dD + q.byK[dRipple]*dk + q.byV[dRipple]*dV + direct[dRipple]
}

// askedSlope returns the derivative of the current that the law asks for; see ask.
func (l *loop) askedSlope(c *control.Command, w float64, q *bridgeSlopes, need *gradient) (g gradient) {
	demand := dropTail(c.Demand)
	sign := math.Copysign(1, c.Demand)
	if l.free { // share·(E − R·share·i) = ± need(i)
		share, way, E, R, i := math.Abs(c.Demand), l.along*sign, l.source.E, l.source.R, l.point.i
		slope := R*share*share + way*q.needI
		for by, v := range need {
			g[by] = -way * v / slope
		}
		g[bySource] += share / slope
		g[byOhms] -= share * share * i / slope
		g[byDemand] = sign * (E - 2*R*share*i) / slope
		return g
	}
	full, limit := c.FullAhead, c.Ahead
	if l.along < 0 {
		full, limit, w = c.FullAstern, c.Astern, -w
	}
	with, slope := drivingShare(w)
	against := l.against(c.Braking, limit)
	if !c.Voltage && math.Abs(demand)*full < with*limit+(1-with)*against {
		if demand != 0 {
			g[byDemand] = l.along * full / (1 - leastDemand)
		}
		return g
	}
	g[bySpeed] = l.along * slope * (limit - against)
	g[byDriving] = with * full
	if l.m.stage.braking {
		g[byBraking] = (1 - with) * l.m.Law.Settings.Limits.BrakingCurrent
	} else {
		g[byDriving] = full
	}
	if c.Voltage && (!l.m.stage.braking || l.m.motor.series) {
		closed := contact(c.Demand)
		for by := range g {
			g[by] *= closed
		}
		if closed < 1 {
			g[byDemand] = sign * (with*limit + (1-with)*against) / (0.01 * (1 - leastDemand))
		}
	}
	if l.point.i == 0 {
		g = gradient{}
	}
	return g
}

// transientSlopes differentiates a loop whose motor current, path current and link voltage are states; see transient.
// It is false where its goal is not a usual one.
func (l *loop) transientSlopes(at *Point, s *sensitivity) bool {
	// The goal is the operating point at the capacitor behind its resistance, which is fixed.
	steady := *at
	goal := &steady.DriveLoop
	goal.solve(&steady.Command, at.Measured.Speed, &steady.Electric)
	if goal.rule == otherwise || goal.againstBoth() {
		return false
	}
	goal.slopes(&steady, s)
	target := s[ofMotor]
	target[byOhms] = 0
	*s = sensitivity{}

	q, need := l.bridgeSlopes(), l.needs()
	stiff := (l.m.motor.inductance + l.m.motorL) / l.m.stage.loop
	r := l.source.R
	outD, drawD, drawV := q.byD[dOut], q.byD[dDraw], q.byV[dDraw]
	outV := q.byV[dOut]
	E, current := gradient{bySource: 1}, gradient{byCurrent: l.along}
	for _, by := range l.m.choice.used {
		direct, di := q.direct(by), current[by]
		du := need[by] + stiff*(l.along*target[by]) + (q.needI-stiff)*di
		known := (q.way*du - q.byK[dOut]*q.way*di - direct[dOut]) / outD // dD = known − outV·dV/outD
		draw := q.byK[dDraw]*q.way*di + direct[dDraw]
		dV := (E[by] - r*(drawD*known+draw)) / (1 + r*(drawV-drawD*outV/outD))
		dD := known - outV*dV/outD
		q.fill(s, by, direct, di, dV, dD)
		s[ofVoltage][by] = dV
		s[ofUnbalanced][by] = l.along * stiff * (l.along*target[by] - di)
		s[ofLink][by] = drawD*dD + draw + drawV*dV
	}
	return true
}

// quotients computes difference quotients of the operating point: it knows nothing of how the point is solved.
func (r *Run) quotients(p *Point, y []float64, s *sensitivity) {
	const small = 1e-5 // the point is solved to 1e-10, and smoothly
	electrical := r.layout.link >= 0 && r.Connected
	// vary solves the point with one scalar moved by a step.
	vary := func(by int, step float64) [outputs]float64 {
		l, c, w := p.DriveLoop, p.Command, p.Measured.Speed
		motor, path := 0.0, 0.0
		if electrical {
			motor, path = y[r.layout.motorCurrent], y[r.layout.path]
		}
		switch by {
		case bySource:
			l.source.E += step
		case byOhms:
			l.source.R += step
		case byLoop:
			l.R += step
		case byArmature:
			l.armature += step
		case byMagnet:
			l.magnetT += step
		case bySwitch:
			l.devices.switchR += step
		case byFreewheel:
			l.devices.freewheelR += step
		case byDriving:
			c.Ahead += step * c.FullAhead
			c.Astern += step * c.FullAstern
		case byBraking:
			c.Braking += step * r.Law.Settings.Limits.BrakingCurrent
		case bySpeed:
			w += step
		case byDemand:
			c.Demand += step
		case byCurrent:
			motor += step
		}
		var e Electric
		if electrical {
			l.transient(&c, w, motor, path, &e)
			return e.outputs()
		}
		l.solve(&c, w, &e)
		return e.outputs()
	}
	lp := &p.DriveLoop
	sizes := gradient{
		bySource: lp.source.E, byLoop: lp.R, bySwitch: lp.devices.switchR, bySpeed: max(10, math.Abs(p.Measured.Speed)), byDemand: 1,
		byFreewheel: lp.devices.freewheelR,
	}
	if r.motor.series {
		sizes[byArmature] = lp.armature
	} else {
		sizes[byMagnet] = 300
	}
	if electrical {
		sizes[byCurrent] = max(10, math.Abs(y[r.layout.motorCurrent]))
	} else {
		sizes[byOhms] = max(lp.source.R, 1e-3)
	}
	if p.Command.Deratings.Driving < 1 {
		sizes[byDriving] = 1
	}
	if p.Command.Deratings.Braking < 1 {
		sizes[byBraking] = 1
	}
	for by, size := range sizes {
		if size == 0 {
			continue
		}
		up, down := vary(by, small*size), vary(by, -small*size)
		for of := range s {
			s[of][by] = (up[of] - down[of]) / (2 * small * size)
		}
	}
}

// outputs returns the values of an operating point that the rates depend on, in a fixed order.
func (e *Electric) outputs() [outputs]float64 {
	return [outputs]float64{
		ofMotor: e.MotorCurrent, ofArmature: e.ArmatureCurrent, ofBattery: e.BatteryCurrent, ofVoltage: e.Voltage, ofTorque: e.Torque,
		ofSwitch: e.Losses.conductionSwitch + e.Losses.switching, ofFreewheel: e.Losses.conductionFreewheel,
		ofCapacitor: e.Losses.rippleCapacitor, ofRipple: e.Losses.rippleMotor,
		ofUnbalanced: e.Unbalanced, ofLink: e.Link,
	}
}
