package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
)

var dataNamePlate = dataRule("data-name-plate", "the motor's rating fits itself, the bank and the rotor", func(b *boat.Boat) (out []comparison) {
	m := &b.Motor
	r, err := drive.RatingOf(m)
	if err != nil {
		return nil
	}
	bank := nominalVoltage(b)
	constant := "motor.constant"
	if m.Kind == "series-wound" {
		constant = "motor.magnetisation"
	}
	out = append(out, comparison{
		says:  quantity.Sentence("at its rated speed and motor current the motor needs %s, %.2g times the bank's %s", written(r.Voltage, "V"), r.Voltage/bank, written(bank, "V")),
		value: r.Voltage / bank, unit: "times", usual: span{0.4, 1.6}, possible: span{0.15, 3},
		look: constant + ", motor.rated_speed, battery.cells",
	}, comparison{
		says:  quantity.Sentence("at its rating the motor turns %.3g %% of its electrical power into shaft power", 100*r.Power/(r.Voltage*m.RatedCurrent.SI)),
		value: r.Power / (r.Voltage * m.RatedCurrent.SI), unit: "%", usual: span{0.55, 0.975}, possible: span{0.3, 0.995},
		look: constant + ", motor.rated_speed, motor.resistance, motor.brush_drop, motor.friction_torque, motor.iron_torque, motor.windage",
	}, comparison{
		says:  quantity.Sentence("at its rating the motor's resistance takes %.2g %% of its voltage", 100*r.Copper/(r.Voltage*m.RatedCurrent.SI)),
		value: r.Copper / (r.Voltage * m.RatedCurrent.SI), unit: "%", usual: span{0.012, 0.3}, possible: span{0.002, 0.7},
		look: "motor.resistance, motor.rated_current, " + constant,
	}, comparison{
		says:  quantity.Sentence("the rotor's speed limit, %s, is %.2g times the rated speed", written(m.SpeedLimit.SI, "rpm"), m.SpeedLimit.SI/m.RatedSpeed.SI),
		value: m.SpeedLimit.SI / m.RatedSpeed.SI, unit: "times", usual: span{1.05, 8}, possible: span{1, 30},
		look: "motor.speed_limit, motor.rated_speed",
	}, comparison{
		says:  quantity.Sentence("the controller's highest motor current, %s, is %.2g times the motor's rated current", written(b.Stage.Current.SI, "A"), b.Stage.Current.SI/m.RatedCurrent.SI),
		value: b.Stage.Current.SI / m.RatedCurrent.SI, unit: "times", usual: span{0.5, 12}, possible: span{0.1, 60},
		look: "stage.current, motor.rated_current",
	})
	if mass := motorMass(m); mass > 0 {
		perMass := r.Torque / mass
		usual, possible := span{0.12, 4}, span{0.02, 12}
		if m.Kind == "permanent-magnet brushless" {
			usual, possible = span{0.2, 15}, span{0.03, 60}
		}
		out = append(out, comparison{
			says:  quantity.Sentence("the motor's rated torque is %s at a mass of %s, %.2g N·m/kg", written(r.Torque, "N·m"), written(mass, "kg"), perMass),
			value: perMass, unit: "N·m/kg", usual: usual, possible: possible, look: "motor.mass or motor.winding_heat_capacity and motor.housing_heat_capacity, " + constant + ", motor.rated_current",
		}, comparison{
			says:  quantity.Sentence("the rotor's inertia of %s at the motor's mass means a radius of gyration of %s", written(m.Inertia.SI, "kg·m²"), written(math.Sqrt(m.Inertia.SI/mass), "cm")),
			value: math.Sqrt(m.Inertia.SI / mass), unit: "cm", usual: span{0.006, 0.15}, possible: span{0.001, 0.6}, look: "motor.inertia, motor.mass",
		})
	}
	if m.Kind != "permanent-magnet brushless" {
		out = append(out, comparison{
			says:  quantity.Sentence("the brushes of the motor drop %s", written(m.BrushDrop.SI, "V")),
			value: m.BrushDrop.SI, unit: "V", usual: span{0.2, 3.5}, possible: span{0, 10}, look: "motor.brush_drop (both brushes together; left out it is 0 V, for brushless motors)",
		})
	}
	return append(out, comparison{
		says:  quantity.Sentence("inductance over resistance of the motor is %s", written(m.Inductance.SI/m.Resistance.SI, "s")),
		value: m.Inductance.SI / m.Resistance.SI, unit: "ms", usual: span{0.2e-3, 0.15}, possible: span{0.01e-3, 5}, look: "motor.inductance, motor.resistance",
	})
})

var dataMotorHeat = dataRule("data-motor-heat", "the motor's cooling bears the losses of its own rating", func(b *boat.Boat) (out []comparison) {
	m := &b.Motor
	r, err := drive.RatingOf(m)
	if err != nil {
		return nil
	}
	const air = 40 + celsius
	if m.WindingToHousing.Given || m.HousingToAir.Given {
		out = append(out, comparison{
			says:  quantity.Sentence("at its own rating the motor's cooling lets the winding rise by %.0f K, %.2g times what class %s allows (IEC 60034-1)", r.Winding, r.Winding/r.ClassRise, m.Insulation),
			value: r.Winding / r.ClassRise, unit: "times", usual: span{0.5, 1.1}, possible: span{0.15, 1.6},
			look: "motor.housing_to_air, motor.winding_to_housing, motor.resistance, motor.rated_current",
		})
	}
	// bears compares the rise of a part at the rating with what its limit leaves above 40 °C.
	bears := func(what string, rise, limit float64, look string) {
		leaves := limit - air
		share := math.Inf(1)
		if leaves > 0 {
			share = rise / leaves
		}
		out = append(out, comparison{
			says:  quantity.Sentence("at the motor's own rating its %s would reach %.0f °C, and may reach %.0f °C", what, air+rise-celsius, limit-celsius),
			value: share, unit: "times", usual: span{0, 1}, possible: span{0, 1.25}, look: look + ", motor.rated_current",
			instead: "the data deny the motor's own rating",
		})
	}
	if m.Kind != "permanent-magnet brushless" {
		bears("commutator", r.Commutator, m.BrushLimit.SI, "motor.brush_to_housing, motor.brush_drop, motor.brush_limit")
	}
	if m.MagnetLimit.Given && m.Kind == "permanent-magnet brushless" {
		bears("magnets", (r.Winding+r.Housing)/2, m.MagnetLimit.SI, "motor.magnet_limit, motor.insulation")
	} else if m.MagnetLimit.Given {
		bears("magnets", r.Housing, m.MagnetLimit.SI, "motor.magnet_limit, motor.insulation")
	}
	return out
})

var dataHeatCapacity = dataRule("data-heat-capacity", "heat capacities and masses fit each other", func(b *boat.Boat) (out []comparison) {
	perKilogram := func(what string, capacity, mass float64, usual, possible span, look string) {
		out = append(out, comparison{
			says:  quantity.Sentence("the heat capacity of the %s, %s, is %.4g J/(kg·K) at a mass of %s", what, written(capacity, "kJ/K"), capacity/mass, written(mass, "kg")),
			value: capacity / mass, unit: "J/(kg·K)", usual: usual, possible: possible, look: look,
		})
	}
	m := &b.Motor
	if m.Mass.Given && (m.WindingHeatCapacity.Given || m.HousingHeatCapacity.Given) {
		// copper 385, iron 460, aluminium 900 J/(kg·K): handbook values, from memory
		both := m.WindingHeatCapacity.Or(0.15*385*m.Mass.SI) + m.HousingHeatCapacity.Or(0.85*460*m.Mass.SI)
		perKilogram("motor", both, m.Mass.SI, span{300, 750}, span{150, 1500}, "motor.winding_heat_capacity, motor.housing_heat_capacity, motor.mass")
	}
	if m.Mass.Given && m.BrushHeatCapacity.Given {
		perKilogram("commutator over the whole motor", m.BrushHeatCapacity.SI, m.Mass.SI, span{1, 40}, span{0.1, 200}, "motor.brush_heat_capacity, motor.mass")
	}
	k := &b.Battery
	if k.Mass.Given && k.HeatCapacity.Given {
		perKilogram("bank", k.HeatCapacity.SI, k.Mass.SI, span{600, 1500}, span{300, 4000}, "battery.heat_capacity, battery.mass")
	}
	out = append(out, compartmentHeat(&b.Compartment, b.Hull.WaterlineLength.SI)...)
	out = append(out, comparison{
		says:  quantity.Sentence("the motor's resistance is said to be that of a winding at %s", written(b.Motor.ResistanceAt.SI, "°C")),
		value: b.Motor.ResistanceAt.SI, unit: "°C", usual: span{263.15, 393.15}, possible: span{233.15, 473.15}, look: "motor.resistance_at",
	})
	mass, look := k.Mass.SI, "battery.mass, "+bankSize(k)+", battery.cells"
	says := "the bank stores %[2]s in %[3]s, %.4[1]g W·h/kg"
	if !k.Mass.Given {
		mass, look = k.HeatCapacity.SI/1000, "battery.heat_capacity, "+bankSize(k)+", battery.cells"
		says = "the bank stores %[2]s, and its heat capacity is that of about %[3]s of cells, %.4[1]g W·h/kg"
	}
	stored := k.Capacity.SI * nominalVoltage(b)     // J
	usual, possible := span{50, 220}, span{20, 400} // W·h/kg
	switch {
	case leadAcid(b):
		usual, possible = span{15, 60}, span{6, 120}
	case k.Chemistry == "NMC":
		usual, possible = span{70, 300}, span{30, 500}
	}
	out = append(out, comparison{
		says:  quantity.Sentence(says, stored/3600/mass, written(stored, "kW·h"), written(mass, "kg")),
		value: stored / mass, unit: "W·h/kg", usual: usual.times(3600), possible: possible.times(3600), look: look + " (" + k.Chemistry + ")",
	})
	heavy := mass + m.Mass.SI
	return append(out, comparison{
		says:  quantity.Sentence("bank and motor weigh %s, %.2g times the laden boat's %s", written(heavy, "kg"), heavy/b.Hull.Displacement.SI, written(b.Hull.Displacement.SI, "kg")),
		value: heavy / b.Hull.Displacement.SI, unit: "times", usual: span{0, 0.6}, possible: span{0, 1}, look: "hull.displacement, motor.mass, " + look,
	})
})

// compartmentHeat compares the compartment with a space that holds a motor, a controller and a bank: it has more than
// 0.4 m³ of air (1.2 kJ/K for each m³, from memory), and some square metres of wall, more on a longer boat, with 1 to 10 W/(m²·K), of
// which a fan makes three times as much.
func compartmentHeat(c *boat.Compartment, length float64) []comparison {
	wall := 0.15 * length * length // m²
	return []comparison{{
		says:  quantity.Sentence("the heat capacity of the compartment is %s", written(c.HeatCapacity.SI, "kJ/K")),
		value: c.HeatCapacity.SI, unit: "kJ/K", usual: span{3e3, 1e6}, possible: span{0.5e3, 2e7}, look: "compartment.heat_capacity",
	}, {
		says:  quantity.Sentence("the compartment's air rises by %s for each watt lost in it", written(c.ThermalResistance.SI, "K")),
		value: c.ThermalResistance.SI, unit: "K/W", usual: span{0.03 / wall, 3 / wall}, possible: span{0.01 / wall, 15 / wall}, look: "compartment.thermal_resistance",
	}, {
		says:  quantity.Sentence("the compartment's air follows the heat lost in it in %s", written(c.ThermalResistance.SI*c.HeatCapacity.SI, "min")),
		value: c.ThermalResistance.SI * c.HeatCapacity.SI, unit: "min", usual: span{60, 6000}, possible: span{6, 60000}, look: "compartment.heat_capacity, compartment.thermal_resistance",
	}, {
		says:  quantity.Sentence("with its vents closed the compartment holds heat %.3g times as well", c.ClosedFactor.SI),
		value: c.ClosedFactor.SI, unit: "times", usual: span{1, 10}, possible: span{1, 50}, look: "compartment.closed_factor",
	}}
}
