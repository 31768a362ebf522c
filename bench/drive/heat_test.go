package drive

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/bench/ode"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
	"quaybench/testdata/reference"
)

// heated is the thermal side of a boat alone: its currents, speed and duty are held, its losses follow its temperatures.
// Its states are the nodes and the junctions' ladders.
type heated struct {
	run    *Run
	point  Point
	speed  float64
	volts  float64
	motor  float64 // A
	duty   float64
	states int
}

func newHeated(t require.TestingT, b *boat.Boat, c Conditions) *heated {
	_, s, err := reference.Boat("petrel") // the settings do not matter here
	require.NoError(t, err)
	m, err := New(b, s, c)
	require.NoError(t, err)
	h := &heated{run: m.NewRun(func(float64) float64 { return 0 })}
	h.states = len(h.run.heat) + len(m.stage.foster[0]) + len(m.stage.foster[1])
	return h
}

func (h *heated) Dim() int { return h.states }

func (h *heated) Derivatives(_ float64, y, dy []float64) {
	r, p := h.run, &h.point
	n, a := len(r.heat), len(r.stage.foster[0])
	T, x, z := y[:n], y[n:n+a], y[n+a:]
	d := r.stage.devices(T[r.nodes.sink]+sum(x), T[r.nodes.sink]+sum(z))
	p.Losses = r.stage.losses(h.duty, h.motor, h.volts, r.motor.inductance, d)
	p.MotorCurrent, p.ArmatureCurrent = h.motor, h.motor
	p.BatteryCurrent = h.duty * h.motor
	p.BankCurrent = p.BatteryCurrent
	p.BatteryR = r.battery.ohmic(T[r.nodes.battery])
	p.Drag = r.motor.drag(h.speed)
	r.heats(p, T, 0, h.speed)
	r.scale[r.links.housing] = r.motor.cooling(h.speed)
	r.flow(T, dy[:n])
	climb(r.rungs[0], p.Losses.conductionSwitch+p.Losses.switching, x, dy[n:])
	climb(r.rungs[1], p.Losses.conductionFreewheel, z, dy[n+a:])
}

// after returns the state after a time, from everything at the temperature of the air.
func (h *heated) after(t require.TestingT, seconds float64) []float64 {
	y := make([]float64, h.states)
	for i := range h.run.heat {
		y[i] = h.run.conditions.Air
	}
	var in ode.Integrator
	tolerance := make([]float64, h.states)
	for i := range tolerance {
		tolerance[i] = 1e-5
	}
	res, err := in.Solve(context.Background(), ode.Problem{System: h, T1: seconds, Y0: y}, ode.Options{RelTol: 1e-7, AbsTol: tolerance})
	require.NoError(t, err)
	return res.Y
}

// TestHotterAirNeverRaisesAMargin: at fixed currents no part ends cooler in hotter air, though battery and switches
// change their resistance with temperature in opposite ways.
func TestHotterAirNeverRaisesAMargin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom([]string{"petrel", "bracken"}).Draw(t, "boat")
		amps, duty := rapid.Float64Range(0, 250).Draw(t, "motor current"), rapid.Float64Range(0, 1).Draw(t, "duty")
		speed, seconds := rapid.Float64Range(0, 300).Draw(t, "speed"), rapid.Float64Range(1, 7200).Draw(t, "seconds")
		cool := rapid.Float64Range(260, 310).Draw(t, "air")
		hot := cool + rapid.Float64Range(0, 30).Draw(t, "hotter by")
		at := func(air float64) []float64 {
			b, _, err := reference.Boat(name)
			require.NoError(t, err)
			h := newHeated(t, b, Conditions{Air: air, Water: 288})
			h.motor, h.duty, h.speed, h.volts = amps, duty, speed, 50
			return h.after(t, seconds)
		}
		before, after := at(cool), at(hot)
		for i := range before {
			require.GreaterOrEqual(t, after[i], before[i]-1e-3, "state %d", i)
		}
	})
}

// doubleResistances doubles each thermal resistance from part to part that stands in a boat file.
func doubleResistances(b *boat.Boat) {
	double := func(v *quantity.Value) {
		if v.Given {
			v.SI *= 2
		}
	}
	for i := range b.Cables {
		double(&b.Cables[i].ThermalResistance)
	}
	for i := range b.Joints {
		double(&b.Joints[i].ThermalResistance)
	}
	for _, v := range []*quantity.Value{
		&b.Battery.ThermalResistance, &b.Contactor.ThermalResistance, &b.Stage.SinkResistance, &b.Stage.CapacitorThermalResistance,
		&b.Motor.WindingToHousing, &b.Motor.HousingToAir, &b.Motor.BrushToHousing, &b.Motor.BarToCommutator, &b.Compartment.ThermalResistance,
	} {
		double(v)
	}
}

// explicit writes into a boat what its model derives, so that every thermal resistance stands in the file.
func explicit(t require.TestingT, b *boat.Boat) {
	for i := range b.Cables {
		k, err := CableHeat(&b.Cables[i])
		require.NoError(t, err)
		b.Cables[i].ThermalResistance = si(k.Resistance)
	}
	m, err := newMotor(&b.Motor)
	require.NoError(t, err)
	h := m.thermal(&b.Motor)
	b.Motor.WindingToHousing, b.Motor.HousingToAir = si(h.windingToHousing), si(h.housingToAir)
	c := &b.Contactor
	c.ThermalResistance = si(c.ThermalResistance.Or(50 / (c.Current.SI*c.Current.SI*c.Resistance.SI + c.CoilPower.SI)))
}

// steady returns the rise of each node above air and water of the same temperature, at constant heat.
func steady(t require.TestingT, m *Model, heat []float64) []float64 {
	n := m.network.Nodes()
	a := mat.NewDense(n, n, nil)
	for l := range m.network.Links() {
		from, to := m.network.Ends(thermal.Link(l))
		ends := []int{from.Index()}
		if !to.IsBoundary() {
			ends = append(ends, to.Index())
		}
		for _, i := range ends {
			for _, k := range ends {
				g := m.network.Conductance(thermal.Link(l))
				if i != k {
					g = -g
				}
				a.Set(i, k, a.At(i, k)+g)
			}
		}
	}
	b := mat.NewVecDense(n, heat)
	var x mat.VecDense
	require.NoError(t, x.SolveVec(a, b))
	return x.RawVector().Data
}

// TestDoubledResistancesDoubleTheSteadyRise changes them where a person does, in the boat file, so that no link of the
// model escapes.
func TestDoubledResistancesDoubleTheSteadyRise(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		build := func(change func(*boat.Boat)) *Model {
			b, s, err := reference.Boat(name)
			require.NoError(t, err)
			explicit(t, b)
			change(b)
			m, err := New(b, s, Conditions{Air: 300, Water: 300})
			require.NoError(t, err)
			return m
		}
		one, two := build(func(*boat.Boat) {}), build(doubleResistances)
		rapid.Check(t, func(t *rapid.T) {
			heat := rapid.SliceOfN(rapid.Float64Range(0, 500), one.network.Nodes(), one.network.Nodes()).Draw(t, "heat")
			before, after := steady(t, one, heat), steady(t, two, heat)
			for i := range before {
				require.InDelta(t, 2*before[i], after[i], 1e-9*(1+before[i]), "%s", one.network.NodeName(i))
			}
		})
	}
}

// CheckRises compares the steady rises of a model at constant heat with those that follow by hand from the boat file:
// heat times resistance, one resistance after the other on the way to the outside.
func CheckRises(t require.TestingT, m *Model, b *boat.Boat) {
	explicit(t, b)
	n := m.network.Nodes()
	heat := make([]float64, n)
	for i := range heat {
		heat[i] = 10 + float64(i)
	}
	rise := steady(t, m, heat)
	at := map[string]int{}
	all := 0.0
	for i := range n {
		at[m.network.NodeName(i)] = i
		all += heat[i]
	}
	compartment := all * b.Compartment.ThermalResistance.SI // petrel and bracken have everything in the compartment
	require.InDelta(t, compartment, rise[at["compartment air"]], 1e-9*compartment, "compartment air")
	above := func(name, place string, expected float64) {
		require.InDelta(t, expected, rise[at[name]]-rise[at[place]], 1e-9*(1+rise[at[name]]), "%s above %s", name, place)
	}
	own := func(name string, resistance float64) { above(name, "compartment air", heat[at[name]]*resistance) }
	own("battery", b.Battery.ThermalResistance.SI)
	own("heat sink", b.Stage.SinkResistance.SI)
	own("link capacitor", b.Stage.CapacitorThermalResistance.SI)
	own("contactor", b.Contactor.ThermalResistance.SI)
	for i := range b.Cables {
		own(b.Cables[i].Name, b.Cables[i].ThermalResistance.SI)
	}
	for i := range b.Joints {
		own(b.Joints[i].Name, b.Joints[i].ThermalResistance.SI)
	}
	bars, commutator, winding := heat[at["commutator bars"]], heat[at["commutator"]], heat[at["winding"]]
	above("commutator bars", "commutator", bars*b.Motor.BarToCommutator.SI)
	above("commutator", "motor housing", (bars+commutator)*b.Motor.BrushToHousing.SI)
	above("winding", "motor housing", winding*b.Motor.WindingToHousing.SI)
	above("motor housing", "compartment air", (bars+commutator+winding+heat[at["motor housing"]])*b.Motor.HousingToAir.SI)
}

func TestSteadyRisesFollowFromTheBoatFile(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		b, s, err := reference.Boat(name)
		require.NoError(t, err)
		m, err := New(b, s, Conditions{Air: 300, Water: 300})
		require.NoError(t, err)
		CheckRises(t, m, b)
	}
}

// TestRatedMotorReachesItsClassRise: at rated current and speed in air of 40 °C the winding comes to the rise that
// IEC 60034-1 allows its class by resistance: 105 K for F, 125 K for H.
func TestRatedMotorReachesItsClassRise(t *testing.T) {
	for name, class := range map[string]float64{"petrel": 105, "bracken": 125} {
		b, _, err := reference.Boat(name)
		require.NoError(t, err)
		b.Motor.Cooling = "air"
		b.Motor.BrushHeatCapacity, b.Motor.BarHeatCapacity = si(1), si(1)
		h := newHeated(t, b, Conditions{Air: 313.15, Water: 313.15})
		h.motor, h.speed, h.duty, h.volts = b.Motor.RatedCurrent.SI, b.Motor.RatedSpeed.SI, 1, 50
		h.run.stage.frequency = 1e9 // no ripple
		y := h.after(t, 1e6)
		assert.InDelta(t, class, y[h.run.nodes.winding]-313.15, 0.5, name)
	}
}

// TestAWindingThatOutrunsItsCoolingGivesATime: where α·P20·Rth ≥ 1 there is no steady state. The winding of a motor
// whose housing stays cool then follows C·dT/dt = P20·(1 + α·(T − T20)) − (T − Th)/R, which is solved by hand.
func TestAWindingThatOutrunsItsCoolingGivesATime(t *testing.T) {
	b, _, err := reference.Boat("petrel")
	require.NoError(t, err)
	const R, C, alpha, amps = 2.0, 2000.0, 0.00393, 140.0
	b.Motor.WindingToHousing, b.Motor.WindingHeatCapacity = si(R), si(C)
	b.Motor.HousingHeatCapacity, b.Motor.HousingToAir, b.Motor.Cooling = si(1e9), si(1e-6), "air"
	h := newHeated(t, b, Conditions{Air: 293.15, Water: 293.15})
	h.motor, h.speed, h.duty, h.volts = amps, 100, 1, 50
	h.run.stage.frequency = 1e9
	P := b.Motor.Resistance.SI * amps * amps
	require.Greater(t, alpha*P*R, 1.0, "the loop gain that this test is about")
	// From T20 with the housing at T20: rise = P·R/(α·P·R − 1)·(e^(λt) − 1), λ = (α·P − 1/R)/C.
	lambda := (alpha*P - 1/R) / C
	const rise = 135 // to 155 °C
	seconds := math.Log(1+rise*(alpha*P*R-1)/(P*R)) / lambda
	y := h.after(t, seconds)
	assert.InDelta(t, rise, y[h.run.nodes.winding]-293.15, 0.05)
	assert.Greater(t, h.after(t, 10*seconds)[h.run.nodes.winding]-293.15, 10.0*rise, "it runs away: no steady state, and no error either")
}

// held is a run whose shaft and hull keep their speed. (It does not embed the run, whose own Jacobian would be wrong.)
type held struct{ run *Run }

func (h held) Dim() int { return h.run.Dim() }

func (h held) Derivatives(t float64, y, dy []float64) {
	h.run.Derivatives(t, y, dy)
	dy[h.run.layout.speed], dy[h.run.layout.boat] = 0, 0
}

// TestAHigherLimitNeverCoolsTheWinding: at fixed speed, with no device, derating or duty ceiling acting.
func TestAHigherLimitNeverCoolsTheWinding(t *testing.T) {
	drawn, compared := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		drawn++
		name := rapid.SampledFrom([]string{"petrel", "bracken"}).Draw(t, "boat")
		low := rapid.Float64Range(10, 200).Draw(t, "limit")
		high := low + rapid.Float64Range(0, 50).Draw(t, "higher by")
		speed, minutes := rapid.Float64Range(0, 150).Draw(t, "speed"), rapid.Float64Range(0.1, 5).Draw(t, "minutes")
		peak := func(limit float64) (kelvin float64, free bool) {
			b, s, err := reference.Boat(name)
			require.NoError(t, err)
			s.Limits.MotorCurrent, s.Limits.BatteryCurrent = limit, 2000
			s.Derating.StageStart, s.Derating.StageEnd, s.Derating.MotorSensor = 900, 1000, "none"
			s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = 3, 2, 1
			m, err := New(b, s, Conditions{Air: 298.15, Water: 288.15})
			require.NoError(t, err)
			r := m.NewRun(func(float64) float64 { return 1 })
			nan := math.NaN()
			y := r.Begin(Start{Charge: 0.9, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
			r.Mode.Released = true
			y[r.layout.control+control.Demand], y[r.layout.speed] = 1, speed
			free = true
			var in ode.Integrator
			_, err = in.Solve(context.Background(), ode.Problem{System: held{r}, T1: 60 * minutes, Y0: y, Observe: func(st *ode.Step) error {
				p := r.Point(st.T1, st.Y1)
				free = free && !p.DutyLimited && !p.BatteryLimited && p.Command.Deratings.Driving == 1
				kelvin = max(kelvin, st.Y1[r.layout.nodes+r.nodes.winding])
				return nil
			}}, ode.Options{RelTol: 1e-6, AbsTol: m.Tolerances(1e-6)})
			require.NoError(t, err)
			return kelvin, free
		}
		before, free := peak(low)
		after, still := peak(high)
		if !free || !still {
			return
		}
		compared++
		require.GreaterOrEqual(t, after, before-1e-3)
	})
	assert.Greater(t, 5*compared, drawn, "too few draws in which nothing else acted")
}

// TestAColdSinkCoolsNoCapacitor: a record whose thermometer read a water-cooled heat sink, 15 °C in a compartment of 25 °C, had the link capacitor begin at 15 °C too,
// and told it 10 K too cool to the end. A sink warmer than the air has warmed it.
func TestAColdSinkCoolsNoCapacitor(t *testing.T) {
	b, s, err := reference.Boat("petrel")
	require.NoError(t, err)
	b.Stage.Cooling = "water"
	m, err := New(b, s, Conditions{Air: 298.15, Water: 288.15})
	require.NoError(t, err)
	r := m.NewRun(func(float64) float64 { return 1 })
	nan := math.NaN()
	for sink, begins := range map[float64]float64{nan: 298.15, 288.15: 298.15, 330: 330} {
		y := r.Begin(Start{Charge: 0.9, Winding: nan, Housing: nan, Sink: sink, Battery: nan, Cables: nan, Air: nan})
		assert.Equal(t, begins, y[r.layout.nodes+r.nodes.capacitor], "sink at %g K", sink)
	}
}
