package verdict_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/verdict"
	"quaybench/testdata/reference"
)

// contradictions are data of petrel, or bracken where that is said, that deny each other. The first three are the ones
// that once passed.
var contradictions = []struct {
	rule, name string
	bracken    bool
	change     func(b *boat.Boat)
	level      verdict.Level
	says       string
}{
	{"data-name-plate", "600 V on 53 V", false, func(b *boat.Boat) { b.Motor.Constant = exactly(3.8) }, verdict.Over, `needs 601 V, 11 times the bank's 52.8 V; 0.4 times to 1.6 times is usual: look at motor.constant, motor.rated_speed`},
	{"data-name-plate", "a motor of 24 t", false, func(b *boat.Boat) { b.Motor.Mass = exactly(24000) }, verdict.Over, `rated torque is 29.3 N·m at a mass of 24000 kg, 0.0012 N·m/kg`},
	{"data-propeller", "gear the wrong way round", false, func(b *boat.Boat) { b.Shaft.GearRatio = exactly(1 / 2.1) }, verdict.Over, `the motor turns 0.476 times for one turn of the propeller; .*shaft.gear_ratio`},
	{"data-motor-heat", "commutator cooling that denies the rating", false, func(b *boat.Boat) { b.Motor.BrushToHousing = exactly(0.6) }, verdict.Over, `its commutator would reach 204 °C, and may reach 160 °C; the data deny the motor's own rating`},
	{"data-name-plate", "a motor for a higher voltage", false, func(b *boat.Boat) { b.Battery.Cells = 6 }, verdict.Close, `needs 35.\d V, 1.8 times the bank's 19.8 V`},
	{"data-name-plate", "rated speed in rad/s", false, func(b *boat.Boat) { b.Motor.RatedSpeed = exactly(1500) }, verdict.Over, `needs 30\d V`},
	{"data-name-plate", "more loss than work", false, func(b *boat.Boat) { b.Motor.Resistance = exactly(0.14) }, verdict.Close, `turns 48.1 % of its electrical power into shaft power`},
	{"data-name-plate", "friction beyond the torque", false, func(b *boat.Boat) { b.Motor.Friction = exactly(40) }, verdict.Over, `turns -\d+.* % of its electrical power`},
	{"data-name-plate", "no losses at all", false, func(b *boat.Boat) { b.Motor.Resistance, b.Motor.BrushDrop = exactly(1e-6), exactly(0) }, verdict.Over, `turns 98.2|turns 9\d`},
	{"data-name-plate", "speed limit below the rating", false, func(b *boat.Boat) { b.Motor.SpeedLimit = exactly(100) }, verdict.Over, `the rotor's speed limit, 955 rpm, is 0.64 times the rated speed`},
	{"data-name-plate", "controller for a toy", false, func(b *boat.Boat) { b.Stage.Current = exactly(10) }, verdict.Over, `controller's highest motor current, 10 A, is 0.067 times`},
	{"data-name-plate", "inertia in kg·cm²", false, func(b *boat.Boat) { b.Motor.Inertia = exactly(300) }, verdict.Over, `radius of gyration of 297 cm`},
	{"data-name-plate", "brushes that drop nothing", false, func(b *boat.Boat) { b.Motor.BrushDrop = exactly(0) }, verdict.Close, `the brushes of the motor drop 0`},
	{"data-name-plate", "inductance in H for µH", false, func(b *boat.Boat) { b.Motor.Inductance = exactly(9) }, verdict.Over, `inductance over resistance of the motor is 643 s`},
	{"data-motor-heat", "housing without cooling", true, func(b *boat.Boat) { b.Motor.HousingToAir = exactly(1) }, verdict.Over, `lets the winding rise by \d+ K, .* times what class H allows`},
	{"data-motor-heat", "magnets hotter than they may be", false, func(b *boat.Boat) { b.Motor.MagnetLimit = exactly(273.15 + 80) }, verdict.Over, `its magnets would reach 114 °C, and may reach 80 °C`},
	{"data-heat-capacity", "motor that heats as water", false, func(b *boat.Boat) { b.Motor.HousingHeatCapacity = exactly(34 * 4000) }, verdict.Over, `heat capacity of the motor, 138 kJ/K, is 4058 J/\(kg·K\) at a mass of 34 kg`},
	{"data-heat-capacity", "commutator heavier than the motor", false, func(b *boat.Boat) { b.Motor.BrushHeatCapacity = exactly(25e3) }, verdict.Over, `commutator over the whole motor, 25 kJ/K`},
	{"data-heat-capacity", "bank heat capacity per kilogram", false, func(b *boat.Boat) { b.Battery.Mass = exactly(820) }, verdict.Over, `heat capacity of the bank, 82 kJ/K, is 100 J/\(kg·K\) at a mass of 820 kg`},
	{"data-heat-capacity", "a bank of 8 kg", false, func(b *boat.Boat) { b.Battery.HeatCapacity = exactly(8e3) }, verdict.Over, `the bank stores 10.6 kW·h, .* about 8 kg of cells, 1320 W·h/kg`},
	{"data-heat-capacity", "lead as light as lithium", true, func(b *boat.Boat) { b.Battery.HeatCapacity = exactly(180e3) }, verdict.Over, `15 W·h/kg to 60 W·h/kg is usual`},
	{"data-heat-capacity", "bank heavier than the boat", false, func(b *boat.Boat) { b.Hull.Displacement = exactly(100) }, verdict.Over, `bank and motor weigh 116 kg, 1.2 times the laden boat's 100 kg`},
	{"data-battery", "cells of another chemistry", false, func(b *boat.Boat) { b.Battery.CellHighest = exactly(4.2) }, verdict.Close, `the highest voltage of a cell is 4.2 V \(LFP\); 3.4 V to 3.8 V is usual`},
	{"data-battery", "the bank's voltage for a cell's", false, func(b *boat.Boat) { b.Battery.Management.CellLow = exactly(41.6) }, verdict.Over, `management's lower voltage of a cell is 41.6 V`},
	{"data-battery", "an OCV table of another chemistry", false, func(b *boat.Boat) { b.Battery.Chemistry = "NMC" }, verdict.Close, `the rest voltage when half full of a cell is 3.3 V \(NMC\)`},
	{"data-battery", "management empties it in seconds", false, func(b *boat.Boat) { b.Battery.Management.DischargeCurrent = exactly(220e3) }, verdict.Over, `would empty the bank in`},
	{"data-battery", "resistance a thousand times too high", false, func(b *boat.Boat) { b.Battery.Resistance = exactly(7) }, verdict.Over, `takes 2652 % of its voltage`},
	{"data-battery", "polarisation in Ω for mΩ", false, func(b *boat.Boat) { b.Battery.Polarisation = [][]float64{{3, 30}} }, verdict.Over, `its polarisation takes 1136 % of its voltage`},
	{"data-battery", "lead without Peukert", true, func(b *boat.Boat) { b.Battery.Peukert = exactly(1) }, verdict.Close, `the Peukert exponent of this AGM lead-acid bank is 1`},
	{"data-conductors", "an ampacity for ten times the section", false, func(b *boat.Boat) { b.Cables[0].Section = exactly(5e-6) }, verdict.Over, `the battery cable of 5 mm² is said to carry 225 A of battery current`},
	{"data-conductors", "a resistance for another length", false, func(b *boat.Boat) { b.Cables[1].Resistance = exactly(5.5e-3) }, verdict.Over, `the resistance of the motor cable, 5.5 mΩ, is 10 times that of 1.6 m of copper of 50 mm²`},
	{"data-conductors", "a heat path that denies the ampacity", false, func(b *boat.Boat) { b.Cables[0].ThermalResistance = exactly(20) }, verdict.Over, `the battery cable rises by \d+ K, and 60 K bring it to its rated temperature`},
	{"data-conductors", "cable longer than the quay", false, func(b *boat.Boat) { b.Cables[0].Length = exactly(320) }, verdict.Over, `the battery cable is 320 m long out and back, 50 times the waterline`},
	{"data-conductors", "a joint of ohms", false, func(b *boat.Boat) { b.Joints[0].Resistance = exactly(0.12) }, verdict.Over, `the resistance of the battery lug is 120 mΩ`},
	{"data-conductors", "contactor of ohms", false, func(b *boat.Boat) { b.Contactor.Resistance = exactly(0.2) }, verdict.Over, `the contactor drops 40 V at its rated battery current, 200 A`},
	{"data-conductors", "fuse of nothing", false, func(b *boat.Boat) { b.Fuse.Resistance = exactly(0.5e-6) }, verdict.Over, `the fuse drops .* at its rated battery current, 160 A`},
	{"data-stage", "controller for the mains", false, func(b *boat.Boat) { b.Stage.VoltageLimit = exactly(3000) }, verdict.Over, `voltage limit, 3000 V, is 51 times`},
	{"data-stage", "switch of ohms", false, func(b *boat.Boat) { b.Stage.SwitchResistance = exactly(0.9) }, verdict.Over, `the switch drops 360 V`},
	{"data-stage", "heat sink of foil", false, func(b *boat.Boat) { b.Stage.SinkHeatCapacity = exactly(2.6) }, verdict.Over, `the heat sink follows its losses in 0.468 s`},
	{"data-stage", "capacitor of nanofarads", false, func(b *boat.Boat) { b.Stage.Capacitance = exactly(8e-9) }, verdict.Over, `the link capacitor has 2.00e-05 µF for each ampere of the controller's highest motor current`},
	{"data-stage", "always switching", false, func(b *boat.Boat) { b.Stage.SwitchingTime = exactly(300e-6) }, verdict.Over, `in 4.8e\+02 % of the chopping period`},
	{"data-propeller", "diameter in inches", false, func(b *boat.Boat) { b.Propeller.Diameter = exactly(12) }, verdict.Over, `a torque coefficient of 2.1e-10 for a propeller of 12 m`},
	{"data-propeller", "pitch in inches", false, func(b *boat.Boat) { b.Propeller.Pitch = exactly(8.7) }, verdict.Over, `the pitch, 8.7 m, is 29 times the diameter`},
	{"data-propeller", "a flywheel", false, func(b *boat.Boat) { b.Shaft.Inertia = exactly(40) }, verdict.Over, `propeller and shaft have an inertia of 40 kg·m²`},
	{"data-propeller", "gear that the voltage denies", false, func(b *boat.Boat) { b.Shaft.GearRatio = exactly(5) }, verdict.Over, `this motor would turn at 5750 rpm and need 12\d V, 2.1 times what the full bank has`},
	{"data-propeller", "a propeller for another motor", false, func(b *boat.Boat) { b.Propeller.Power = exactly(24e3) }, verdict.Over, `would take \d.* of motor current, \d+(\.\d)? times its rated current`},
	{"data-heat-capacity", "a compartment of a cupful", false, func(b *boat.Boat) { b.Compartment.HeatCapacity = exactly(40) }, verdict.Over, `the heat capacity of the compartment is 0.04 kJ/K; 3 kJ/K to 1000 kJ/K is usual: look at compartment.heat_capacity`},
	{"data-heat-capacity", "a small compartment", false, func(b *boat.Boat) { b.Compartment.HeatCapacity = exactly(1000) }, verdict.Close, `the heat capacity of the compartment is 1 kJ/K`},
	{"data-heat-capacity", "a compartment that loses no heat", false, func(b *boat.Boat) { b.Compartment.ThermalResistance = exactly(1e6) }, verdict.Over, `rises by .* for each watt lost in it; 0.001 K/W to 0.5 K/W is usual: look at compartment.thermal_resistance`},
	{"data-battery", "resistance of cells on fire", false, func(b *boat.Boat) { b.Battery.ResistanceAt = exactly(523.15) }, verdict.Over, `that of cells at 250 °C; -20 °C to 60 °C is usual: look at battery.resistance_at`},
	{"data-hull", "displacement in t for kg", false, func(b *boat.Boat) { b.Hull.Displacement = exactly(1.8) }, verdict.Over, `the boat of 1.8 kg on a waterline of 6.4 m`},
	{"data-hull", "knots for metres a second twice", false, func(b *boat.Boat) {
		b.Hull.SpeedPower[len(b.Hull.SpeedPower)-1] = []float64{50, 8200}
	}, verdict.Over, `has a row at 180 km/h, a Froude number of 6.3`},
	{"data-hull", "kilowatts for watts", false, func(b *boat.Boat) {
		for i := range b.Hull.SpeedPower {
			b.Hull.SpeedPower[i][1] *= 1000
		}
	}, verdict.Over, `means a resistance of`},
	{"data-hull", "the measured point on another curve", false, func(b *boat.Boat) { b.Propeller.Power = exactly(8.4e3) }, verdict.Over, `at 9.36 km/h the propeller took 8.4 kW when it was measured, 3.5 times what hull.speed_power has there, 2.4 kW`},
}

// TestDataThatContradictEachOtherAreFound (point 8): each contradiction is found by its rule, at its level.
func TestDataThatContradictEachOtherAreFound(t *testing.T) {
	for _, c := range contradictions {
		t.Run(c.rule+"/"+c.name, func(t *testing.T) {
			b, s := sound(t)
			if c.bracken {
				var err error
				b, s, err = reference.Boat("bracken")
				require.NoError(t, err)
			}
			c.change(b)
			found := check(t, c.rule, b, s)
			require.NotEmpty(t, found)
			worst, texts := verdict.Clear, ""
			for _, f := range found {
				texts += f.Text + "\n"
				worst = max(worst, f.Level)
				assert.Nil(t, f.Change, "no setting mends data")
			}
			assert.Regexp(t, c.says, texts)
			assert.NotContains(t, texts, "1/min", "speeds of rotation are in rpm")
			assert.Equal(t, c.level, worst, texts)
		})
	}
}

// TestLimitsOfDataRules: exactly at the ends of a range nothing is found, just outside it is.
func TestLimitsOfDataRules(t *testing.T) {
	at := func(gear float64) []verdict.Finding {
		b, s := sound(t)
		b.Shaft.GearRatio = exactly(gear)
		return check(t, "data-propeller", b, s)
	}
	assert.Empty(t, at(0.95))
	require.Len(t, at(0.949), 1)
	assert.Equal(t, verdict.Close, at(0.949)[0].Level)
	assert.Equal(t, verdict.Close, at(0.7)[0].Level)
	assert.Equal(t, verdict.Over, at(0.699)[0].Level)
}

// TestWhatIsLeftOutContradictsNothing: figures that follow from the rating or the mass cannot deny them.
func TestWhatIsLeftOutContradictsNothing(t *testing.T) {
	b, s := sound(t)
	m := &b.Motor
	m.BrushToHousing, m.BrushHeatCapacity, m.BarHeatCapacity, m.BarToCommutator = quantity.Value{}, quantity.Value{}, quantity.Value{}, quantity.Value{}
	m.WindingToHousing, m.HousingToAir, m.WindingHeatCapacity, m.HousingHeatCapacity = quantity.Value{}, quantity.Value{}, quantity.Value{}, quantity.Value{}
	for _, amps := range []float64{60, 150, 300} {
		m.RatedCurrent = exactly(amps)
		assert.Empty(t, check(t, "data-motor-heat", b, s), "%g A", amps)
	}
}
