package drive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/testdata/reference"
)

// CheckFigures compares one operating point of a boat, everything at 25 °C, with what follows by hand from the numbers in
// its file: each loss where it falls due, each rate of change. broken, if not nil, is done to the model first.
func CheckFigures(t require.TestingT, name string, broken func(*Model)) {
	const warm, alpha = 298.15, 0.00393
	b, s, err := reference.Boat(name)
	require.NoError(t, err)
	m, err := New(b, s, Conditions{Air: warm, Water: warm})
	require.NoError(t, err)
	if broken != nil {
		broken(m)
	}
	r := m.NewRun(func(float64) float64 { return 1 })
	nan := math.NaN()
	y := r.Begin(Start{Charge: 0.8, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
	const speed = 60.0
	y[r.layout.control+control.Demand], y[r.layout.speed], y[r.layout.boat] = 1, speed, 1.0
	r.Changed()
	dy := make([]float64, len(y))
	r.Derivatives(0, y, dy)
	p := r.Point(0, y)

	is := func(what string, expected, got, share float64) {
		require.InDelta(t, expected, got, share*math.Abs(expected)+1e-9, "%s: %s", name, what)
	}
	stage, motor := &b.Stage, &b.Motor
	i, ib, D, V := s.Limits.MotorCurrent, p.BatteryCurrent, p.Duty, p.Voltage
	is("motor current is the limit", i, p.MotorCurrent, 1e-9)
	require.Positive(t, ib, "%s: driving takes from the battery", name)

	// The power stage. The ripple of the motor current adds up to half a per cent.
	const ripple = 5e-3
	freewheel := stage.FreewheelDrop.SI * i
	if stage.Freewheel == "synchronous" {
		freewheel = stage.SwitchResistance.SI * i * i
	}
	is("switch conduction", D*stage.SwitchResistance.SI*i*i, p.Losses.conductionSwitch, ripple)
	is("freewheel conduction", (1-D)*freewheel, p.Losses.conductionFreewheel, ripple)
	is("switching loss", V*i*stage.SwitchingTime.SI*stage.SwitchingFrequency.SI/2, p.Losses.switching, ripple)
	is("ripple in the link capacitor", stage.CapacitorESR.SI*D*(1-D)*i*i, p.Losses.rippleCapacitor, ripple)

	// Heat, part by part.
	heat := map[string]float64{}
	for k := range r.heat {
		heat[m.network.NodeName(k)] = r.heat[k]
	}
	R := motor.Resistance.SI * (1 + alpha*5)
	drag := motor.FrictionTorque.SI + motor.IronTorque.SI*speed + motor.Windage.SI*speed*speed
	is("heat of the winding", R*i*i, heat["winding"], ripple)
	is("heat of the commutator", motor.BrushDrop.SI*i, heat["commutator"], 1e-6)
	is("heat of the motor's housing", drag*speed, heat["motor housing"], 1e-6)
	is("heat of the sink", p.Losses.conductionSwitch+(1-D)*freewheel+p.Losses.switching+stage.Housekeeping.SI, heat["heat sink"], ripple)
	is("heat of the capacitor", p.Losses.rippleCapacitor, heat["link capacitor"], 1e-9)
	is("heat of the battery", b.Battery.Resistance.SI*ib*ib, heat["battery"], 1e-6)
	is("heat of the contactor", b.Contactor.Resistance.SI*ib*ib+b.Contactor.CoilPower.SI, heat["contactor"], 1e-6)
	for k := range b.Joints {
		j := &b.Joints[k]
		amps := ib
		if j.Circuit == "motor" {
			amps = i
		}
		is("heat of the "+j.Name, j.Resistance.SI*amps*amps, heat[j.Name], ripple)
	}
	for k := range b.Cables {
		c := &b.Cables[k]
		amps := ib
		if c.Circuit == "motor" {
			amps = i
		}
		is("heat of the "+c.Name, c.Resistance.SI*(1+alpha*5)*amps*amps, heat[c.Name], ripple)
	}

	// Voltages and currents.
	is("sag at the terminals", b.Battery.Resistance.SI*ib, p.OpenVoltage-p.Terminal, 1e-6)
	capacity := b.Battery.Capacity.SI
	if b.Battery.Peukert.SI == 1 {
		is("discharge", -ib/capacity, dy[r.layout.charge], 1e-9)
	}

	// Shaft and water.
	torque := i * motor.Constant.SI * (1 - 0.002*5)
	if motor.Kind == "series-wound" {
		torque = i * flux(motor.Magnetisation, i)
	}
	gear := b.Shaft.GearRatio.SI
	onShaft := (p.Propeller + b.Shaft.SealFriction.SI) / gear / b.Shaft.GearEfficiency.SI
	inertia := motor.Inertia.SI + b.Shaft.Inertia.SI/(gear*gear)
	is("torque", torque, p.Torque, 1e-6)
	is("acceleration of the shaft", (torque-drag-onShaft)/inertia, dy[r.layout.speed], 1e-3)
	require.Positive(t, p.Thrust, "%s: a propeller that turns ahead pushes ahead", name)
	mass := b.Hull.Displacement.SI * (1 + b.Hull.AddedMass.SI)
	is("acceleration of the boat", (p.Thrust*(1-b.Hull.ThrustDeduction.SI)-resistance(b, 1))/mass, dy[r.layout.boat], 1e-3)

	// And the point of the propeller that was measured: there it takes the power that was measured, and drives the boat
	// at the speed that was measured.
	y[r.layout.speed], y[r.layout.boat] = b.Propeller.MeasuredSpeed.SI*gear, b.Propeller.MeasuredBoatSpeed.SI
	r.Changed()
	r.Derivatives(0, y, dy)
	p = r.Point(0, y)
	is("power at the measured point", b.Propeller.MeasuredPower.SI, p.Propeller*p.PropSpeed, 1e-3)
	require.InDelta(t, 0, dy[r.layout.boat], 1e-3, "%s: at the measured point the boat keeps its speed", name)
}

// flux reads a magnetisation curve at one of its own points.
func flux(curve [][]float64, amps float64) float64 {
	for _, row := range curve {
		if row[0] == amps {
			return row[1]
		}
	}
	return math.NaN()
}

// resistance returns a hull's at a speed below its table: the power of the first row over the speed, on the cubic law of power.
func resistance(b *boat.Boat, speed float64) float64 {
	first := b.Hull.SpeedPower[0]
	power := first[1] * math.Pow(speed/first[0], 3)
	return b.Hull.PropulsiveEfficiency.SI * power / speed
}

func TestFiguresFollowFromTheBoatFile(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		CheckFigures(t, name, nil)
	}
}
