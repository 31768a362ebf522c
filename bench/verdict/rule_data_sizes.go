package verdict

import (
	"math"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// sizes collects comparisons of single figures.
type sizes []comparison

// add adds a figure: "the delay of management in discharge is 10 s". A bare figure has the unit "", a ratio the unit "times".
func (l *sizes) add(key, what string, value float64, unit string, usual, possible span) {
	*l = append(*l, comparison{says: what + " is " + shownFigure(value, unit), value: value, unit: unit, usual: usual, possible: possible, look: key})
}

// given adds a figure that the file states.
func (l *sizes) given(key, what string, v quantity.Value, unit string, usual, possible span) {
	if v.Given {
		l.add(key, what, v.SI, unit, usual, possible)
	}
}

// times adds a value as a multiple of another one that it belongs to.
func (l *sizes) times(key, what string, value, of float64, unit, other string, usual, possible span) {
	ratio := value / of
	*l = append(*l, comparison{
		says:  quantity.Sentence("%s is %s, %.3g times %s, %s", what, written(value, unit), ratio, other, written(of, unit)),
		value: ratio, unit: "times", usual: usual, possible: possible, look: key,
	})
}

// cableSizes returns the figures of a cable that follow from its copper.
func cableSizes(c *boat.Cable, key string) []comparison {
	var l sizes
	volume := c.Section.SI * c.Length.SI
	if c.HeatCapacity.Given { // insulation adds to it
		l.times(key+".heat_capacity, "+key+".section, "+key+".length", "the heat capacity of the "+c.Name, c.HeatCapacity.SI, 3.45e6*volume, "J/K", "that of its copper", span{0.9, 3}, span{0.5, 6})
	}
	if c.Inductance.Given {
		l.add(key+".inductance, "+key+".length", "the inductance of a metre of the "+c.Name, c.Inductance.SI/c.Length.SI, "µH", span{0.1e-6, 3e-6}, span{0.02e-6, 20e-6})
	}
	return l
}

// dataProtection holds delays and ratings of what protects or switches by size.
var dataProtection = dataRule("data-protection", "delays and ratings of management, contactor, pre-charge and charging are those of such devices", func(b *boat.Boat) []comparison {
	var l sizes
	bank := HighestVoltage(b)
	if m := b.Battery.Management; m != nil {
		current, cell := span{0, 60}, span{0, 20}
		l.add("battery.management.discharge_delay", "how long management bears too much battery current in discharge", m.DischargeDelay.SI, "s", current, current.times(10))
		l.add("battery.management.charge_delay", "how long management bears too much battery current in charge", m.ChargeDelay.SI, "s", current, current.times(10))
		l.add("battery.management.cell_delay", "how long management bears a cell voltage outside", m.CellDelay.SI, "s", cell, cell.times(10))
		l.add("battery.management.charge_current, "+bankSize(&b.Battery), quantity.Sentence("the time in which management's limit in charge, %s of battery current, would fill the bank", written(m.ChargeCurrent.SI, "A")),
			b.Battery.Capacity.SI/m.ChargeCurrent.SI, "min", span{600, 180000}, span{120, 1.8e6})
	}
	k := &b.Contactor
	usual, possible := directVoltages(bank)
	l.add("contactor.current", "the battery current that the contactor carries for ever", k.Current.SI, "A", span{15, 1500}, span{3, 5000})
	l.add("contactor.voltage", "the direct voltage that the contactor is rated for", k.Voltage.SI, "V", usual, possible)
	l.times("contactor.break_current, contactor.current", "the battery current that the contactor opens under load", k.BreakCurrent.SI, k.Current.SI, "A", "what it carries for ever", span{0.2, 8}, span{0.02, 30})
	l.times("contactor.make_current, contactor.current", "the battery current that the contactor closes on", k.MakeCurrent.SI, k.Current.SI, "A", "what it carries for ever", span{0.2, 10}, span{0.02, 40})
	l.add("contactor.heat_capacity, contactor.current", "the heat capacity of the contactor", k.HeatCapacity.SI, "J/K", span{15, max(300, 6*k.Current.SI)}, span{3, max(3000, 60*k.Current.SI)})
	l.add("contactor.coil_power", "the power of the contactor's coil", k.CoilPower.SI, "W", span{0, 100}, span{0, 500})
	if p := b.Precharge; p != nil {
		l.add("precharge.resistance", "the battery current at the first instant of pre-charge", bank/p.Resistance.SI, "A", span{0.02, 50}, span{0.001, 500})
		l.add("precharge.time", "the time of pre-charge", p.Time.SI, "s", span{0.02, 60}, span{0.002, 600})
		l.add("precharge.pulse_energy", "the energy that the pre-charge resistor takes in one pulse", p.PulseEnergy.SI, "J", span{0.5, 2000}, span{0.05, 20000})
	}
	if c := b.Charging; c != nil {
		stored := b.Battery.Capacity.SI * nominalVoltage(b)
		l.add("charging.power, "+bankSize(&b.Battery), quantity.Sentence("the time in which the charging source, %s, would fill the bank", written(c.Power.SI, "W")), stored/max(c.Power.SI, 1e-9), "h", span{1800, math.Inf(1)}, span{600, math.Inf(1)})
		l.add("charging.current_limit, "+bankSize(&b.Battery), quantity.Sentence("the time in which the charging source's current limit, %s of battery current, would fill the bank", written(c.CurrentLimit.SI, "A")),
			b.Battery.Capacity.SI/c.CurrentLimit.SI, "h", span{1800, 3.6e6}, span{600, 3.6e7})
		l.times("charging.voltage_limit, battery.cells", "the voltage at which the charging source holds back", c.VoltageLimit.SI, nominalVoltage(b), "V", "that of the half-full bank", span{0.95, 1.3}, span{0.5, 2})
	}
	return l
})

// losesNothing returns in words what, by the boat file, keeps its cooling when fans, vents and water are lost.
func losesNothing(b *boat.Boat, _ settings.Set) string {
	var keep, keys []string
	for _, c := range []struct {
		factor    float64
		what, key string
	}{
		{b.Motor.LostCoolingFactor.SI, "the motor", "motor.lost_cooling_factor"}, {b.Stage.LostCoolingFactor.SI, "the controller", "stage.lost_cooling_factor"},
		{b.Compartment.ClosedFactor.SI, "the compartment", "compartment.closed_factor"},
	} {
		if c.factor <= 1 {
			keep, keys = append(keep, c.what), append(keys, c.key)
		}
	}
	switch len(keep) {
	case 0:
		return ""
	case 3:
		return "nothing on this boat loses cooling (" + strings.Join(keys, ", ") + " are 1): the trial lost-cooling is full throttle and no more. Right only without fan, raw water and vents"
	}
	return quantity.Sentence("%s cannot lose any cooling (%s: 1), and the trial lost-cooling tries nothing of it. Right only without a fan, raw water or vents of its own", strings.Join(keep, " and "), strings.Join(keys, ", "))
}

// dataParts holds by size what no other rule holds against something: heat capacities, inner figures of bank, controller and motor, joints.
var dataParts = noting(losesNothing, dataRule("data-parts", "figures of bank, joints, controller and motor are of the size that such parts have", func(b *boat.Boat) []comparison {
	var l sizes
	k := &b.Battery
	l.add("battery.resistance_per_kelvin", "the rise of the bank's resistance for each kelvin of cooling", k.ResistancePerKelvin.SI, "%/K", span{0.002, 0.06}, span{0, 0.1})
	if k.Peukert.SI > 1 {
		l.add("battery.rated_time", "the discharge time of the bank's capacity", k.RatedTime.SI, "h", span{3600, 3.6e5}, span{360, 3.6e6})
	}
	for _, row := range k.Polarisation {
		l.add("battery.polarisation", "a time constant of the bank's polarisation", row[1], "s", span{0.5, 7200}, span{0.05, 86400})
	}
	for i := range b.Joints {
		j := &b.Joints[i]
		l.add(quantity.Sentence("joint[%d].heat_capacity", i), "the heat capacity of the "+j.Name, j.HeatCapacity.SI, "J/K", span{4, 1000}, span{0.4, 5000})
		l.add(quantity.Sentence("joint[%d].heat_capacity, joint[%[1]d].thermal_resistance", i), "the time constant of the "+j.Name, j.ThermalResistance.SI*j.HeatCapacity.SI, "s", span{15, 2500}, span{1, 50000})
	}
	s := &b.Stage
	l.add("stage.current", "the controller's highest motor current", s.Current.SI, "A", span{15, 1500}, span{5, 5000})
	l.given("stage.switching_frequency", "the chopping frequency", s.SwitchingFrequency, "kHz", span{1e3, 100e3}, span{200, 500e3})
	l.add("stage.switch_resistance_rise", "the rise of the switch's resistance for each kelvin", s.SwitchResistanceRise.SI, "%/K", span{0.001, 0.015}, span{0, 0.03})
	l.add("stage.switching_time", "the rise and fall time of the switch", s.SwitchingTime.SI, "ns", span{20e-9, 5e-6}, span{5e-9, 100e-6})
	if s.Freewheel == "diode" {
		l.add("stage.freewheel_drop", "the drop of the freewheel diode", s.FreewheelDrop.SI, "V", span{0.25, 2}, span{0.1, 5})
	} else if s.FreewheelResistance.Given {
		l.times("stage.freewheel_resistance, stage.switch_resistance", "the resistance of the freewheel switch", s.FreewheelResistance.SI, s.SwitchResistance.SI, "mΩ", "that of the other switch", span{0.3, 3}, span{0.05, 20})
	}
	for _, row := range append(append([][]float64{}, s.SwitchHeat...), s.FreewheelHeat...) {
		l.add("stage.switch_heat, stage.freewheel_heat", "a time constant between junction and heat sink", row[1], "s", span{50e-6, 20}, span{5e-6, 200})
	}
	l.add("stage.housekeeping", "the power of the controller's own electronics", s.Housekeeping.SI, "W", span{0.2, 100}, span{0, 500})
	l.add("stage.capacitor_esr, stage.capacitance", "the time constant of the link capacitor with its series resistance", s.CapacitorESR.SI*s.Capacitance.SI, "µs", span{0.3e-6, 300e-6}, span{0.02e-6, 5e-3})
	l.add("stage.capacitor_heat_capacity", "the heat capacity of the link capacitors", s.CapacitorHeatCapacity.SI, "J/K", span{8, 3000}, span{1, 10000})
	l.add("stage.capacitor_heat_capacity, stage.capacitor_thermal_resistance", "the time constant of the link capacitors", s.CapacitorThermalResistance.SI*s.CapacitorHeatCapacity.SI, "s", span{8, 1500}, span{1, 30000})
	if s.SinkHeatCapacity.Given {
		l.add("stage.sink_heat_capacity, stage.current", "the heat capacity of the heat sink for each ampere of the controller's highest motor current", s.SinkHeatCapacity.SI/s.Current.SI, "J/K", span{0.5, 100}, span{0.05, 500})
	}
	l.add("stage.sample_period", "how often the controller looks at its voltage and temperatures", s.SamplePeriod.SI, "ms", span{0.05e-3, 0.1}, span{0.005e-3, 0.5})
	l.add("stage.current_loop_time", "the time constant of the current control", s.CurrentLoopTime.SI, "ms", span{0.1e-3, 20e-3}, span{0.01e-3, 0.1})
	lost := func(key, what string, factor float64, cooling string) {
		usual := span{1, 30}
		if cooling == "water" {
			usual.low = 1.5
			what += ", which is cooled by water,"
		}
		l.add(key, "how many times as warm "+what+" gets when its cooling is lost", factor, "times", usual, span{1, 300})
	}
	lost("stage.lost_cooling_factor", "the heat sink", s.LostCoolingFactor.SI, s.Cooling)
	m := &b.Motor
	lost("motor.lost_cooling_factor", "the motor's housing", m.LostCoolingFactor.SI, m.Cooling)
	l.add("motor.standstill_cooling", "the share of the motor's cooling that is left at standstill", m.StandstillCooling.SI, "%", span{0.15, 1}, span{0.02, 1})
	if m.Kind == "permanent-magnet brushless" {
		l.add("motor.standstill_phase_factor", "the loss of the most loaded phase at standstill over the mean", m.StandstillPhaseFactor.SI, "times", span{1.5, 2}, span{1, 2})
	} else {
		l.add("motor.brush_heat_share", "the share of the brushes' heat that goes into the commutator", m.BrushHeatShare.SI, "%", span{0.3, 1}, span{0.1, 1})
		if m.BarHeatCapacity.Given && m.BrushHeatCapacity.Given {
			l.times("motor.bar_heat_capacity, motor.brush_heat_capacity", "the heat capacity of the bars under the brushes", m.BarHeatCapacity.SI, m.BrushHeatCapacity.SI, "J/K", "that of the commutator", span{0.02, 0.4}, span{0.005, 1})
		}
	}
	winding, housing := m.WindingHeatCapacity.Or(0.15*385*m.Mass.SI), m.HousingHeatCapacity.Or(0.85*460*m.Mass.SI)
	if m.WindingHeatCapacity.Given || m.HousingHeatCapacity.Given {
		l.add("motor.winding_heat_capacity, motor.housing_heat_capacity", "the share of the motor's heat capacity that is in its winding", winding/(winding+housing), "%", span{0.04, 0.4}, span{0.01, 0.7})
	}
	if n := len(m.Magnetisation); m.Kind == "series-wound" && n > 0 {
		l.times("motor.magnetisation, motor.rated_current", "the motor current of the last row of the magnetisation", m.Magnetisation[n-1][0], m.RatedCurrent.SI, "A", "the motor's rated current", span{1, 12}, span{0.5, 50})
		l.add("motor.field_share", "the share of the motor's resistance that is in its field", m.FieldShare.SI, "%", span{0.15, 0.7}, span{0.03, 0.9})
	} else {
		perKelvin, most := span{-0.0025, -0.0005}, span{-0.006, 0}
		l.given("motor.magnet_per_kelvin", "the change of the motor's constant for each kelvin", m.MagnetPerKelvin, "%/K", perKelvin, most)
	}
	if m.DemagnetisingCurrent.Given {
		l.times("motor.demagnetising_current, motor.rated_current", "the motor current that begins to weaken the magnets", m.DemagnetisingCurrent.SI, m.RatedCurrent.SI, "A", "the motor's rated current", span{1.5, 15}, span{1, 40})
		usual := span{0.001, 0.008} // ferrite is weakest when cold
		if m.MagnetMaterial() == "NdFeB" {
			usual = span{-0.012, -0.002}
		}
		l.given("motor.demagnetising_per_kelvin", "the change of that current for each kelvin, of "+m.MagnetMaterial()+",", m.DemagnetisingPerKelvin, "%/K", usual, span{-0.03, 0.03})
	}
	return l
}))

// motorMass returns the motor's mass, or about what its heat capacities mean, kg: 449 J/(kg·K) as in package boat.
func motorMass(m *boat.Motor) float64 {
	return m.Mass.Or((m.WindingHeatCapacity.SI + m.HousingHeatCapacity.SI) / 449)
}

// waterSizes returns figures of shaft, propeller and hull that only size can deny.
func waterSizes(b *boat.Boat, torque float64) []comparison {
	var l sizes
	s, p, h := &b.Shaft, &b.Propeller, &b.Hull
	l.add("shaft.gear_efficiency", "the efficiency of gear and bearings", s.GearEfficiency.SI, "%", span{0.8, 1}, span{0.5, 1})
	if torque > 0 {
		l.times("shaft.seal_friction", "the friction of the stern gland", s.SealFriction.SI, torque, "N·m", "the motor's rated torque at the propeller", span{0, 0.15}, span{0, 20}) // one that binds holds the shaft
	}
	l.add("shaft.seal_friction_per_kelvin", "how much more the stern gland's friction gets for each kelvin of colder water", s.SealFrictionPerKelvin.SI, "%/K", span{0, 0.05}, span{0, 0.2})
	l.add("propeller.diameter", "the diameter of the propeller", p.Diameter.SI, "m", span{0.12, 1.5}, span{0.05, 4})
	if p.Kind != "measured point" {
		l.add("propeller.area_ratio", "the blade area over the disc area", p.AreaRatio.SI, "%", span{0.3, 1.05}, span{0.2, 1.2})
	}
	if p.AsternShare.Given {
		l.add("propeller.astern_share", "the thrust astern over that ahead", p.AsternShare.SI, "%", span{0.3, 1}, span{0.1, 1})
	}
	l.add("hull.added_mass", "the water that moves with the boat, over its displacement,", h.AddedMass.SI, "%", span{0.02, 0.2}, span{0, 0.5})
	l.add("hull.wake", "the wake fraction", h.Wake.SI, "%", span{-0.05, 0.4}, span{-0.2, 0.6})
	l.add("hull.thrust_deduction", "the thrust lost to suction", h.ThrustDeduction.SI, "%", span{0.02, 0.35}, span{0, 0.5})
	l.add("hull.propulsive_efficiency", "the towing power over the power at the propeller", h.PropulsiveEfficiency.SI, "%", span{0.25, 0.75}, span{0.05, 0.85})
	if h.WettedSurface.Given {
		l.times("hull.wetted_surface, hull.displacement, hull.waterline_length", "the wetted surface", h.WettedSurface.SI, 2.6*math.Sqrt(h.Displacement.SI/seaWater*h.WaterlineLength.SI), "m²", "that of a plain hull of its length and displacement", span{0.75, 1.6}, span{0.4, 3})
	}
	if len(h.SpeedPower) == 0 && len(h.Resistance) == 0 {
		l.add("hull.allowance", "what skeg, rudder and fouling add to the friction", h.Allowance.SI, "%", span{0.02, 0.8}, span{0, 1})
		l.add("hull.form_factor", "the form factor", h.FormFactor.SI, "%", span{0, 0.5}, span{0, 1})
	}
	return l
}

// sister compares a measured point with a propeller of the Wageningen B-series of the same diameter, pitch, blades and area at the same
// advance; nothing where the file does not say the pitch, or the point lies outside that series.
func sister(b *boat.Boat, coefficient float64) []comparison {
	p := &b.Propeller
	diameter, pitch, blades := p.MeasuredDiameter.Or(p.Diameter.SI), p.MeasuredPitch.Or(p.Pitch.SI), p.Blades
	if p.MeasuredBlades > 0 {
		blades = p.MeasuredBlades
	}
	screw, err := hydro.NewBSeries(hydro.BSeries{Diameter: diameter, Blades: blades, AreaRatio: p.AreaRatio.SI, PitchRatio: pitch / diameter})
	if err != nil || !p.Pitch.Given {
		return nil
	}
	advance := (1 - b.Hull.Wake.SI) * p.MeasuredBoatSpeed.SI / (p.MeasuredSpeed.SI / (2 * math.Pi) * diameter)
	own := screw.KQ(advance)
	if own <= 0 {
		return nil
	}
	return []comparison{{
		says:  quantity.Sentence("at the measured point the propeller took %.2g times the torque of a B-series one of its diameter, pitch, blades and area", coefficient/own),
		value: coefficient / own, unit: "times", usual: span{0.55, 2}, possible: span{0.3, 4},
		look: "propeller.measured_speed, " + measuredLoad(p) + ", propeller.measured_boat_speed, propeller.diameter, propeller.pitch, hull.wake",
	}}
}

// measuredLoad returns the key of what the file states of the measured point's load.
func measuredLoad(p *boat.Propeller) string {
	if p.MeasuredTorque.Given {
		return "propeller.measured_torque"
	}
	return "propeller.measured_power"
}

// bankSize returns the key of what the file states of the bank's size.
func bankSize(k *boat.Battery) string {
	if k.Energy.Given {
		return "battery.energy"
	}
	return "battery.capacity"
}

// openWater compares the rows of an open-water table with what propellers reach.
func openWater(b *boat.Boat) []comparison {
	var l sizes
	if n := len(b.Propeller.OpenWater); n > 0 {
		l.add("propeller.open_water", "the advance ratio in the last row of the open-water table", b.Propeller.OpenWater[n-1][0], "", span{0.3, 1.8}, span{0.1, 4})
	}
	for i, row := range b.Propeller.OpenWater {
		key := quantity.Sentence("propeller.open_water[%d]", i)
		j, kt, kq := row[0], row[1], row[2]
		if i == 0 {
			l.add(key, "KT in the first row of the open-water table", kt, "", span{0.05, 0.9}, span{0.01, 2})
			l.add(key, "KQ in the first row of the open-water table", kq, "", span{0.004, 0.15}, span{0.0005, 0.5})
		}
		if j > 0 && kq > 0 && kt > 0 {
			l.add(key, quantity.Sentence("the efficiency of the propeller in row %d of the open-water table", i+1), j*kt/(2*math.Pi*kq), "%", span{0, 0.82}, span{0, 1})
		}
	}
	return l
}
