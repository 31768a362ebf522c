package verdict

import (
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
)

// cellVoltages are the voltages of one cell by chemistry (common practice, no source): where makers set the lowest and the
// highest, and where a half-full, an empty and a full cell rest.
var cellVoltages = map[string]struct{ lowest, highest, rest, empty, full span }{
	"LFP":               {span{2, 3.2}, span{3.4, 3.8}, span{3.15, 3.4}, span{2, 3.25}, span{3.3, 3.7}},
	"NMC":               {span{2.4, 3.6}, span{3.9, 4.45}, span{3.5, 3.95}, span{2.5, 3.6}, span{3.95, 4.4}},
	"flooded lead-acid": {span{1.4, 2}, span{2.2, 2.75}, span{1.95, 2.15}, span{1.7, 2.03}, span{2.05, 2.25}},
	"AGM lead-acid":     {span{1.4, 2}, span{2.2, 2.75}, span{1.95, 2.2}, span{1.7, 2.05}, span{2.05, 2.3}},
}

var dataBattery = dataRule("data-battery", "the bank's figures are those of its chemistry and capacity", func(b *boat.Boat) (out []comparison) {
	k := &b.Battery
	known := cellVoltages[k.Chemistry]
	cell := func(what string, volts float64, usual span, look string) {
		out = append(out, comparison{
			says:  quantity.Sentence("%s of a cell is %s (%s)", what, written(volts, "V"), k.Chemistry),
			value: volts, unit: "V", usual: usual, possible: span{0.8 * usual.low, 1.15 * usual.high}, look: look,
		})
	}
	if k.CellLowest.Given {
		cell("the lowest voltage", k.CellLowest.SI, known.lowest, "battery.cell_lowest, battery.chemistry")
	}
	if k.CellHighest.Given {
		cell("the highest voltage", k.CellHighest.SI, known.highest, "battery.cell_highest, battery.chemistry")
	}
	if m := k.Management; m != nil {
		cell("management's lower voltage", m.CellLow.SI, known.lowest, "battery.management.cell_low, battery.chemistry")
		cell("management's upper voltage", m.CellHigh.SI, known.highest, "battery.management.cell_high, battery.chemistry")
		perHour := m.DischargeCurrent.SI * 3600 / k.Capacity.SI
		out = append(out, comparison{
			says:  quantity.Sentence("management's discharge limit, %s of battery current, would empty the bank in %s", written(m.DischargeCurrent.SI, "A"), written(3600/perHour, "min")),
			value: 3600 / perHour, unit: "min", usual: span{360, 36000}, possible: span{36, 360000}, look: "battery.management.discharge_current, " + bankSize(k),
		})
	}
	if n := len(k.OCV); n > 0 {
		cell("the rest voltage when empty", k.OCV[0][1], known.empty, "battery.ocv, battery.chemistry")
		cell("the rest voltage when full", k.OCV[n-1][1], known.full, "battery.ocv, battery.chemistry")
		cell("the rest voltage when half full", restVoltage(b)/float64(k.Cells), known.rest, "battery.ocv, battery.chemistry")
	}
	out = append(out, comparison{
		says:  quantity.Sentence("the bank's resistance is said to be that of cells at %s", written(k.ResistanceAt.SI, "°C")),
		value: k.ResistanceAt.SI, unit: "°C", usual: span{253.15, 333.15}, possible: span{233.15, 373.15}, look: "battery.resistance_at",
	})
	least := 0.004
	if leadAcid(b) {
		least = 0.01
	}
	sag := k.Resistance.SI * k.Capacity.SI / 3600 / nominalVoltage(b)
	out = append(out, comparison{
		says:  quantity.Sentence("at a battery current that would empty the bank in an hour, %s, its resistance takes %.4g %% of its voltage", written(k.Capacity.SI/3600, "A"), 100*sag),
		value: sag, unit: "%", usual: span{least, 0.25}, possible: span{0.0003, 1}, look: "battery.resistance, " + bankSize(k) + ", battery.cells",
	})
	var slow float64
	for _, row := range k.Polarisation {
		slow += row[0]
	}
	if len(k.Polarisation) > 0 {
		sag = slow * k.Capacity.SI / 3600 / nominalVoltage(b)
		out = append(out, comparison{
			says:  quantity.Sentence("at a battery current that would empty the bank in an hour, %s, its polarisation takes %.4g %% of its voltage", written(k.Capacity.SI/3600, "A"), 100*sag),
			value: sag, unit: "%", usual: span{0.001, 0.15}, possible: span{0, 1}, look: "battery.polarisation, " + bankSize(k) + ", battery.cells",
		})
	}
	usual := span{1, 1.1}
	if leadAcid(b) {
		usual = span{1.02, 1.4}
	}
	return append(out, comparison{
		says:  quantity.Sentence("the Peukert exponent of this %s bank is %.3g", k.Chemistry, k.Peukert.SI),
		value: k.Peukert.SI, usual: usual, possible: span{1, 1.6}, look: "battery.peukert (left out it is 1, for lithium)",
	})
})

var dataConductors = dataRule("data-conductors", "sections, lengths, resistances and ampacities fit each other", func(b *boat.Boat) (out []comparison) {
	for i := range b.Cables {
		c := &b.Cables[i]
		key := quantity.Sentence("cable[%d]", i)
		for _, by := range carriesBy(c) {
			// From memory, over what is listed: 0.5 in a wall with others (IEC 60364-5-52 method A), 0.75 in a conduit (B1), 1.07 for two
			// that touch in free air (F), 1.22 for spaced ones (G).
			listed := thermal.ListedAmperage(c.Section.SI, c.RatedTemperature.SI, c.AmpacityAt.SI)
			out = append(out, comparison{
				says: quantity.Sentence("the %s of %s %s %s of %s current, %.3g times what 33 CFR 183.425 table 5 means for insulation of %s in air of %s (%s)",
					c.Name, written(c.Section.SI, "mm²"), by.said, written(by.amps, "A"), c.Circuit, by.amps/listed, written(c.RatedTemperature.SI, "°C"), written(c.AmpacityAt.SI, "°C"), written(listed, "A")),
				value: by.amps / listed, unit: "times", usual: span{0.5, 1.15}, possible: span{0.2, 1.3}, look: key + "." + by.key + ", " + key + ".section",
			})
		}
		out = append(out, cableSizes(c, key)...)
		copper := 1.7241e-8 * c.Length.SI / c.Section.SI // IEC 60028, at 20 °C
		if c.Resistance.Given {
			out = append(out, comparison{
				says: quantity.Sentence("the resistance of the %s, %s, is %.2g times that of %s of copper of %s (IEC 60028)",
					c.Name, written(c.Resistance.SI, "mΩ"), c.Resistance.SI/copper, written(c.Length.SI, "m"), written(c.Section.SI, "mm²")),
				value: c.Resistance.SI / copper, unit: "times", usual: span{0.85, 1.4}, possible: span{0.5, 3}, look: key + ".resistance, " + key + ".length, " + key + ".section",
			})
		}
		if c.ThermalResistance.Given && c.Ampacity.Given {
			if k, err := drive.CableHeat(c); err == nil {
				amps := c.Ampacity.SI * c.Bundling.SI
				rise := amps * amps * k.Ohms * (1 + 0.00393*(c.RatedTemperature.SI-293.15)) * c.ThermalResistance.SI
				out = append(out, comparison{
					says: quantity.Sentence("at its ampacity, %s of %s current, the %s rises by %.0f K, and %.0f K bring it to its rated temperature",
						written(amps, "A"), c.Circuit, c.Name, rise, c.RatedTemperature.SI-c.AmpacityAt.SI),
					value: rise / (c.RatedTemperature.SI - c.AmpacityAt.SI), unit: "times", usual: span{0.6, 1.4}, possible: span{0.25, 3},
					look: key + ".thermal_resistance, " + key + ".ampacity, " + key + ".rated_temperature",
				})
			}
		}
		out = append(out, comparison{
			says: quantity.Sentence("the %s is %s long out and back, %.2g times the waterline", c.Name, written(c.Length.SI, "m"), c.Length.SI/b.Hull.WaterlineLength.SI),
			// a lead of a hand's length is no fault
			value: c.Length.SI / b.Hull.WaterlineLength.SI, unit: "times", usual: span{0.015, 4}, possible: span{0.0015, 30}, look: key + ".length, hull.waterline_length",
		})
	}
	for i := range b.Joints {
		j := &b.Joints[i]
		out = append(out, comparison{
			says:  quantity.Sentence("the resistance of the %s is %s", j.Name, written(j.Resistance.SI, "mΩ")),
			value: j.Resistance.SI, unit: "mΩ", usual: span{2e-6, 3e-3}, possible: span{1e-7, 0.1}, look: quantity.Sentence("joint[%d].resistance", i),
		})
	}
	drop := func(what string, amps, ohms float64, usual, possible span, look string) {
		out = append(out, comparison{
			says:  quantity.Sentence("the %s drops %s at its rated battery current, %s", what, written(amps*ohms, "V"), written(amps, "A")),
			value: amps * ohms, unit: "V", usual: usual, possible: possible, look: look,
		})
	}
	drop("contactor", b.Contactor.Current.SI, b.Contactor.Resistance.SI, span{0.005, 0.4}, span{0.0005, 3}, "contactor.resistance, contactor.current")
	if b.Fuse.Resistance.Given {
		drop("fuse", b.Fuse.Rating.SI, b.Fuse.Resistance.SI, span{0.02, 0.5}, span{0.003, 3}, "fuse.resistance, fuse.rating")
	}
	return out
})

var dataStage = dataRule("data-stage", "the controller's figures fit its current and the bank", func(b *boat.Boat) []comparison {
	s := &b.Stage
	return []comparison{{
		says:  quantity.Sentence("the controller's voltage limit, %s, is %.2g times the bank's highest voltage", written(s.VoltageLimit.SI, "V"), s.VoltageLimit.SI/HighestVoltage(b)),
		value: s.VoltageLimit.SI / HighestVoltage(b), unit: "times", usual: span{0, 5}, possible: span{0, 25}, look: "stage.voltage_limit, battery.cells", // below 1: voltage-ratings
	}, {
		says:  quantity.Sentence("the switch drops %s at the controller's highest motor current, %s", written(s.Current.SI*s.SwitchResistance.SI, "V"), written(s.Current.SI, "A")),
		value: s.Current.SI * s.SwitchResistance.SI, unit: "V", usual: span{0.08, 3}, possible: span{0.008, 30}, look: "stage.switch_resistance, stage.current",
	}, {
		says:  quantity.Sentence("the heat sink follows its losses in %s", written(s.SinkResistance.SI*s.SinkHeatCapacity.SI, "s")),
		value: s.SinkResistance.SI * s.SinkHeatCapacity.SI, unit: "s", usual: span{15, 4000}, possible: span{1, 100000}, look: "stage.sink_resistance, stage.sink_heat_capacity",
	}, {
		says:  quantity.Sentence("the link capacitor has %s for each ampere of the controller's highest motor current", written(s.Capacitance.SI/s.Current.SI, "µF")),
		value: s.Capacitance.SI / s.Current.SI, unit: "µF", usual: span{0.3e-6, 500e-6}, possible: span{0.005e-6, 50000e-6}, look: "stage.capacitance, stage.current",
	}, {
		says:  quantity.Sentence("switch and freewheel change over in %.2g %% of the chopping period", 100*s.SwitchingTime.SI*s.SwitchingFrequency.SI),
		value: s.SwitchingTime.SI * s.SwitchingFrequency.SI, unit: "%", usual: span{0, 0.05}, possible: span{0, 0.5}, look: "stage.switching_time, stage.switching_frequency",
	}}
})
