package drive

import (
	"fmt"
	"math"

	"quaybench/bench/thermal"
)

// Device is something outside the controller that opens the battery circuit: the fuse, which comes first, or the battery's
// management. Margin rises through zero when its condition begins (Delay > 0) or when it acts (Delay = 0); that of the fuse
// when its fastest element may have melted, and a FuseWatch says when the slowest has.
type Device struct {
	Name   string
	What   string
	Delay  float64 // s, how long the condition must last
	Margin func(p *Point, y []float64) float64
}

// Coil and controller live on the bank's voltage. Below a third of what the empty bank has at rest, for a tenth of a second,
// the contactor drops out; common practice, no source. A load of constant power has no operating point far below that.
const (
	dropOut     = 1.0 / 3
	dropOutTime = 0.1 // s
)

// Devices lists the devices of the boat. The slice is fixed for a model.
func (m *Model) Devices() []Device {
	devices := []Device{{
		Name: "fuse", What: "fuse may open (battery current)",
		Margin: func(_ *Point, y []float64) float64 {
			return sum(y[m.layout.fuse:m.layout.fuse+m.fuse.States()])/thermal.MayMelt - 1
		},
	}}
	empty := m.battery.openCircuit(0)
	devices = append(devices, Device{
		Name: "contactor", What: "contactor drops out: the battery's voltage has collapsed", Delay: dropOutTime,
		Margin: func(p *Point, _ []float64) float64 { return dropOut - p.Terminal/empty },
	})
	g := m.boat.Battery.Management
	if g == nil {
		return devices
	}
	opens := func(why string, delay float64, margin func(p *Point) float64) {
		devices = append(devices, Device{
			Name: "management", What: "management opens: " + why, Delay: delay,
			Margin: func(p *Point, _ []float64) float64 { return margin(p) },
		})
	}
	opens(fmt.Sprintf("battery current above %.4g A in discharge", g.DischargeCurrent.SI), g.DischargeDelay.SI,
		func(p *Point) float64 { return p.BankCurrent/g.DischargeCurrent.SI - 1 })
	opens(fmt.Sprintf("battery current above %.4g A in charge", g.ChargeCurrent.SI), g.ChargeDelay.SI,
		func(p *Point) float64 { return -p.BankCurrent/g.ChargeCurrent.SI - 1 })
	opens(fmt.Sprintf("cell voltage below %.4g V", g.CellLow.SI), g.CellDelay.SI,
		func(p *Point) float64 { return g.CellLow.SI - p.CellVoltage })
	opens(fmt.Sprintf("cell voltage above %.4g V", g.CellHigh.SI), g.CellDelay.SI,
		func(p *Point) float64 { return p.CellVoltage - g.CellHigh.SI })
	at := m.layout.nodes + m.nodes.battery
	devices = append(devices, Device{
		Name: "management", What: "management opens: battery too hot",
		Margin: func(_ *Point, y []float64) float64 { return y[at] - g.TemperatureHigh.SI },
	})
	return devices
}

// Brink is a condition beyond which a run takes another course, of which runs that stay off it show nothing: no share of a limit says
// how near it is. Margin is below zero before the brink and above zero beyond it.
type Brink struct {
	Name   string
	Sharp  bool // a share or an event jumps at the brink itself; else something may, the further beyond it
	Margin func(p *Point, y []float64) float64
}

// emptying is the charge at the terminals from which on the voltage of any chemistry may begin to fall off (common practice, no source).
const emptying = 0.3

// Brinks lists those of the boat's bank. The slice is fixed for a model.
func (m *Model) Brinks() []Brink {
	brinks := []Brink{{Name: "emptying bank", Margin: func(_ *Point, y []float64) float64 {
		return emptying - m.battery.level(y[m.layout.charge], y[m.layout.lag:])
	}}}
	if lowest := m.boat.Battery.ChargeLowestTemperature; lowest.Given {
		at := m.layout.nodes + m.nodes.battery
		brinks = append(brinks, Brink{Name: "charging in the cold", Sharp: true, Margin: func(p *Point, y []float64) float64 {
			if p.BankCurrent >= 0 {
				return math.Inf(-1)
			}
			return 1 - y[at]/lowest.SI
		}})
	}
	return brinks
}

// FuseWatch follows the battery current for the latest instant at which the fuse melts: that of its slowest element, cold at
// each rise of the current.
type FuseWatch struct {
	run    *Run
	watch  *thermal.LateWatch
	from   float64 // s, when it began
	t      float64 // s, so far
	melted float64 // when it must have melted, s; +Inf: not yet
}

// WatchFuse begins to follow a cold fuse at an instant.
func (r *Run) WatchFuse(t float64) *FuseWatch {
	return &FuseWatch{run: r, watch: thermal.Fuse{Slowest: r.slow}.WatchLate(), from: t, t: t, melted: math.Inf(1)}
}

// Observe adds the time up to t, whose lowest battery current is current; y is the state at its end.
func (w *FuseWatch) Observe(t, current float64, y []float64) {
	if !math.IsInf(w.melted, 1) || t <= w.t {
		return
	}
	if after, melted := w.watch.Observe(current/w.run.rating(y), t-w.t); melted {
		w.melted = w.from + after
	}
	w.t = t
}

// Molten returns the melting state (1: melted) of the slowest element at t if the battery current has been current since the last
// Observe; y is the state at t.
func (w *FuseWatch) Molten(t, current float64, y []float64) float64 {
	if w.Melted() {
		return 1
	}
	return w.watch.Molten(current/w.run.rating(y), max(0, t-w.t))
}

// Carries reports whether the slowest element would carry a battery current for ever, in state y.
func (w *FuseWatch) Carries(current float64, y []float64) bool {
	return w.watch.Carries(current / w.run.rating(y))
}

// Melted reports whether the slowest element has melted in what was observed.
func (w *FuseWatch) Melted() bool { return !math.IsInf(w.melted, 1) }

// Arcing returns the time from melting to no current, s.
func (m *Model) Arcing() float64 { return m.boat.Fuse.ArcingTime.SI }

// rating returns the factor on the fuse's rating in a state.
func (r *Run) rating(y []float64) float64 {
	return r.fuseRating(y[r.layout.nodes : r.layout.nodes+len(r.heat)])
}

// BreakCurrent returns the highest current the contactor can open under load, A.
func (m *Model) BreakCurrent() float64 { return m.boat.Contactor.BreakCurrent.SI }

// OpeningVoltage returns the voltage to which the energy that motor and path inductance hold would drive the link capacitor if the
// battery circuit opened now, V.
func (r *Run) OpeningVoltage(p *Point) (voltage float64) {
	lp, i, C := &p.DriveLoop, p.MotorCurrent, r.stage.capacitance
	inductance := r.motor.inductance + r.motorL
	induced := r.motor.perSpeed(0, lp.magnetT) * math.Abs(p.Measured.Speed)
	voltage = p.Voltage
	switch {
	case r.stage.braking && !r.motor.series && induced > p.Voltage:
		// It rectifies itself into the capacitor, whatever the controller does: at most an undamped swing about what it induces.
		voltage = induced + math.Hypot(induced-p.Voltage, i*math.Sqrt(inductance/C))
	case p.BatteryCurrent < 0:
		// On its way to the battery, until the current loop has let go; what heats by i² falls twice as fast as i meanwhile,
		// and what the controller lives on is left out.
		ohmic := lp.R*i*i + p.Losses.conductionSwitch + p.Losses.conductionFreewheel
		given := r.stage.standby() + ohmic/2 - p.BatteryCurrent*p.Voltage
		energy := inductance*i*i/2 + given*r.stage.loop
		voltage = math.Sqrt(voltage*voltage + 2*energy/C)
	} // else the motor's current freewheels in its own loop
	return math.Sqrt(voltage*voltage + r.pathL*p.BatteryCurrent*p.BatteryCurrent/C)
}

// Open opens the battery circuit: no current flows any more.
func (r *Run) Open(y []float64) {
	r.Connected = false
	if r.layout.link >= 0 { // what the inductances held becomes heat of the arc and of the freewheel path
		before := r.stored(y)
		y[r.layout.motorCurrent], y[r.layout.path] = 0, 0
		y[r.layout.heat] += before - r.stored(y)
	}
	r.Changed()
}

// Lock stops the shaft at once; its kinetic energy becomes heat.
func (r *Run) Lock(y []float64) {
	w := y[r.layout.speed]
	y[r.layout.heat] += r.inertia * w * w / 2
	y[r.layout.speed] = 0
	r.Locked = true
	r.Changed()
}
