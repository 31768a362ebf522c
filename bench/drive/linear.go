package drive

import (
	"math"

	"quaybench/bench/control"
)

// linear solves (d·I − J)·x = b for a jacobian:
//
//	x = A⁻¹·b + A⁻¹·B·o   with A for d·I − A, and so   (I − S·C·A⁻¹·B)·o = S·C·A⁻¹·b
//
// A⁻¹ costs a division a state; the system left is as large as the operating point has outputs. No row is exchanged outside
// it: shaft and hull are two equations in closed form, and a node of heat that would warm itself faster than 1/d is refused.
type linear struct {
	j jacobian

	d, perD               float64
	motion                float64 // 1/determinant
	torqueW, torqueV      float64 // of shaft and hull by an output torque
	charge                float64 // by bank current, as what follows with B behind it
	lag, lagB             [lags]float64
	pair, pairB           [2]float64
	demand, volts, sensor float64
	boost                 float64
	ladder, ladderB       [2][]float64 // per stage
	ladderW               [2][]float64
	element               []float64 // of the fuse

	inv, up, down []float64 // 1/pivot; what a node's row adds to that of the one that cools it, and what it takes from that
	cross         float64   // what the hottest phase takes from the winding
	columns       [][heatColumns]float64
	counts        int // columns in use

	// Electrical states: 1/pivot of the motor's current, 1/determinant of path and link, and these two by each output.
	motorCurrent, transient float64
	paths, links            [most]float64

	M  [most][most]float64 // scratch of join
	G  [most][most]float64 // outputs by what the scalars see without them
	ns int                 // scalars in use
}

// rung is a stage of a Foster ladder.
type rung struct{ drive, rate float64 } // K/J and 1/s

// newLinear allocates the linear systems of a model.
func (m *Model) newLinear() (f linear) {
	n := len(m.tree)
	f.j.into, f.j.own, f.j.g = make([][heatColumns]float64, n), make([]float64, n), make([]float64, n)
	f.inv, f.up, f.down, f.columns = make([]float64, n), make([]float64, n), make([]float64, n), make([][heatColumns]float64, n)
	for side, rungs := range m.rungs {
		f.ladder[side], f.ladderB[side], f.ladderW[side] = make([]float64, len(rungs)), make([]float64, len(rungs)), make([]float64, len(rungs))
	}
	f.element = make([]float64, len(m.fuse.Element))
	f.counts = hSpeed + 1
	if m.motor.series {
		f.counts = hArmature + 1
	}
	if m.choice.cold >= 0 {
		f.counts = hBank + 1
	}
	return f
}

// bankColumn returns the column of heat of the current out of the cells.
func (m *Model) bankColumn() int {
	if m.choice.cold >= 0 {
		return hBank
	}
	return hBattery
}

// Factorise prepares Solve for d·I − J at the state last linearised at, and reports whether that can be done.
func (r *Run) Factorise(d float64) bool {
	f, l := &r.linear, &r.layout
	j, n := &f.j, &r.nodes
	f.d, f.perD = d, 1/d
	det := (d-j.ww)*(d-j.vv) - j.wv*j.vw
	if !(math.Abs(det) > 1e-9*(math.Abs(d-j.ww)*math.Abs(d-j.vv)+math.Abs(j.wv*j.vw))) {
		return false
	}
	f.motion = 1 / det
	f.torqueW, f.torqueV = (d-j.vv)*f.motion*j.torque, j.vw*f.motion*j.torque
	f.charge = -f.perD / r.battery.capacity
	f.lag, f.lagB = [lags]float64{f.perD, f.perD}, [lags]float64{}
	for k, w := range r.battery.wells {
		f.lag[k] = 1 / (d + w.rate)
		f.lagB[k] = f.lag[k] / r.battery.capacity
	}
	f.pair, f.pairB = [2]float64{f.perD, f.perD}, [2]float64{}
	for k := range r.battery.pairs {
		rate := 1 / r.battery.pairTau[k]
		f.pair[k] = 1 / (d + rate)
		f.pairB[k] = r.battery.pairR[k] * rate * f.pair[k]
	}
	f.demand, f.volts, f.sensor, f.boost = 1/(d-j.demand), 1/(d+j.volts), 1/(d+j.sensor), 1/(d-j.boostLeft)
	for side, rungs := range r.rungs {
		for k := range rungs {
			g := &rungs[k]
			x := 1 / (d + g.rate)
			f.ladder[side][k] = x
			f.ladderB[side][k] = j.ladderP[side] * g.drive * x
			f.ladderW[side][k] = j.ladderW[side] * g.drive * x
		}
	}
	for k := range r.fuse.Element {
		f.element[k] = 1 / (d + r.elementRates[k])
	}

	// Heat, from the tips of the tree to its roots.
	inv, up, down, tree := f.inv, f.up[:len(f.inv)], f.down[:len(f.inv)], r.tree[:len(f.inv)]
	for k := range inv {
		g := j.g[k]
		inv[k] = tree[k].capacity*d + g - j.own[k]
		if to := tree[k].to; to >= 0 {
			inv[to] += g
		}
	}
	f.cross = 0
	for k := len(inv) - 1; k >= 0; k-- {
		pivot := inv[k]
		if !(pivot > 1e-3*tree[k].capacity*d) {
			return false
		}
		x := 1 / pivot
		g := j.g[k]
		inv[k], up[k], down[k] = x, g*x, g*x
		if k == n.hotspot && j.hotspot != 0 {
			f.cross = j.hotspot * x
		}
		to := tree[k].to
		if to < 0 {
			continue
		}
		if k == n.winding && f.cross != 0 {
			up[k] += j.g[n.hotspot] * f.cross * x
		}
		inv[to] -= g * up[k]
	}

	C := f.columns
	copy(C, j.into)
	bank := r.bankColumn()
	for k, v := range j.pairHeat {
		C[n.battery][bank] += v * f.pairB[k]
	}
	C[n.housing][hSpeed] -= j.cooled
	if to := tree[n.housing].to; to >= 0 {
		C[to][hSpeed] += j.cooled
	}
	f.solveColumns(r)
	if l.link >= 0 {
		det := (d-j.pathOwn)*(d-j.linkOwn) - j.pathLink*j.linkPath
		if !(det > 0) {
			return false
		}
		f.transient, f.motorCurrent = 1/det, 1/(d-j.motorOwn)
	}
	return f.join(r)
}

// solveColumns replaces the heat put into each node, by column, with the temperatures that follow.
func (f *linear) solveColumns(r *Run) {
	C, tree := f.columns, r.tree
	more := f.counts > hSpeed+1
	for k := len(C) - 1; k > 0; k-- {
		to := tree[k].to
		if to < 0 {
			continue
		}
		x, y, u := &C[k], &C[to], f.up[k]
		y[0] += u * x[0]
		y[1] += u * x[1]
		y[2] += u * x[2]
		y[3] += u * x[3]
		y[4] += u * x[4]
		y[5] += u * x[5]
		if more {
			y[6] += u * x[6]
			y[7] += u * x[7]
		}
	}
	for k := range C {
		x, v := &C[k], f.inv[k]
		y, u := x, 0.0
		if to := tree[k].to; to >= 0 {
			y, u = &C[to], f.down[k]
		}
		x[0] = v*x[0] + u*y[0]
		x[1] = v*x[1] + u*y[1]
		x[2] = v*x[2] + u*y[2]
		x[3] = v*x[3] + u*y[3]
		x[4] = v*x[4] + u*y[4]
		x[5] = v*x[5] + u*y[5]
		if more {
			x[6] = v*x[6] + u*y[6]
			x[7] = v*x[7] + u*y[7]
		}
	}
	if f.cross != 0 {
		x, y := &C[r.nodes.hotspot], &C[r.nodes.winding]
		for e := range x {
			x[e] += f.cross * y[e]
		}
	}
}

// join works out G: with what each output makes the scalars see, the outputs by what these see without them.
func (f *linear) join(r *Run) bool {
	j, c, n, C := &f.j, &r.choice, &r.nodes, f.columns

	// What the scalars see of each column of heat.
	var sees [most][heatColumns]float64
	for e := range f.counts {
		battery, winding, sink := C[n.battery][e], C[n.winding][e], C[n.sink][e]
		ohms, loop := j.cold*battery, j.wind*winding
		for _, b := range r.pathSlopes {
			ohms += b.slope * C[b.node][e]
		}
		for _, b := range r.loopSlopes {
			loop += b.slope * C[b.node][e]
		}
		sees[c.scalars[byOhms]][e], sees[c.scalars[byLoop]][e], sees[c.scalars[bySwitch]][e] = ohms, loop, j.onSlope*sink
		if r.motor.series {
			sees[c.scalars[byArmature]][e] = j.wind * (1 - r.motor.fieldShare) * winding
		} else {
			magnet := C[n.housing][e]
			if r.motor.brushless {
				magnet = (magnet + winding) / 2
			}
			sees[c.scalars[byMagnet]][e] = magnet
		}
		if at := c.scalars[byFreewheel]; at >= 0 {
			sees[at][e] = j.freeSlope * sink
		}
		if j.derates {
			stage, motor := j.sensor*f.sensor*sink, j.sensor*f.sensor*C[r.sensorNode()][e]
			sees[c.scalars[byDriving]][e] = j.driving[1]*stage + j.driving[2]*motor
			sees[c.scalars[byBraking]][e] = j.braking[1]*stage + j.braking[2]*motor
		}
		if c.cold >= 0 {
			sees[c.cold][e] = battery
		}
	}

	// The column of heat of each output, and what else the scalars see of it.
	out := &c.outputs
	var column [most]int
	var scale, extra [most]float64 // by the column, and by that of the link capacitor
	heats := func(of, e int, by float64) {
		if of >= 0 {
			column[of], scale[of] = e, by
		}
	}
	heats(out[ofMotor], hMotor, 1)
	heats(out[ofRipple], hRipple, 1)
	heats(out[ofSwitch], hSink, 1)
	heats(out[ofFreewheel], hSink, 1)
	heats(out[ofCapacitor], hCapacitor, 1)
	heats(out[ofTorque], hSpeed, f.torqueW)
	if r.motor.series {
		heats(out[ofArmature], hArmature, 1)
	}
	heats(out[ofBattery], hBattery, 1)
	if c.cold >= 0 {
		heats(c.bank, hBank, 1)
	}
	bankInner := j.openSlope*f.charge - f.pairB[0] - f.pairB[1]
	for k, w := range r.battery.wells {
		bankInner -= j.openSlope * w.share * f.lagB[k]
	}
	switchTurns, switchOwn := j.onSlope*f.torqueW*total(f.ladderW[0]), j.onSlope*total(f.ladderB[0])
	freeTurns, freeOwn := j.freeSlope*f.torqueW*total(f.ladderW[1]), j.freeSlope*total(f.ladderB[1])
	if c.link >= 0 {
		f.paths, f.links = [most]float64{}, [most]float64{}
		for k, of := range [3]int{c.bank, c.drop, out[ofLink]} {
			row := [3][2]float64{{j.pathInner * bankInner, 0}, {-j.path, 0}, {0, -j.link}}[k]
			path, link := f.transients(row[0], row[1])
			f.paths[of], f.links[of] = path, link
			bridge := j.bridgeLink*link + j.bridgePath*path
			if of == out[ofLink] {
				bridge++
			}
			extra[of] = -j.linkHeat * bridge
		}
	}

	// M = I − S·what is seen, eliminated together with S.
	no, ns := c.no, c.ns
	if !j.derates {
		ns -= 2
	}
	f.ns = ns
	reading := c.heat // of the scalars, up to the last that reads temperatures
	if j.derates {
		reading = ns
	}
	M := &f.M
	for a := range no {
		f.G[a] = j.S[a]
		S, row := &j.S[a], M[a][:no]
		var b0, b1, b2, b3, b4, b5, b6, b7 float64
		for s, x := range S[:reading] {
			z := &sees[s]
			b0, b1, b2, b3 = b0+x*z[0], b1+x*z[1], b2+x*z[2], b3+x*z[3]
			b4, b5, b6, b7 = b4+x*z[4], b5+x*z[5], b6+x*z[6], b7+x*z[7]
		}
		by := [heatColumns]float64{b0, b1, b2, b3, b4, b5, b6, b7}
		for b := range row {
			row[b] = -scale[b] * by[column[b]&7]
		}
		on, free := S[c.scalars[bySwitch]], 0.0
		if at := c.scalars[byFreewheel]; at >= 0 {
			free = S[at]
		}
		row[c.bank] -= S[c.inner] * bankInner
		row[out[ofTorque]] -= S[c.scalars[bySpeed]]*f.torqueW + on*switchTurns + free*freeTurns
		row[out[ofSwitch]] -= on * switchOwn
		row[out[ofFreewheel]] -= free * freeOwn
		volts := 0.0 // by the law's voltage
		if j.derates {
			volts = (S[c.scalars[byDriving]]*j.driving[0] + S[c.scalars[byBraking]]*j.braking[0]) * j.volts * f.volts
			row[out[ofVoltage]] -= volts
		}
		if c.link >= 0 {
			row[out[ofUnbalanced]] -= S[c.scalars[byCurrent]] * j.motorCurrent * f.motorCurrent
			path, link := S[c.path]+volts*j.voltsPath, S[c.link]+volts*j.voltsLink
			for _, of := range [3]int{c.bank, c.drop, out[ofLink]} {
				row[of] -= path*f.paths[of] + link*f.links[of] + extra[of]*by[hCapacitor]
			}
		}
		row[a]++
	}
	// Factors of M; rows of the scalars are exchanged with them.
	for k := range no {
		if best := k; math.Abs(M[k][k]) < 0.1 { // 1 but for what comes back
			for a := k + 1; a < no; a++ {
				if math.Abs(M[a][k]) > math.Abs(M[best][k]) {
					best = a
				}
			}
			M[k], M[best] = M[best], M[k]
			f.G[k], f.G[best] = f.G[best], f.G[k]
		}
		pivot := &M[k]
		if !(math.Abs(pivot[k]) > 1e-14) {
			return false
		}
		inv := 1 / pivot[k]
		pivot[k] = inv
		for a := k + 1; a < no; a++ {
			row := &M[a]
			x := row[k] * inv
			row[k] = x
			if x == 0 {
				continue
			}
			for b := k + 1; b < no; b++ {
				row[b] -= x * pivot[b]
			}
		}
	}
	// Four columns at a time: forward, then back.
	for e := 0; e < ns; e += 4 {
		for a := range no {
			M, y := M[a][:a], (*[4]float64)(f.G[a][e:])
			v0, v1, v2, v3 := y[0], y[1], y[2], y[3]
			for k, x := range M {
				z := (*[4]float64)(f.G[k][e:])
				v0, v1, v2, v3 = v0-x*z[0], v1-x*z[1], v2-x*z[2], v3-x*z[3]
			}
			*y = [4]float64{v0, v1, v2, v3}
		}
		for a := no - 1; a >= 0; a-- {
			M, y := M[a][:no], (*[4]float64)(f.G[a][e:])
			v0, v1, v2, v3 := y[0], y[1], y[2], y[3]
			for k := a + 1; k < len(M); k++ {
				x, z := M[k], (*[4]float64)(f.G[k][e:])
				v0, v1, v2, v3 = v0-x*z[0], v1-x*z[1], v2-x*z[2], v3-x*z[3]
			}
			x := M[a]
			*y = [4]float64{v0 * x, v1 * x, v2 * x, v3 * x}
		}
	}
	return true
}

// transients solves the equations of path and link.
func (f *linear) transients(path, link float64) (x, z float64) {
	j := &f.j
	return ((f.d-j.linkOwn)*path + j.pathLink*link) * f.transient, (j.linkPath*path + (f.d-j.pathOwn)*link) * f.transient
}

func total(x []float64) (s float64) {
	for _, v := range x {
		s += v
	}
	return s
}

// read fills s with the values of the scalars at states x.
func (r *Run) read(x []float64, s *[most]float64) {
	j, l, n, c := &r.linear.j, &r.layout, &r.nodes, &r.choice
	T := x[l.nodes:][:len(r.tree)]
	ohms, loop := warmed(r.pathSlopes, T, 0), warmed(r.loopSlopes, T, 0)
	winding, sink := T[n.winding], T[n.sink]
	law := x[l.control:][:control.States]
	s[c.inner] = r.inner(x)
	s[c.scalars[byOhms]] = ohms + j.cold*T[n.battery]
	s[c.scalars[byLoop]] = loop + j.wind*winding
	switch {
	case r.motor.series:
		s[c.scalars[byArmature]] = j.wind * (1 - r.motor.fieldShare) * winding
	case r.motor.brushless:
		s[c.scalars[byMagnet]] = (winding + T[n.housing]) / 2
	default:
		s[c.scalars[byMagnet]] = T[n.housing]
	}
	s[c.scalars[bySwitch]] = j.onSlope * (sink + total(x[l.switching:][:len(r.rungs[0])]))
	if at := c.scalars[byFreewheel]; at >= 0 {
		s[at] = j.freeSlope * (sink + total(x[l.freewheel:][:len(r.rungs[1])]))
	}
	volts, stage, motor := law[control.Voltage], law[control.StageSensor], law[control.MotorSensor]
	s[c.scalars[byDriving]] = j.driving[0]*volts + j.driving[1]*stage + j.driving[2]*motor
	s[c.scalars[byBraking]] = j.braking[0]*volts + j.braking[1]*stage + j.braking[2]*motor
	s[c.scalars[bySpeed]] = x[l.speed]
	s[c.scalars[byDemand]] = law[control.Demand]
	if c.cold >= 0 {
		s[c.cold] = T[n.battery]
	}
	if l.link >= 0 {
		s[c.scalars[byCurrent]] = x[l.motorCurrent]
		s[c.link], s[c.path] = x[l.link], x[l.path]
	}
}

// give computes o = m·s.
func (c *choice) give(m *[most][most]float64, s, o *[most]float64, ns int) {
	in := s[:ns]
	for a := range o[:c.no] {
		row := m[a][:len(in)]
		v := 0.0
		for e, x := range in {
			v += row[e] * x
		}
		o[a] = v
	}
}

// heated returns the outputs in the order of the columns of heat; the last but for the speed, which is not one.
func (r *Run) heated(o *[most]float64) (q [heatColumns]float64) {
	c, j := &r.choice, &r.linear.j
	out := &c.outputs
	q = [heatColumns]float64{
		hBattery: o[out[ofBattery]], hMotor: o[out[ofMotor]], hRipple: o[out[ofRipple]],
		hSink: o[out[ofSwitch]] + o[out[ofFreewheel]], hCapacitor: o[out[ofCapacitor]],
	}
	if r.motor.series {
		q[hArmature] = o[out[ofArmature]]
	}
	if c.cold >= 0 {
		q[hBank] = o[c.bank]
	}
	if c.link >= 0 {
		q[hCapacitor] -= j.linkHeat * o[out[ofLink]]
	}
	return q
}

// Solve overwrites b with the solution of (d·I − J)·x = b, for the d last factorised.
func (r *Run) Solve(x []float64) {
	f, l, c, n := &r.linear, &r.layout, &r.choice, &r.nodes
	j := &f.j
	T := x[l.nodes:][:len(r.tree)]
	law := x[l.control:][:control.States]

	// Without the outputs.
	x[l.charge] *= f.perD
	x[l.lag] *= f.lag[0]
	x[l.lag+1] *= f.lag[1]
	x[l.pair] *= f.pair[0]
	x[l.pair+1] *= f.pair[1]
	w, v := x[l.speed], x[l.boat]
	x[l.speed], x[l.boat] = ((f.d-j.vv)*w+j.wv*v)*f.motion, (j.vw*w+(f.d-j.ww)*v)*f.motion
	w = x[l.speed]
	law[control.Demand] *= f.demand
	if l.link >= 0 {
		x[l.motorCurrent] *= f.motorCurrent
		x[l.path], x[l.link] = f.transients(x[l.path]+j.pathInner*r.inner(x), x[l.link])
		law[control.Voltage] += j.volts * (j.voltsLink*x[l.link] + j.voltsPath*x[l.path])
		T[n.capacitor] -= j.linkHeat * (j.bridgeLink*x[l.link] + j.bridgePath*x[l.path]) * r.tree[n.capacitor].perJoule
	}
	law[control.Voltage] *= f.volts
	for side, at := range [2]int{l.switching, l.freewheel} {
		ladder := f.ladder[side]
		rises := x[at:][:len(ladder)]
		for k, v := range ladder {
			rises[k] *= v
		}
		if j.ladderW[side] != 0 {
			for k, v := range f.ladderW[side] {
				rises[k] += v * w
			}
		}
	}
	tree := r.tree[:len(T)]
	for k := range T {
		T[k] *= tree[k].capacity
	}
	for _, k := range r.turning {
		T[k] += j.into[k][hSpeed] * w
	}
	T[n.battery] += j.pairHeat[0]*x[l.pair] + j.pairHeat[1]*x[l.pair+1]
	T[n.housing] -= j.cooled * w
	if to := r.tree[n.housing].to; to >= 0 {
		T[to] += j.cooled * w
	}
	up, down, inv := f.up[:len(T)], f.down[:len(T)], f.inv[:len(T)]
	first := 0.0 // see flow
	for k := len(T) - 1; k > 0; k-- {
		if to := tree[k].to; to == 0 {
			first += up[k] * T[k]
		} else if uint(to) < uint(len(T)) {
			T[to] += up[k] * T[k]
		}
	}
	T[0] += first
	for k := range T {
		v := T[k] * inv[k]
		if to := tree[k].to; uint(to) < uint(len(T)) {
			v += down[k] * T[to]
		}
		T[k] = v
	}
	if f.cross != 0 {
		T[n.hotspot] += f.cross * T[n.winding]
	}
	sensor := r.sensorNode()
	law[control.StageSensor] = (law[control.StageSensor] + j.sensor*T[n.sink]) * f.sensor
	law[control.MotorSensor] = (law[control.MotorSensor] + j.sensor*T[sensor]) * f.sensor
	var s, o [most]float64
	r.read(x, &s)
	c.give(&f.G, &s, &o, f.ns)

	// What the outputs add.
	out := &c.outputs
	bank, torque, volts := o[c.bank], o[out[ofTorque]], o[out[ofVoltage]]
	x[l.charge] += f.charge * bank
	x[l.lag] += f.lagB[0] * bank
	x[l.lag+1] += f.lagB[1] * bank
	x[l.pair] += f.pairB[0] * bank
	x[l.pair+1] += f.pairB[1] * bank
	dw := f.torqueW * torque
	x[l.speed] += dw
	x[l.boat] += f.torqueV * torque
	law[control.Voltage] += j.volts * f.volts * volts
	for side, at := range [2]int{l.switching, l.freewheel} {
		power := o[out[[2]int{ofSwitch, ofFreewheel}[side]]]
		ladder := f.ladderB[side]
		rises := x[at:][:len(ladder)]
		for k, v := range ladder {
			rises[k] += v * power
		}
		if j.ladderW[side] != 0 {
			for k, v := range f.ladderW[side] {
				rises[k] += v * dw
			}
		}
	}
	sinkWas, sensorWas := T[n.sink], T[sensor]
	q := r.heated(&o)
	q[hSpeed] = dw
	if l.link >= 0 {
		var path, link float64
		for of := range c.no {
			path += f.paths[of] * o[of]
			link += f.links[of] * o[of]
		}
		x[l.motorCurrent] += j.motorCurrent * f.motorCurrent * o[out[ofUnbalanced]]
		x[l.path] += path
		x[l.link] += link
		law[control.Voltage] += j.volts * f.volts * (j.voltsLink*link + j.voltsPath*path)
		q[hCapacitor] -= j.linkHeat * (j.bridgeLink*link + j.bridgePath*path)
	}
	columns := f.columns[:len(T)]
	if f.counts > hSpeed+1 {
		for k := range T {
			C := &columns[k]
			T[k] += (C[0]*q[0] + C[1]*q[1]) + (C[2]*q[2] + C[3]*q[3]) + (C[4]*q[4] + C[5]*q[5]) + (C[6]*q[6] + C[7]*q[7])
		}
	} else {
		for k := range T {
			C := &columns[k]
			T[k] += (C[0]*q[0] + C[1]*q[1]) + (C[2]*q[2] + C[3]*q[3]) + (C[4]*q[4] + C[5]*q[5])
		}
	}
	law[control.StageSensor] += (T[n.sink] - sinkWas) * j.sensor * f.sensor
	law[control.MotorSensor] += (T[sensor] - sensorWas) * j.sensor * f.sensor

	// What nothing reads.
	if l.link >= 0 {
		q[hCapacitor] = r.heated(&o)[hCapacitor] - j.linkHeat*(j.bridgeLink*x[l.link]+j.bridgePath*x[l.path])
	}
	var e [4]float64
	r.accounts(x, T, &o, &q, &e)
	for k, v := range e {
		x[l.battery+k] = (x[l.battery+k] + v) * f.perD
	}
	x[l.distance] = (x[l.distance] + j.wayV*x[l.boat]) * f.perD
	law[control.BoostLeft] = (law[control.BoostLeft] + j.boostCurrent*o[out[ofMotor]]) * f.boost
	law[control.StallTime] *= f.perD
	law[control.LowTime] *= f.perD
	elements := x[l.fuse:][:len(f.element)]
	for k, v := range f.element {
		elements[k] = (elements[k] + r.elementDrives[k]*(j.fuseCurrent*o[out[ofBattery]]+j.fuseAir*T[n.air])) * v
	}
}

// inner returns the change of the bank's voltage behind its resistance.
func (r *Run) inner(x []float64) float64 {
	l := &r.layout
	return r.linear.j.openSlope*r.battery.level(x[l.charge], x[l.lag:]) - x[l.pair] - x[l.pair+1]
}

// accounts computes the change of the rates of the four integrals: battery, heat, shaft and throughput; q[hSpeed] need not be set.
func (r *Run) accounts(x, T []float64, o *[most]float64, q *[heatColumns]float64, e *[4]float64) {
	j, l, c := &r.linear.j, &r.layout, &r.choice
	w, v := x[l.speed], x[l.boat]
	level := r.battery.level(x[l.charge], x[l.lag:])
	inner := j.openSlope*level - x[l.pair] - x[l.pair+1]
	e[0] = j.outLevel*level + j.outInner*inner + j.outBank*o[c.bank] + j.outCold*T[r.nodes.battery]
	heat := j.lossW*w + j.lossV*v + j.pairHeat[0]*x[l.pair] + j.pairHeat[1]*x[l.pair+1] + j.total[hSpeed]*w + j.hotspot*T[r.nodes.winding]
	for k, t := range j.total {
		if k != hSpeed {
			heat += t * q[k]
		}
	}
	own, odd := j.own[:len(T)], 0.0 // two sums: each addition waits for the one before
	for len(T) > 1 {
		heat, odd = heat+own[0]*T[0], odd+own[1]*T[1]
		own, T = own[2:], T[2:]
	}
	if len(T) > 0 {
		heat += own[0] * T[0]
	}
	heat += odd
	e[1] = heat
	e[2] = j.shaftW*w + j.shaftV*v
	e[3] = j.absSign * e[0]
}

// Times writes J·x into out.
func (r *Run) Times(x, out []float64) {
	j, l, n, c := &r.linear.j, &r.layout, &r.nodes, &r.choice
	var s, o [most]float64
	r.read(x, &s)
	c.give(&j.S, &s, &o, c.ns)
	T, dT := x[l.nodes:][:len(r.tree)], out[l.nodes:][:len(r.tree)]
	law, dlaw := x[l.control:][:control.States], out[l.control:][:control.States]
	of := &c.outputs
	bank := o[c.bank]
	out[l.charge] = -bank / r.battery.capacity
	clear(out[l.lag:][:lags])
	for k, well := range r.battery.wells {
		out[l.lag+k] = bank/r.battery.capacity - well.rate*x[l.lag+k]
	}
	clear(out[l.pair:][:2])
	for k := range r.battery.pairs {
		out[l.pair+k] = (r.battery.pairR[k]*bank - x[l.pair+k]) / r.battery.pairTau[k]
	}
	w, v := x[l.speed], x[l.boat]
	out[l.speed] = j.torque*o[of[ofTorque]] + j.ww*w + j.wv*v
	out[l.boat] = j.vw*w + j.vv*v
	out[l.distance] = j.wayV * v
	dlaw[control.Demand] = j.demand * law[control.Demand]
	volts, bridge := o[of[ofVoltage]], 0.0
	if l.link >= 0 {
		volts += j.voltsLink*x[l.link] + j.voltsPath*x[l.path]
		bridge = j.bridgeLink*x[l.link] + j.bridgePath*x[l.path]
	}
	dlaw[control.Voltage] = j.volts * (volts - law[control.Voltage])
	dlaw[control.StageSensor] = j.sensor * (T[n.sink] - law[control.StageSensor])
	dlaw[control.MotorSensor] = j.sensor * (T[r.sensorNode()] - law[control.MotorSensor])
	dlaw[control.BoostLeft] = j.boostCurrent*o[of[ofMotor]] + j.boostLeft*law[control.BoostLeft]
	dlaw[control.StallTime], dlaw[control.LowTime] = 0, 0
	for side, at := range [2]int{l.switching, l.freewheel} {
		power := j.ladderP[side]*o[of[[2]int{ofSwitch, ofFreewheel}[side]]] + j.ladderW[side]*w
		for k, g := range r.rungs[side] {
			out[at+k] = g.drive*power - g.rate*x[at+k]
		}
	}
	for k := range r.fuse.Element {
		out[l.fuse+k] = r.elementDrives[k]*(j.fuseCurrent*o[of[ofBattery]]+j.fuseAir*T[n.air]) - r.elementRates[k]*x[l.fuse+k]
	}
	q := r.heated(&o)
	q[hSpeed] = w
	q[hCapacitor] -= j.linkHeat * bridge
	for k := range dT {
		dT[k] = j.own[k] * T[k]
		for e, p := range &j.into[k] {
			dT[k] += p * q[e]
		}
	}
	dT[n.battery] += j.pairHeat[0]*x[l.pair] + j.pairHeat[1]*x[l.pair+1]
	if j.hotspot != 0 {
		dT[n.hotspot] += j.hotspot * T[n.winding]
	}
	for k := range dT {
		flow := j.g[k] * T[k]
		to := r.tree[k].to
		if to >= 0 {
			flow -= j.g[k] * T[to]
		}
		if k == n.housing {
			flow += j.cooled * w
		}
		dT[k] -= flow
		if to >= 0 {
			dT[to] += flow
		}
	}
	for k := range dT {
		dT[k] *= r.tree[k].perJoule
	}
	var e [4]float64
	r.accounts(x, T, &o, &q, &e)
	copy(out[l.battery:], e[:])
	if l.link >= 0 {
		out[l.motorCurrent] = j.motorCurrent*o[of[ofUnbalanced]] + j.motorOwn*x[l.motorCurrent]
		out[l.path] = j.pathInner*r.inner(x) + j.pathOwn*x[l.path] + j.pathLink*x[l.link] - j.path*o[c.drop]
		out[l.link] = j.linkPath*x[l.path] + j.linkOwn*x[l.link] - j.link*o[of[ofLink]]
	}
}
