package drive

import (
	"math"
	"slices"

	"quaybench/bench/control"
)

// Intermediates are what the derivatives read the states through; they lie behind the states. Each is a sum of states
// and earlier ones.
const (
	zInner        = 0 // V of the bank behind its resistance
	zScalar       = 1 // the scalars of the operating point up to byBraking
	zOutput       = zScalar + byBraking + 1
	zBank         = zOutput + outputs // A out of the cells
	intermediates = zBank + 1
)

// JacobianIntermediates is the number of rows of the Jacobian beyond the states.
func (m *Model) JacobianIntermediates() int { return intermediates }

// JacobianPattern lists, row by row and rising, the states and intermediates that each derivative and each intermediate reads;
// the diagonal is included. It is fixed for a model.
func (m *Model) JacobianPattern() [][]int { return m.pattern }

// assembly collects entries of the Jacobian: in their places, or, to learn the pattern, the places alone.
type assembly struct {
	size   int
	place  []int16 // of (i, k) among the entries, at i·size + k
	values []float64
	learn  [][]int
}

func (a *assembly) add(i, k int, v float64) {
	if a.learn != nil {
		a.learn[i] = append(a.learn[i], k)
		return
	}
	a.values[a.place[i*a.size+k]] += v
}

// learnPattern finds the pattern by going through an assembly, which touches the same entries whatever the state.
func (m *Model) learnPattern() {
	size := m.layout.size + intermediates
	r := m.NewRun(func(float64) float64 { return 0 })
	a := assembly{size: size, learn: make([][]int, size)}
	for i := range a.learn {
		a.learn[i] = []int{i}
	}
	nan := math.NaN()
	y := r.Begin(Start{Charge: 0.5, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
	r.assemble(0, y, &a)
	m.place = make([]int16, size*size)
	at := 0
	for i, row := range a.learn {
		slices.Sort(row)
		row = slices.Compact(row)
		m.pattern = append(m.pattern, row)
		for _, k := range row {
			m.place[i*size+k] = int16(at)
			at++
		}
	}
}

// JacobianEntries writes the entries of the pattern, row by row: ∂(dy/dt)/∂(y, z) of the states, then ∂z/∂(y, z).
func (r *Run) JacobianEntries(t float64, y, entries []float64) {
	clear(entries)
	r.assemble(t, y, &assembly{size: r.layout.size + intermediates, place: r.place, values: entries})
}

// LeverDerivative writes ∂(dy/dt)/∂t: of the lever alone, which moves in a straight line.
func (r *Run) LeverDerivative(t float64, y, dfdt []float64) {
	clear(dfdt)
	const later = 1e-3 // s; exact for a straight line
	rate := (r.Lever(t+later) - r.Lever(t)) / later
	if rate == 0 {
		return
	}
	p := r.Point(t, y)
	var dx, moved [control.States]float64
	x := r.ControlState(y)
	in := p.Measured
	r.Law.Derivatives(in, x, r.Mode, dx[:])
	step := math.Copysign(1e-7, rate)
	in.Lever += step
	r.Law.Derivatives(in, x, r.Mode, moved[:])
	for i := range dx {
		dfdt[r.layout.control+i] = (moved[i] - dx[i]) / step * rate
	}
}

func (r *Run) assemble(t float64, y []float64, a *assembly) {
	p := r.Point(t, y)
	T := y[r.layout.nodes : r.layout.nodes+len(r.heat)]
	r.sensitivity(p, y, &r.slopes)
	r.assembleScalars(p, y, T, a)
	r.assembleOutputs(a)
	r.assembleBattery(p, y, a)
	r.assembleControl(p, y, a)
	w := y[r.layout.speed]
	if r.Locked {
		w = 0
	}
	r.assembleMotion(p, y, w, a)
	r.assembleHeat(p, y, T, w, a)
	r.assembleNetwork(T, w, a)
	r.assembleLadders(p, y, T, a)
	if r.layout.link >= 0 {
		r.assembleTransients(p, y, a)
	}
}

// z is the row and column of an intermediate.
func (m *Model) z(i int) int { return m.layout.size + i }

// copperSlope is the change of copper's resistance factor per kelvin.
var copperSlope = copper(copperReference+1) - copper(copperReference)

// assembleScalars states how the scalars of the operating point follow from the states.
func (r *Run) assembleScalars(p *Point, y, T []float64, a *assembly) {
	l, b, n := &r.layout, &r.battery, &r.nodes
	scalar := func(by int) int { return r.z(zScalar + by) }
	battery := l.nodes + n.battery

	slope := b.openCircuitSlope(b.level(y[l.charge], y[l.lag:]))
	inner := r.z(zInner)
	a.add(inner, l.charge, slope)
	for k, w := range b.wells {
		a.add(inner, l.lag+k, -w.share*slope)
	}
	a.add(inner, l.pair, -1)
	a.add(inner, l.pair+1, -1)

	cold := slopeOver(b.ohmic, T[n.battery], p.BatteryR)
	a.add(scalar(bySource), inner, 1+p.BatteryR*r.chargingSlope(p, y))
	a.add(scalar(bySource), battery, cold*p.Charging)
	a.add(scalar(byOhms), battery, cold)

	winding := r.motor.resistance * copperSlope
	a.add(scalar(byLoop), l.nodes+n.winding, winding)
	a.add(scalar(byArmature), l.nodes+n.winding, winding*(1-r.motor.fieldShare))
	for i := range r.conductors {
		c := &r.conductors[i]
		switch {
		case !c.copper:
		case c.motor:
			a.add(scalar(byLoop), l.nodes+c.node, c.r*copperSlope)
		default:
			a.add(scalar(byOhms), l.nodes+c.node, c.r*copperSlope)
		}
	}
	if r.motor.brushless {
		a.add(scalar(byMagnet), l.nodes+n.winding, 0.5)
		a.add(scalar(byMagnet), l.nodes+n.housing, 0.5)
	} else {
		a.add(scalar(byMagnet), l.nodes+n.housing, 1)
	}

	const warmer = 1e-3 // K
	now, hot := r.stage.devices(p.SwitchT, p.FreewheelT), r.stage.devices(p.SwitchT+warmer, p.FreewheelT+warmer)
	for _, d := range []struct {
		by, first, stages int
		slope             float64
	}{
		{bySwitch, l.switching, len(r.stage.foster[0]), (hot.switchR - now.switchR) / warmer},
		{byFreewheel, l.freewheel, len(r.stage.foster[1]), (hot.freewheelR - now.freewheelR) / warmer},
	} {
		a.add(scalar(d.by), l.nodes+n.sink, d.slope)
		for k := range d.stages {
			a.add(scalar(d.by), d.first+k, d.slope)
		}
	}

	// Deratings are straight between their ends: any step is exact.
	var x [control.States]float64
	copy(x[:], y[l.control:])
	for _, s := range []struct {
		state int
		step  float64
		acts  bool
	}{
		{control.Voltage, -1e-6, p.Command.Deratings.LowVoltage < 1 || p.Command.Deratings.HighVoltage < 1},
		{control.StageSensor, 1e-6, p.Command.Deratings.Stage < 1},
		{control.MotorSensor, 1e-6, p.Command.Deratings.Motor < 1},
	} {
		var driving, braking float64
		if s.acts {
			at := x[s.state]
			x[s.state] += s.step
			d := r.Law.Output(x[:], r.Mode).Deratings
			x[s.state] = at
			driving = (d.Driving - p.Command.Deratings.Driving) / s.step
			braking = (d.Braking - p.Command.Deratings.Braking) / s.step
		}
		a.add(scalar(byDriving), l.control+s.state, driving)
		a.add(scalar(byBraking), l.control+s.state, braking)
	}
}

// assembleOutputs states how the outputs of the operating point follow from its scalars.
func (r *Run) assembleOutputs(a *assembly) {
	l := &r.layout
	for of := range outputs {
		row := r.z(zOutput + of)
		s := &r.slopes[of]
		for by := range byBraking + 1 {
			column := r.z(zScalar + by)
			if by == bySource && l.link >= 0 && r.Connected {
				column = l.link
			}
			a.add(row, column, s[by])
		}
		a.add(row, l.speed, s[bySpeed])
		a.add(row, l.control+control.Demand, s[byDemand])
		if l.link >= 0 {
			a.add(row, r.z(zScalar+bySource), 0)
			a.add(row, l.link, 0)
			a.add(row, l.motorCurrent, s[byCurrent])
			path := 0.0
			if r.Connected {
				path = r.stage.esr * s[bySource]
				if of == ofBattery {
					path = 1
				}
			}
			a.add(row, l.path, path)
		}
	}
	bank := r.z(zBank)
	a.add(bank, r.z(zOutput+ofBattery), 1)
}

// assembleBattery is charge, wells, polarisation and the account of energy out of the battery.
func (r *Run) assembleBattery(p *Point, y []float64, a *assembly) {
	l, b := &r.layout, &r.battery
	bank, inner := r.z(zBank), r.z(zInner)
	charging := r.chargingSlope(p, y)
	a.add(bank, inner, -charging)
	a.add(l.charge, bank, -1/b.capacity)
	for k, w := range b.wells {
		a.add(l.lag+k, bank, 1/b.capacity)
		a.add(l.lag+k, l.lag+k, -w.rate)
	}
	for k := range b.pairs {
		a.add(l.pair+k, bank, b.pairR[k]/b.pairTau[k])
		a.add(l.pair+k, l.pair+k, -1/b.pairTau[k])
	}
	// out = open·bank + terminal·charging, terminal = inner − R·bank
	sign := math.Copysign(1, p.OpenVoltage*p.BankCurrent+p.Terminal*p.Charging)
	slope := b.openCircuitSlope(b.level(y[l.charge], y[l.lag:]))
	cold := slopeOver(b.ohmic, y[l.nodes+r.nodes.battery], p.BatteryR)
	account := func(column int, v float64) {
		a.add(l.battery, column, v)
		a.add(l.abs, column, sign*v)
	}
	account(l.charge, slope*p.BankCurrent)
	for k, w := range b.wells {
		account(l.lag+k, -w.share*slope*p.BankCurrent)
	}
	account(bank, p.OpenVoltage-p.BatteryR*p.Charging)
	account(inner, p.Charging+p.Terminal*charging)
	account(l.nodes+r.nodes.battery, -cold*p.BankCurrent*p.Charging)
}

// assembleControl is the law's state.
func (r *Run) assembleControl(p *Point, y []float64, a *assembly) {
	const step = 1e-6
	at := r.layout.control
	var dx, own, seen [control.States]float64
	x := y[at : at+control.States]
	r.Law.Derivatives(p.Measured, x, r.Mode, dx[:])
	var moved [control.States]float64
	for i := range moved {
		moved[i] = x[i] + step
	}
	r.Law.Derivatives(p.Measured, moved[:], r.Mode, own[:]) // each reads itself alone
	in := p.Measured
	in.Voltage += step
	in.StageTemperature += step
	in.MotorTemperature += step
	in.MotorCurrent += step
	r.Law.Derivatives(in, x, r.Mode, seen[:])
	for i := range dx {
		a.add(at+i, at+i, (own[i]-dx[i])/step)
	}
	sensor := r.nodes.winding
	if r.Law.Settings.Derating.Sensor == "housing" {
		sensor = r.nodes.housing
	}
	for _, s := range []struct{ state, reads int }{
		{control.Voltage, r.z(zOutput + ofVoltage)},
		{control.StageSensor, r.layout.nodes + r.nodes.sink},
		{control.MotorSensor, r.layout.nodes + sensor},
		{control.BoostLeft, r.z(zOutput + ofMotor)},
	} {
		a.add(at+s.state, s.reads, (seen[s.state]-dx[s.state])/step)
	}
}

// assembleMotion is shaft and hull.
func (r *Run) assembleMotion(p *Point, y []float64, w float64, a *assembly) {
	l := &r.layout
	turns := 1.0
	if r.Locked {
		turns = 0
	}
	const step = 1e-8
	boat := y[l.boat]
	byW, byV := &r.trial[0], &r.trial[1]
	dw, dv := step*max(10, math.Abs(w)), step*max(1, math.Abs(boat))
	byW.PropSpeed, byV.PropSpeed = (w+dw)/r.gear, p.PropSpeed
	r.load(byW, w+dw, boat)
	r.load(byV, w, boat+dv)

	a.add(l.speed, r.z(zOutput+ofTorque), turns/r.inertia)
	a.add(l.speed, l.speed, -turns*(r.motor.dragSlope(w)+(byW.Shaft-p.Shaft)/dw)/r.inertia)
	a.add(l.speed, l.boat, -turns*(byV.Shaft-p.Shaft)/dv/r.inertia)
	power := p.Propeller * p.PropSpeed
	a.add(l.shaft, l.speed, turns*(byW.Propeller*byW.PropSpeed-power)/dw)
	a.add(l.shaft, l.boat, turns*(byV.Propeller*p.PropSpeed-power)/dv)
	a.add(l.heat, l.speed, turns*(byW.GearLoss-p.GearLoss)/dw)
	a.add(l.heat, l.boat, (byV.GearLoss-p.GearLoss)/dv)

	if r.conditions.Moored {
		return
	}
	force := r.hull.NetForce(boat, p.Thrust, boat)
	a.add(l.distance, l.boat, 1)
	a.add(l.boat, l.speed, turns*(r.hull.NetForce(boat, byW.Thrust, boat)-force)/dw/r.hull.Inertia())
	a.add(l.boat, l.boat, (r.hull.NetForce(boat+dv, byV.Thrust, boat+dv)-force)/dv/r.hull.Inertia())
}

// assembleHeat is the heat put into each node, and all of it; see heats.
func (r *Run) assembleHeat(p *Point, y, T []float64, w float64, a *assembly) {
	l, n, m, e := &r.layout, &r.nodes, &r.motor, &p.Electric
	into := func(node, column int, v float64) {
		a.add(l.nodes+node, column, v*r.network.PerJoule(node))
		a.add(l.heat, column, v)
	}
	out := func(of int) int { return r.z(zOutput + of) }
	turns := 1.0
	if r.Locked {
		turns = 0
	}

	into(n.battery, r.z(zBank), 2*p.BankCurrent*p.BatteryR)
	cold := slopeOver(r.battery.ohmic, T[n.battery], p.BatteryR)
	into(n.battery, l.nodes+n.battery, p.BankCurrent*p.BankCurrent*cold)
	for k := range r.battery.pairs {
		into(n.battery, l.pair+k, 2*y[l.pair+k]/r.battery.pairR[k])
	}
	im2, ib2 := e.MotorCurrent*e.MotorCurrent, e.BatteryCurrent*e.BatteryCurrent
	for i := range r.conductors {
		c := &r.conductors[i]
		ohms, square := c.ohms(T), ib2
		if c.motor {
			square = im2 + e.Losses.rippleMotor
			into(c.node, out(ofMotor), 2*ohms*e.MotorCurrent)
			into(c.node, out(ofRipple), ohms)
		} else {
			into(c.node, out(ofBattery), 2*ohms*e.BatteryCurrent)
		}
		if c.copper {
			into(c.node, l.nodes+c.node, c.r*copperSlope*square)
		}
	}
	if fuse := 2 * r.fuseR * e.BatteryCurrent; r.fusePlace {
		into(n.air, out(ofBattery), fuse)
	} else {
		a.add(l.heat, out(ofBattery), fuse)
	}
	into(n.sink, out(ofSwitch), 1)
	into(n.sink, out(ofFreewheel), 1)
	into(n.capacitor, out(ofCapacitor), 1)
	if l.link >= 0 {
		charging := 2 * r.stage.esr * r.capacitor(p)
		into(n.capacitor, l.path, charging)
		into(n.capacitor, out(ofLink), -charging)
	}

	// The winding, a share of it in the hottest phase or none.
	armature, field := m.resistance*(1-m.fieldShare), m.resistance*m.fieldShare
	if !m.series {
		armature, field = m.resistance, 0
	}
	hot := copper(T[n.winding])
	unit := armature*(e.ArmatureCurrent*e.ArmatureCurrent+e.Losses.rippleMotor) + field*(im2+e.Losses.rippleMotor) // at 20 °C
	stand := standing(w)
	standSlope := -2 * w / 9 * stand * turns
	share := 0.0
	if m.brushless {
		share = (1 + (m.phaseFactor-1)*stand) / 3
		moves := unit * hot * (m.phaseFactor - 1) / 3 * standSlope
		into(n.hotspot, l.speed, moves)
		into(n.winding, l.speed, -moves)
	}
	wind := func(column int, v float64) {
		if m.brushless {
			into(n.hotspot, column, share*v)
		}
		into(n.winding, column, (1-share)*v)
	}
	wind(out(ofArmature), 2*armature*hot*e.ArmatureCurrent)
	wind(out(ofMotor), 2*field*hot*e.MotorCurrent)
	wind(out(ofRipple), (armature+field)*hot)
	wind(l.nodes+n.winding, unit*copperSlope)
	if !m.brushless {
		i := e.ArmatureCurrent
		brush, slope := m.drop(i)*i, m.drop(i)+m.dropSlope(i)*i
		into(n.hotspot, out(ofArmature), slope*stand)
		into(n.hotspot, l.speed, brush*standSlope)
		into(n.commutator, out(ofArmature), slope*(1-stand))
		into(n.commutator, l.speed, -brush*standSlope)
	}
	into(n.housing, l.speed, turns*(m.dragSlope(w)*w+m.drag(w)))
}

// slopeOver is the change of a resistance per kelvin.
func slopeOver(ohms func(float64) float64, T, now float64) float64 {
	return (ohms(T+1e-3) - now) / 1e-3
}

// assembleNetwork is the heat that flows between the nodes.
func (r *Run) assembleNetwork(T []float64, w float64, a *assembly) {
	r.cool(w)
	first := r.layout.nodes
	for i, scale := range r.scale {
		link := r.linkEnds[i]
		g := scale * link.conductance
		from, into := first+link.from, r.network.PerJoule(link.from)
		a.add(from, from, -g*into)
		if link.to >= 0 {
			to, back := first+link.to, r.network.PerJoule(link.to)
			a.add(from, to, g*into)
			a.add(to, from, g*back)
			a.add(to, to, -g*back)
		}
	}
	slope := r.motor.coolingSlope(w)
	if r.CoolingLost || r.Locked {
		slope = 0
	}
	link := r.linkEnds[r.links.housing]
	r.scale[r.links.housing] = 1
	flow := slope * r.network.Flow(r.links.housing, T, r.boundary[:], r.scale)
	a.add(first+link.from, r.layout.speed, -flow*r.network.PerJoule(link.from))
	if link.to >= 0 {
		a.add(first+link.to, r.layout.speed, flow*r.network.PerJoule(link.to))
	}
}

// assembleLadders is junctions and fuse.
func (r *Run) assembleLadders(p *Point, y, T []float64, a *assembly) {
	l := &r.layout
	for k, s := range r.stage.foster[0] {
		a.add(l.switching+k, r.z(zOutput+ofSwitch), s[0]/s[1])
		a.add(l.switching+k, l.switching+k, -1/s[1])
	}
	for k, s := range r.stage.foster[1] {
		a.add(l.freewheel+k, r.z(zOutput+ofFreewheel), s[0]/s[1])
		a.add(l.freewheel+k, l.freewheel+k, -1/s[1])
	}
	factor := r.FuseRating(T)
	rated := r.fuse.Rating * factor
	warm := 0.0 // of 1/rated², per kelvin
	if r.fusePlace {
		const step = 1e-3
		at := T[r.nodes.air]
		T[r.nodes.air] += step
		later := r.fuse.Rating * r.FuseRating(T)
		T[r.nodes.air] = at
		warm = (1/(later*later) - 1/(rated*rated)) / step
	}
	i := p.BatteryCurrent
	for k, s := range r.fuse.Element {
		share := s.Resistance / s.TimeConstant
		a.add(l.fuse+k, r.z(zOutput+ofBattery), 2*share*i/(rated*rated))
		a.add(l.fuse+k, l.fuse+k, -1/s.TimeConstant)
		if r.fusePlace {
			a.add(l.fuse+k, l.nodes+r.nodes.air, share*i*i*warm)
		}
	}
}

// assembleTransients is the electrical states.
func (r *Run) assembleTransients(p *Point, y []float64, a *assembly) {
	l := &r.layout
	live := 0.0
	if r.Connected {
		live = 1
	}
	a.add(l.motorCurrent, r.z(zOutput+ofUnbalanced), live/(r.motor.inductance+r.motorL))

	inductance := max(r.pathL, leastPathL) / live
	path := func(column int, v float64) { a.add(l.path, column, v/inductance) }
	path(r.z(zInner), 1)
	path(r.z(zBank), -p.BatteryR)
	path(l.path, -p.PathR)
	path(r.z(zOutput+ofVoltage), -1)
	// byOhms is battery and path together: the battery's part carries the bank's current instead.
	path(r.z(zScalar+byOhms), -y[l.path])
	path(l.nodes+r.nodes.battery, -slopeOver(r.battery.ohmic, y[l.nodes+r.nodes.battery], p.BatteryR)*(p.BankCurrent-y[l.path]))

	C := r.stage.capacitance / live
	a.add(l.link, l.path, 1/C)
	a.add(l.link, r.z(zOutput+ofLink), -1/C)
}

// chargingSlope is the change of the charging current per volt of the bank.
func (r *Run) chargingSlope(p *Point, y []float64) float64 {
	if p.Charging == 0 {
		return 0
	}
	const step = 1e-5
	inner := p.OpenVoltage - y[r.layout.pair] - y[r.layout.pair+1]
	return (r.charging(inner+step) - p.Charging) / step
}
