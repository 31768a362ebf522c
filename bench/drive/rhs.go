package drive

import (
	"math"
	"slices"

	"quaybench/bench/control"
)

// Run is a model in one run: its discrete state and its scratch memory. It is an ode.System. One goroutine at a time.
type Run struct {
	*Model
	Mode  control.Mode
	Lever func(t float64) float64

	Connected   bool // battery and link are joined: no fuse, management or contactor has opened
	Loaded      bool // the run's special load acts
	CoolingLost bool // fans, vents and raw water are gone
	Locked      bool // the shaft is held

	lever, target float64 // where the law's demand runs to with the lever there

	seen  [remembers]remembered // one step's: its start, stages and end, and where events and sampler look in between
	times [remembers]float64    // when; NaN: nothing
	next  int

	heat, dT []float64
	scale    []float64
	boundary [2]float64

	see func(t float64) Seen // what instruments saw, of a run that follows a record; nil: the law drives

	bankT, bankR float64 // where the bank's resistance was worked out last, and it

	linear linear
	slopes sensitivity // scratch of the Jacobian
	trial  [2]Point
}

// NewRun prepares a run of the model.
func (m *Model) NewRun(lever func(t float64) float64) *Run {
	r := &Run{
		Model: m, Lever: lever, Connected: true, lever: math.NaN(),
		heat:  make([]float64, m.network.Nodes()),
		dT:    make([]float64, m.network.Nodes()),
		scale: make([]float64, m.network.Links()),
	}
	r.linear = m.newLinear()
	r.boundary = [2]float64{airBoundary: m.conditions.Air, waterBoundary: m.conditions.Water}
	for i := range r.scale {
		r.scale[i] = 1
	}
	r.bankT = math.NaN()
	r.Changed()
	return r
}

// remembers is how many operating points a run remembers.
const remembers = 12

// remembered is an operating point and the state it holds for.
type remembered struct {
	y     []float64
	point Point
}

// Changed tells the run that its mode has changed: nothing remembered holds any more.
func (r *Run) Changed() {
	for i := range r.times {
		r.times[i] = math.NaN()
	}
	r.lever = math.NaN()
}

// Target returns what the demand runs to with the lever at a place.
func (r *Run) Target(lever float64) float64 {
	if lever != r.lever {
		r.lever, r.target = lever, r.Law.Target(lever, r.Mode)
	}
	return r.target
}

// Point is everything algebraic at an instant.
type Point struct {
	Electric
	Command     control.Command
	Measured    control.Measured
	OpenVoltage float64 // V of the bank at rest
	Terminal    float64 // V at the bank's terminals
	CellVoltage float64
	BankCurrent float64 // A out of the cells: battery current less charging current
	Charging    float64 // A
	sea         float64 // factor on thrust and torque of the propeller, where Sea is set
	Thrust      float64 // N
	Propeller   float64 // N·m at the propeller
	PropSpeed   float64 // rad/s
	Shaft       float64 // N·m on the motor from gear, seal and propeller
	Drag        float64 // N·m lost in the motor
	GearLoss    float64 // W in gear and seal
	DriveLoop   loop
	BatteryR    float64
	PathR       float64
	SwitchT     float64
	FreewheelT  float64
	SpeedSeen   bool // of a run that follows a record: measurements show the speed
}

// Point returns the operating point at (t, y). It is valid until a few others have been asked for.
func (r *Run) Point(t float64, y []float64) *Point {
	for i, at := range &r.times {
		if at == t && slices.Equal(r.seen[i].y, y) {
			return &r.seen[i].point
		}
	}
	s := &r.seen[r.next]
	r.times[r.next] = t
	if r.next++; r.next == len(r.seen) {
		r.next = 0
	}
	s.y = append(s.y[:0], y...)
	r.operate(t, y, &s.point)
	return &s.point
}

// Unusual reports whether something else than the law's demand, the voltage there is or the battery's limits sets the motor current.
func (p *Point) Unusual() bool { return p.DriveLoop.rule == otherwise }

// Recent returns one of the operating points worked out last, 0 the latest, with its instant and state. It is valid as that of Point is.
func (r *Run) Recent(k int) (t float64, p *Point, y []float64) {
	at := r.next - 1 - k
	if at < 0 {
		at += len(r.seen)
	}
	return r.times[at], &r.seen[at].point, r.seen[at].y
}

// bankOhms returns the bank's ohmic resistance at its temperature: from that at the nearest kelvin by the exponential's series, within 1e-12, so
// that it does not hang on what was asked before.
func (r *Run) bankOhms(T float64) float64 {
	b := &r.battery
	if x := b.coldness * (b.reference - T); !(x < 3 && x > -1) || b.coldness > 0.1 {
		return b.ohmic(T)
	}
	if near := math.Round(T); near != r.bankT {
		r.bankT, r.bankR = near, b.resistance*math.Exp(b.coldness*(b.reference-near))
	}
	d := b.coldness * (r.bankT - T)
	return r.bankR * (1 + d*(1+d*(1.0/2+d*(1.0/6+d*(1.0/24+d*(1.0/120+d*(1.0/720)))))))
}

func (r *Run) operate(t float64, y []float64, p *Point) {
	l, b := &r.layout, &r.battery
	T := y[l.nodes : l.nodes+len(r.heat)]
	x := y[l.control : l.control+control.States]
	w := y[l.speed]
	if r.Locked {
		w = 0
	}

	p.SwitchT = T[r.nodes.sink] + sum(y[l.switching:l.switching+len(r.stage.foster[0])])
	p.FreewheelT = T[r.nodes.sink] + sum(y[l.freewheel:l.freewheel+len(r.stage.foster[1])])
	if r.see == nil {
		r.Law.OutputTo(x, r.Mode, &p.Command)
	} else {
		p.Command = control.Command{Duty: 1}
	}
	if !r.Connected {
		p.Command.Demand = 0
	}

	p.OpenVoltage = b.openCircuit(b.level(y[l.charge], y[l.lag:]))
	inner := p.OpenVoltage - y[l.pair] - y[l.pair+1]
	p.BatteryR = r.bankOhms(T[r.nodes.battery])
	p.PathR = r.fuseR + r.pathOhms + warmed(r.pathSlopes, T, copperReference)
	lp := &p.DriveLoop
	lp.m, lp.duty, lp.magnetT = r.Model, p.Command.Duty, r.magnet(T)
	winding := r.motor.resistance * copper(T[r.nodes.winding])
	lp.R, lp.devices = winding+r.loopOhms+warmed(r.loopSlopes, T, copperReference), r.stage.devices(p.SwitchT, p.FreewheelT)
	lp.armature = winding * (1 - r.motor.fieldShare)
	p.Charging = r.charging(inner)
	source := supply{E: inner + p.BatteryR*p.Charging, R: p.BatteryR + p.PathR, live: r.Connected}
	switch {
	case r.see != nil:
		w = r.observe(t, w, source, p)
	case l.link < 0 || !r.Connected:
		lp.source = source
		lp.solve(&p.Command, w, &p.Electric)
	default:
		// The capacitor behind its series resistance, which takes what the path brings and the bridge does not.
		lp.source = supply{E: y[l.link] + r.stage.esr*y[l.path], R: r.stage.esr, live: true}
		lp.transient(&p.Command, w, y[l.motorCurrent], y[l.path], &p.Electric)
	}
	seen := p.Voltage
	if !r.Connected { // the link is dead; the law is shown the bank, or it would report its own cut-off as well
		p.Voltage = 0
	}
	p.BankCurrent = p.BatteryCurrent - p.Charging
	p.Terminal = inner - p.BatteryR*p.BankCurrent
	if r.see != nil { // a voltmeter is surer than the charge
		p.Terminal = p.Voltage + p.PathR*p.BatteryCurrent
	}
	p.CellVoltage = p.Terminal / b.cells

	p.PropSpeed = w / r.gear
	if r.Sea != nil {
		p.sea = r.Sea(t)
	}
	r.load(p, w, y[l.boat])
	p.Drag = r.motor.drag(w)
	p.Measured = control.Measured{
		Lever: r.Lever(t), Voltage: seen, StageTemperature: T[r.nodes.sink], MotorTemperature: r.sensor(T),
		MotorCurrent: p.MotorCurrent, Speed: w,
	}
}

// seaDerivative adds what a sea that is not still does to ∂(dy/dt)/∂t.
func (r *Run) seaDerivative(t float64, y, dfdt []float64) {
	const apart = 1e-2 // s
	p, l := r.Point(t, y), &r.layout
	early, later := *p, *p
	early.sea, later.sea = r.Sea(t-apart), r.Sea(t+apart)
	r.load(&early, p.Measured.Speed, y[l.boat])
	r.load(&later, p.Measured.Speed, y[l.boat])
	if !r.Locked {
		dfdt[l.speed] -= (later.Shaft - early.Shaft) / (2 * apart) / r.inertia
	}
	if !r.conditions.Moored {
		dfdt[l.boat] += (r.hull.NetForce(y[l.boat], later.Thrust, y[l.boat]) - r.hull.NetForce(y[l.boat], early.Thrust, y[l.boat])) / (2 * apart) / r.hull.Inertia()
	}
}

// load computes what the propeller and the way to it put on the motor.
func (r *Run) load(p *Point, w, boat float64) {
	condition := &r.normal
	if r.Loaded {
		condition = &r.Model.loaded
	}
	p.Thrust, p.Propeller = condition.Loads(r.screw, p.PropSpeed/(2*math.Pi), r.hull.AdvanceSpeed(boat), r.water)
	if r.Sea != nil {
		p.Thrust, p.Propeller = p.Thrust*p.sea, p.Propeller*p.sea
	}
	seal := r.seal * tanh(p.PropSpeed)
	torque := p.Propeller + seal
	power := torque * p.PropSpeed
	// Through the gear: losses are always lost, whichever end drives; blended where no power flows.
	toWater := smooth(power / 5)
	factor := toWater/r.efficiency + (1-toWater)*r.efficiency
	p.Shaft = torque / r.gear * factor
	p.GearLoss = power*(factor-1) + seal*p.PropSpeed
}

// transient computes the operating point while motor current, path current and capacitor voltage are states. The inner current
// loop drives the motor voltage towards the current the law would settle at, within what the link offers.
func (l *loop) transient(c *control.Command, w, motor, path float64, e *Electric) {
	m := l.m
	l.solve(c, w, e)
	along := math.Copysign(1, w) // asked for nothing, the stage faces what the motor induces
	switch {
	case e.MotorCurrent != 0:
		along = math.Copysign(1, e.MotorCurrent)
	case e.Asked > 0:
		along = math.Copysign(1, c.Demand)
	}
	l.speed, l.along = along*w, along
	i := along * motor
	need, armature := l.takes(i, contact(c.Demand))
	u := need + (m.motor.inductance+m.motorL)*(along*e.MotorCurrent-i)/m.stage.loop
	// Far from either end the ends need not be known.
	drops := l.devices.freewheelV + math.Abs(i)*(l.devices.switchR+l.devices.freewheelR+2*m.stage.esr+l.source.R)
	if u >= 0.9*l.duty*l.source.E-drops || u <= 0 && (!m.stage.braking || u <= drops-0.9*l.source.E) {
		least := m.stage.output(0, i, l.source.E, l.devices)
		if armature > i {
			least = -l.coasting(i)
		}
		if m.stage.braking {
			least = -l.offered(1, -i)
		}
		if most := l.offered(l.duty, i); u >= most || u <= least { // all that the link offers
			u, l.rule = min(most, max(least, u)), otherwise
		}
	}
	p := &l.point
	if e.ArmatureCurrent = 0; armature > i {
		l.rule, e.ArmatureCurrent = otherwise, armature
		l.freewheeling(i, u, p)
		p.loss.conductionFreewheel += l.inPlug(i, armature)
	} else {
		l.with(i, u, p)
	}
	p.rest = u - need
	l.electric(e)
	e.Link, e.BatteryCurrent = p.battery, path
}

// takes returns the motor voltage that current i takes, with the armature's current: the plug diode takes over what the armature of
// a plugging motor drives beyond the field's current.
func (l *loop) takes(i, closed float64) (need, armature float64) {
	if !l.plugs(i) {
		return l.need(i), i
	}
	armature = l.circulates(i, closed)
	return (l.R-l.armature)*i - l.plugDiode(armature-i), armature
}

// offered returns the motor voltage to be had at duty D and current i.
func (l *loop) offered(D, i float64) float64 {
	s, E, R := &l.m.stage, l.source.E, l.source.R
	V := E - R*D*i
	for range 3 {
		loss := s.losses(D, i, V, l.m.motor.inductance, l.devices)
		V = E - R*(D*i+l.extra(loss)/max(V, 0.2*E))
	}
	return s.output(D, i, V, l.devices)
}

// magnet returns the temperature of the magnets: they sit in the housing of a brushed motor, on the rotor of a brushless one.
func (m *Model) magnet(T []float64) float64 {
	if m.motor.brushless {
		return (T[m.nodes.winding] + T[m.nodes.housing]) / 2
	}
	return T[m.nodes.housing]
}

func (m *Model) sensor(T []float64) float64 { return T[m.sensorNode()] }

// sensorNode returns where the motor's thermometer sits: a person without a built-in one holds it to the housing.
func (m *Model) sensorNode() int {
	if m.Law.SensesWinding() {
		return m.nodes.winding
	}
	return m.nodes.housing
}

// charging returns the current of the charging source: its power over the voltage, its limit, and nothing as the bank
// reaches its voltage limit.
func (r *Run) charging(inner float64) float64 {
	c := r.boat.Charging
	if c == nil || !r.conditions.Charging || !r.Connected {
		return 0
	}
	taper := max(0, min(1, (c.VoltageLimit.SI-inner)/(0.01*c.VoltageLimit.SI)))
	return taper * min(c.Power.SI/inner, c.CurrentLimit.SI)
}

// Derivatives computes the right-hand side.
func (r *Run) Derivatives(t float64, y, dy []float64) {
	l := &r.layout
	p := r.Point(t, y)
	T := y[l.nodes : l.nodes+len(r.heat)]

	dy[l.charge] = -p.BankCurrent / r.battery.capacity
	clear(dy[l.lag : l.lag+lags])
	for k, w := range r.battery.wells {
		dy[l.lag+k] = p.BankCurrent/r.battery.capacity - w.rate*y[l.lag+k]
	}
	polarised := r.polarise(p, y, dy)

	w := p.Measured.Speed
	dy[l.speed] = (p.Torque - p.Drag - p.Shaft) / r.inertia
	if r.Locked {
		w, dy[l.speed] = 0, 0
	}
	dy[l.boat], dy[l.distance] = 0, y[l.boat]
	if !r.conditions.Moored {
		dy[l.boat] = r.hull.NetForce(y[l.boat], p.Thrust, y[l.boat]) / r.hull.Inertia()
	} else {
		dy[l.distance] = 0
	}

	if law := dy[l.control : l.control+control.States]; r.see == nil {
		r.Law.DerivativesTo(r.Target(p.Measured.Lever), &p.Measured, y[l.control:l.control+control.States], r.Mode, law)
	} else {
		clear(law)
	}

	total := r.heats(p, T, polarised, w)
	if l.link >= 0 {
		r.transients(p, y, dy)
	}
	r.cool(w)
	r.flow(T, dy[l.nodes:])

	unequal := r.motor.unequal(w)
	climb(r.rungs[0], unequal*(p.Losses.conductionSwitch+p.Losses.switching), y[l.switching:], dy[l.switching:])
	climb(r.rungs[1], unequal*p.Losses.conductionFreewheel, y[l.freewheel:], dy[l.freewheel:])
	load := p.BatteryCurrent / r.fuse.Rating
	load *= load / r.fuseSquare(T)
	elements, rises := y[l.fuse:][:len(r.elementRates)], dy[l.fuse:][:len(r.elementRates)]
	for k, rate := range r.elementRates {
		rises[k] = r.elementDrives[k]*load - rate*elements[k]
	}

	out := p.OpenVoltage*p.BankCurrent + p.Terminal*p.Charging
	dy[l.battery] = out
	dy[l.abs] = math.Abs(out)
	dy[l.heat] = total
	dy[l.shaft] = p.Propeller * p.PropSpeed
	if r.Locked {
		dy[l.shaft] = 0
	}
	if r.see != nil {
		r.follow(t, p, y, dy)
	}
}

// flow sets dT to the rates of the nodes' temperatures under r.heat, K/s.
func (r *Run) flow(T, dT []float64) {
	q, tree, scale := r.heat, r.tree, r.scale
	T, dT, tree, scale = T[:len(q)], dT[:len(q)], tree[:len(q)], scale[:len(q)]
	first := 0.0 // into node 0, which cools most of them: not by way of memory
	for k := range q {
		b := &tree[k]
		switch to := b.to; {
		case to > 0:
			flow := scale[k] * b.conductance * (T[k] - T[to])
			dT[k] = q[k] - flow
			dT[to] += flow
		case to == 0:
			flow := scale[k] * b.conductance * (T[k] - T[0])
			dT[k] = q[k] - flow
			first += flow
		default:
			dT[k] = q[k] - scale[k]*b.conductance*(T[k]-r.boundary[-1-to])
		}
	}
	dT[0] += first
	for k := range dT {
		dT[k] *= tree[k].perJoule
	}
}

// cool scales the links whose cooling depends on speed w or is lost.
func (r *Run) cool(w float64) {
	r.scale[r.links.housing] = r.motor.cooling(w)
	r.scale[r.links.sink], r.scale[r.links.compartment] = 1, 1
	if r.CoolingLost {
		r.scale[r.links.housing] = r.motor.standstill / r.boat.Motor.LostCoolingFactor.SI
		r.scale[r.links.sink] = 1 / r.boat.Stage.LostCoolingFactor.SI
		r.scale[r.links.compartment] = 1 / r.boat.Compartment.ClosedFactor.SI
	}
}

// fuseRating returns the factor on the fuse's rating at the temperature of the air around it.
func (r *Run) fuseRating(T []float64) float64 { return math.Sqrt(r.fuseSquare(T)) }

// fuseSquare returns the square of that factor.
func (r *Run) fuseSquare(T []float64) float64 {
	f := &r.boat.Fuse
	air := r.conditions.Air
	if r.fusePlace {
		air = T[r.nodes.air]
	}
	return max(0.01, (f.DeratingTemperature.SI-air)/(f.DeratingTemperature.SI-f.CurveAt.SI))
}

// polarise sets the polarisation voltages' rates and returns their heat, W.
func (r *Run) polarise(p *Point, y, dy []float64) (heat float64) {
	l := &r.layout
	for k := range 2 {
		dy[l.pair+k] = 0
		if k < r.battery.pairs {
			v, R := y[l.pair+k], r.battery.pairR[k]
			dy[l.pair+k] = (R*p.BankCurrent - v) / r.battery.pairTau[k]
			heat += v * v / R
		}
	}
	return heat
}

// heats fills r.heat (W per node) and returns all heat, that which leaves the boat at once included.
func (r *Run) heats(p *Point, T []float64, polarised, w float64) (total float64) {
	q := r.heat
	m, n, e := &r.motor, &r.nodes, &p.Electric
	ib2, im2 := e.BatteryCurrent*e.BatteryCurrent, e.MotorCurrent*e.MotorCurrent
	rippled := im2 + e.Losses.rippleMotor
	tree, T := r.tree[:len(q)], T[:len(q)]
	for k := range q {
		b := &tree[k]
		dT := T[k] - copperReference
		q[k] = (b.pathOhms+b.pathSlope*dT)*ib2 + (b.loopOhms+b.loopSlope*dT)*rippled
	}
	q[n.battery] += p.BankCurrent*p.BankCurrent*p.BatteryR + polarised
	fuse := r.fuseR * ib2
	if r.fusePlace {
		q[n.air] += fuse
	} else {
		total += fuse
	}
	sink := e.Losses.conductionSwitch + e.Losses.switching + e.Losses.conductionFreewheel
	if r.Connected {
		q[n.contactor] += r.stage.coilPower
		sink += r.stage.housekeeping
	}
	q[n.sink] += sink
	charging := r.capacitor(p)
	q[n.capacitor] += e.Losses.rippleCapacitor + r.stage.esr*charging*charging

	R := m.resistance * copper(T[n.winding])
	armature, field := R*(1-m.fieldShare), R*m.fieldShare
	if !m.series {
		armature, field = R, 0
	}
	winding := armature*(e.ArmatureCurrent*e.ArmatureCurrent+e.Losses.rippleMotor) + field*(im2+e.Losses.rippleMotor)
	stand := standing(w)
	if m.brushless {
		spot := winding / 3 * m.unequal(w)
		q[n.hotspot] += spot
		winding -= spot
	} else {
		brush := m.drop(e.ArmatureCurrent) * e.ArmatureCurrent
		q[n.hotspot] += m.brushShare * brush * stand
		q[n.commutator] += m.brushShare * brush * (1 - stand)
		q[n.housing] += (1 - m.brushShare) * brush
	}
	q[n.winding] += winding
	q[n.housing] += p.Drag * w
	total += p.GearLoss
	for _, v := range q {
		total += v
	}
	return total
}

// climb writes the rates of one Foster ladder under power (W); x holds its stages' rises in K.
func climb(rungs []rung, power float64, x, dx []float64) {
	x, dx = x[:len(rungs)], dx[:len(rungs)]
	for i := range rungs {
		g := &rungs[i]
		dx[i] = power*g.drive - x[i]*g.rate
	}
}

// transients sets the electrical states' rates.
func (r *Run) transients(p *Point, y, dy []float64) {
	l := &r.layout
	dy[l.motorCurrent], dy[l.path], dy[l.link] = 0, 0, 0
	if !r.Connected {
		return
	}
	dy[l.motorCurrent] = p.Unbalanced / (r.motor.inductance + r.motorL)
	open := p.OpenVoltage - y[l.pair] - y[l.pair+1] - p.BatteryR*p.BankCurrent
	dy[l.path] = (open - p.PathR*y[l.path] - p.Voltage) / max(r.pathL, leastPathL)
	dy[l.link] = r.capacitor(p) / r.stage.capacitance
}

// capacitor returns the mean current into the link capacitor, A. Where its voltage is not a state, or the circuit is open, what
// comes from the battery is what the bridge takes.
func (r *Run) capacitor(p *Point) float64 { return p.BatteryCurrent - p.Link }

func sum(x []float64) (s float64) {
	for _, v := range x {
		s += v
	}
	return s
}

// ControlState returns the law's part of a state vector.
func (m *Model) ControlState(y []float64) []float64 {
	return y[m.layout.control : m.layout.control+control.States]
}

// BoatSpeed returns the hull's speed in a state, m/s.
func (m *Model) BoatSpeed(y []float64) float64 { return y[m.layout.boat] }

// Distance returns the way made, m.
func (m *Model) Distance(y []float64) float64 { return y[m.layout.distance] }

// Charge returns the state of charge, 0..1.
func (m *Model) Charge(y []float64) float64 { return y[m.layout.charge] }

// Acceleration returns the hull's, m/s².
func (m *Model) Acceleration(p *Point, y []float64) float64 {
	if m.conditions.Moored {
		return 0
	}
	return m.hull.NetForce(y[m.layout.boat], p.Thrust, y[m.layout.boat]) / m.hull.Inertia()
}
