package drive

import "math"

// Seen is what instruments saw at an instant; NaN: not measured. SI, temperatures in kelvin.
type Seen struct {
	MotorCurrent, BatteryCurrent float64
	Voltage                      float64 // at the controller
	Speed                        float64 // motor, rad/s
	Sink, Motor, Battery         float64 // temperatures
}

// Following is a run driven by what was measured in place of the drive's own equations: the same heat networks, junctions
// and fuse, heated by the measured currents. It is an ode.System. A measured temperature pulls its node along.
type Following struct {
	run   *Run // not embedded: its Jacobian is that of other equations
	see   func(t float64) Seen
	point Point
}

// Follow makes the run follow what was seen.
func (r *Run) Follow(see func(t float64) Seen) *Following { return &Following{run: r, see: see} }

// Dim is the number of states, those of the run.
func (f *Following) Dim() int { return f.run.Dim() }

// pulling is the time in which a measured temperature takes its node along, s.
const pulling = 2.0

// Point is the operating point that belongs to what was seen.
func (f *Following) Point(t float64, y []float64) *Point {
	r, p := f.run, &f.point
	seen := f.see(t)
	l := &r.layout
	T := y[l.nodes : l.nodes+len(r.heat)]
	*p = Point{}
	p.SwitchT = T[r.nodes.sink] + sum(y[l.switching:l.switching+len(r.stage.foster[0])])
	p.FreewheelT = T[r.nodes.sink] + sum(y[l.freewheel:l.freewheel+len(r.stage.foster[1])])
	p.OpenVoltage = r.battery.openCircuit(y[l.charge])
	p.BatteryR = r.battery.ohmic(T[r.nodes.battery])
	p.PathR = r.fuseR
	lp := &p.DriveLoop
	*lp = loop{m: r.Model, R: r.motor.resistance * copper(T[r.nodes.winding]), magnetT: r.magnet(T), devices: r.stage.devices(p.SwitchT, p.FreewheelT), duty: 1}
	for i := range r.conductors {
		c := &r.conductors[i]
		if ohms := c.ohms(T); c.motor {
			lp.R += ohms
		} else {
			p.PathR += ohms
		}
	}
	i := zero(seen.MotorCurrent)
	e := &p.Electric
	e.MotorCurrent, e.ArmatureCurrent = i, i
	e.BatteryCurrent = zero(seen.BatteryCurrent)
	e.Voltage = seen.Voltage
	if math.IsNaN(e.Voltage) {
		e.Voltage = p.OpenVoltage - (p.BatteryR+p.PathR)*e.BatteryCurrent
	}
	lp.speed = zero(seen.Speed)
	u := lp.need(i)
	along := 1.0
	if u < 0 {
		along = -1
	}
	switch {
	case i == 0:
	case math.IsNaN(seen.Speed): // without a tachometer the duty follows from the two ammeters
		e.Duty = min(1, math.Abs(e.BatteryCurrent/i))
	default:
		e.Duty = min(1, max(0, r.stage.duty(along*u, along*i, e.Voltage, lp.devices)))
	}
	e.Losses = r.stage.losses(e.Duty, along*i, e.Voltage, r.motor.inductance, lp.devices)
	p.BankCurrent = e.BatteryCurrent
	p.Terminal = e.Voltage + p.PathR*e.BatteryCurrent
	p.CellVoltage = p.Terminal / r.battery.cells
	p.Measured.Speed = lp.speed
	p.Measured.MotorCurrent = i
	p.Measured.Voltage = e.Voltage
	return p
}

func zero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// Derivatives moves charge, heat nodes, junctions and fuse; everything else was measured and stands still.
func (f *Following) Derivatives(t float64, y, dy []float64) {
	r, l := f.run, &f.run.layout
	clear(dy)
	p := f.Point(t, y)
	T := y[l.nodes : l.nodes+len(r.heat)]
	dT := dy[l.nodes : l.nodes+len(r.heat)]
	dy[l.charge] = -p.BankCurrent / r.battery.capacity
	w := p.Measured.Speed
	r.heats(p, T, 0, w)
	r.cool(w)
	r.network.Derivatives(T, r.heat, r.boundary[:], r.scale, dT)
	seen := f.see(t)
	pull := func(node int, measured float64) {
		if !math.IsNaN(measured) {
			dT[node] = (measured - T[node]) / pulling
		}
	}
	pull(r.nodes.sink, seen.Sink)
	pull(r.nodes.battery, seen.Battery)
	switch r.Law.Settings.Derating.Sensor {
	case "winding":
		pull(r.nodes.winding, seen.Motor)
	default: // a sensor screwed on from outside
		pull(r.nodes.housing, seen.Motor)
	}
	unequal := r.motor.unequal(w)
	foster(r.stage.foster[0], unequal*(p.Losses.conductionSwitch+p.Losses.switching), y[l.switching:], dy[l.switching:])
	foster(r.stage.foster[1], unequal*p.Losses.conductionFreewheel, y[l.freewheel:], dy[l.freewheel:])
	r.fuse.Derivatives(p.BatteryCurrent/r.FuseRating(T), y[l.fuse:l.fuse+r.fuse.States()], dy[l.fuse:l.fuse+r.fuse.States()])
}
