package verdict_test

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
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
	{"data-name-plate", "friction beyond the torque", false, func(b *boat.Boat) { b.Motor.FrictionTorque = exactly(40) }, verdict.Over, `turns -\d+.* % of its electrical power`},
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
	{"data-stage", "capacitor of nanofarads", false, func(b *boat.Boat) { b.Stage.Capacitance = exactly(8e-9) }, verdict.Over, `the link capacitor has 20 pF for each ampere of the controller's highest motor current`},
	{"data-stage", "always switching", false, func(b *boat.Boat) { b.Stage.SwitchingTime = exactly(300e-6) }, verdict.Over, `in 480 % of the chopping period`},
	{"data-propeller", "diameter in inches", false, func(b *boat.Boat) { b.Propeller.Diameter = exactly(12) }, verdict.Over, `a torque coefficient of 0.00000000021 for a propeller of 12 m`},
	{"data-propeller", "pitch in inches", false, func(b *boat.Boat) { b.Propeller.Pitch = exactly(8.7) }, verdict.Over, `the pitch, 8.7 m, is 29 times the diameter`},
	{"data-propeller", "a flywheel", false, func(b *boat.Boat) { b.Shaft.Inertia = exactly(40) }, verdict.Over, `propeller and shaft have an inertia of 40 kg·m²`},
	{"data-propeller", "gear that the voltage denies", false, func(b *boat.Boat) { b.Shaft.GearRatio = exactly(5) }, verdict.Over, `this motor would turn at 5750 rpm and need 12\d V, 2.1 times what the full bank has`},
	{"data-propeller", "a propeller for another motor", false, func(b *boat.Boat) { b.Propeller.MeasuredPower = exactly(24e3) }, verdict.Over, `would take \d.* of motor current, \d+(\.\d)? times its rated current`},
	{"data-heat-capacity", "a compartment of a cupful", false, func(b *boat.Boat) { b.Compartment.HeatCapacity = exactly(40) }, verdict.Over, `the heat capacity of the compartment is 0.04 kJ/K; 3 kJ/K to 1000 kJ/K is usual: look at compartment.heat_capacity`},
	{"data-heat-capacity", "a small compartment", false, func(b *boat.Boat) { b.Compartment.HeatCapacity = exactly(1000) }, verdict.Close, `the heat capacity of the compartment is 1 kJ/K`},
	{"data-heat-capacity", "a compartment that loses no heat", false, func(b *boat.Boat) { b.Compartment.ThermalResistance = exactly(1e6) }, verdict.Over, `rises by .* for each watt lost in it; 0.00488 K/W to 0.488 K/W is usual: look at compartment.thermal_resistance`},
	{"data-heat-capacity", "vents that shut out all air", false, func(b *boat.Boat) { b.Compartment.ClosedFactor = exactly(300) }, verdict.Over, `holds heat 300 times as well; 1 times to 10 times is usual: look at compartment.closed_factor`},
	{"data-heat-capacity", "a winding measured red-hot", false, func(b *boat.Boat) { b.Motor.ResistanceAt = exactly(623.15) }, verdict.Over, `that of a winding at 350 °C; -10 °C to 120 °C is usual: look at motor.resistance_at`},
	{"data-battery", "cells of half a volt", false, func(b *boat.Boat) { b.Battery.CellHighest = exactly(0.5) }, verdict.Over, `the highest voltage of a cell is 0.5 V`},
	{"data-battery", "resistance of cells on fire", false, func(b *boat.Boat) { b.Battery.ResistanceAt = exactly(523.15) }, verdict.Over, `that of cells at 250 °C; -20 °C to 60 °C is usual: look at battery.resistance_at`},
	{"data-limits", "a winding that bears more than its class", false, func(b *boat.Boat) { b.Motor.WindingLimit = degrees(390) }, verdict.Over, `the winding's limit is 390 °C \(thermal class F, IEC 60085\); 95 °C to 155 °C is usual: look at motor.winding_limit`},
	{"data-limits", "a winding a little beyond its class", false, func(b *boat.Boat) { b.Motor.WindingLimit = degrees(165) }, verdict.Close, `the winding's limit is 165 °C`},
	{"data-limits", "cells that bear what no cell bears", false, func(b *boat.Boat) { b.Battery.TemperatureLimit = degrees(400) }, verdict.Over, `the cells' limit in discharge is 400 °C \(LFP\); 45 °C to 65 °C is usual`},
	{"data-limits", "lead that bears what lithium does not", true, func(b *boat.Boat) { b.Battery.TemperatureLimit = degrees(95) }, verdict.Over, `\(AGM lead-acid\); 40 °C to 60 °C is usual`},
	{"data-limits", "junctions of no semiconductor", false, func(b *boat.Boat) { b.Stage.JunctionLimit = degrees(400) }, verdict.Over, `the junctions' limit is 400 °C \(silicon\)`},
	{"data-limits", "magnets beyond all grades", false, func(b *boat.Boat) { b.Motor.MagnetLimit = degrees(390) }, verdict.Over, `the magnets' limit is 390 °C \(ferrite\)`},
	{"data-limits", "NdFeB as hot as ferrite", false, func(b *boat.Boat) { b.Motor.Magnets, b.Motor.MagnetLimit = "NdFeB", degrees(250) }, verdict.Over, `250 °C \(NdFeB\)`},
	{"data-limits", "a cable for a furnace", false, func(b *boat.Boat) { b.Cables[0].RatedTemperature = degrees(390) }, verdict.Over, `the rated temperature of the battery cable is 390 °C`},
	{"data-limits", "an ampacity in an oven", false, func(b *boat.Boat) { b.Cables[0].AmpacityAt = degrees(120) }, verdict.Over, `the air for the ampacity of the battery cable is 120 °C`},
	{"data-limits", "a short circuit that cools", false, func(b *boat.Boat) {
		b.Cables[0].RatedTemperature, b.Cables[0].ShortCircuitTemperature = degrees(200), degrees(160)
	}, verdict.Over, `the short-circuit temperature of the battery cable is 160 °C \(insulation rated for 200 °C\)`},
	{"data-limits", "fuse curves in a furnace", false, func(b *boat.Boat) { b.Fuse.CurveAt = degrees(390) }, verdict.Over, `the air of the fuse's curves is 390 °C`},
	{"data-limits", "a fuse that never derates", false, func(b *boat.Boat) { b.Fuse.DeratingTemperature = degrees(1450) }, verdict.Over, `the fuse's temperature for derating is 1450 °C`},
	{"data-limits", "a lug of ceramic", false, func(b *boat.Boat) { b.Joints[0].Limit = degrees(390) }, verdict.Over, `the limit of the battery lug is 390 °C`},
	{"data-limits", "a contactor of ceramic", false, func(b *boat.Boat) { b.Contactor.Limit = degrees(390) }, verdict.Over, `the contactor's limit is 390 °C`},
	{"data-limits", "a sink hotter than its junctions", false, func(b *boat.Boat) { b.Stage.SinkLimit = degrees(160) }, verdict.Over, `the heat sink's limit is 160 °C`},
	{"data-limits", "a capacitor that boils", false, func(b *boat.Boat) { b.Stage.CapacitorLimit = degrees(300) }, verdict.Over, `the link capacitor's limit is 300 °C`},
	{"data-limits", "a compartment to bake in", false, func(b *boat.Boat) { b.Compartment.Limit = degrees(200) }, verdict.Over, `the limit of the compartment's air is 200 °C`},
	{"data-limits", "a housing that glows", false, func(b *boat.Boat) { b.Motor.HousingLimit = degrees(390) }, verdict.Over, `the motor housing's limit is 390 °C`},
	{"data-limits", "a commutator that melts", false, func(b *boat.Boat) { b.Motor.BrushLimit = degrees(390) }, verdict.Over, `the commutator's limit is 390 °C`},
	{"data-limits", "management that waits for fire", false, func(b *boat.Boat) { b.Battery.Management.TemperatureHigh = degrees(150) }, verdict.Over, `the temperature at which management opens is 150 °C`},
	{"data-limits", "charging warm only", false, func(b *boat.Boat) { b.Battery.ChargeLowestTemperature = degrees(50) }, verdict.Over, `the lowest temperature in charge is 50 °C`},
	{"data-cooling", "a contactor of diamond", false, func(b *boat.Boat) { b.Contactor.ThermalResistance = exactly(1e-6) }, verdict.Over, `the thermal resistance of the contactor, .* K/W, over the surface of a body of its size, about 0.00945 m², is a cooling by 106000000 W/\(m²·K\); 2 to 500 is usual: look at contactor.thermal_resistance`},
	{"data-cooling", "a bank under water", false, func(b *boat.Boat) { b.Battery.ThermalResistance = exactly(2e-3) }, verdict.Over, `the thermal resistance of the battery, 0.002 K/W`},
	{"data-cooling", "a bank in a gale", false, func(b *boat.Boat) { b.Battery.ThermalResistance = exactly(5e-3) }, verdict.Over, `the thermal resistance of the battery, 0.005 K/W, .* is a cooling by 384 W/\(m²·K\); 1 to 80 is usual`},
	{"data-heat-capacity", "a compartment in a gale", false, func(b *boat.Boat) { b.Compartment.ThermalResistance = exactly(1e-3) }, verdict.Over, `rises by 0.001 K for each watt lost in it; 0.00488 K/W to 0.488 K/W is usual`},
	{"data-conductors", "a thin cable that carries what a thick one does", false, func(b *boat.Boat) { b.Cables[0].Section = exactly(25e-6) }, verdict.Over, `the battery cable of 25 mm² is said to carry 225 A of battery current, 1.5\d? times what 33 CFR 183.425 table 5 means for insulation of 90 °C in air of 30 °C \(149 A\); 0.5 times to 1.15 times is usual: look at cable\[battery cable\].ampacity, cable\[battery cable\].section`},
	{"data-conductors", "an ampacity of spaced cables in free air", false, func(b *boat.Boat) { b.Cables[0].Ampacity = exactly(275) }, verdict.Close, `the battery cable of 50 mm² is said to carry 275 A of battery current, 1.1\d times`},
	{"data-conductors", "a heat path that an ampacity hides", false, func(b *boat.Boat) {
		c := &b.Cables[0] // each by itself within its range: 1.15 times the table, and 0.6 of the heat path that this means
		c.Ampacity, c.ThermalResistance = exactly(255), exactly(0.6*60/(255*255*1.2352e-3*1.275))
	}, verdict.Over, `carries by its thermal resistance 329 A of battery current, 1.4\d? times what`},
	{"data-name-plate", "a winding of a tenth of the resistance", false, func(b *boat.Boat) { b.Motor.Resistance = exactly(1.4e-3) }, verdict.Close, `at its rating the motor's resistance takes 0.9\d % of its voltage; 1.2 % to 30 % is usual: look at motor.resistance`},
	{"data-conductors", "cable of lead weight", false, func(b *boat.Boat) { b.Cables[0].HeatCapacity = exactly(55e3) }, verdict.Over, `the heat capacity of the battery cable is 55000 J/K, 99.6 times that of its copper, 552 J/K`},
	{"data-conductors", "cable wound to a coil", false, func(b *boat.Boat) { b.Cables[0].Inductance = exactly(1e-3) }, verdict.Over, `the inductance of a metre of the battery cable is 312.?\d? µH`},
	{"data-fuse", "a fuse that opens at once above its rating", false, func(b *boat.Boat) { b.Fuse.Carries, b.Fuse.Melts = exactly(1), exactly(1.01) }, verdict.Over, `a slow fuse melts at 1.01 times its rating at last; 1.3 times to 2.2 times is usual: look at fuse.melts`},
	{"data-fuse", "a band of no width", false, func(b *boat.Boat) { b.Fuse.Carries, b.Fuse.Melts = exactly(1.55), exactly(1.6) }, verdict.Close, `is 1.03 times the one that a fast one carries for ever`},
	{"data-fuse", "a fuse that holds whatever comes", false, func(b *boat.Boat) { b.Fuse.Carries = exactly(5) }, verdict.Over, `the fuse carries 5 times its rating for ever; 1 times to 1.6 times is usual`},
	{"data-fuse", "a slow curve that is too fast for any fuse", false, func(b *boat.Boat) { b.Fuse.Slowest = [][]float64{{165, 100}, {180, 1}} }, verdict.Close, `the slowest curve of the fuse melts at 180 A of battery current, 1.1\d times its rating, in 1 s`},
	{"data-fuse", "a slow curve in kA", false, func(b *boat.Boat) { b.Fuse.Slowest = [][]float64{{95000, 5}, {259000, 0.1}} }, verdict.Over, `1620 times its rating, in 0.1 s`},
	{"data-fuse", "a fuse for a trolley wire", false, func(b *boat.Boat) { b.Fuse.Voltage = exactly(2000) }, verdict.Over, `the fuse is rated for 2000 V direct, and the bank reaches 58.4 V; up to 584 V is usual: look at fuse.voltage`},
	{"data-fuse", "the alternating rating", false, func(b *boat.Boat) { b.Fuse.Voltage = exactly(690) }, verdict.Close, `the fuse is rated for 690 V direct`},
	{"data-fuse", "a fuse that breaks anything", false, func(b *boat.Boat) { b.Fuse.BreakingCapacity = exactly(900e3) }, verdict.Over, `the fuse breaks 900 kA of battery current; 0.3 kA to 150 kA is usual`},
	{"data-fuse", "an I²t for another unit", false, func(b *boat.Boat) { b.Fuse.MeltingI2t = exactly(9) }, verdict.Over, `the fastest element melts with 9 A²·s`},
	{"data-fuse", "an arc without end", false, func(b *boat.Boat) { b.Fuse.ArcingTime = exactly(5) }, verdict.Over, `the arc of the fuse lasts 5000 ms`},
	{"data-protection", "a contactor for a railway", false, func(b *boat.Boat) { b.Contactor.Current = exactly(9000) }, verdict.Over, `that the contactor carries for ever is 9000 A; 15 A to 1500 A is usual: look at contactor.current`},
	{"data-protection", "a contactor that opens on anything", false, func(b *boat.Boat) { b.Contactor.BreakCurrent = exactly(9000) }, verdict.Over, `the battery current that the contactor opens under load is 9000 A, 45 times what it carries for ever, 200 A`},
	{"data-protection", "management that waits an hour", false, func(b *boat.Boat) { b.Battery.Management.DischargeDelay = exactly(3600) }, verdict.Over, `how long management bears too much battery current in discharge is 3600 s; up to 60 s is usual: look at battery.management.discharge_delay`},
	{"data-protection", "cells left alone for ten minutes", false, func(b *boat.Boat) { b.Battery.Management.CellDelay = exactly(600) }, verdict.Over, `how long management bears a cell voltage outside is 600 s; up to 20 s is usual`},
	{"data-protection", "pre-charge over lunch", false, func(b *boat.Boat) { b.Precharge.Time = exactly(7200) }, verdict.Over, `the time of pre-charge is 7200 s`},
	{"data-protection", "a resistor that takes any pulse", false, func(b *boat.Boat) { b.Precharge.PulseEnergy = exactly(1e6) }, verdict.Over, `takes in one pulse is 1000000 J`},
	{"data-protection", "a panel as large as the harbour", false, func(b *boat.Boat) {
		b.Charging = &boat.Charging{Power: exactly(350e3), CurrentLimit: exactly(10), VoltageLimit: exactly(58)}
	}, verdict.Over, `in which the charging source, 350000 W, would fill the bank`},
	{"data-parts", "magnets that nothing weakens", false, func(b *boat.Boat) { b.Motor.DemagnetisingCurrent = exactly(50e3) }, verdict.Over, `the motor current that begins to weaken the magnets is 50000 A, 333 times the motor's rated current, 150 A`},
	{"data-parts", "magnets that heat makes strong", false, func(b *boat.Boat) { b.Motor.Magnets, b.Motor.DemagnetisingPerKelvin = "NdFeB", exactly(0.006) }, verdict.Close, `the change of that current for each kelvin, of NdFeB, is 0.6 %/K; -1.2 %/K to -0.2 %/K is usual`},
	{"data-parts", "magnets that a kelvin ruins", false, func(b *boat.Boat) { b.Motor.DemagnetisingPerKelvin = exactly(0.5) }, verdict.Over, `the change of that current for each kelvin, of ferrite, is 50 %/K`},
	{"data-parts", "a switch without losses", false, func(b *boat.Boat) { b.Stage.SwitchingTime = exactly(0) }, verdict.Over, `the rise and fall time of the switch is 0 ns; 20 ns to 5000 ns is usual: look at stage.switching_time`},
	{"data-parts", "water that cannot be lost", false, func(b *boat.Boat) { b.Motor.Cooling, b.Motor.LostCoolingFactor = "water", exactly(1) }, verdict.Close, `how many times as warm the motor's housing, which is cooled by water, gets when its cooling is lost is 1 times; 1.5 times to 30 times is usual`},
	{"data-parts", "a capacitor without resistance", false, func(b *boat.Boat) { b.Stage.CapacitorESR = exactly(0) }, verdict.Over, `look at stage.capacitor_esr, stage.capacitance`},
	{"data-parts", "a winding of water", false, func(b *boat.Boat) { b.Motor.WindingHeatCapacity = exactly(60e3) }, verdict.Over, `the share of the motor's heat capacity that is in its winding is 81.\d %`},
	{"data-hull", "displacement in t for kg", false, func(b *boat.Boat) { b.Hull.Displacement = exactly(1.8) }, verdict.Over, `the boat of 1.8 kg on a waterline of 6.4 m`},
	{"data-hull", "knots for metres a second twice", false, func(b *boat.Boat) {
		b.Hull.SpeedPower[len(b.Hull.SpeedPower)-1] = []float64{50, 8200}
	}, verdict.Over, `has a row at 180 km/h, a Froude number of 6.3`},
	{"data-hull", "kilowatts for watts", false, func(b *boat.Boat) {
		for i := range b.Hull.SpeedPower {
			b.Hull.SpeedPower[i][1] *= 1000
		}
	}, verdict.Over, `means a resistance of`},
	{"data-hull", "the measured point on another curve", false, func(b *boat.Boat) { b.Propeller.MeasuredPower = exactly(8.4e3) }, verdict.Over, `at 9.36 km/h the propeller took 8.4 kW when it was measured, 3.5 times what hull.speed_power has there, 2.4 kW`},
}

func degrees(celsius float64) quantity.Value { return exactly(celsius + 273.15) }

// TestEveryTemperatureAndThermalResistanceIsJudgedBySize: whatever key of a boat file is a temperature or a thermal resistance, found by
// its unit and not by a list, one that no boat has is found by a rule.
func TestEveryTemperatureAndThermalResistanceIsJudgedBySize(t *testing.T) {
	impossible := map[string]func(f datafile.Field) []float64{
		"K/W": func(datafile.Field) []float64 { return []float64{1e-6, 1e4} },
		"°C":  func(f datafile.Field) []float64 { return []float64{f.High - 1} }, // as hot as the reader lets it be
	}
	seen := map[string]int{}
	for _, f := range datafile.Fields(boat.Boat{}) {
		if f.Kind != datafile.KindQuantity || impossible[f.Unit] == nil {
			continue
		}
		for _, x := range impossible[f.Unit](f) {
			b, s := sound(t)
			datafile.Walk(b, func(path string, v *quantity.Value) {
				if index.ReplaceAllString(path, "") == index.ReplaceAllString(f.Key, "") {
					*v = exactly(x)
					seen[f.Unit]++
				}
			})
			worst := verdict.Clear
			for _, found := range verdict.Static(b, s) {
				if strings.HasPrefix(found.Rule, "data-") {
					worst = max(worst, found.Level)
				}
			}
			assert.Equal(t, verdict.Over, worst, "%s = %g", f.Key, x)
		}
	}
	assert.GreaterOrEqual(t, seen["K/W"], 2*10)
	assert.GreaterOrEqual(t, seen["°C"], 20)
	b, s := sound(t)
	b.Stage.SwitchHeat = [][]float64{{1e-6, 5e-3}, {1e-6, 0.15}}
	assert.NotEmpty(t, check(t, "data-cooling", b, s))
}

var index = regexp.MustCompile(`\[[^\]]*\]`)

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

// TestPublishedAmpacitiesAreTaken: what tables list of one section is never denied: 33 CFR 183.425 table 5 in all its columns, IEC 60204-1
// table 6 method E (as package thermal has it), IEC 60364-5-52 of two XLPE cables that touch in free air (F) and of one spaced from the
// next (G), at 90 °C in 30 °C; those two from memory. Only the spaced ones, which no boat's out and back are, are close. A fifth more
// than any of these is over: until 29 November 2026 1.7 times the table was usual, and 225 A on 25 mm² clear.
func TestPublishedAmpacitiesAreTaken(t *testing.T) {
	level := func(section, rated, air, amps float64) (worst verdict.Level, says string) {
		b, s := sound(t)
		c := &b.Cables[0]
		c.Section, c.RatedTemperature, c.AmpacityAt, c.Ampacity, c.Resistance = exactly(section), degrees(rated), degrees(air), exactly(amps), quantity.Value{}
		for _, f := range check(t, "data-conductors", b, s) {
			if strings.Contains(f.Text, "183.425") {
				worst, says = f.Level, f.Text
			}
		}
		return worst, says
	}
	for _, gauge := range thermal.Gauges() {
		for _, rated := range []float64{60, 75, 80, 90, 105, 125, 200} {
			amps, ok := thermal.AllowableAmperage(gauge, rated+273.15)
			require.True(t, ok)
			got, says := level(thermal.AWGSection(gauge), rated, 30, amps)
			if thermal.AWGSection(gauge) > 5e-6 { // thinner ones are listed in steps of 5 A
				assert.Equal(t, verdict.Clear, got, says)
			}
			assert.Less(t, got, verdict.Over, says)
		}
	}
	for _, c := range []struct {
		section, rated, air, amps float64
		level                     verdict.Level
	}{
		{16, 70, 40, 70, verdict.Clear}, {25, 70, 40, 88, verdict.Clear}, {50, 70, 40, 133, verdict.Clear}, {95, 70, 40, 207, verdict.Clear}, // method E
		{25, 90, 30, 161, verdict.Clear}, {50, 90, 30, 246, verdict.Clear}, {95, 90, 30, 382, verdict.Clear}, // method F
		{25, 90, 30, 182, verdict.Close}, {50, 90, 30, 275, verdict.Close}, {95, 90, 30, 430, verdict.Close}, // method G
		{25, 90, 30, 225, verdict.Over}, {50, 90, 30, 330, verdict.Over}, {95, 90, 30, 516, verdict.Over},
		{25, 90, 30, 75, verdict.Clear}, {25, 90, 30, 50, verdict.Close}, {25, 90, 30, 25, verdict.Over},
	} {
		got, says := level(c.section*1e-6, c.rated, c.air, c.amps)
		assert.Equal(t, c.level, got, "%g mm² at %g A: %s", c.section, c.amps, says)
	}
}
