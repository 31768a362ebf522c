package drive

import (
	"context"
	"math"
	"testing"

	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/bench/ode"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/testdata/checks"
	"quaybench/testdata/reference"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func si(x float64) quantity.Value { return quantity.Value{SI: x, Given: true} }

const revolution = 2 * math.Pi / 60 // rad/s in 1/min

// whereZero finds where a falling f passes zero.
func whereZero(f func(float64) float64, lo, hi float64) float64 {
	for range 200 {
		mid := (lo + hi) / 2
		if f(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// machine returns a textbook's motor: what its example gives, everything else without loss.
func machine(t *testing.T, m boat.Motor) motor {
	t.Helper()
	if m.Kind == "" {
		m.Kind = "permanent-magnet brushed"
	}
	if !m.ResistanceAt.Given {
		m.ResistanceAt = si(copperReference)
	}
	if !m.Inductance.Given {
		m.Inductance = si(1)
	}
	m.RatedSpeed = si(100)
	out, err := newMotor(&m)
	require.NoError(t, err)
	return out
}

// onSource puts a motor on an ideal chopper at a stiff source and solves its operating point at a motor speed: the
// current is whatever the duty drives.
func onSource(m motor, volts, duty, frequency, speed float64) Electric {
	model := &Model{motor: m, stage: stage{frequency: frequency}}
	l := loop{
		m: model, R: m.resistance, armature: m.resistance * (1 - m.fieldShare), magnetT: copperReference,
		source: supply{E: volts, live: true}, duty: duty,
	}
	unlimited := control.Command{Demand: 1, Ahead: 1e6, Astern: 1e6, FullAhead: 1e6, FullAstern: 1e6, BatteryLimit: 1e9, ChargeLimit: 1e9, Duty: 1}
	var e Electric
	l.solve(&unlimited, speed, &e)
	return e
}

func TestChecksCopper(t *testing.T) {
	winding := func(ohms, at, hot float64) float64 {
		m := machine(t, boat.Motor{Resistance: si(ohms), ResistanceAt: si(at + celsius)})
		return m.resistance * copper(hot+celsius)
	}
	coefficient := func() float64 { return copper(copperReference+1) - 1 }
	checks.Run(t, "copper", map[string]func() float64{
		"CW-02":  coefficient,
		"CW-03":  coefficient,
		"CW-04a": func() float64 { return winding(1, 20, 75) },
		"CW-04b": func() float64 { return winding(1, 20, 155) },
		"CW-06":  func() float64 { return winding(0.03864, 20, 95) },
		"CW-09":  func() float64 { return winding(1, 75, 20) },
		"CW-20":  func() float64 { return winding(0.15, 25, 110) },
		"CW-21":  func() float64 { return whereZero(func(T float64) float64 { return 100 - winding(80, 20, T) }, 20, 200) },
	})
}

func TestChecksMotor(t *testing.T) {
	const full, frequency = 1, 1e4
	pm := machine(t, boat.Motor{Constant: si(95 / (1425 * revolution)), Resistance: si(0.05)})
	lossy := machine(t, boat.Motor{
		Constant: si(94.5 / (1417.5 * revolution)), Resistance: si(0.05), BrushDrop: si(0.5),
		FrictionTorque: si(100 / (1417.5 * revolution)), IronTorque: si(200 / math.Pow(1417.5*revolution, 2)), Windage: si(50 / math.Pow(1417.5*revolution, 3)),
	})
	series := func(resistance float64, points ...[]float64) motor {
		return machine(t, boat.Motor{Kind: "series-wound", Resistance: si(resistance), Magnetisation: points})
	}
	linear := series(0.06, []float64{0, 0}, []float64{100, 94 / (1410 * revolution)}, []float64{4000, 40 * 94 / (1410 * revolution)})
	kosow := machine(t, boat.Motor{Constant: si(1), Resistance: si(0.25), BrushDrop: si(3)})
	brushless := machine(t, boat.Motor{Kind: "permanent-magnet brushless", Constant: si(0.12), Resistance: si(0.3), BrushDrop: si(2)})
	dc := series(0.10, []float64{0, 0}, []float64{100, 1}, []float64{3000, 1})
	fitzgerald := machine(t, boat.Motor{
		Constant: si((50 - 1.25*1.03) / (2100 * revolution)), Resistance: si(1.03), FrictionTorque: si((50 - 1.25*1.03) * 1.25 / (1700 * revolution)),
	}) // the book keeps the rotational loss at its no-load 61 W
	chapman := series(0.08, []float64{0, 0}, []float64{50, 80 / (1200 * revolution)}, []float64{4000, 3 * 80 / (1200 * revolution)})

	at := func(m motor, volts, rpm float64) Electric { return onSource(m, volts, full, frequency, rpm*revolution) }
	speedAt := func(m motor, volts, amps float64) float64 { // 1/min at which it draws a current
		return whereZero(func(rpm float64) float64 { return at(m, volts, rpm).MotorCurrent - amps }, 1, 2e4)
	}
	rotational := func(m motor, volts, rpm float64) (in, out float64) {
		e, w := at(m, volts, rpm), rpm*revolution
		return volts * e.MotorCurrent, (e.Torque - m.drag(w)) * w
	}
	atCurrent := func(m motor, amps float64) float64 { // torque
		return at(m, 1000, speedAt(m, 1000, amps)).Torque
	}
	weakening := func(magnets string) float64 {
		m := machine(t, boat.Motor{Magnets: magnets, Constant: si(1), Resistance: si(1)})
		return 100 * (m.perSpeed(0, copperReference+1) - m.perSpeed(0, copperReference))
	}
	checks.Run(t, "motor", map[string]func() float64{
		"M-01e": func() float64 { return at(pm, 100, 1425).MotorCurrent },
		"M-01t": func() float64 { return at(pm, 100, 1425).Torque },
		"M-02p": func() float64 { _, out := rotational(lossy, 100, 1417.5); return out },
		"M-02e": func() float64 { in, out := rotational(lossy, 100, 1417.5); return 100 * out / in },
		"M-03e": func() float64 {
			r := newRig(t, 100, boat.Motor{Constant: si(95 / (1425 * revolution)), Resistance: si(0.05), Inductance: si(1.5e-3), Inertia: si(0.3)})
			r.run.Locked = true
			return -1000 * 0.03 / math.Log(1-r.after(0.03)[r.run.layout.motorCurrent]/2000)
		},
		"M-03m": func() float64 { // the slope of acceleration over speed
			r := newRig(t, 100, boat.Motor{Constant: si(95 / (1425 * revolution)), Resistance: si(0.05), Inertia: si(0.3)})
			accelerate := func(w float64) float64 { return onSource(r.run.motor, 100, full, frequency, w).Torque / r.run.inertia }
			return 1000 * 10 / (accelerate(50) - accelerate(60))
		},
		"M-03s": func() float64 { return at(pm, 100, 0).MotorCurrent },
		"M-04i": func() float64 { return at(linear, 100, 1410).MotorCurrent },
		"M-04t": func() float64 { return at(linear, 100, 1410).Torque },
		"M-07u": func() float64 {
			return atCurrent(series(0.1, []float64{0, 0}, []float64{25, 3.6}, []float64{1e4, 3.6 * 400}), 30)
		},
		"M-07s": func() float64 {
			return atCurrent(series(0.1, []float64{0, 0}, []float64{25, 3.6}, []float64{30, 3.96}, []float64{1e4, 4}), 30)
		},
		"M-08a": func() float64 { return onSource(kosow, 120, full, frequency, 110).MotorCurrent },
		"M-08b": func() float64 { return onSource(kosow, 120, full, frequency, 105).MotorCurrent },
		"M-11n": func() float64 {
			return whereZero(func(rpm float64) float64 { return at(brushless, 48, rpm).Torque - 1e-6 }, 1, 1e4)
		},
		"M-11i": func() float64 { return at(brushless, 48, 0).MotorCurrent },
		"M-11t": func() float64 { return at(brushless, 48, 0).Torque },
		"M-13e": func() float64 { rpm := speedAt(dc, 200, 100); return dc.perSpeed(100, 0) * rpm * revolution },
		"M-13p": func() float64 { rpm := speedAt(dc, 200, 100); return at(dc, 200, rpm).Torque * rpm * revolution / 1000 },
		"M-14a": func() float64 { return tutorial(t).speed(0.5) },
		"M-14b": func() float64 { return tutorial(t).speed(1) },
		"M-14c": func() float64 { return tutorial(t).speed(2) },
		"M-15":  func() float64 { _, out := rotational(fitzgerald, 48, 1700); return out },
		"M-20":  func() float64 { return weakening("ferrite") },
		"M-21":  func() float64 { return weakening("NdFeB") },
		"M-16n": func() float64 { return speedAt(chapman, 250, 50) },
		"M-16t": func() float64 { return at(chapman, 250, speedAt(chapman, 250, 50)).Torque },
	})
}

// tutorial returns the motor of the Michigan control tutorials on 1 V.
func tutorial(t *testing.T) *rig {
	return newRig(t, 1, boat.Motor{Constant: si(0.01), Resistance: si(1), Inductance: si(0.5), IronTorque: si(0.1), Inertia: si(0.01)})
}

// rig is a whole model whose motor runs at full duty on a stiff source, without cables' resistance or a propeller.
type rig struct {
	t   *testing.T
	run *Run
}

type freeShaft struct{}

func (freeShaft) Loads(_, _, _ float64) (thrust, torque float64) { return 0, 0 }

func newRig(t *testing.T, volts float64, m boat.Motor) *rig {
	t.Helper()
	b, s, err := reference.Boat("petrel")
	require.NoError(t, err)
	b.Battery.Cells, b.Battery.OCV = 1, [][]float64{{0, volts}, {0.5, volts}, {1, volts}}
	b.Battery.Resistance, b.Battery.Polarisation = si(1e-9), nil
	b.Fuse.Resistance, b.Contactor.Resistance, b.Contactor.CoilPower = si(1e-9), si(1e-9), si(0)
	b.Joints = nil
	for i := range b.Cables {
		b.Cables[i].Resistance, b.Cables[i].Inductance = si(1e-12), si(1e-9)
	}
	b.Stage.Capacitance, b.Stage.CapacitorESR, b.Stage.Housekeeping = si(1e6), si(0), si(0)
	b.Stage.SwitchResistance, b.Stage.SwitchingTime, b.Stage.CurrentLoopTime = si(1e-12), si(0), si(1e-6)
	s.Limits = settings.Limits{MotorCurrent: 1e6, AsternCurrent: 1e6, BatteryCurrent: 1e9, ChargeCurrent: 1e9, Duty: 1}
	s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = -1, -2, -3
	model, err := New(b, s, Conditions{Air: copperReference, Water: copperReference, Moored: true, Electrical: true})
	require.NoError(t, err)
	model.motor, model.inertia, model.seal, model.screw = machine(t, m), m.Inertia.SI, 0, freeShaft{}
	return &rig{t, model.NewRun(func(float64) float64 { return 1 })}
}

// after returns the state a time after full voltage is on.
func (r *rig) after(seconds float64) []float64 {
	y := r.run.Begin(Start{
		Charge: 0.5, Winding: math.NaN(), Housing: math.NaN(), Sink: math.NaN(), Battery: math.NaN(), Cables: math.NaN(), Air: math.NaN(),
	})
	r.run.Mode.Released = true
	y[r.run.layout.control+control.Demand] = 1
	tolerances := make([]float64, len(y))
	for i := range tolerances {
		tolerances[i] = 1e-8
	}
	var in ode.Integrator
	res, err := in.Solve(context.Background(), ode.Problem{System: r.run, T1: seconds, Y0: y}, ode.Options{RelTol: 1e-8, AbsTol: tolerances})
	require.NoError(r.t, err)
	return res.Y
}

func (r *rig) speed(seconds float64) float64 { return r.after(seconds)[r.run.layout.speed] }

func TestChecksChopper(t *testing.T) {
	// Rashid's RL load is a motor that stands still.
	const volts, frequency = 220, 1e3
	load := machine(t, boat.Motor{Constant: si(1), Resistance: si(5), Inductance: si(7.5e-3)})
	rashid := onSource(load, volts, 0.5, frequency, 0)
	traction := machine(t, boat.Motor{Constant: si(1), Resistance: si(0.05), Inductance: si(20e-3)})
	traced := onSource(traction, 600, 0.6, 1e3, 347.5)
	ripple := func(l losses) float64 { return math.Sqrt(12 * l.rippleMotor) }
	capacitor := func(duty float64) float64 {
		s := stage{frequency: 16e3, esr: 1e-3}
		return math.Sqrt(s.losses(duty, 100, 48, 1e-4, devices{}).rippleCapacitor/s.esr) / 100
	}
	checks.Run(t, "chopper", map[string]func() float64{
		"P-01m": func() float64 { return rashid.MotorCurrent },
		"P-01b": func() float64 { return rashid.Duty * rashid.MotorCurrent },
		"P-01r": func() float64 {
			return math.Sqrt(rashid.MotorCurrent*rashid.MotorCurrent + rashid.Losses.rippleMotor)
		},
		"P-02": func() float64 { return ripple(rashid.Losses) },
		"P-01s": func() float64 {
			s := stage{frequency: frequency}
			return math.Sqrt(s.losses(0.5, rashid.MotorCurrent, volts, load.inductance, devices{switchR: 1}).conductionSwitch)
		},
		"P-03": func() float64 {
			s := stage{frequency: 250}
			return ripple(s.losses(0.5, 200, 550, 27.5e-3, devices{}))
		},
		"P-05i": func() float64 { return traced.MotorCurrent },
		"P-05b": func() float64 { return traced.BatteryCurrent },
		"P-09a": func() float64 { return capacitor(0.1) },
		"P-09b": func() float64 { return capacitor(0.25) },
		"P-09c": func() float64 { return capacitor(0.5) },
		"P-14": func() float64 {
			s := stage{frequency: 16e3, switching: 100e-9}
			return s.losses(0.5, 100, 48, 1e-4, devices{}).switching
		},
		"P-15": func() float64 {
			s := stage{frequency: 16e3}
			inductance := 48 * 0.25 / (20 * s.frequency) // 20 A of ripple at 48 V and half duty
			return s.losses(0.5, 100, 48, inductance, devices{switchR: 2e-3}).conductionSwitch
		},
	})
}

func TestChecksBattery(t *testing.T) {
	hours := func(exponent, amps float64) float64 {
		m, err := newBattery(&boat.Battery{
			Cells: 6, Chemistry: "flooded lead-acid", Capacity: si(100 * 3600), RatedTime: si(20 * 3600), Peukert: si(exponent), Mass: si(30), Resistance: si(0.01),
		})
		require.NoError(t, err)
		return m.lasts(1, 0, amps) / 3600
	}
	// A cell at rest in a boat that only charges it: 50 A into 3.3 V, 10 mΩ and one pair.
	charged := func(seconds float64) (*Run, []float64) {
		b, s, err := reference.Boat("petrel")
		require.NoError(t, err)
		c := &b.Battery
		c.Cells, c.OCV, c.Capacity, c.Management = 1, [][]float64{{0, 3.3}, {0.5, 3.3}, {1, 3.3}}, si(100*3600), nil
		c.Resistance, c.ResistancePerKelvin, c.Polarisation = si(10e-3), si(0), [][]float64{{6e-3, 30}}
		b.Charging = &boat.Charging{Power: si(1e6), CurrentLimit: si(50), VoltageLimit: si(100)}
		b.Stage.Housekeeping, b.Contactor.CoilPower = si(0), si(0)
		m, err := New(b, s, Conditions{Air: copperReference, Water: copperReference, Moored: true, Charging: true})
		require.NoError(t, err)
		r := m.NewRun(func(float64) float64 { return 0 })
		nan := math.NaN()
		y := r.Begin(Start{Charge: 0.5, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
		if seconds == 0 {
			return r, y
		}
		var in ode.Integrator
		res, err := in.Solve(context.Background(), ode.Problem{System: r, T1: seconds, Y0: y}, ode.Options{RelTol: 1e-8, AbsTol: m.Tolerances(1e-8)})
		require.NoError(t, err)
		return r, res.Y
	}
	terminal := func(seconds float64) float64 { r, y := charged(seconds); return r.Point(seconds, y).Terminal }
	checks.Run(t, "battery", map[string]func() float64{
		"B8-01":  func() float64 { return hours(1.2, 10) },
		"B8-01x": func() float64 { return hours(1.2, 25) },
		"B8-02":  func() float64 { return hours(1.3, 20) },
		"B8-07a": func() float64 { return terminal(0) },
		"B8-07b": func() float64 { return terminal(30) },
		"B8-07c": func() float64 { // the heat put into the battery's node
			r, y := charged(300)
			dy := make([]float64, len(y))
			r.Derivatives(300, y, dy)
			return r.heat[r.nodes.battery]
		},
		"B8-08": func() float64 { r, y := charged(1800); return 100 * r.Charge(y) },
	})
}

// TestChecksDerived guards the golden results of the whole drive: they were made with these fits.
func TestChecksDerived(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		b, s, err := reference.Boat(name)
		require.NoError(t, err)
		m, err := New(b, s, Conditions{Air: 298.15, Water: 288.15})
		require.NoError(t, err)
		var d reference.Derived
		d.Fuse.Rating = m.fuse.Rating
		for _, stage := range m.fuse.Element {
			d.Fuse.Shares, d.Fuse.Times = append(d.Fuse.Shares, stage.Resistance), append(d.Fuse.Times, stage.TimeConstant)
		}
		d.Wells.Capacity, d.Wells.Shares, d.Wells.Rates = m.battery.capacity, []float64{}, []float64{}
		for _, w := range m.battery.wells {
			d.Wells.Shares, d.Wells.Rates = append(d.Wells.Shares, w.share), append(d.Wells.Rates, w.rate)
		}
		require.NoError(t, reference.CheckDerived(name, d))
	}
}

// TestChecksChopperCircuit compares the averaged stage with the switching circuit of
// testdata/reference/circuits/chopper.cir, solved by ngspice.
func TestChecksChopperCircuit(t *testing.T) {
	c, err := reference.ReadCircuit("chopper")
	require.NoError(t, err)
	const volts, source, winding, frequency = 48, 10e-3, 16e-3, 16e3 // as in the netlist
	solve := func(row map[string]float64, esr float64) (Electric, float64) {
		m := machine(t, boat.Motor{Constant: si(1), Resistance: si(winding), Inductance: si(row["lmotor"])})
		s := stage{frequency: frequency, esr: esr, switchR: row["ron"], freewheelR: row["ron"]}
		l := loop{
			m: &Model{motor: m, stage: s}, R: winding, armature: winding, magnetT: copperReference,
			devices: devices{switchR: row["ron"], freewheelR: row["ron"]}, source: supply{E: volts, R: source, live: true}, duty: row["duty"],
		}
		var e Electric
		l.solve(&control.Command{Demand: 1, Ahead: 1e6, Astern: 1e6, FullAhead: 1e6, FullAstern: 1e6, BatteryLimit: 1e9, Duty: 1}, row["emf"], &e)
		return e, math.Sqrt(e.Losses.rippleCapacitor / s.esr)
	}
	for i, row := range c.Cases {
		e, capacitor := solve(row, row["esr"])
		plain, _ := solve(row, 1e-9)                                                // the plain average, which misses D·(1 − D)·ESR
		effective := (plain.MotorCurrent/row["motor"] - 1) * (winding + row["ron"]) // roughly, for the log
		t.Logf("case %d: duty %g, ESR %g mΩ: motor %.2f A, circuit %.2f; without ESR %.2f (%.2g mΩ, D(1−D)·ESR %.2g); battery %.2f, circuit %.2f; link %.3f V, circuit %.3f; capacitor %.2f A, circuit %.2f; switch %.2f A, circuit %.2f; ripple %.2f A, circuit %.2f",
			i+1, row["duty"], 1e3*row["esr"], e.MotorCurrent, row["motor"], plain.MotorCurrent, 1e3*effective, 1e3*row["duty"]*(1-row["duty"])*row["esr"],
			e.BatteryCurrent, row["battery"], e.Voltage, row["link"], capacitor, row["capacitor_rms"],
			math.Sqrt(e.Losses.conductionSwitch/row["ron"]), row["switch_rms"], math.Sqrt(12*e.Losses.rippleMotor), row["motor_high"]-row["motor_low"])
		assert.InEpsilon(t, row["motor"], e.MotorCurrent, 0.001, "motor current, case %d", i+1)
		assert.InEpsilon(t, row["battery"], e.BatteryCurrent, 0.001, "battery current, case %d", i+1)
		assert.InDelta(t, row["link"], e.Voltage, 0.002, "link voltage, case %d", i+1)
		assert.InEpsilon(t, row["capacitor_rms"], capacitor, 0.01, "capacitor current, case %d", i+1)
		assert.InEpsilon(t, row["switch_rms"], math.Sqrt(e.Losses.conductionSwitch/row["ron"]), 0.005, "switch current, case %d", i+1)
		assert.InEpsilon(t, row["motor_high"]-row["motor_low"], math.Sqrt(12*e.Losses.rippleMotor), 0.03, "ripple, case %d", i+1)
		assert.InEpsilon(t, row["motor_rms"], math.Sqrt(e.MotorCurrent*e.MotorCurrent+e.Losses.rippleMotor), 0.001, "motor rms current, case %d", i+1)
	}
	if reference.Live {
		t.Run("live", c.CheckLive)
	}
}

// TestChecksInrushCircuit compares the contactor closing on an empty link capacitor, as a trial with precharge_skipped
// has it, with testdata/reference/circuits/inrush.cir.
func TestChecksInrushCircuit(t *testing.T) {
	c, err := reference.ReadCircuit("inrush")
	require.NoError(t, err)
	for i, row := range c.Cases {
		b, s, err := reference.Boat("petrel")
		require.NoError(t, err)
		b.Battery.Cells, b.Battery.OCV, b.Battery.Management = 1, [][]float64{{0, row["volts"]}, {0.5, row["volts"]}, {1, row["volts"]}}, nil
		b.Battery.Resistance, b.Battery.ResistancePerKelvin, b.Battery.Polarisation = si(row["rpath"]), si(0), nil
		b.Fuse.Resistance, b.Contactor.Resistance, b.Contactor.CoilPower = si(1e-9), si(1e-9), si(0)
		b.Joints = nil
		for k := range b.Cables {
			b.Cables[k].Resistance, b.Cables[k].Inductance = si(1e-9), si(row["lpath"]/float64(len(b.Cables)))
			b.Cables[k].Circuit = "battery"
		}
		b.Stage.Capacitance, b.Stage.CapacitorESR, b.Stage.Housekeeping = si(row["c"]), si(row["esr"]), si(0)
		m, err := New(b, s, Conditions{Air: 298.15, Water: 288.15, Moored: true, Electrical: true, Uncharged: true})
		require.NoError(t, err)
		r := m.NewRun(func(float64) float64 { return 0 })
		nan := math.NaN()
		y := r.Begin(Start{Charge: 0.5, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
		var inrush, highest float64
		var in ode.Integrator
		_, err = in.Solve(context.Background(), ode.Problem{System: r, T1: 5e-3, Y0: y, Observe: func(st *ode.Step) error {
			inrush = max(inrush, st.Y1[m.layout.path])
			highest = max(highest, r.Point(st.T1, st.Y1).Voltage)
			return nil
		}}, ode.Options{RelTol: 1e-7, AbsTol: m.Tolerances(1e-7), MaxStep: 2e-6})
		require.NoError(t, err)
		t.Logf("case %d: inrush %.0f A, circuit %.0f; link %.2f V, circuit %.2f", i+1, inrush, row["inrush"], highest, row["highest"])
		assert.InEpsilon(t, row["inrush"], inrush, 0.03, "inrush, case %d; the tool starts at 1 V", i+1)
		assert.InEpsilon(t, row["highest"], highest, 0.02, "overshoot, case %d", i+1)
	}
	if reference.Live {
		t.Run("live", c.CheckLive)
	}
}

// TestChecksPlugCircuit compares a series-wound motor turned against its field, its chopper off, with
// testdata/reference/circuits/plug.cir, solved by ngspice: the plug diode keeps up a field, the same from whichever side it starts.
// No field at all, which this tool once had, is no state of that circuit that lasts, and neither are thousands of amperes.
func TestChecksPlugCircuit(t *testing.T) {
	c, err := reference.ReadCircuit("plug")
	require.NoError(t, err)
	const winding, share, inductance, diode, brush = 18e-3, 0.35, 250e-6, 0.75, 1.5 // as in the netlist
	m := machine(t, boat.Motor{
		Kind: "series-wound", Magnetisation: [][]float64{{0, 0.01}, {100, 0.22}, {1000, 2.11}}, FieldShare: si(share),
		Resistance: si(winding), Inductance: si(inductance), BrushDrop: si(brush),
	})
	for i, row := range c.Cases {
		l := loop{
			m: &Model{motor: m, stage: stage{frequency: 16e3, esr: 1e-9, switchR: 1e-3, diode: true, diodeDrop: diode, loop: 1e-3}}, R: winding, armature: winding * (1 - share), magnetT: copperReference,
			devices: devices{switchR: 1e-3, freewheelV: diode}, source: supply{E: 72, R: 10e-3, live: true}, duty: 1,
		}
		command := &control.Command{Demand: -0.05, Ahead: 20, Astern: 20, Braking: 20, FullAhead: 20, FullAstern: 20, BatteryLimit: 1e9, Duty: 1}
		var e Electric
		l.solve(command, row["w"], &e)
		t.Logf("case %d: field %.3f A, circuit %.3f; armature %.1f A, circuit %.1f", i+1, -e.MotorCurrent, row["field"], -e.ArmatureCurrent, row["armature"])
		assert.InEpsilon(t, row["field"], -e.MotorCurrent, 0.002, "field, case %d", i+1)
		assert.InEpsilon(t, row["armature"], -e.ArmatureCurrent, 0.002, "armature, case %d", i+1)
		assert.Equal(t, row["armature"] > 20, e.SelfExcited, "case %d", i+1)

		// The same with the current as a state: from either side to there.
		f := row["f0"]
		const dt = 1e-5
		for at := 0.0; at < inductance/(winding*share); at += dt {
			l.transient(command, row["w"], -f, 0, &e)
			f -= e.Unbalanced * dt / inductance
		}
		assert.InEpsilon(t, row["early"], f, 0.02, "field after a time constant, case %d", i+1)
	}
	if reference.Live {
		t.Run("live", c.CheckLive)
	}
}
