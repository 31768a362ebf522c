package verdict

import (
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
)

// cellVoltages are the voltages of one cell by chemistry (common practice, no source): where makers set the lowest and the
// highest, and where a half-full cell rests.
var cellVoltages = map[string]struct{ lowest, highest, rest span }{
	"LFP":               {span{2, 3.2}, span{3.4, 3.8}, span{3.15, 3.4}},
	"NMC":               {span{2.4, 3.6}, span{3.9, 4.45}, span{3.5, 3.95}},
	"flooded lead-acid": {span{1.4, 2}, span{2.2, 2.75}, span{1.95, 2.15}},
	"AGM lead-acid":     {span{1.4, 2}, span{2.2, 2.75}, span{1.95, 2.2}},
}

var dataBattery = dataRule("data-battery", "the bank's figures are those of its chemistry and capacity", func(b *boat.Boat) (out []comparison) {
	k := &b.Battery
	known := cellVoltages[k.Chemistry]
	cell := func(what string, volts float64, usual span, look string) {
		out = append(out, comparison{
			says:  fmt.Sprintf("%s of a cell is %s (%s)", what, written(volts, "V"), k.Chemistry),
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
			says:  fmt.Sprintf("management's discharge limit, %s of battery current, would empty the bank in %s", written(m.DischargeCurrent.SI, "A"), written(3600/perHour, "min")),
			value: 3600 / perHour, unit: "min", usual: span{360, 36000}, possible: span{36, 360000}, look: "battery.management.discharge_current, battery.capacity",
		})
	}
	if len(k.OCV) > 0 {
		cell("the rest voltage when half full", restVoltage(b)/float64(k.Cells), known.rest, "battery.ocv, battery.chemistry")
	}
	out = append(out, comparison{
		says:  fmt.Sprintf("the bank's resistance is said to be that of cells at %s", written(k.ResistanceAt.SI, "°C")),
		value: k.ResistanceAt.SI, unit: "°C", usual: span{253.15, 333.15}, possible: span{233.15, 373.15}, look: "battery.resistance_at",
	})
	sag := k.Resistance.SI * k.Capacity.SI / 3600 / nominalVoltage(b)
	out = append(out, comparison{
		says:  fmt.Sprintf("at a battery current that would empty the bank in an hour, %s, its resistance takes %.4g %% of its voltage", written(k.Capacity.SI/3600, "A"), 100*sag),
		value: sag, unit: "%", usual: span{0.002, 0.25}, possible: span{0.0003, 1}, look: "battery.resistance, battery.capacity, battery.cells",
	})
	var slow float64
	for _, row := range k.Polarisation {
		slow += row[0]
	}
	sag = slow * k.Capacity.SI / 3600 / nominalVoltage(b)
	out = append(out, comparison{
		says:  fmt.Sprintf("at a battery current that would empty the bank in an hour, %s, its polarisation takes %.4g %% of its voltage", written(k.Capacity.SI/3600, "A"), 100*sag),
		value: sag, unit: "%", usual: span{0, 0.25}, possible: span{0, 1}, look: "battery.polarisation, battery.capacity, battery.cells",
	})
	usual := span{1, 1.1}
	if leadAcid(b) {
		usual = span{1.02, 1.4}
	}
	return append(out, comparison{
		says:  fmt.Sprintf("the Peukert exponent of this %s bank is %.3g", k.Chemistry, k.Peukert.SI),
		value: k.Peukert.SI, usual: usual, possible: span{1, 1.6}, look: "battery.peukert (left out it is 1, for lithium)",
	})
})

var dataConductors = dataRule("data-conductors", "sections, lengths, resistances and ampacities fit each other", func(b *boat.Boat) (out []comparison) {
	for i := range b.Cables {
		c := &b.Cables[i]
		key := fmt.Sprintf("cable[%d]", i)
		if c.Ampacity.Given {
			// a fit through the 90 °C column of 33 CFR 183.425 table 5, within 5 % from AWG 14 to 4/0
			listed := 18.8 * math.Pow(c.Section.SI*1e6, 0.646)
			out = append(out, comparison{
				says: fmt.Sprintf("the %s of %s is said to carry %s of %s current, %.2g times what 33 CFR 183.425 table 5 lists at 90 °C (%s)",
					c.Name, written(c.Section.SI, "mm²"), written(c.Ampacity.SI, "A"), c.Circuit, c.Ampacity.SI/listed, written(listed, "A")),
				value: c.Ampacity.SI / listed, unit: "times", usual: span{0.4, 1.7}, possible: span{0.1, 4}, look: key + ".section, " + key + ".ampacity",
			})
		}
		copper := 1.7241e-8 * c.Length.SI / c.Section.SI // IEC 60028, at 20 °C
		if c.Resistance.Given {
			out = append(out, comparison{
				says: fmt.Sprintf("the resistance of the %s, %s, is %.2g times that of %s of copper of %s (IEC 60028)",
					c.Name, written(c.Resistance.SI, "mΩ"), c.Resistance.SI/copper, written(c.Length.SI, "m"), written(c.Section.SI, "mm²")),
				value: c.Resistance.SI / copper, unit: "times", usual: span{0.85, 1.4}, possible: span{0.5, 3}, look: key + ".resistance, " + key + ".length, " + key + ".section",
			})
		}
		if c.ThermalResistance.Given && c.Ampacity.Given {
			if k, err := drive.CableHeat(c); err == nil {
				amps := c.Ampacity.SI * c.Bundling.SI
				rise := amps * amps * k.Ohms * (1 + 0.00393*(c.Rated.SI-293.15)) * c.ThermalResistance.SI
				out = append(out, comparison{
					says: fmt.Sprintf("at its ampacity, %s of %s current, the %s rises by %.0f K, and %.0f K bring it to its rated temperature",
						written(amps, "A"), c.Circuit, c.Name, rise, c.Rated.SI-c.AmpacityAt.SI),
					value: rise / (c.Rated.SI - c.AmpacityAt.SI), unit: "times", usual: span{0.6, 1.4}, possible: span{0.25, 3},
					look: key + ".thermal_resistance, " + key + ".ampacity, " + key + ".rated_temperature",
				})
			}
		}
		out = append(out, comparison{
			says: fmt.Sprintf("the %s is %s long out and back, %.2g times the waterline", c.Name, written(c.Length.SI, "m"), c.Length.SI/b.Hull.WaterlineLength.SI),
			// a lead of a hand's length is no fault
			value: c.Length.SI / b.Hull.WaterlineLength.SI, unit: "times", usual: span{0, 4}, possible: span{0, 30}, look: key + ".length, hull.waterline_length",
		})
	}
	for i := range b.Joints {
		j := &b.Joints[i]
		out = append(out, comparison{
			says:  fmt.Sprintf("the resistance of the %s is %s", j.Name, written(j.Resistance.SI, "mΩ")),
			value: j.Resistance.SI, unit: "mΩ", usual: span{2e-6, 3e-3}, possible: span{1e-7, 0.1}, look: fmt.Sprintf("joint[%d].resistance", i),
		})
	}
	drop := func(what string, amps, ohms float64, usual, possible span, look string) {
		out = append(out, comparison{
			says:  fmt.Sprintf("the %s drops %s at its rated battery current, %s", what, written(amps*ohms, "V"), written(amps, "A")),
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
		says:  fmt.Sprintf("the controller's voltage limit, %s, is %.2g times the bank's highest voltage", written(s.VoltageLimit.SI, "V"), s.VoltageLimit.SI/highestVoltage(b)),
		value: s.VoltageLimit.SI / highestVoltage(b), unit: "times", usual: span{0, 5}, possible: span{0, 25}, look: "stage.voltage_limit, battery.cells", // below 1: voltage-ratings
	}, {
		says:  fmt.Sprintf("the switch drops %s at the controller's highest motor current, %s", written(s.Current.SI*s.SwitchResistance.SI, "V"), written(s.Current.SI, "A")),
		value: s.Current.SI * s.SwitchResistance.SI, unit: "V", usual: span{0.02, 4}, possible: span{0.002, 30}, look: "stage.switch_resistance, stage.current",
	}, {
		says:  fmt.Sprintf("the heat sink follows its losses in %s", written(s.SinkResistance.SI*s.SinkHeatCapacity.SI, "s")),
		value: s.SinkResistance.SI * s.SinkHeatCapacity.SI, unit: "s", usual: span{15, 20000}, possible: span{1, 500000}, look: "stage.sink_resistance, stage.sink_heat_capacity",
	}, {
		says:  fmt.Sprintf("the link capacitor has %s for each ampere of the controller's highest motor current", written(s.Capacitance.SI/s.Current.SI, "µF")),
		value: s.Capacitance.SI / s.Current.SI, unit: "µF", usual: span{0.3e-6, 500e-6}, possible: span{0.005e-6, 50000e-6}, look: "stage.capacitance, stage.current",
	}, {
		says:  fmt.Sprintf("switch and freewheel change over in %.2g %% of the chopping period", 100*s.SwitchingTime.SI*s.SwitchingFrequency.SI),
		value: s.SwitchingTime.SI * s.SwitchingFrequency.SI, unit: "%", usual: span{0, 0.05}, possible: span{0, 0.5}, look: "stage.switching_time, stage.switching_frequency",
	}}
})
