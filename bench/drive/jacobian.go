package drive

import (
	"math"
	"slices"

	"quaybench/bench/control"
)

// intermediates are what the derivatives read the states through; they lie behind the states. Each is a sum of states
// and earlier ones. A model has those it can need.
type intermediates struct {
	inner   int // V of the bank behind its resistance
	scalars [byBraking + 1]int
	outputs [outputs]int
	bank    int // A out of the cells
	count   int

	used    []int // scalars that the operating point can depend on, the first of them bySource
	columns []int // of these: intermediates, or states
}

func (m *Model) arrangeIntermediates() {
	z := &m.between
	at := m.layout.size
	take := func() int { at++; return at - 1 }
	z.inner = take()
	electrical := m.layout.link >= 0
	for by := range scalars {
		switch {
		case by == byArmature && !m.motor.series, by == byMagnet && m.motor.series, by == byFreewheel && m.stage.diode, by == byCurrent && !electrical:
			continue
		}
		z.used = append(z.used, by)
		switch by {
		case bySpeed:
			z.columns = append(z.columns, m.layout.speed)
		case byDemand:
			z.columns = append(z.columns, m.layout.control+control.Demand)
		case byCurrent:
			z.columns = append(z.columns, m.layout.motorCurrent)
		default:
			z.scalars[by] = take()
			z.columns = append(z.columns, z.scalars[by])
		}
	}
	for of := range outputs {
		switch {
		case of == ofArmature && !m.motor.series: // the same current
			z.outputs[of] = z.outputs[ofMotor]
		case (of == ofUnbalanced || of == ofLink) && !electrical:
		default:
			z.outputs[of] = take()
		}
	}
	z.bank = take()
	z.count = at - m.layout.size
}

// JacobianIntermediates is the number of rows of the Jacobian beyond the states.
func (m *Model) JacobianIntermediates() int { return m.between.count }

// JacobianPattern lists, row by row and rising, the states and intermediates that each derivative and each intermediate reads;
// the diagonal is included. It is fixed for a model.
func (m *Model) JacobianPattern() [][]int { return m.pattern }

// assembly adds up the entries of the Jacobian. It goes the same way whatever the state: once to learn where each entry
// belongs, then along that list.
type assembly struct {
	places []int16 // among the entries, in the order of add
	at     int
	values []float64
	order  [][2]int // learned: row and column of each call of add
}

func (a *assembly) add(i, k int, v float64) {
	if a.values == nil {
		a.order = append(a.order, [2]int{i, k})
		return
	}
	a.values[a.places[a.at]] += v
	a.at++
}

// addRow adds several entries of a row, by their columns.
func (a *assembly) addRow(i int, columns []int, v []float64) {
	if a.values == nil {
		for e, k := range columns {
			a.add(i, k, v[e])
		}
		return
	}
	for e, place := range a.places[a.at:][:len(columns)] {
		a.values[place] += v[e]
	}
	a.at += len(columns)
}

// addColumn adds two entries of a column.
func (a *assembly) addColumn(k int, i, j int, v, w float64) {
	if a.values == nil {
		a.add(i, k, v)
		a.add(j, k, w)
		return
	}
	places := a.places[a.at:][:2]
	a.values[places[0]] += v
	a.values[places[1]] += w
	a.at += 2
}

// learnPattern finds the pattern by going through an assembly.
func (m *Model) learnPattern() {
	size := m.layout.size + m.between.count
	m.pattern = make([][]int, size)
	for i := range m.pattern {
		m.pattern[i] = []int{i}
	}
	var a assembly
	r := m.NewRun(func(float64) float64 { return 0 })
	nan := math.NaN()
	y := r.Begin(Start{Charge: 0.5, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
	r.assemble(0, y, &a)
	for _, e := range a.order {
		m.pattern[e[0]] = append(m.pattern[e[0]], e[1])
	}
	start, at := make([]int, size), 0
	for i := range m.pattern {
		slices.Sort(m.pattern[i])
		m.pattern[i] = slices.Compact(m.pattern[i])
		start[i] = at
		at += len(m.pattern[i])
	}
	for _, e := range a.order {
		k, _ := slices.BinarySearch(m.pattern[e[0]], e[1])
		m.places = append(m.places, int16(start[e[0]]+k))
	}
}

// JacobianEntries writes the entries of the pattern, row by row: ∂(dy/dt)/∂(y, z) of the states, then ∂z/∂(y, z).
func (r *Run) JacobianEntries(t float64, y, entries []float64) {
	clear(entries)
	a := assembly{places: r.places, values: entries}
	r.assemble(t, y, &a)
	if a.at != len(a.places) {
		panic("drive: the Jacobian was put together in another way than when its pattern was learned")
	}
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
	step := math.Copysign(1e-7, rate)
	var dx, moved [control.States]float64
	x := r.ControlState(y)
	r.Law.DerivativesTo(r.Target(p.Measured.Lever), &p.Measured, x, r.Mode, dx[:])
	r.Law.DerivativesTo(r.Law.Target(p.Measured.Lever+step, r.Mode), &p.Measured, x, r.Mode, moved[:])
	dfdt[r.layout.control+control.Demand] = (moved[control.Demand] - dx[control.Demand]) / step * rate
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
	r.assembleLadders(p, T, w, a)
	if r.layout.link >= 0 {
		r.assembleTransients(p, y, a)
	}
}

// assembleScalars states how the scalars of the operating point follow from the states.
func (r *Run) assembleScalars(p *Point, y, T []float64, a *assembly) {
	l, b, n := &r.layout, &r.battery, &r.nodes
	scalar := &r.between.scalars
	battery := l.nodes + n.battery

	slope := b.openCircuitSlope(b.level(y[l.charge], y[l.lag:]))
	inner := r.between.inner
	a.add(inner, l.charge, slope)
	for k, w := range b.wells {
		a.add(inner, l.lag+k, -w.share*slope)
	}
	a.add(inner, l.pair, -1)
	a.add(inner, l.pair+1, -1)

	cold := slopeOver(b.ohmic, T[n.battery], p.BatteryR)
	a.add(scalar[bySource], inner, 1+p.BatteryR*r.chargingSlope(p, y))
	a.add(scalar[bySource], battery, cold*p.Charging)
	a.add(scalar[byOhms], battery, cold)

	winding := r.motor.resistance * copperSlope
	a.add(scalar[byLoop], l.nodes+n.winding, winding)
	if r.motor.series {
		a.add(scalar[byArmature], l.nodes+n.winding, winding*(1-r.motor.fieldShare))
	}
	for i := range r.conductors {
		c := &r.conductors[i]
		switch {
		case !c.copper:
		case c.motor:
			a.add(scalar[byLoop], l.nodes+c.node, c.r*copperSlope)
		default:
			a.add(scalar[byOhms], l.nodes+c.node, c.r*copperSlope)
		}
	}
	switch {
	case r.motor.series:
	case r.motor.brushless:
		a.add(scalar[byMagnet], l.nodes+n.winding, 0.5)
		a.add(scalar[byMagnet], l.nodes+n.housing, 0.5)
	default:
		a.add(scalar[byMagnet], l.nodes+n.housing, 1)
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
		if d.by == byFreewheel && r.stage.diode {
			continue
		}
		a.add(scalar[d.by], l.nodes+n.sink, d.slope)
		for k := range d.stages {
			a.add(scalar[d.by], d.first+k, d.slope)
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
		a.add(scalar[byDriving], l.control+s.state, driving)
		a.add(scalar[byBraking], l.control+s.state, braking)
	}
}

// assembleOutputs states how the outputs of the operating point follow from its scalars.
func (r *Run) assembleOutputs(a *assembly) {
	l := &r.layout
	behind := 0.0 // the link's capacitor is the source
	if l.link >= 0 && r.Connected {
		behind = 1
	}
	var v [scalars]float64
	for of, row := range r.between.outputs {
		if row == 0 || of == ofArmature && !r.motor.series {
			continue
		}
		s := &r.slopes[of]
		for e, by := range r.between.used {
			v[e] = s[by]
		}
		v[0] *= 1 - behind // bySource
		a.addRow(row, r.between.columns, v[:len(r.between.columns)])
		if l.link >= 0 {
			path := r.stage.esr * s[bySource]
			if of == ofBattery {
				path = 1
			}
			a.add(row, l.link, behind*s[bySource])
			a.add(row, l.path, behind*path)
		}
	}
	bank := r.between.bank
	a.add(bank, r.between.outputs[ofBattery], 1)
}

// assembleBattery is charge, wells, polarisation and the account of energy out of the battery.
func (r *Run) assembleBattery(p *Point, y []float64, a *assembly) {
	l, b := &r.layout, &r.battery
	bank, inner := r.between.bank, r.between.inner
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
	target := r.Target(p.Measured.Lever)
	r.Law.DerivativesTo(target, &p.Measured, x, r.Mode, dx[:])
	var moved [control.States]float64
	for i := range moved {
		moved[i] = x[i] + step
	}
	r.Law.DerivativesTo(target, &p.Measured, moved[:], r.Mode, own[:]) // each reads itself alone
	in := p.Measured
	in.Voltage += step
	in.StageTemperature += step
	in.MotorTemperature += step
	in.MotorCurrent += step
	r.Law.DerivativesTo(target, &in, x, r.Mode, seen[:])
	a.add(at+control.Demand, at+control.Demand, r.Law.DemandSlope(target, x[control.Demand]))
	for i := range dx {
		if i != control.Demand {
			a.add(at+i, at+i, (own[i]-dx[i])/step)
		}
	}
	for _, s := range []struct{ state, reads int }{
		{control.Voltage, r.between.outputs[ofVoltage]},
		{control.StageSensor, r.layout.nodes + r.nodes.sink},
		{control.MotorSensor, r.layout.nodes + r.sensorNode()},
		{control.BoostLeft, r.between.outputs[ofMotor]},
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

	a.add(l.speed, r.between.outputs[ofTorque], turns/r.inertia)
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
		a.addColumn(column, l.nodes+node, l.heat, v*r.network.PerJoule(node), v)
	}
	out := func(of int) int { return r.between.outputs[of] }
	turns := 1.0
	if r.Locked {
		turns = 0
	}

	into(n.battery, r.between.bank, 2*p.BankCurrent*p.BatteryR)
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
		share = m.unequal(w) / 3
		moves := unit * hot * m.unequalSlope(w) / 3 * turns
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
		into(n.housing, out(ofArmature), (1-m.brushShare)*slope)
		brush, slope = m.brushShare*brush, m.brushShare*slope
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
		from, into := first+link.from, g*r.network.PerJoule(link.from)
		if link.to < 0 {
			a.add(from, from, -into)
			continue
		}
		to, back := first+link.to, g*r.network.PerJoule(link.to)
		a.addColumn(from, from, to, -into, back)
		a.addColumn(to, from, to, into, -back)
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
func (r *Run) assembleLadders(p *Point, T []float64, w float64, a *assembly) {
	l := &r.layout
	unequal, slope := r.motor.unequal(w), r.motor.unequalSlope(w)
	if r.Locked {
		slope = 0
	}
	ladder := func(stages [][2]float64, first, of int, power float64) {
		for k, s := range stages {
			a.add(first+k, r.between.outputs[of], unequal*s[0]/s[1])
			a.add(first+k, first+k, -1/s[1])
			if r.motor.brushless {
				a.add(first+k, l.speed, slope*power*s[0]/s[1])
			}
		}
	}
	ladder(r.stage.foster[0], l.switching, ofSwitch, p.Losses.conductionSwitch+p.Losses.switching)
	ladder(r.stage.foster[1], l.freewheel, ofFreewheel, p.Losses.conductionFreewheel)
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
		a.add(l.fuse+k, r.between.outputs[ofBattery], 2*share*i/(rated*rated))
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
	a.add(l.motorCurrent, r.between.outputs[ofUnbalanced], live/(r.motor.inductance+r.motorL))

	inductance := max(r.pathL, leastPathL) / live
	path := func(column int, v float64) { a.add(l.path, column, v/inductance) }
	path(r.between.inner, 1)
	path(r.between.bank, -p.BatteryR)
	path(l.path, -p.PathR)
	path(r.between.outputs[ofVoltage], -1)
	// byOhms is battery and path together: the battery's part carries the bank's current instead.
	path(r.between.scalars[byOhms], -y[l.path])
	path(l.nodes+r.nodes.battery, -slopeOver(r.battery.ohmic, y[l.nodes+r.nodes.battery], p.BatteryR)*(p.BankCurrent-y[l.path]))

	C := r.stage.capacitance / live
	a.add(l.link, l.path, 1/C)
	a.add(l.link, r.between.outputs[ofLink], -1/C)
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
