package drive

import (
	"math"

	"quaybench/bench/boat"

	"gonum.org/v1/gonum/interp"
)

// battery is the bank as one string: open-circuit voltage, ohmic resistance, one or two polarisation pairs, and for
// Peukert behaviour a second well that feeds the first.
type battery struct {
	cells       float64
	capacity    float64 // C, the charge that both wells hold
	ocv         interp.FritschButland
	resistance  float64 // Ω at reference
	reference   float64 // K
	coldness    float64 // 1/K
	pairR       [2]float64
	pairTau     [2]float64
	pairs       int
	available   float64 // share of the charge in the available well; 1 for no second well
	wellRate    float64 // 1/s, how fast the wells even out
	heat        float64 // J/K
	ocvIntegral float64 // ∫ OCV ds from 0 to 1, one cell
}

func newBattery(b *boat.Battery) (battery, error) {
	m := battery{
		cells:      float64(b.Cells),
		capacity:   b.Capacity.SI,
		resistance: b.Resistance.SI,
		reference:  b.ResistanceAt.SI,
		coldness:   b.ResistanceColdness.SI,
		pairs:      len(b.Polarisation),
		available:  1,
		heat:       b.HeatCapacity.Or(b.Mass.SI * 1000),
	}
	for i, row := range b.Polarisation {
		m.pairR[i], m.pairTau[i] = row[0], row[1]
	}
	table := b.OCV
	if len(table) == 0 {
		table = chemistryOCV[b.Chemistry]
	}
	xs, ys := columns(table)
	if err := m.ocv.Fit(xs, ys); err != nil {
		return m, err
	}
	for i := range 200 {
		m.ocvIntegral += m.ocv.Predict((float64(i)+0.5)/200) / 200
	}
	m.setPeukert(b.Peukert.SI, b.RatedTime.SI)
	return m, nil
}

// setPeukert calibrates the two wells so that the bank gives its rated charge in the rated time and, at five times
// that current, the charge Peukert's law t = H·(C/(I·H))^n allows. Two-well (kinetic) model: Manwell and McGowan 1993.
func (m *battery) setPeukert(n, rated float64) {
	if n <= 1.0001 {
		return
	}
	const times = 5
	charge := m.capacity // what it gives in the rated time
	want := math.Pow(times, 1-n) * charge
	given := func(total, share, rate, current float64) float64 { return deliverable(total, share, rate, current) }
	m.available = 0.3
	// For each rate the total charge follows from the rated discharge; choose the rate that meets the fast one too.
	total := func(rate float64) float64 {
		lo, hi := charge, 20*charge
		for range 80 {
			mid := (lo + hi) / 2
			if given(mid, m.available, rate, charge/rated) < charge {
				lo = mid
			} else {
				hi = mid
			}
		}
		return (lo + hi) / 2
	}
	lo, hi := math.Log(1e-7), math.Log(1.0)
	for range 80 {
		mid := (lo + hi) / 2
		rate := math.Exp(mid)
		if given(total(rate), m.available, rate, times*charge/rated) < want {
			lo = mid // wells even out too slowly: the fast discharge gives too little
		} else {
			hi = mid
		}
	}
	m.wellRate = math.Exp((lo + hi) / 2)
	m.capacity = total(m.wellRate)
}

// deliverable is the charge taken at constant current until the available well is empty.
// Wells: available share c, heights even out at rate k (1/s).
func deliverable(total, c, k, current float64) float64 {
	// Difference of heights δ = h2 − h1 (as share of full height): δ' = i/(c·Q) − k·δ; h1 = s − (1 − c)·δ.
	empty := func(t float64) float64 {
		delta := current / (c * total) / k * (1 - math.Exp(-k*t))
		return 1 - current*t/total - (1-c)*delta
	}
	lo, hi := 0.0, total/current
	for range 80 {
		mid := (lo + hi) / 2
		if empty(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return current * (lo + hi) / 2
}

// level is the state of charge that sets the open-circuit voltage: the height of the available well.
func (m *battery) level(charge, gap float64) float64 { return charge - (1-m.available)*gap }

// openCircuit is the bank's open-circuit voltage, V.
func (m *battery) openCircuit(charge, gap float64) float64 {
	level := m.level(charge, gap)
	v := m.ocv.Predict(min(1, max(0, level)))
	if level < 0 { // empty: the voltage collapses
		v *= max(0.02, 1+8*level)
	}
	return m.cells * v
}

// openCircuitSlope is the change of openCircuit per unit of level, V.
func (m *battery) openCircuitSlope(charge, gap float64) float64 {
	level := m.level(charge, gap)
	switch {
	case level > 1:
		return 0
	case level >= 0:
		return m.cells * m.ocv.PredictDerivative(level)
	case 1+8*level > 0.02:
		return m.cells * m.ocv.Predict(0) * 8
	}
	return 0
}

// ohmic is the bank's ohmic resistance at cell temperature T, Ω.
func (m *battery) ohmic(T float64) float64 {
	return m.resistance * math.Exp(min(3, max(-1, m.coldness*(m.reference-T))))
}

// usable is the energy from a state of charge down to a tenth, J, at open-circuit voltage.
func (m *battery) usable(charge float64) float64 {
	const lowest, steps = 0.1, 200
	if charge <= lowest {
		return 0
	}
	var sum float64
	for i := range steps {
		sum += m.ocv.Predict(lowest + (charge-lowest)*(float64(i)+0.5)/steps)
	}
	return sum / steps * (charge - lowest) * m.cells * m.capacity
}

func columns(table [][]float64) (xs, ys []float64) {
	for _, row := range table {
		xs, ys = append(xs, row[0]), append(ys, row[1])
	}
	return xs, ys
}

// chemistryOCV is the open-circuit voltage of one cell over state of charge at 25 °C, for a boat file that gives no
// table. Rounded shapes from memory, no source: replace them by the data sheet's.
var chemistryOCV = map[string][][]float64{
	"LFP": {
		{0, 2.70}, {0.02, 2.95}, {0.05, 3.10}, {0.10, 3.20}, {0.20, 3.25}, {0.30, 3.28}, {0.40, 3.295}, {0.50, 3.30},
		{0.60, 3.31}, {0.70, 3.325}, {0.80, 3.33}, {0.90, 3.335}, {0.96, 3.345}, {1, 3.42},
	},
	"NMC": {
		{0, 3.00}, {0.02, 3.25}, {0.05, 3.38}, {0.10, 3.46}, {0.20, 3.55}, {0.30, 3.60}, {0.40, 3.64}, {0.50, 3.69},
		{0.60, 3.78}, {0.70, 3.88}, {0.80, 3.98}, {0.90, 4.08}, {1, 4.19},
	},
	"flooded lead-acid": {
		{0, 1.92}, {0.10, 1.95}, {0.20, 1.97}, {0.40, 2.02}, {0.60, 2.06}, {0.80, 2.10}, {1, 2.13},
	},
	"AGM lead-acid": {
		{0, 1.93}, {0.10, 1.96}, {0.20, 1.99}, {0.40, 2.04}, {0.60, 2.08}, {0.80, 2.12}, {1, 2.15},
	},
}
