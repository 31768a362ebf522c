package drive

import (
	"math"

	"quaybench/bench/control"
)

// jacobian is the change of a run's derivatives about a state, by its structure:
//
//	J·x = A·x + B·o,   o = S·s,   s = C·x
//
// with few scalars s that the operating point reads the states through, few outputs o that the derivatives read it through, and
// an A that couples next to nothing: shaft with hull, each node of heat with the one that cools it, and what follows from
// these in one direction. Rows of nodes of heat are in W.
type jacobian struct {
	S [most][most]float64 // outputs by scalars

	// What the scalars read.
	openSlope          float64    // V per unit of level
	cold               float64    // Ω/K of the bank
	wind               float64    // Ω/K of the winding
	onSlope, freeSlope float64    // Ω/K
	driving, braking   [3]float64 // by the derated states
	derates            bool       // one of them acts

	// A, rows of shaft and hull; and the integrals that read them.
	ww, wv, vw, vv                     float64
	shaftW, shaftV, lossW, lossV, wayV float64

	// B and A, rows of heat.
	into     [][heatColumns]float64 // W of each node by the heat columns
	total    [heatColumns]float64   // and of all heat
	own      []float64              // W/K, of each node's heat by its temperature
	g        []float64              // W/K outwards
	pairHeat [2]float64             // W/V into the battery
	cooled   float64                // W·s/rad, from the housing outwards
	hotspot  float64                // W/K of a brushless motor's hottest phase, by the winding's temperature
	linkHeat float64                // W/A of the link capacitor's heat, by the current that the bridge takes less
	turns    float64                // 0 where the shaft is held
	ladderP  [2]float64             // unequal: of the power into a ladder
	ladderW  [2]float64             // W·s/rad into it

	demand                  float64 // 1/s, of the lever's filter
	volts, sensor           float64 // 1/s, of the law's
	boostCurrent, boostLeft float64
	fuseCurrent, fuseAir    float64 // of each stage's drive, by current and by the air's temperature
	torque                  float64 // (rad/s²)/(N·m)

	// The account of energy out of the battery, W: by level, by inner voltage, by bank current and by temperature.
	outLevel, outInner, outBank, outCold float64
	charging, chargingSlope              float64 // A, and A/V
	absSign                              float64

	// Electrical states, see transients. What is fast in them belongs to A, and not to S: the outputs voltage and link by the
	// states link and path, and what the motor's current does to itself.
	motorCurrent           float64 // 1/H
	motorOwn               float64 // 1/s
	path, link             float64 // 1/H, 1/F
	pathOwn, pathLink      float64 // 1/s, 1/H
	linkPath, linkOwn      float64 // 1/F, 1/s
	pathInner              float64 // 1/H
	voltsLink, voltsPath   float64 // of the voltage at the controller
	bridgeLink, bridgePath float64 // of the current that the bridge takes
}

// The columns of heat: what heats more than one node, and node by node.
const (
	hBattery   = iota // by battery current
	hMotor            // by motor current
	hRipple           // by the mean square of its ripple
	hSink             // 1 W into the sink
	hCapacitor        // 1 W into the link capacitor
	hSpeed            // by the shaft's speed
	hArmature         // by the armature's current where it is another
	hBank             // by the current out of the cells where it is another
	heatColumns
)

// Linearise finds the change of the derivatives at (t, y) with the states, for Factorise, Solve and Times, and writes their change
// with time into dfdt.
func (r *Run) Linearise(t float64, y, dfdt []float64) {
	p := r.Point(t, y)
	j := &r.linear.j
	T := y[r.layout.nodes : r.layout.nodes+len(r.tree)]
	w := p.Measured.Speed
	j.turns = 1
	if r.Locked {
		j.turns = 0
	}
	r.linearScalars(p, y, T)
	r.linearOutputs(p, y)
	r.linearMotion(p, y, w)
	r.linearHeat(p, y, T, w)
	r.linearRest(p, y, T, w)
	r.timeDerivative(t, y, p, dfdt)
}

// timeDerivative writes ∂(dy/dt)/∂t: of the lever, which moves in a straight line, and of the sea.
func (r *Run) timeDerivative(t float64, y []float64, p *Point, dfdt []float64) {
	clear(dfdt)
	if r.Sea != nil {
		r.seaDerivative(t, y, dfdt)
	}
	const later = 1e-3 // s; exact for a straight line
	rate := (r.Lever(t+later) - r.Lever(t)) / later
	if rate == 0 {
		return
	}
	step := math.Copysign(1e-7, rate)
	var dx, moved [control.States]float64
	x := r.ControlState(y)
	r.Law.DerivativesTo(r.Target(p.Measured.Lever), &p.Measured, x, r.Mode, dx[:])
	r.Law.DerivativesTo(r.Law.Target(p.Measured.Lever+step, r.Mode), &p.Measured, x, r.Mode, moved[:])
	dfdt[r.layout.control+control.Demand] = (moved[control.Demand] - dx[control.Demand]) / step * rate
}

// linearScalars writes how the scalars follow from the states.
func (r *Run) linearScalars(p *Point, y, T []float64) {
	l, b, j := &r.layout, &r.battery, &r.linear.j
	j.openSlope = b.openCircuitSlope(b.level(y[l.charge], y[l.lag:]))
	j.cold = b.ohmicSlope(T[r.nodes.battery], p.BatteryR)
	j.wind = r.motor.resistance * copperSlope
	j.onSlope, j.freeSlope = r.stage.deviceSlopes(p.SwitchT, p.FreewheelT)

	// Deratings are straight between their ends: any step is exact.
	d := &p.Command.Deratings
	acts := [3]bool{d.LowVoltage < 1 || d.HighVoltage < 1, d.Stage < 1, d.Motor < 1}
	steps := [3]float64{-1e-6, 1e-6, 1e-6}
	j.derates = acts[0] || acts[1] || acts[2]
	for k, state := range derated {
		j.driving[k], j.braking[k] = 0, 0
		if !acts[k] {
			continue
		}
		var x [control.States]float64
		copy(x[:], y[l.control:])
		x[state] += steps[k]
		moved := r.Law.Output(x[:], r.Mode).Deratings
		j.driving[k], j.braking[k] = (moved.Driving-d.Driving)/steps[k], (moved.Braking-d.Braking)/steps[k]
	}
}

// linearOutputs writes how the outputs follow from the scalars.
func (r *Run) linearOutputs(p *Point, y []float64) {
	c, j := &r.choice, &r.linear.j
	r.sensitivity(p, y, &r.slopes)
	j.charging, j.chargingSlope = p.Charging, r.chargingSlope(p, y)
	behind := r.layout.link >= 0 && r.Connected // the link's capacitor is the source
	for _, of := range c.of {
		s, row := &r.slopes[of], &j.S[c.outputs[of]]
		for _, by := range c.used[1:] {
			row[c.scalars[by]] = s[by]
		}
		source := s[bySource]
		switch {
		case !behind:
			row[c.inner] = source * (1 + p.BatteryR*j.chargingSlope)
			if c.cold >= 0 {
				row[c.cold] = source * j.cold * p.Charging
			}
			if c.link >= 0 {
				row[c.link], row[c.path] = 0, 0
			}
		case of == ofBattery:
			*row = [most]float64{}
			row[c.path] = 1
		default:
			row[c.inner] = 0
			if c.cold >= 0 {
				row[c.cold] = 0
			}
			row[c.link], row[c.path] = source, r.stage.esr*source
		}
	}
	if c.cold >= 0 {
		j.S[c.bank] = j.S[c.outputs[ofBattery]]
		j.S[c.bank][c.inner] -= j.chargingSlope
	}
	if c.link >= 0 {
		r.linearTransients(p, y)
	}
}

// linearTransients computes the electrical states.
func (r *Run) linearTransients(p *Point, y []float64) {
	l, c, j := &r.layout, &r.choice, &r.linear.j
	live := 0.0
	if r.Connected {
		live = 1
	}
	move := func(of, by int) (v float64) {
		at := &j.S[of][by]
		v, *at = *at, 0
		return v
	}
	unbalanced, bridge, volts := c.outputs[ofUnbalanced], c.outputs[ofLink], c.outputs[ofVoltage]
	j.motorCurrent = live / (r.motor.inductance + r.motorL)
	if j.motorOwn = 0; j.S[unbalanced][c.scalars[byCurrent]] < 0 { // as the current loop makes it
		j.motorOwn = j.motorCurrent * move(unbalanced, c.scalars[byCurrent])
	}
	j.voltsLink, j.voltsPath = move(volts, c.link), move(volts, c.path)
	j.bridgeLink, j.bridgePath = move(bridge, c.link), move(bridge, c.path)

	// The path: inner voltage less the bank's drop, the path's drop and the voltage at the controller.
	j.path, j.link = live/max(r.pathL, leastPathL), live/r.stage.capacitance
	j.pathInner = j.path * (1 + p.BatteryR*j.chargingSlope)
	j.pathOwn = -j.path * (p.BatteryR + p.PathR + j.voltsPath)
	j.pathLink = -j.path * j.voltsLink
	j.linkPath, j.linkOwn = j.link*(1-j.bridgePath), -j.link*j.bridgeLink
	drop := &j.S[c.drop]
	*drop = j.S[volts]
	drop[c.scalars[byOhms]] += y[l.path]
	if c.cold >= 0 {
		drop[c.cold] -= j.cold * p.Charging
	}
}

// linearMotion writes the rows of shaft and hull.
func (r *Run) linearMotion(p *Point, y []float64, w float64) {
	l, j := &r.layout, &r.linear.j
	const step = 1e-8
	boat := y[l.boat]
	byW, byV := &r.trial[0], &r.trial[1]
	dw, dv := step*max(10, math.Abs(w)), step*max(1, math.Abs(boat))
	byW.sea, byV.sea = p.sea, p.sea
	byW.PropSpeed, byV.PropSpeed = (w+dw)/r.gear, p.PropSpeed
	r.load(byW, w+dw, boat)
	r.load(byV, w, boat+dv)

	j.torque = j.turns / r.inertia
	j.ww = -j.torque * (r.motor.dragSlope(w) + (byW.Shaft-p.Shaft)/dw)
	j.wv = -j.torque * (byV.Shaft - p.Shaft) / dv
	power := p.Propeller * p.PropSpeed
	j.shaftW = j.turns * (byW.Propeller*byW.PropSpeed - power) / dw
	j.shaftV = j.turns * (byV.Propeller*p.PropSpeed - power) / dv
	j.lossW = j.turns * (byW.GearLoss - p.GearLoss) / dw
	j.lossV = (byV.GearLoss - p.GearLoss) / dv
	j.vw, j.vv, j.wayV = 0, 0, 0
	if r.conditions.Moored {
		return
	}
	force := r.hull.NetForce(boat, p.Thrust, boat)
	j.wayV = 1
	j.vw = j.turns * (r.hull.NetForce(boat, byW.Thrust, boat) - force) / dw / r.hull.Inertia()
	j.vv = (r.hull.NetForce(boat+dv, byV.Thrust, boat+dv) - force) / dv / r.hull.Inertia()
}

// linearHeat computes the heat put into each node, and how it leaves; see heats.
func (r *Run) linearHeat(p *Point, y, T []float64, w float64) {
	n, m, e, j, c := &r.nodes, &r.motor, &p.Electric, &r.linear.j, &r.choice
	im, ib := e.MotorCurrent, e.BatteryCurrent
	ib2, im2 := ib*ib, im*im+e.Losses.rippleMotor
	for k := range r.tree {
		b := &r.tree[k]
		dT := T[k] - copperReference
		path, loop := b.pathOhms+b.pathSlope*dT, b.loopOhms+b.loopSlope*dT
		j.into[k] = [heatColumns]float64{hBattery: 2 * path * ib, hMotor: 2 * loop * im, hRipple: loop}
		j.own[k] = b.pathSlope*ib2 + b.loopSlope*im2
	}
	bank := hBattery
	if c.cold >= 0 {
		bank = hBank
	}
	armature := hMotor
	if m.series {
		armature = hArmature
	}

	j.into[n.battery][bank] += 2 * p.BankCurrent * p.BatteryR
	j.own[n.battery] += p.BankCurrent * p.BankCurrent * j.cold
	for k := range j.pairHeat {
		j.pairHeat[k] = 0
		if k < r.battery.pairs {
			j.pairHeat[k] = 2 * y[r.layout.pair+k] / r.battery.pairR[k]
		}
	}
	if r.fusePlace {
		j.into[n.air][hBattery] += 2 * r.fuseR * ib
	}
	j.into[n.sink][hSink] = 1
	j.into[n.capacitor][hCapacitor] = 1

	// The winding, a share of it in the hottest phase or none.
	armatureR, field := m.resistance*(1-m.fieldShare), m.resistance*m.fieldShare
	if !m.series {
		armatureR, field = m.resistance, 0
	}
	hot := copper(T[n.winding])
	unit := armatureR*(e.ArmatureCurrent*e.ArmatureCurrent+e.Losses.rippleMotor) + field*im2 // at 20 °C
	stand := standing(w)
	standSlope := -2 * w / 9 * stand * j.turns
	winding := &j.into[n.winding]
	wind := [heatColumns]float64{hRipple: (armatureR + field) * hot}
	wind[hMotor] += 2 * field * hot * im
	wind[armature] += 2 * armatureR * hot * e.ArmatureCurrent
	share := 0.0
	if m.brushless {
		spot := &j.into[n.hotspot]
		share = m.unequal(w) / 3
		for k, v := range wind {
			spot[k] += share * v
		}
		moves := unit * hot * m.unequalSlope(w) / 3 * j.turns
		spot[hSpeed] += moves
		winding[hSpeed] -= moves
		j.hotspot = share * unit * copperSlope
	} else {
		i := e.ArmatureCurrent
		brush, slope := m.drop(i)*i, m.drop(i)+m.dropSlope(i)*i
		j.into[n.housing][armature] += (1 - m.brushShare) * slope
		brush, slope = m.brushShare*brush, m.brushShare*slope
		j.into[n.hotspot][armature] += slope * stand
		j.into[n.hotspot][hSpeed] += brush * standSlope
		j.into[n.commutator][armature] += slope * (1 - stand)
		j.into[n.commutator][hSpeed] -= brush * standSlope
		j.hotspot = 0
	}
	for k, v := range wind {
		winding[k] += (1 - share) * v
	}
	j.own[n.winding] += (1 - share) * unit * copperSlope
	j.into[n.housing][hSpeed] += j.turns * (m.dragSlope(w)*w + m.drag(w))

	if r.layout.link >= 0 {
		charging := 2 * r.stage.esr * r.capacitor(p)
		j.into[n.capacitor][hBattery] += charging
		j.linkHeat = charging
	}

	j.total = [heatColumns]float64{}
	if !r.fusePlace {
		j.total[hBattery] = 2 * r.fuseR * ib
	}
	var t0, t1, t2, t3, t4, t5, t6, t7 float64
	for k := range j.into {
		q := &j.into[k]
		t0, t1, t2, t3 = t0+q[0], t1+q[1], t2+q[2], t3+q[3]
		t4, t5, t6, t7 = t4+q[4], t5+q[5], t6+q[6], t7+q[7]
	}
	for e, v := range [heatColumns]float64{t0, t1, t2, t3, t4, t5, t6, t7} {
		j.total[e] += v
	}

	r.cool(w)
	for k := range r.tree {
		j.g[k] = r.scale[k] * r.tree[k].conductance
	}
	j.cooled = 0
	if !r.CoolingLost && !r.Locked {
		j.cooled = m.coolingSlope(w) * r.tree[n.housing].conductance * (T[n.housing] - r.outside(T, r.tree[n.housing].to))
	}
}

// outside returns the temperature of the place that a node is cooled by.
func (r *Run) outside(T []float64, to int) float64 {
	if to < 0 {
		return r.boundary[-1-to]
	}
	return T[to]
}

// linearRest computes the law's states, junctions, fuse, the account of energy and the electrical states.
func (r *Run) linearRest(p *Point, y, T []float64, w float64) {
	j, s := &r.linear.j, &r.Law.Settings
	x := r.ControlState(y)
	j.demand = r.Law.DemandSlope(r.Target(p.Measured.Lever), x[control.Demand])
	j.volts, j.sensor = 1/s.LowVoltage.FilterTime, 1/s.Derating.FilterTime
	j.boostCurrent, j.boostLeft = r.Law.BoostSlopes(p.MotorCurrent, x[control.BoostLeft], r.Mode.Resting)

	unequal, slope := r.motor.unequal(w), r.motor.unequalSlope(w)*j.turns
	j.ladderP = [2]float64{unequal, unequal}
	j.ladderW = [2]float64{slope * (p.Losses.conductionSwitch + p.Losses.switching), slope * p.Losses.conductionFreewheel}

	rated := r.fuse.Rating * r.fuse.Rating * r.fuseSquare(T)
	j.fuseCurrent, j.fuseAir = 2*p.BatteryCurrent/rated, 0
	if f := &r.boat.Fuse; r.fusePlace && rated > 0.01*r.fuse.Rating*r.fuse.Rating {
		load := p.BatteryCurrent * r.fuse.Rating / rated
		j.fuseAir = load * load / (f.DeratingTemperature.SI - f.CurveAt.SI)
	}

	// out = open·bank + terminal·charging, terminal = inner − R·bank
	j.absSign = math.Copysign(1, p.OpenVoltage*p.BankCurrent+p.Terminal*p.Charging)
	j.outLevel = j.openSlope * p.BankCurrent
	j.outInner = p.Charging + p.Terminal*j.chargingSlope
	j.outBank = p.OpenVoltage - p.BatteryR*p.Charging
	j.outCold = -j.cold * p.BankCurrent * p.Charging
}

// chargingSlope returns the change of the charging current per volt of the bank.
func (r *Run) chargingSlope(p *Point, y []float64) float64 {
	if p.Charging == 0 {
		return 0
	}
	const step = 1e-5
	inner := p.OpenVoltage - y[r.layout.pair] - y[r.layout.pair+1]
	return (r.charging(inner+step) - p.Charging) / step
}
