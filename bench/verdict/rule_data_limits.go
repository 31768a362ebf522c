package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
)

// between returns a range of temperatures in °C.
func between(low, high float64) span { return span{low + 273.15, high + 273.15} }

// limitRow is a temperature of the boat file that says what something bears or where a rating holds, and where it lies.
type limitRow struct {
	key, what       string
	value           float64 // K
	stated          bool
	usual, possible span
	of              string // the kind, class, chemistry or material that the range is of
}

// cellTemperatures are what makers of cells allow in discharge, and the lowest in charge, by chemistry. From memory of data sheets:
// common practice, no source.
var cellTemperatures = map[string]struct{ usual, possible, cold, coldest span }{
	"LFP":               {between(45, 65), between(30, 80), between(-10, 10), between(-40, 25)},
	"NMC":               {between(40, 60), between(30, 80), between(-10, 10), between(-40, 25)},
	"flooded lead-acid": {between(40, 60), between(25, 75), between(-25, 10), between(-45, 25)},
	"AGM lead-acid":     {between(40, 60), between(25, 75), between(-25, 10), between(-45, 25)},
}

// limitRows returns the one table of where temperatures of the boat file lie. All ranges are from memory; beside each group stands on what
// they rest, else they are common practice, no source.
func limitRows(b *boat.Boat) (out []limitRow) {
	add := func(key, what string, value float64, stated bool, usual, possible span, of string) {
		out = append(out, limitRow{key, what, value, stated, usual, possible, of})
	}
	m, k, s := &b.Motor, &b.Battery, &b.Stage
	// IEC 60085: the class is the highest temperature at the hottest spot; IEC 60034-1 allows 10 to 15 K between it and the mean.
	if class, err := thermal.Insulation(m.Insulation); err == nil {
		T := class.Temperature
		add("motor.winding_limit", "the winding's limit", m.WindingLimit.SI, m.WindingLimit.Given, span{T - 60, T}, span{T - 120, T + 15}, "thermal class "+m.Insulation+", IEC 60085")
	}
	add("motor.housing_limit", "the motor housing's limit", m.HousingLimit.SI, true, between(60, 130), between(45, 180), "grease and seals")
	add("motor.brush_limit", "the commutator's limit", m.BrushLimit.SI, true, between(100, 200), between(70, 260), "commutators")
	// Highest use of sintered grades: NdFeB 80 °C (plain) to 230 °C (the hottest grade), Curie point 310 °C; ferrite 250 °C, 450 °C.
	switch m.MagnetMaterial() {
	case "NdFeB":
		add("motor.magnet_limit", "the magnets' limit", m.MagnetLimit.SI, m.MagnetLimit.Given, between(70, 180), between(50, 230), "NdFeB")
	default:
		add("motor.magnet_limit", "the magnets' limit", m.MagnetLimit.SI, m.MagnetLimit.Given, between(70, 250), between(50, 300), "ferrite")
	}
	cells := cellTemperatures[k.Chemistry]
	add("battery.temperature_limit", "the cells' limit in discharge", k.TemperatureLimit.SI, true, cells.usual, cells.possible, k.Chemistry)
	add("battery.charge_lowest_temperature", "the lowest temperature in charge", k.ChargeLowestTemperature.SI, k.ChargeLowestTemperature.Given, cells.cold, cells.coldest, k.Chemistry)
	if g := k.Management; g != nil {
		add("battery.management.temperature_high", "the temperature at which management opens", g.TemperatureHigh.SI, true, span{cells.usual.low, cells.usual.high + 10}, cells.possible, k.Chemistry)
	}
	// Insulation of conductors: 60 °C (PVC) to 200 °C (silicone), 260 °C (fluoropolymers). IEC 60364-5-54 annex A: 160 to 350 °C for 5 s.
	for i := range b.Cables {
		c, key := &b.Cables[i], quantity.Sentence("cable[%d].", i)
		add(key+"rated_temperature", "the rated temperature of the "+c.Name, c.RatedTemperature.SI, true, between(60, 200), between(45, 260), "insulation of cables")
		add(key+"ampacity_at", "the air for the ampacity of the "+c.Name, c.AmpacityAt.SI, c.Ampacity.Given || c.ThermalResistance.Given, between(20, 60), between(0, 90), "tables of ampacity")
		add(key+"short_circuit_temperature", "the short-circuit temperature of the "+c.Name, c.ShortCircuitTemperature.SI, c.ShortCircuitTemperature.Given,
			span{max(273.15+140, c.RatedTemperature.SI+30), 273.15 + 350}, span{max(273.15+100, c.RatedTemperature.SI), 273.15 + 365}, "insulation rated for "+written(c.RatedTemperature.SI, "°C"))
	}
	for i := range b.Joints {
		add(quantity.Sentence("joint[%d].limit", i), "the limit of the "+b.Joints[i].Name, b.Joints[i].Limit.SI, true, between(60, 130), between(50, 200), "lugs and studs")
	}
	add("fuse.curve_at", "the air of the fuse's curves", b.Fuse.CurveAt.SI, true, between(15, 40), between(-10, 70), "fuse data sheets")
	add("fuse.derating_temperature", "the fuse's temperature for derating", b.Fuse.DeratingTemperature.SI, true, between(80, 500), between(60, 1085), "elements of tin to copper")
	add("contactor.limit", "the contactor's limit", b.Contactor.Limit.SI, true, between(60, 150), between(50, 200), "terminals")
	// Silicon: 150 or 175 °C on data sheets, 200 °C the most; silicon carbide the same housings.
	add("stage.junction_limit", "the junctions' limit", s.JunctionLimit.SI, true, between(110, 175), between(90, 200), "silicon")
	add("stage.sink_limit", "the heat sink's limit", s.SinkLimit.SI, true, between(60, 110), between(45, min(150, s.JunctionLimit.SI-273.15)), "heat sinks below their junctions")
	add("stage.capacitor_limit", "the link capacitor's limit", s.CapacitorLimit.SI, true, between(70, 125), between(60, 150), "electrolytic and film capacitors")
	add("compartment.limit", "the limit of the compartment's air", b.Compartment.Limit.SI, true, between(40, 85), between(30, 110), "what stands in it")
	return out
}

// dataLimits holds the temperatures by size: a limit that nothing bears makes every verdict about its part clear.
var dataLimits = dataRule("data-limits", "limits and rated temperatures are those of what has them", func(b *boat.Boat) (out []comparison) {
	for _, r := range limitRows(b) {
		if !r.stated {
			continue
		}
		out = append(out, comparison{
			says: quantity.Sentence("%s is %s (%s)", r.what, written(r.value, "°C"), r.of), value: r.value, unit: "°C", usual: r.usual, possible: r.possible, look: r.key,
		})
	}
	return out
})

// dataCooling holds every thermal resistance of the file by size, by one measure: the body that it cools has a heat capacity, so a
// volume, so about a surface, and what passes through each square metre of it for each kelvin lies within what air, water and the
// insulation between two metals let pass.
var dataCooling = dataRule("data-cooling", "thermal resistances are those of bodies of their size", func(b *boat.Boat) (out []comparison) {
	// W/(m²·K): of smooth bodies in still air 5 to 15, with fins, fans and long leads many times that; from memory
	air := [2]span{{2, 500}, {0.2, 5000}}
	water := [2]span{{10, 10000}, {1, 100000}}
	mica := [2]span{{30, 1500}, {5, 20000}}     // commutators: mica and moulding on a shaft
	lug := [2]span{{2, 250}, {0.2, 5000}}       // with the leads that it joins
	inner := [2]span{{15, 8000}, {1.5, 100000}} // slot insulation, press fits, thin layers
	cells := [2]span{{1, 80}, {0.1, 250}}       // in still air, a stack of cells with gaps has more surface than one body of its size
	cooled := func(by string) [2]span {
		if by == "water" {
			return water
		}
		return air
	}
	judge := func(key, what string, stated bool, ohms, capacity, surface float64, in [2]span) {
		if !stated || !(capacity > 0) && surface == 0 {
			return
		}
		if surface == 0 {
			volume := capacity / 3.2e6 // J/(m³·K): copper 3.45, iron 3.6, aluminium 2.4, cells 2 to 2.5 (handbook values, from memory)
			surface = 6 * math.Cbrt(volume*volume)
		}
		h := 1 / (ohms * surface)
		out = append(out, comparison{
			says: quantity.Sentence("the thermal resistance of the %s, %s, over the surface of a body of its size, about %s, is a cooling by %.3g W/(m²·K)",
				what, written(ohms, "K/W"), written(surface, "m²"), h),
			value: h, usual: in[0], possible: in[1], look: key,
		})
	}
	m, s := &b.Motor, &b.Stage
	winding := m.WindingHeatCapacity.Or(0.15 * 385 * m.Mass.SI)
	housing := m.HousingHeatCapacity.Or(0.85 * 460 * m.Mass.SI)
	commutator := m.BrushHeatCapacity.Or(0.015 * 385 * m.Mass.SI)
	judge("motor.winding_to_housing, motor.winding_heat_capacity", "winding to the housing", m.WindingToHousing.Given, m.WindingToHousing.SI, winding, 0, inner)
	judge("motor.housing_to_air, motor.housing_heat_capacity", "motor housing", m.HousingToAir.Given, m.HousingToAir.SI, housing, 0, cooled(m.Cooling))
	judge("motor.brush_to_housing, motor.brush_heat_capacity", "commutator to the housing", m.BrushToHousing.Given, m.BrushToHousing.SI, commutator, 0, mica)
	judge("motor.bar_to_commutator, motor.bar_heat_capacity", "bars to the rest of the commutator", m.BarToCommutator.Given, m.BarToCommutator.SI, m.BarHeatCapacity.Or(0.1*commutator), 0, inner)
	bank := b.Battery.HeatCapacity.Or(1000 * b.Battery.Mass.SI)
	if bank == 0 {
		bank = b.Battery.Capacity.SI * nominalVoltage(b) / (100 * 3600) * 1000 // about 100 W·h/kg
	}
	judge("battery.thermal_resistance, battery.heat_capacity", "battery", true, b.Battery.ThermalResistance.SI, bank, 0, cells)
	judge("contactor.thermal_resistance, contactor.heat_capacity", "contactor", b.Contactor.ThermalResistance.Given, b.Contactor.ThermalResistance.SI, b.Contactor.HeatCapacity.SI, 0, air)
	judge("stage.sink_resistance, stage.sink_heat_capacity", "heat sink", true, s.SinkResistance.SI, s.SinkHeatCapacity.SI, 0, cooled(s.Cooling))
	judge("stage.capacitor_thermal_resistance, stage.capacitor_heat_capacity", "link capacitor", true, s.CapacitorThermalResistance.SI, s.CapacitorHeatCapacity.SI, 0, air)
	for i := range b.Joints {
		j := &b.Joints[i]
		judge(quantity.Sentence("joint[%d].thermal_resistance, joint[%[1]d].heat_capacity", i), j.Name, true, j.ThermalResistance.SI, j.HeatCapacity.SI, 0, lug)
	}
	for i := range b.Cables {
		c := &b.Cables[i]
		judge(quantity.Sentence("cable[%d].thermal_resistance", i), c.Name, c.ThermalResistance.Given, c.ThermalResistance.SI, 0, c.Length.SI*1.3*math.Sqrt(4*math.Pi*c.Section.SI), air)
	}
	// Between junction and sink there is no body: what the switch's own losses make of it.
	for _, row := range []struct {
		key, what string
		foster    [][]float64
	}{{"stage.switch_heat", "switch junction", s.SwitchHeat}, {"stage.freewheel_heat", "freewheel junction", s.FreewheelHeat}} {
		ohms := 0.0
		for _, pair := range row.foster {
			ohms += pair[0]
		}
		if len(row.foster) > 0 {
			rise := ohms * s.Current.SI * s.Current.SI * s.SwitchResistance.SI
			out = append(out, comparison{
				says:  quantity.Sentence("at the controller's highest motor current, %s, the %s stands %s above the heat sink by conduction alone", written(s.Current.SI, "A"), row.what, written(rise, "K")),
				value: rise, unit: "K", usual: span{1, 90}, possible: span{0.1, 300}, look: row.key + ", stage.switch_resistance",
			})
		}
	}
	return out
})
