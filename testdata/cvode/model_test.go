package cvode

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/testdata/reference"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/interp"
)

// stretch is a piece of the trial in which the lever moves in a straight line.
type stretch struct{ end, from, to float64 }

// passage is a part's limit, passed in either direction.
type passage struct {
	part  string
	what  int // 0: temperature of a node, 1: switch junction, 2: rotor speed; see watched in c/drive.c
	node  int
	limit float64
}

// comparison is one trial with one boat, as both sides solve it.
type comparison struct {
	boat      *boat.Boat
	settings  settings.Set
	trial     *trial.Trial
	stretches []stretch
	passages  []passage
	names     []string // of the heat nodes
	capacity  []float64
	links     []link
	model     *drive.Model
	live      []int // states of the model that the C program has, in its order
	fuses     int
	fosters   int
}

type link struct {
	from, to    int // −1: the outside air
	conductance float64
}

// newComparison prepares a trial of petrel. Limits are set low, rises above the air for winding, sink and junction, so that
// parts pass them: they change nothing but what is noted.
func newComparison(t testing.TB, name string, electrical bool, duration float64, rises [3]float64) *comparison {
	b, s, err := reference.Boat("petrel")
	require.NoError(t, err)
	tr, err := trial.Builtin(name)
	require.NoError(t, err)
	tr.Electrical = tr.Electrical || electrical
	if duration > 0 {
		tr.Duration = duration
	}
	c := &comparison{boat: b, settings: s, trial: tr}
	b.Motor.WindingLimit.SI, b.Motor.WindingLimit.Given = tr.Air+rises[0], true
	b.Stage.SinkLimit.SI = tr.Air + rises[1]
	b.Stage.JunctionLimit.SI = tr.Air + rises[2]
	b.Motor.SpeedLimit.SI = 60
	c.model, err = drive.New(b, s, c.conditions())
	require.NoError(t, err)
	c.heat(t)
	c.fuses, c.fosters = len(fastest(t, b)), len(b.Stage.SwitchHeat)
	for i := range c.model.Dim() {
		if i != 1 && i != 2 && i != 12 { // the wells of a lead-acid bank and the boost never move here
			c.live = append(c.live, i)
		}
	}
	c.corners()
	c.passages = []passage{
		{"winding", 0, c.node("winding"), b.Motor.WindingLimit.SI}, {"heat sink", 0, c.node("heat sink"), b.Stage.SinkLimit.SI},
		{"switch junction", 1, 0, b.Stage.JunctionLimit.SI}, {"rotor speed", 2, 0, b.Motor.SpeedLimit.SI},
	}
	return c
}

func (c *comparison) conditions() drive.Conditions {
	return drive.Conditions{Air: c.trial.Air, Water: c.trial.Water, Electrical: c.trial.Electrical}
}

func (c *comparison) node(name string) int { return slices.Index(c.names, name) }

// corners cuts the trial where the lever begins or ends a movement and where it enters or leaves the deadband.
func (c *comparison) corners() {
	band, at := c.settings.Throttle.Deadband, 0.0
	for _, end := range append(c.trial.Corners(), c.trial.Duration) {
		if end <= at || end > c.trial.Duration {
			continue
		}
		lever := c.trial.Lever(at)
		cuts := []float64{end}
		for _, edge := range []float64{-band, band} {
			if x := at + (end-at)*(edge-lever(at))/(lever(end)-lever(at)); x > at+1e-3 && x < end-1e-3 {
				cuts = append(cuts, x)
			}
		}
		slices.Sort(cuts)
		for _, x := range cuts {
			c.stretches = append(c.stretches, stretch{x, lever(at), lever(x)})
			at = x
		}
	}
}

// heat lists nodes and links, everything in the compartment.
func (c *comparison) heat(t testing.TB) {
	b := c.boat
	node := func(name string, capacity float64, to int, resistance float64) int {
		c.names, c.capacity = append(c.names, name), append(c.capacity, capacity)
		c.links = append(c.links, link{len(c.names) - 1, to, 1 / resistance})
		return len(c.names) - 1
	}
	air := node("compartment air", b.Compartment.HeatCapacity.SI, -1, b.Compartment.ThermalResistance.SI)
	node("battery", b.Battery.HeatCapacity.SI, air, b.Battery.ThermalResistance.SI)
	for i := range b.Cables {
		k, err := drive.CableHeat(&b.Cables[i])
		require.NoError(t, err)
		node(b.Cables[i].Name, k.Capacity, air, k.Resistance)
	}
	for i := range b.Joints {
		j := &b.Joints[i]
		node(j.Name, j.HeatCapacity.SI, air, j.ThermalResistance.SI)
	}
	k := &b.Contactor
	node("contactor", k.HeatCapacity.SI, air, k.ThermalResistance.Or(50/(k.Current.SI*k.Current.SI*k.Resistance.SI+k.CoilPower.SI)))
	node("heat sink", b.Stage.SinkHeatCapacity.SI, air, b.Stage.SinkResistance.SI)
	node("link capacitor", b.Stage.CapacitorHeatCapacity.SI, air, b.Stage.CapacitorThermalResistance.SI)
	// The motor's rating: class F, a rise of 105 K over 40 °C at rated current and speed, three tenths of it in the slots.
	m := &b.Motor
	require.Equal(t, "F", m.Insulation)
	copper := m.Resistance.SI * (1 + 0.00393*(273.15+40+105-293.15)) * m.RatedCurrent.SI * m.RatedCurrent.SI
	w := m.RatedSpeed.SI
	all := copper + m.BrushDrop.SI*m.RatedCurrent.SI + (m.FrictionTorque.SI*math.Tanh(w)+m.IronTorque.SI*w+m.Windage.SI*w*w)*w
	housing := node("housing", 0.85*m.Mass.SI*460, air, 0.7*105/all)
	node("winding", 0.15*m.Mass.SI*385, housing, 0.3*105/copper)
	commutator := node("commutator", m.BrushHeatCapacity.SI, housing, m.BrushToHousing.SI)
	node("commutator bars", m.BarHeatCapacity.SI, commutator, m.BarToCommutator.SI)
}

func fastest(t testing.TB, b *boat.Boat) [][2]float64 {
	fuse, _, err := drive.FuseCurves(&b.Fuse)
	require.NoError(t, err)
	var pairs [][2]float64
	for _, s := range fuse.Element {
		pairs = append(pairs, [2]float64{s.Resistance, s.TimeConstant})
	}
	return pairs
}

// header is model.h: the numbers of the boat, the settings and the trial.
func (c *comparison) header() string {
	var out strings.Builder
	b, s := c.boat, &c.settings
	number := func(name string, v float64) { fmt.Fprintf(&out, "#define %s %.17g\n", name, v) }
	table := func(name string, rows [][]float64) {
		fmt.Fprintf(&out, "static const double %s[%d][%d] = {\n", name, len(rows), len(rows[0]))
		for _, row := range rows {
			out.WriteString("  {")
			for _, v := range row {
				fmt.Fprintf(&out, "%.17g, ", v)
			}
			out.WriteString("},\n")
		}
		out.WriteString("};\n")
	}
	whole := func(name string, v int) { fmt.Fprintf(&out, "#define %s %d\n", name, v) }
	curve := func(name string, xs, ys []float64) *interp.FritschButland {
		var f interp.FritschButland
		if err := f.Fit(xs, ys); err != nil {
			panic(err)
		}
		var rows [][]float64
		for i, x := range xs {
			rows = append(rows, []float64{x, ys[i], f.PredictDerivative(x)})
		}
		whole(name+"_COUNT", len(rows))
		table(name, rows)
		return &f
	}

	whole("ELECTRICAL", map[bool]int{true: 1}[c.trial.Electrical])
	whole("FUSES", c.fuses)
	whole("FOSTERS", c.fosters)
	whole("NODE_COUNT", len(c.names))
	for _, at := range []struct{ name, node string }{
		{"AT_AIR", "compartment air"}, {"AT_BATTERY", "battery"}, {"AT_CONTACTOR", "contactor"}, {"AT_SINK", "heat sink"},
		{"AT_CAPACITOR", "link capacitor"}, {"AT_WINDING", "winding"}, {"AT_HOUSING", "housing"}, {"AT_COMMUTATOR", "commutator"},
		{"AT_BARS", "commutator bars"},
	} {
		whole(at.name, c.node(at.node))
	}
	number("COPPER", 0.00393)
	number("AIR", c.trial.Air)

	number("CELLS", float64(b.Battery.Cells))
	number("CAPACITY", b.Battery.Capacity.SI)
	number("BANK_OHMS", b.Battery.Resistance.SI)
	number("BANK_REFERENCE", b.Battery.ResistanceAt.SI)
	number("COLDNESS", b.Battery.ResistancePerKelvin.SI)
	table("PAIRS", b.Battery.Polarisation)
	var level, volts []float64
	for _, row := range b.Battery.OCV {
		level, volts = append(level, row[0]), append(volts, row[1])
	}
	curve("OCV", level, volts)

	pathL, motorL := 0.0, 0.0
	var conductors [][]float64
	conductor := func(name string, ohms float64, copper bool, circuit string) {
		flag := map[bool]float64{true: 1}
		conductors = append(conductors, []float64{float64(c.node(name)), ohms, flag[copper], flag[circuit == "motor"]})
	}
	for i := range b.Cables {
		k, _ := drive.CableHeat(&b.Cables[i]) // heat has looked at the error
		conductor(b.Cables[i].Name, k.Ohms, true, b.Cables[i].Circuit)
		if b.Cables[i].Circuit == "motor" {
			motorL += k.Inductance
		} else {
			pathL += k.Inductance
		}
	}
	for i := range b.Joints {
		conductor(b.Joints[i].Name, b.Joints[i].Resistance.SI, false, b.Joints[i].Circuit)
	}
	conductor("contactor", b.Contactor.Resistance.SI, false, "battery")
	whole("CONDUCTORS", len(conductors))
	out.WriteString("static const struct { int node; double ohms; int copper, motor; } conductors[] = {\n")
	for _, k := range conductors {
		fmt.Fprintf(&out, "  {%g, %.17g, %g, %g},\n", k[0], k[1], k[2], k[3])
	}
	out.WriteString("};\n")
	number("PATH_L", pathL)
	number("MOTOR_CABLE_L", motorL)
	number("FUSE_OHMS", b.Fuse.Resistance.Or(0.1/b.Fuse.Rating.SI))
	number("FUSE_RATING", b.Fuse.Rating.SI)
	number("FUSE_MELTED", b.Fuse.DeratingTemperature.SI)
	number("FUSE_CURVE_AT", b.Fuse.CurveAt.SI)
	fuse, _, err := drive.FuseCurves(&b.Fuse)
	if err != nil {
		panic(err)
	}
	var element [][]float64
	for _, k := range fuse.Element {
		element = append(element, []float64{k.Resistance, k.TimeConstant})
	}
	table("ELEMENT", element)

	g := &b.Stage
	number("FREQUENCY", g.SwitchingFrequency.SI)
	number("SWITCH_OHMS", g.SwitchResistance.SI)
	number("FREE_OHMS", g.FreewheelResistance.Or(g.SwitchResistance.SI))
	number("SWITCH_RISE", g.SwitchResistanceRise.SI)
	number("SWITCHING_TIME", g.SwitchingTime.SI)
	number("HOUSEKEEPING", g.Housekeeping.SI)
	number("COIL", b.Contactor.CoilPower.SI)
	number("STANDBY", g.Housekeeping.SI+b.Contactor.CoilPower.SI)
	number("CAPACITANCE", g.Capacitance.SI)
	number("ESR", g.CapacitorESR.SI)
	number("LOOP_TIME", g.CurrentLoopTime.SI)
	table("FOSTER", g.SwitchHeat)

	m := &b.Motor
	number("CONSTANT", m.Constant.SI)
	number("MAGNETS", map[string]float64{"ferrite": -0.002, "NdFeB": -0.001}[m.Magnets])
	number("MOTOR_OHMS", m.Resistance.SI/(1+0.00393*(m.ResistanceAt.SI-293.15)))
	number("INDUCTANCE", m.Inductance.SI)
	number("BRUSH_DROP", m.BrushDrop.SI)
	number("FRICTION", m.FrictionTorque.SI)
	number("VISCOUS", m.IronTorque.SI)
	number("WINDAGE", m.Windage.SI)
	number("RATED_SPEED", m.RatedSpeed.SI)
	number("STANDSTILL", m.StandstillCooling.SI)
	h := &b.Shaft
	number("GEAR", h.GearRatio.SI)
	number("EFFICIENCY", h.GearEfficiency.SI)
	number("INERTIA", m.Inertia.SI+h.Inertia.SI/(h.GearRatio.SI*h.GearRatio.SI))
	number("SEAL", h.SealFriction.SI*(1+h.SealFrictionPerKelvin.SI*max(0, 293.15-c.trial.Water)))

	const density = 1025
	_, screw, err := drive.Water(b, density)
	if err != nil {
		panic(err)
	}
	number("WATER_DENSITY", density)
	number("DIAMETER", b.Propeller.Diameter.SI)
	number("WAKE", b.Hull.Wake.SI)
	number("DEDUCTION", b.Hull.ThrustDeduction.SI)
	number("HULL_MASS", b.Hull.Displacement.SI*(1+b.Hull.AddedMass.SI))
	const cells = 1024
	whole("STAR_COUNT", cells)
	star := make([][]float64, cells)
	for i := range star {
		va, u := math.Sincos(-math.Pi + 2*math.Pi*float64(i)/cells) // m/s, of 1 in all
		diameter := b.Propeller.Diameter.SI
		thrust, torque := screw.Loads(u/(0.7*math.Pi*diameter), va, 1)
		star[i] = []float64{thrust / (math.Pi / 8 * diameter * diameter), 0, torque / (math.Pi / 8 * diameter * diameter * diameter), 0}
	}
	for i := range star {
		at := func(k, column int) float64 { return star[(i+k+cells)%cells][column] }
		for _, column := range []int{0, 2} {
			star[i][column+1] = (8*(at(1, column)-at(-1, column)) - (at(2, column) - at(-2, column))) / 12
		}
	}
	table("STAR", star)
	speeds, k := []float64{0}, []float64{0}
	for _, row := range b.Hull.SpeedPower {
		speeds, k = append(speeds, row[0]), append(k, b.Hull.PropulsiveEfficiency.SI*row[1]/(row[0]*row[0]*row[0]))
	}
	k[0] = k[1]
	last := len(k) - 1
	slope := curve("HULL", speeds, k).PredictDerivative(speeds[last])
	number("HULL_EXPONENT", min(max(slope*speeds[last]/k[last], 0), 3))

	number("MOTOR_LIMIT", s.Limits.MotorCurrent)
	number("ASTERN_LIMIT", s.Limits.AsternCurrent)
	number("BRAKING_LIMIT", s.Limits.BrakingCurrent)
	number("BATTERY_LIMIT", s.Limits.BatteryCurrent)
	number("CHARGE_LIMIT", s.Limits.ChargeCurrent)
	number("HIGHEST_DUTY", s.Limits.Duty)
	number("RAMP_RISE", s.Ramp.Rise)
	number("RAMP_FALL", s.Ramp.Fall)
	number("RAMP_REVERSAL", s.Ramp.Reversal)
	number("DEADBAND", s.Throttle.Deadband)
	number("CURVE", s.Throttle.Curve)
	number("LEVER_FILTER", s.Throttle.FilterTime)
	number("STAGE_START", s.Derating.StageStart)
	number("STAGE_END", s.Derating.StageEnd)
	number("DERATING_FLOOR", s.Derating.Floor)
	number("TEMPERATURE_FILTER", s.Derating.FilterTime)
	number("LOW_START", s.LowVoltage.Start)
	number("LOW_END", s.LowVoltage.End)
	number("VOLTS_FILTER", s.LowVoltage.FilterTime)
	number("HIGH_START", s.HighVoltage.Start)
	number("HIGH_END", s.HighVoltage.End)
	number("STALL_CURRENT", s.Stall.Current)
	number("STALL_SPEED", s.Stall.Speed)

	list := func(name string, v []float64) {
		fmt.Fprintf(&out, "static const double %s[] = {", name)
		for _, x := range v {
			fmt.Fprintf(&out, "%.17g, ", x)
		}
		out.WriteString("};\n")
	}
	list("capacities", c.capacity)
	whole("LINKS", len(c.links))
	out.WriteString("static const struct { int from, to; double conductance; } links[] = {\n")
	for i, l := range c.links {
		fmt.Fprintf(&out, "  {%d, %d, %.17g},\n", l.from, l.to, l.conductance)
		if c.names[i] == "housing" { // a node's first link leads away from it
			whole("HOUSING_LINK", i)
		}
	}
	out.WriteString("};\n")
	y := c.begin()
	list("initial", c.shared(y))
	list("tolerances", c.shared(c.model.Tolerances(1e-5)))
	whole("STRETCHES", len(c.stretches))
	out.WriteString("static const struct { double end, from, to; } stretches[] = {\n")
	for _, x := range c.stretches {
		fmt.Fprintf(&out, "  {%.17g, %.17g, %.17g},\n", x.end, x.from, x.to)
	}
	out.WriteString("};\n")
	whole("PASSAGES", len(c.passages))
	out.WriteString("static const struct { int what, node; double limit; } passages[] = {\n")
	for _, p := range c.passages {
		fmt.Fprintf(&out, "  {%d, %d, %.17g},\n", p.what, p.node, p.limit)
	}
	out.WriteString("};\n")
	return out.String()
}

// begin is the state of the model at the start.
func (c *comparison) begin() []float64 {
	nan := math.NaN()
	r := c.model.NewRun(c.trial.Lever(0))
	return r.Begin(drive.Start{Charge: c.trial.Charge, Speed: c.trial.BoatSpeed, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
}

// shared is the C program's part of a vector over the model's states.
func (c *comparison) shared(y []float64) []float64 {
	out := make([]float64, len(c.live))
	for i, k := range c.live {
		out[i] = y[k]
	}
	return out
}

// temperatures are those of the parts, from a state of the C program.
func (c *comparison) temperatures(y []float64) []float64 {
	at := 16
	junction := [2]float64{}
	nodes := y[at+c.fuses+2*c.fosters:][:len(c.names)]
	for side := range junction {
		junction[side] = nodes[c.node("heat sink")]
		for k := range c.fosters {
			junction[side] += y[at+c.fuses+side*c.fosters+k]
		}
	}
	return append(slices.Clone(nodes), junction[:]...)
}

// ours solves the trial with simulate.Run.
func (c *comparison) ours(t testing.TB, rel float64, repeats int) solution {
	s := solution{work: work{seconds: math.Inf(1)}}
	var run *record.Run
	for range repeats {
		began := cpu()
		var err error
		run, err = simulate.Run(context.Background(), c.boat, c.settings, c.trial, simulate.Options{RelTol: rel})
		s.work.seconds = min(s.work.seconds, cpu()-began)
		require.NoError(t, err)
	}
	require.Empty(t, run.Events, "an event that the C program does not know of")
	s.work.steps, s.work.evaluations = run.Statistics.Steps, run.Statistics.Evaluations
	parts := append(slices.Clone(c.names), "switch junction", "freewheel junction")
	for i, name := range parts {
		if name == "housing" { // its part is the magnets
			parts[i] = "magnets"
		}
	}
	for _, x := range c.stretches {
		at, found := slices.BinarySearchFunc(run.Time, x.end, func(t, end float64) int {
			switch {
			case t < end-1e-9:
				return -1
			case t > end+1e-9:
				return 1
			}
			return 0
		})
		require.True(t, found, "a sample at the corner %g s", x.end)
		var corner []float64
		for _, name := range parts {
			tr, ok := run.Trace(name)
			require.True(t, ok, name)
			corner = append(corner, tr.Values[at])
		}
		s.corners = append(s.corners, corner)
	}
	for _, p := range c.passages {
		tr, ok := run.Trace(p.part)
		require.True(t, ok, p.part)
		var times []float64
		for k := 1; k < len(tr.Values); k++ {
			if (tr.Values[k-1] > p.limit) != (tr.Values[k] > p.limit) {
				times = append(times, run.Time[k])
			}
		}
		s.passages = append(s.passages, times)
	}
	return s
}
