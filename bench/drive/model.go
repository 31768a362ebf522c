package drive

import (
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
)

// Conditions are the weather and the load of a run. Temperatures in kelvin.
type Conditions struct {
	Air, Water   float64
	Moored       bool
	Charging     bool
	Uncharged    bool // the link capacitor starts empty (electrical only)
	Electrical   bool // motor, cable and link capacitor currents are states, not algebra
	Load         Load
	LoadFactor   float64 // fouled: torque over the clean propeller's
	WaterDensity float64 // kg/m³; 0: 1025
}

// Load is what the propeller meets.
type Load int

const (
	Normal Load = iota
	Fouled
	Dry
	Locked
	Ventilated
)

// Model is one boat with one set of settings.
type Model struct {
	Law      *control.Law
	Switches []control.Switch
	Parts    []Part

	// Sea, if not nil, is a factor on thrust and torque of the propeller over time: waves, wind and weed, for experiments.
	Sea func(t float64) float64

	boat       *boat.Boat
	conditions Conditions

	battery battery
	motor   motor
	stage   stage
	network *thermal.Network
	fuse    thermal.FuseModel
	slow    thermal.FuseModel
	screw   hydro.Propeller
	hull    hydro.Hull
	normal  hydro.Condition
	loaded  hydro.Condition
	water   float64

	gear       float64 // motor turns per propeller turn
	efficiency float64
	inertia    float64 // at the motor
	seal       float64

	conductors []conductor
	fuseR      float64 // Ω
	fusePlace  bool    // in the compartment
	pathL      float64 // H of the battery circuit
	motorL     float64 // H of the motor circuit

	layout   layout
	nodes    nodes
	links    links
	linkEnds []linkEnd   // of every link of the network
	around   map[int]int // the boundary around each node that lies outside the compartment

	tree   []branch // the network's nodes, each behind the one that it is cooled by
	choice choice

	turning                []int   // nodes that the shaft's speed heats
	pathOhms, loopOhms     float64 // of the conductors of both circuits at 20 °C, Ω
	pathSlopes, loopSlopes []warming

	rungs                       [2][]rung // of the ladders of switch and freewheel path
	elementDrives, elementRates []float64 // of the fuse's element, 1/s
}

// linkEnd is a link of the network; to is −1 for a boundary.
type linkEnd struct {
	from, to    int
	conductance float64 // W/K at scale 1
}

// conductor is anything whose resistance carries battery or motor current and heats its own node.
type conductor struct {
	name   string
	node   int
	r      float64 // Ω at 20 °C
	copper bool    // its resistance rises as copper's
	motor  bool    // it carries motor current
}

// layout says where each state is. −1: not a state of this run.
type layout struct {
	charge, lag, pair         int
	speed, boat, distance     int
	control                   int
	battery, heat, shaft, abs int // integrals, J
	fuse                      int
	switching, freewheel      int // Foster stages
	nodes                     int
	motorCurrent, path, link  int // electrical
	size                      int
}

// nodes are the thermal nodes, as indices into the network.
type nodes struct {
	battery, contactor, sink, capacitor        int
	winding, housing, commutator, hotspot, air int
}

// links are the thermal links that scale while running.
type links struct {
	housing, sink, compartment thermal.Link
}

// boundaries of the network, in order.
const (
	airBoundary = iota
	waterBoundary
)

// New builds the model of a boat that package boat has found sound. Errors name what the file must change.
func New(b *boat.Boat, s settings.Set, c Conditions) (*Model, error) { return new(Fits).New(b, s, c) }

// New returns the model as the function New does, and takes over fits that are known already.
func (f *Fits) New(b *boat.Boat, s settings.Set, c Conditions) (*Model, error) {
	m := &Model{boat: b, conditions: c, Law: control.New(s), water: c.WaterDensity}
	m.Switches = m.Law.Switches()
	if m.water == 0 {
		m.water = 1025
	}
	var err error
	if m.battery, err = newBattery(&b.Battery); err != nil {
		return nil, fmt.Errorf("battery: %w", err)
	}
	if m.motor, err = newMotor(&b.Motor); err != nil {
		return nil, fmt.Errorf("motor: %w", err)
	}
	m.stage = newStage(&b.Stage, b.Contactor.CoilPower.SI)
	if m.fuse, m.slow, err = FuseCurves(&b.Fuse); err != nil {
		return nil, fmt.Errorf("fuse: %w", err)
	}
	m.fuseR = b.Fuse.Resistance.Or(anyFuse(&b.Fuse))
	m.fusePlace = b.Fuse.Place == "compartment"
	if err := m.heat(); err != nil {
		return nil, err
	}
	m.mechanics()
	if m.hull, m.screw, err = f.water(b, m.water); err != nil {
		return nil, err
	}
	switch c.Load {
	case Fouled:
		m.loaded.Fouling = c.LoadFactor - 1
	case Dry:
		m.loaded.Dry = true
	case Ventilated:
		m.loaded.Ventilation = 0.7
	}
	m.arrange()
	m.choose()
	m.listParts()
	return m, nil
}

func (m *Model) mechanics() {
	b := m.boat
	m.gear = b.Shaft.GearRatio.SI
	m.efficiency = b.Shaft.GearEfficiency.SI
	m.inertia = b.Motor.Inertia.SI + b.Shaft.Inertia.SI/(m.gear*m.gear)
	m.seal = b.Shaft.SealFriction.SI * (1 + b.Shaft.SealFrictionPerKelvin.SI*max(0, copperReference-m.conditions.Water))
}

// heat builds the one network of everything that heats.
func (m *Model) heat() error {
	b := m.boat
	var n thermal.Builder
	air := n.AddBoundary("air")
	water := n.AddBoundary("water")
	compartment := n.AddNode("compartment air", b.Compartment.HeatCapacity.SI)
	m.nodes.air = compartment.Index()
	m.links.compartment = n.Connect(compartment, air, b.Compartment.ThermalResistance.SI)
	place := func(name string) thermal.Place {
		switch name {
		case "air":
			return air
		case "water":
			return water
		}
		return compartment
	}
	m.around = map[int]int{}
	node := func(name string, capacity float64, to thermal.Place, resistance float64) (int, thermal.Link) {
		p := n.AddNode(name, capacity)
		switch to {
		case air:
			m.around[p.Index()] = airBoundary
		case water:
			m.around[p.Index()] = waterBoundary
		}
		return p.Index(), n.Connect(p, to, resistance)
	}
	m.nodes.battery, _ = node("battery", m.battery.heat, place(b.Battery.Place), b.Battery.ThermalResistance.SI)

	for i := range b.Cables {
		c := &b.Cables[i]
		k, err := CableHeat(c)
		if err != nil {
			return fmt.Errorf("%s: %w", c.Name, err)
		}
		at, _ := node(c.Name, k.Capacity, place(c.Place), k.Resistance)
		m.conductors = append(m.conductors, conductor{name: c.Name, node: at, r: k.Ohms, copper: true, motor: c.Circuit == "motor"})
		if c.Circuit == "motor" {
			m.motorL += k.Inductance
		} else {
			m.pathL += k.Inductance
		}
	}
	for i := range b.Joints {
		j := &b.Joints[i]
		at, _ := node(j.Name, j.HeatCapacity.SI, place(j.Place), j.ThermalResistance.SI)
		m.conductors = append(m.conductors, conductor{name: j.Name, node: at, r: j.Resistance.SI, motor: j.Circuit == "motor"})
	}
	c := &b.Contactor
	m.nodes.contactor, _ = node("contactor", c.HeatCapacity.SI, place(c.Place), c.ThermalResistance.Or(anyContactor(c)))
	m.conductors = append(m.conductors, conductor{name: "contactor", node: m.nodes.contactor, r: c.Resistance.SI})

	s := &b.Stage
	sinkAir := place(s.Cooling)
	m.nodes.sink, m.links.sink = node("heat sink", s.SinkHeatCapacity.SI, sinkAir, s.SinkResistance.SI)
	m.nodes.capacitor, _ = node("link capacitor", s.CapacitorHeatCapacity.SI, compartment, s.CapacitorThermalResistance.SI)

	h := m.motor.thermal(&b.Motor)
	housing := n.AddNode("motor housing", h.housingCapacity)
	m.links.housing = n.Connect(housing, place(b.Motor.Cooling), h.housingToAir)
	winding := n.AddNode("winding", h.windingCapacity)
	n.Connect(winding, housing, h.windingToHousing)
	m.nodes.winding, m.nodes.housing = winding.Index(), housing.Index()
	switch b.Motor.Cooling {
	case "air":
		m.around[m.nodes.housing] = airBoundary
	case "water":
		m.around[m.nodes.housing] = waterBoundary
	}
	m.nodes.commutator, m.nodes.hotspot = -1, -1
	if m.motor.brushless { // the phase that carries most at standstill; a third of the copper
		spot := n.AddNode("hottest phase", h.windingCapacity/3)
		n.Connect(spot, housing, 3*h.windingToHousing)
		m.nodes.hotspot = spot.Index()
	} else {
		commutator := n.AddNode("commutator", h.brushCapacity)
		n.Connect(commutator, housing, h.brushToHousing)
		bars := n.AddNode("commutator bars", h.barCapacity)
		n.Connect(bars, commutator, h.barToCommutator)
		m.nodes.commutator, m.nodes.hotspot = commutator.Index(), bars.Index()
	}
	var err error
	if m.network, err = n.Build(); err != nil {
		return err
	}
	m.linkEnds = make([]linkEnd, 0, m.network.Links())
	for i := range m.network.Links() {
		from, to := m.network.Ends(thermal.Link(i))
		end := linkEnd{from: from.Index(), to: -1, conductance: m.network.Conductance(thermal.Link(i))}
		if !to.IsBoundary() {
			end.to = to.Index()
		}
		m.linkEnds = append(m.linkEnds, end)
	}
	m.grow()
	return nil
}

// arrange assigns each state its place in the state vector.
func (m *Model) arrange() {
	at := 0
	take := func(n int) int { at += n; return at - n }
	l := &m.layout
	l.charge, l.lag, l.pair = take(1), take(lags), take(2)
	l.speed, l.boat, l.distance = take(1), take(1), take(1)
	l.control = take(control.States)
	l.battery, l.heat, l.shaft, l.abs = take(1), take(1), take(1), take(1)
	l.fuse = take(m.fuse.States())
	l.switching, l.freewheel = take(len(m.stage.foster[0])), take(len(m.stage.foster[1]))
	l.nodes = take(m.network.Nodes())
	l.motorCurrent, l.path, l.link = -1, -1, -1
	if m.conditions.Electrical {
		l.motorCurrent, l.path, l.link = take(1), take(1), take(1)
	}
	l.size = at
}

// Tolerances returns the absolute errors per step that do not matter for a verdict, in the order of the states: those for 1e-5
// keep temperatures within 0.02 K and events within 50 ms in every built-in trial (a test of package simulate measures it).
// Charge and polarisation are held closer than that asks: an empty battery's voltage creeps to its threshold for hours.
func (m *Model) Tolerances(rel float64) []float64 {
	scale := rel / 1e-5
	tol := make([]float64, m.layout.size)
	set := func(at, n int, v float64) {
		for i := range n {
			tol[at+i] = v * scale
		}
	}
	l := &m.layout
	set(l.charge, 1+lags, 3e-7)
	set(l.pair, 2, 5e-5)
	set(l.speed, 1, 0.03)
	set(l.boat, 1, 1e-3)
	set(l.distance, 1, 1)
	set(l.control, control.States, 1e-3)
	set(l.control+control.Demand, 1, 2e-3)
	set(l.control+control.Voltage, 1, 3e-4) // these two creep to where they switch
	set(l.control+control.BoostLeft, 1, 2e-4)
	set(l.control+control.StageSensor, 2, 1e-2)
	set(l.battery, 4, 0.5)
	set(l.fuse, m.fuse.States(), 1e-3)
	set(l.switching, len(m.stage.foster[0])+len(m.stage.foster[1]), 5e-3)
	set(l.nodes, m.network.Nodes(), 6e-3)
	set(l.nodes+m.nodes.hotspot, 1, 2e-3) // it is so small that it jumps: its errors add up where others' fade
	if l.motorCurrent >= 0 {
		set(l.motorCurrent, 2, 1e-2)
		set(l.link, 1, 1e-3)
	}
	return tol
}

// Dim returns the number of states.
func (m *Model) Dim() int { return m.layout.size }

// FuseCurves fits the fastest and the slowest curve of a fuse. It remembers the last few fits, which take milliseconds each: models, rules
// and charts of one boat ask for the same. Any number of goroutines may call it.
func FuseCurves(f *boat.Fuse) (fastest, slowest thermal.FuseModel, err error) {
	of := *f
	of.Resistance = quantity.Value{} // differs from draw to draw, and no curve hangs on it
	if k, ok := fuses.find(&of); ok {
		return k.fastest, k.slowest, k.err
	}
	k := fuseFit{of: of}
	k.of.Fastest, k.of.Slowest = own(of.Fastest), own(of.Slowest)
	k.fastest, k.slowest, k.err = fitCurves(f)
	fuses.keep(k)
	return k.fastest, k.slowest, k.err
}

func fitCurves(f *boat.Fuse) (fastest, slowest thermal.FuseModel, err error) {
	rating := f.Rating.SI
	if f.Class != "" {
		class, err := thermal.Class(f.Class)
		if err != nil {
			return fastest, slowest, err
		}
		fuse, err := class.Fuse(rating)
		return fuse.Fastest, fuse.Slowest, err
	}
	// Each curve is one edge of a band and keeps to its side: the fastest melts no later than any point, the slowest no earlier.
	const aside = 0.06 // twice what a curve through the middle of its points may miss
	curve := func(table [][]float64, edge thermal.Edge, least, i2t, arcing float64) (thermal.FuseModel, error) {
		c := thermal.FuseCurve{Rating: rating, Edge: edge, Allowed: aside, LeastMelting: least, PreArcingI2t: i2t}
		for _, row := range table {
			c.Points = append(c.Points, thermal.CurvePoint{Current: row[0], Time: max(row[1]-arcing, 1e-4)})
		}
		return thermal.FitFuse(c)
	}
	arcing := 0.0
	if f.CurveIs == "clearing" {
		arcing = f.ArcingTime.SI
	}
	if fastest, err = curve(f.Fastest, thermal.Earlier, f.Carries.SI*rating, f.MeltingI2t.SI, arcing); err != nil {
		return fastest, slowest, fmt.Errorf("fastest %w", err)
	}
	slow := f.Slowest
	if len(slow) == 0 {
		slow = f.Fastest
	}
	if slowest, err = curve(slow, thermal.Later, f.Melts.SI*rating, 0, arcing); err != nil {
		return fastest, slowest, fmt.Errorf("slowest %w", err)
	}
	// The band must not be inside out: what is taken for the slowest fuse decides what protects a cable. Where the fastest curve is
	// only continued beyond its points it denies nothing.
	first, last := f.Fastest[0], f.Fastest[len(f.Fastest)-1]
	for _, row := range slow {
		if (row[0] < first[0] || row[0] > last[0]) && (row[1] < last[1] || row[1] > first[1]) {
			continue
		}
		slack := aside + 2*thermal.Rounding(row[0]) + thermal.Rounding(row[1])
		if first := fastest.MeltCurrent(max(row[1]-arcing, 1e-4)); row[0] < (1-slack)*first {
			return fastest, slowest, fmt.Errorf("slowest curve: it melts at %.0f A within %.3g s, where the fastest needs %.0f A: are the two curves swapped?", row[0], row[1], first)
		}
	}
	return fastest, slowest, nil
}

// Cable is a cable's figures, from the file or from its section, length, class and ampacity.
type Cable struct {
	Ohms       float64 // at 20 °C
	Capacity   float64 // J/K
	Resistance float64 // K/W
	Inductance float64 // H
}

// CableHeat resolves a cable. The thermal resistance is the one that brings it to its rated temperature at its ampacity.
func CableHeat(c *boat.Cable) (Cable, error) {
	var k Cable
	perMetre, err := thermal.ConductorResistance(c.Section.SI, thermal.ConductorClass(c.ConductorClass), false)
	if err != nil && !c.Resistance.Given {
		return k, err
	}
	k.Ohms = c.Resistance.Or(perMetre * c.Length.SI)
	cable := thermal.Cable{
		Length: c.Length.SI, Section: c.Section.SI, Resistance: k.Ohms / c.Length.SI, Material: thermal.Copper(),
		Ampacity: c.Ampacity.SI, Rated: c.RatedTemperature.SI, Air: c.AmpacityAt.SI, Bundling: c.Bundling.SI,
	}
	k.Capacity = c.HeatCapacity.Or(cable.Capacity())
	k.Resistance = c.ThermalResistance.Or(cable.ThermalResistance())
	k.Inductance = c.Inductance.Or(0.7e-6 * c.Length.SI)
	if !(k.Resistance > 0) || math.IsInf(k.Resistance, 0) {
		return k, fmt.Errorf("its cooling is unknown: give ampacity or thermal_resistance")
	}
	return k, nil
}

// anyFuse returns the cold resistance of a fuse that states none, Ω: 0.1 V over its rating (common practice, no source).
func anyFuse(f *boat.Fuse) float64 { return 0.1 / f.Rating.SI }

// anyContactor returns the thermal resistance of a contactor that states none, K/W: a rise of 50 K at its rated current.
func anyContactor(c *boat.Contactor) float64 {
	return 50 / (c.Current.SI*c.Current.SI*c.Resistance.SI + c.CoilPower.SI)
}

// Water builds hull and propeller.
func Water(b *boat.Boat, density float64) (hydro.Hull, hydro.Propeller, error) {
	h := &b.Hull
	hull := hydro.Hull{
		Mass: h.Displacement.SI, AddedMass: hydro.AddedMassFraction(h.Displacement.SI, h.AddedMass.SI),
		Wake: h.Wake.SI, ThrustDeduction: h.ThrustDeduction.SI,
	}
	resistance, err := resist(h)
	if err != nil {
		return hull, nil, fmt.Errorf("hull: %w", err)
	}
	hull.Resistance = resistance
	screw, err := screw(b, hull, density)
	if err != nil {
		return hull, nil, err // it says that it is the propeller's
	}
	return hull, screw, hull.Check()
}

func resist(h *boat.Hull) (hydro.Resistance, error) {
	switch {
	case len(h.SpeedPower) > 0:
		var points []hydro.SpeedPower
		for _, row := range h.SpeedPower {
			points = append(points, hydro.SpeedPower{Speed: row[0], Power: row[1]})
		}
		return hydro.NewSpeedPower(points, h.PropulsiveEfficiency.SI)
	case len(h.Resistance) > 0:
		var rows []hydro.SpeedForce
		for _, row := range h.Resistance {
			rows = append(rows, hydro.SpeedForce{Speed: row[0], Force: row[1]})
		}
		return hydro.NewResistanceTable(rows)
	}
	return hydro.Estimate{
		Length: h.WaterlineLength.SI, Displacement: h.Displacement.SI, WettedSurface: h.WettedSurface.SI,
		Allowance: h.Allowance.SI, FormFactor: h.FormFactor.SI, Water: hydro.SeaWater(),
	}.Curve()
}

// screw returns the boat's propeller, astern as measured where the file says so.
func screw(b *boat.Boat, hull hydro.Hull, density float64) (hydro.Propeller, error) {
	s, err := described(b, hull, density)
	if share := b.Propeller.AsternShare; err == nil && share.Given {
		return s.WithAstern(share.SI)
	}
	return s, err
}

// described returns the propeller as its kind in the file describes it.
func described(b *boat.Boat, hull hydro.Hull, density float64) (*hydro.Screw, error) {
	p := &b.Propeller
	pitch := 0.0
	if p.Pitch.Given {
		pitch = p.Pitch.SI / p.Diameter.SI
	}
	switch p.Kind {
	case "open water":
		o := hydro.OpenWater{Diameter: p.Diameter.SI, PitchRatio: pitch, AreaRatio: p.AreaRatio.SI}
		for _, row := range p.OpenWater {
			o.Rows = append(o.Rows, hydro.OpenWaterRow{J: row[0], KT: row[1], KQ: row[2]})
		}
		return hydro.NewOpenWater(o)
	case "B-series":
		return hydro.NewBSeries(hydro.BSeries{Diameter: p.Diameter.SI, Blades: p.Blades, AreaRatio: p.AreaRatio.SI, PitchRatio: pitch})
	}
	v := p.MeasuredBoatSpeed.SI
	diameter, blades := p.MeasuredDiameter.Or(p.Diameter.SI), p.Blades
	if p.MeasuredBlades > 0 {
		blades = p.MeasuredBlades
	}
	fitted := pitch
	if pitch > 0 {
		pitch = p.MeasuredPitch.Or(p.Pitch.SI) / diameter
	}
	measured := hydro.Measured{
		Diameter: diameter, ShaftSpeed: p.MeasuredSpeed.SI / (2 * math.Pi), Torque: p.MeasuredTorque.SI, Power: p.MeasuredPower.SI,
		AdvanceSpeed: hull.AdvanceSpeed(v), Density: density, PitchRatio: pitch, AreaRatio: p.AreaRatio.SI, Blades: blades,
	}
	if p.Changed() {
		measured.Fitted.Diameter, measured.Fitted.PitchRatio, measured.Fitted.Blades = p.Diameter.SI, fitted, p.Blades
	}
	if v > 0 {
		measured.Thrust = hull.ThrustNeeded(v)
	}
	return hydro.NewMeasured(measured)
}
