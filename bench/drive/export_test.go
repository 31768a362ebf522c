package drive

import (
	"math"

	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/hydro"
	"quaybench/testdata/reference"
)

// Broken are models made wrong on purpose, by what is wrong with them.
var Broken = map[string]func(*Model){
	"thrust the wrong way":                       func(m *Model) { m.screw = backwards{m.screw} },
	"torque the wrong way":                       func(m *Model) { m.spoil(func(e *Electric) { e.Torque = -e.Torque }) },
	"braking current the wrong way":              func(m *Model) { m.spoil(func(e *Electric) { e.BatteryCurrent = math.Abs(e.BatteryCurrent) }) },
	"battery current taken for motor current":    func(m *Model) { m.spoil(func(e *Electric) { e.BatteryCurrent = math.Abs(e.MotorCurrent) }) },
	"freewheel loss left out of the heat":        func(m *Model) { m.spoil(func(e *Electric) { e.Losses.conductionFreewheel = 0 }) },
	"ripple loss left out of the heat":           func(m *Model) { m.spoil(func(e *Electric) { e.Losses.rippleCapacitor = 0 }) },
	"no freewheel loss at all":                   func(m *Model) { m.stage.freewheelR, m.stage.diodeDrop = 0, 0 },
	"no switching loss":                          func(m *Model) { m.stage.switching = 0 },
	"no resistance in the link capacitor":        func(m *Model) { m.stage.esr = 0 },
	"no brush drop":                              func(m *Model) { m.motor.brushDrop = 0 },
	"half the battery's resistance":              func(m *Model) { m.battery.resistance /= 2 },
	"twice the battery's charge":                 func(m *Model) { m.battery.capacity *= 2 },
	"twice the inertia":                          func(m *Model) { m.inertia *= 2 },
	"a gear without loss":                        func(m *Model) { m.efficiency = 1 },
	"no housekeeping":                            func(m *Model) { m.stage.housekeeping = 0 },
	"the sink's thermal resistance doubled":      func(m *Model) { m.rewire(func(b *boat.Boat) { b.Stage.SinkResistance.SI *= 2 }) },
	"the compartment's resistance doubled":       func(m *Model) { m.rewire(func(b *boat.Boat) { b.Compartment.ThermalResistance.SI *= 2 }) },
	"a joint's thermal resistance doubled":       func(m *Model) { m.rewire(func(b *boat.Boat) { b.Joints[0].ThermalResistance.SI *= 2 }) },
	"the winding cooled by air, not its housing": func(m *Model) { m.rewire(func(b *boat.Boat) { b.Motor.WindingToHousing = si(1e-3) }) },
}

func (m *Model) spoil(f func(*Electric)) { m.stage.spoil = f }

// rewire builds the heat network anew, of a boat that the file does not describe.
func (m *Model) rewire(change func(*boat.Boat)) {
	b := *m.boat
	b.Joints = append([]boat.Joint(nil), b.Joints...)
	change(&b)
	was := m.boat
	m.boat, m.conductors, m.motorL, m.pathL = &b, nil, 0, 0
	if err := m.heat(); err != nil {
		panic(err)
	}
	m.boat = was
}

// backwards is a propeller that pushes where it should pull.
type backwards struct{ hydro.Propeller }

func (p backwards) Loads(n, va, density float64) (thrust, torque float64) {
	thrust, torque = p.Propeller.Loads(n, va, density)
	return -thrust, torque
}

// CheckCircuits walks every circuit through every quadrant and holds each point against Kirchhoff's laws.
func CheckCircuits(t require.TestingT, broken func(*Model)) {
	for name := range stages {
		s := situated(t, name, nil)
		if broken != nil {
			broken(s.run.Model)
		}
		for _, demand := range []float64{-1, -0.3, 0, 0.3, 1} {
			for _, speed := range []float64{-300, -120, -30, -1, 0, 1, 30, 120, 300} {
				checkChopper(t, s, s.at(demand, speed))
			}
		}
	}
}

// CheckNetwork compares a boat's heat network with its file.
func CheckNetwork(t require.TestingT, name string, broken func(*Model)) {
	b, s, err := reference.Boat(name)
	require.NoError(t, err)
	m, err := New(b, s, Conditions{Air: 300, Water: 300})
	require.NoError(t, err)
	if broken != nil {
		broken(m)
	}
	CheckRises(t, m, b)
}
