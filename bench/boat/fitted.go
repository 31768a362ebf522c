package boat

import (
	"math"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// What a boat file leaves out and what no default can stand for follows from the boat's other figures by these rules of thumb, all
// common practice, no source. Such a value counts as left out, and its tolerance is wide.
const (
	switchDrop     = 0.35   // V across the conducting switch at the stage's highest current
	switchRise     = 20     // K of the junction above the heat sink by conduction at that current
	sinkTime       = 400    // s in which the heat sink follows its losses
	linkPerAmpere  = 20e-6  // F of the link capacitor for each ampere of the stage
	motorTime      = 5e-3   // s, inductance over resistance of a motor
	rotorInertia   = 8.5e-5 // kg·m² for mass in kg to the power 5/3: similar motors of any size
	waterline      = 0.52   // m for mass in kg to the power 1/3
	motorHeat      = 449    // J/(kg·K) of a motor as a whole
	chopping       = 16e3   // Hz
	specificPerKWh = 3600e3 // J in a kW·h
	bankHeat       = 1000   // J/(kg·K)
)

// bankDensity is the rated energy of a bank per mass by chemistry, J/kg.
var bankDensity = map[string]float64{"LFP": 0.11 * specificPerKWh, "NMC": 0.17 * specificPerKWh, "flooded lead-acid": 0.033 * specificPerKWh, "AGM lead-acid": 0.033 * specificPerKWh}

// fit fills in what the file leaves out and what follows from other values here. What follows in the model's own terms (heat paths from
// the rating, a cable's resistance) is left to package drive.
func (b *Boat) fit() {
	fill := func(v *quantity.Value, x float64) {
		if !v.Given && x > 0 && !math.IsInf(x, 1) {
			*v = quantity.Exactly(x)
		}
	}
	bank := &b.Battery
	if !bank.Mass.Given {
		volts := float64(bank.Cells) * bank.Cell().Nominal
		fill(&bank.HeatCapacity, bankHeat*bank.Capacity.SI*volts/bankDensity[bank.Chemistry])
	}
	if m := bank.Management; m != nil {
		fill(&m.ChargeCurrent, m.DischargeCurrent.SI)
		fill(&m.CellHigh, bank.CellHighest.Or(bank.Cell().Full))
	}
	fill(&b.Contactor.BreakCurrent, b.Contactor.Current.SI)
	fill(&b.Contactor.MakeCurrent, b.Contactor.Current.SI)
	s := &b.Stage
	fill(&s.SwitchingFrequency, chopping)
	fill(&s.SwitchResistance, switchDrop/s.Current.SI)
	if rise := switchRise / (s.Current.SI * s.Current.SI * s.SwitchResistance.SI); len(s.SwitchHeat) == 0 && rise > 0 && !math.IsInf(rise, 1) {
		s.SwitchHeat = datafile.Table{{0.3 * rise, 5e-3}, {0.7 * rise, 0.15}}
	}
	fill(&s.SinkHeatCapacity, sinkTime/s.SinkResistance.SI)
	fill(&s.Capacitance, linkPerAmpere*s.Current.SI)
	m := &b.Motor
	fill(&m.Inductance, motorTime*m.Resistance.SI)
	mass := m.Mass.Or((m.WindingHeatCapacity.SI + m.HousingHeatCapacity.SI) / motorHeat)
	fill(&b.Hull.WaterlineLength, waterline*math.Cbrt(b.Hull.Displacement.SI))
	fill(&m.Inertia, rotorInertia*math.Pow(mass, 5.0/3))
}
