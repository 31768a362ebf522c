package drive

import (
	"fmt"
	"math"

	"quaybench/bench/thermal"
)

// Device is something outside the controller that opens the battery circuit: the fuse, or the battery's management.
// Margin rises through zero when its condition begins (Delay > 0) or when it acts (Delay = 0).
type Device struct {
	Name   string
	What   string
	Delay  float64 // s, how long the condition must last
	Margin func(p *Point, y []float64) float64
}

// Devices lists the devices of the boat. The slice is fixed for a model.
func (m *Model) Devices() []Device {
	devices := []Device{{
		Name: "fuse", What: "fuse opens (battery current)",
		Margin: func(_ *Point, y []float64) float64 {
			return sum(y[m.layout.fuse:m.layout.fuse+m.fuse.States()])/thermal.MayMelt - 1
		},
	}}
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

// FuseLatest is how long a cold fuse of the slowest curve bears a battery current, s; +Inf if for ever.
func (r *Run) FuseLatest(current float64, y []float64) float64 {
	T := y[r.layout.nodes : r.layout.nodes+len(r.heat)]
	return r.slow.MeltTime(math.Abs(current)/r.FuseRating(T)).Time + r.boat.Fuse.Arcing.SI
}

// BreakCurrent is the highest current the contactor can open under load, A.
func (m *Model) BreakCurrent() float64 { return m.boat.Contactor.Break.SI }

// Open opens the battery circuit: no current flows any more. It returns the voltage to which the energy that motor
// and path inductance hold drives the link capacitor.
func (r *Run) Open(p *Point, y []float64) (voltage float64) {
	C := r.stage.capacitance
	// The motor's current freewheels in its own loop while driving; while braking it is on its way to the battery.
	energy := r.pathL * p.BatteryCurrent * p.BatteryCurrent / 2
	if p.BatteryCurrent < 0 {
		energy += (r.motor.inductance + r.motorL) * p.MotorCurrent * p.MotorCurrent / 2
		energy += -p.BatteryCurrent * p.Voltage * r.stage.loop // until the current loop has let go
	}
	voltage = math.Sqrt(p.Voltage*p.Voltage + 2*energy/C)
	r.Connected = false
	if r.layout.link >= 0 { // what the inductances held becomes heat of the arc and of the freewheel path
		before := r.stored(y)
		y[r.layout.motorCurrent], y[r.layout.path] = 0, 0
		y[r.layout.heat] += before - r.stored(y)
	}
	r.Changed()
	return voltage
}

// Lock stops the shaft at once; its kinetic energy becomes heat.
func (r *Run) Lock(y []float64) {
	w := y[r.layout.speed]
	y[r.layout.heat] += r.inertia * w * w / 2
	y[r.layout.speed] = 0
	r.Locked = true
	r.Changed()
}
