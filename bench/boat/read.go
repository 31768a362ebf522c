package boat

import (
	"fmt"
	"strconv"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// Read reads a boat file. The error is datafile.Problems: everything wrong with the file, each with file:line:column.
// The Source is returned in any case, so that a caller can place what it finds itself.
func Read(name string, data []byte) (*Boat, *datafile.Source, error) {
	b := new(Boat)
	source, err := datafile.Decode(name, data, b)
	if err != nil { // checks across keys would only repeat what is missing
		return b, source, err
	}
	c := checker{b, source}
	c.capacity()
	c.parts()
	if b.Propeller.Kind == "measured point" {
		b.Propeller.takenWith()
	}
	c.tolerances()
	b.noteFilled()
	c.management()
	b.origins = map[string]string{}
	for _, v := range source.Stated() {
		b.origins[v.Key] = v.Origin
	}
	if origin, ok := b.origins["battery.polarisation"]; ok {
		b.origins["battery.polarisation.time"] = origin
	}
	if b.Battery.Energy.Given { // capacity follows from it
		b.origins["battery.capacity"] = b.origins["battery.energy"]
	}
	return b, source, source.Err()
}

// Contradiction returns the first of what single keys of a boat cannot show: orders, contradictions, and data that must be there in one
// form or another. A boat that was read has none; one of which values were changed may.
func (b *Boat) Contradiction() error {
	first := firstProblem{boat: b}
	c := checker{b, &first}
	c.parts()
	c.management()
	return first.err
}

// firstProblem keeps the first problem of a boat that stands in no file.
type firstProblem struct {
	boat *Boat
	err  error
}

func (p *firstProblem) Problem(key string, format string, args ...any) {
	if p.err == nil {
		p.err = fmt.Errorf("%s: %w", p.boat.KeyName(key), fmt.Errorf(format, args...)) // by the part's name, as a person writes it
	}
}

// checker finds contradictions, and says at which key.
type checker struct {
	*Boat
	reporter
}

type reporter interface {
	Problem(key string, format string, args ...any)
}

// parts checks all but what Read works out.
func (c checker) parts() {
	c.battery()
	c.path()
	c.stageAndMotor()
	c.water()
}

// capacity checks how the bank's is stated, and works it out where its energy is.
func (c checker) capacity() {
	b := &c.Battery
	switch {
	case b.Capacity.Given && b.Energy.Given:
		c.Problem("battery.energy", "capacity and energy contradict each other; keep the one on the label")
	case b.Energy.Given:
		b.Capacity = b.capacityByEnergy()
	case !b.Capacity.Given:
		c.Problem("battery", "give capacity, for example \"200 A·h\", or energy, for example \"10 kW·h\"")
	}
}

func (c checker) battery() {
	b := &c.Battery
	c.rising("battery.ocv", b.OCV, "state of charge")
	for i := 1; i < len(b.OCV); i++ {
		if b.OCV[i][0] > b.OCV[i-1][0] && b.OCV[i][1] < b.OCV[i-1][1] {
			c.Problem(element("battery.ocv", i), "the open-circuit voltage falls here, from %.4g V to %.4g V, while the state of charge rises; put the rows in order", b.OCV[i-1][1], b.OCV[i][1])
		}
	}
	if n := len(b.OCV); n > 0 && (n < 3 || b.OCV[0][0] != 0 || b.OCV[n-1][0] != 1) {
		c.Problem("battery.ocv", "needs three rows or more, from 0 %% to 100 %%")
	}
	if len(b.Polarisation) > 2 {
		c.Problem(element("battery.polarisation", 2), "one or two pairs are enough for a battery; join the slow ones")
	}
	if b.CellLowest.Given && b.CellHighest.Given && b.CellLowest.SI >= b.CellHighest.SI {
		c.Problem("battery.cell_lowest", "the lowest cell voltage, %.4g V, is not below the highest, %.4g V", b.CellLowest.SI, b.CellHighest.SI)
	}
}

func (c checker) management() {
	if m := c.Battery.Management; m != nil && m.CellLow.SI >= m.CellHigh.SI {
		c.Problem("battery.management.cell_low", "management's lower cell voltage, %.4g V, is not below its upper, %.4g V", m.CellLow.SI, m.CellHigh.SI)
	}
}

// Cell is what one cell of a chemistry is taken for where the boat file does not say, V.
type Cell struct {
	Nominal float64 // from which labels state energies
	Full    float64 // the highest, at the end of a charge
	Lowest  float64 // what it bears under load
	Rest    float64 // half full and without a current
}

// cells are common practice, no source.
var cells = map[string]Cell{
	"LFP":               {Nominal: 3.2, Full: 3.65, Lowest: 2.5, Rest: 3.3},
	"NMC":               {Nominal: 3.65, Full: 4.2, Lowest: 3.0, Rest: 3.7},
	"flooded lead-acid": {Nominal: 2, Full: 2.45, Lowest: 1.6, Rest: 2.04},
	"AGM lead-acid":     {Nominal: 2, Full: 2.45, Lowest: 1.6, Rest: 2.05},
}

// Cell returns what one cell of the bank's chemistry is taken for.
func (b *Battery) Cell() Cell { return cells[b.Chemistry] }

// capacityByEnergy returns the capacity that the rated energy means, with its tolerance and provenance.
func (b *Battery) capacityByEnergy() quantity.Value {
	c := b.Energy
	volts := float64(b.Cells) * b.Cell().Nominal
	c.SI /= volts
	c.Tolerance /= volts
	return c
}

func (c checker) path() {
	names := map[string]string{}
	named := func(key, name string) {
		if first, taken := names[name]; taken {
			c.Problem(key, "the name %q is taken by %s; the verdict table needs different ones", name, first)
		}
		names[name] = key
	}
	for i := range c.Cables {
		k, key := &c.Cables[i], element("cable", i)
		named(key+".name", k.Name)
		if !k.Ampacity.Given && !k.ThermalResistance.Given {
			c.Problem(key, "give ampacity, for example \"250 A\", or thermal_resistance, so that its heating can be reckoned")
		}
		if k.Ampacity.Given && k.RatedTemperature.SI <= k.AmpacityAt.SI {
			c.Problem(key+".rated_temperature", "is not above ampacity_at, so the ampacity means nothing")
		}
	}
	for i := range c.Joints {
		named(element("joint", i)+".name", c.Joints[i].Name)
	}
	c.fuse()
}

func (c checker) fuse() {
	f := &c.Fuse
	given := len(f.Fastest) > 0
	switch {
	case f.Class == "" && !given:
		c.Problem("fuse", "give class, for example \"gG\", or the points of its curve as fastest (and slowest)")
	case f.Class != "" && given:
		c.Problem("fuse.class", "class and fastest contradict each other; keep the points if you have them")
	case f.Class != "":
		for _, own := range []struct {
			key   string
			given bool
		}{{"slowest", len(f.Slowest) > 0}, {"carries", f.Carries.Given}, {"melts", f.Melts.Given}, {"melting_i2t", f.MeltingI2t.Given}} {
			if own.given {
				c.Problem("fuse."+own.key, "a fuse of a class has the curves of the class, and this would not be used: leave it out, or give the maker's curve as fastest (and slowest) in place of class")
			}
		}
	}
	for key, table := range map[string]datafile.Table{"fuse.fastest": f.Fastest, "fuse.slowest": f.Slowest} {
		if n := len(table); n == 1 {
			c.Problem(key, "needs two points or more")
		}
		c.rising(key, table, "current")
		for i := 1; i < len(table); i++ {
			if table[i][1] >= table[i-1][1] {
				c.Problem(element(key, i), "the time does not fall here, from %.4g s at %.4g A to %.4g s at %.4g A; a fuse melts sooner at more current", table[i-1][1], table[i-1][0], table[i][1], table[i][0])
			}
		}
	}
}

func (c checker) stageAndMotor() {
	m := &c.Motor
	series := m.Kind == "series-wound"
	switch {
	case series && len(m.Magnetisation) < 2:
		c.Problem("motor", "a series-wound motor needs magnetisation, two rows or more: current and induced voltage per speed")
	case series && m.Constant.Given:
		c.Problem("motor.constant", "a series-wound motor has no constant: its flux follows the current; give magnetisation")
	case !series && len(m.Magnetisation) > 0:
		c.Problem("motor.magnetisation", "only a series-wound motor has a magnetisation curve; give constant")
	case !series && !m.Constant.Given:
		c.Problem("motor", "give constant, for example \"0.13 V·s/rad\"")
	}
	if !series && m.Magnets == "none" && !m.MagnetPerKelvin.Given {
		c.Problem("motor.magnets", "a %s motor has magnets: write ferrite or NdFeB, or leave the line out; of another material give magnet_per_kelvin too", m.Kind)
	}
	c.rising("motor.magnetisation", m.Magnetisation, "current")
	for i := 1; i < len(m.Magnetisation); i++ {
		if m.Magnetisation[i][1] < m.Magnetisation[i-1][1] {
			c.Problem(element("motor.magnetisation", i), "the flux falls here while the current rises")
		}
	}
	if series && len(m.Magnetisation) > 0 && m.Magnetisation[0][0] != 0 {
		c.Problem("motor.magnetisation", "must begin at 0 A: the flux that remains without current")
	}
	if !m.Mass.Given && !(m.WindingHeatCapacity.Given && m.HousingHeatCapacity.Given) {
		c.Problem("motor", "give mass, for example \"22 kg\", or both winding_heat_capacity and housing_heat_capacity")
	}
}

func (c checker) water() {
	p, h := &c.Propeller, &c.Hull
	need := func(key string, given bool, example string) {
		if !given {
			c.Problem("propeller", "%s needs %s, for example %s", p.Kind, key, example)
		}
	}
	switch p.Kind {
	case "measured point":
		need("measured_speed", p.MeasuredSpeed.Given, "\"900 rpm\"")
		need("measured_torque or measured_power", p.MeasuredTorque.Given || p.MeasuredPower.Given, "\"2.4 kW\"")
		need("measured_boat_speed", p.MeasuredBoatSpeed.Given, "\"2.6 m/s\", or \"0 m/s\" when moored")
		if p.MeasuredTorque.Given && p.MeasuredPower.Given {
			c.Problem("propeller.measured_torque", "measured_torque and measured_power say the same; keep the one that was measured")
		}
		if p.MeasuredPitch.Given {
			need("pitch of the propeller fitted now, beside measured_pitch", p.Pitch.Given, "\"0.26 m\"")
		}
	case "open water":
		need("open_water", len(p.OpenWater) >= 2, "[[\"0\", \"0.35\", \"0.045\"], [\"0.6\", \"0.1\", \"0.02\"]]")
	case "B-series":
		need("pitch", p.Pitch.Given, "\"0.26 m\"")
	}
	c.rising("propeller.open_water", p.OpenWater, "advance ratio")
	if len(h.SpeedPower) > 0 && len(h.Resistance) > 0 {
		c.Problem("hull.resistance", "speed_power and resistance contradict each other; keep the one that was measured")
	}
	c.rising("hull.speed_power", h.SpeedPower, "speed")
	c.rising("hull.resistance", h.Resistance, "speed")
}

// rising reports each row whose first column does not rise.
func (c checker) rising(key string, table datafile.Table, what string) {
	for i := 1; i < len(table); i++ {
		if table[i][0] <= table[i-1][0] {
			c.Problem(element(key, i), "the rows are out of order: the %s must rise from row to row", what)
		}
	}
}

func element(key string, i int) string { return key + "[" + strconv.Itoa(i) + "]" }
