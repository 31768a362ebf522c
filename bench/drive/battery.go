package drive

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/root"

	"gonum.org/v1/gonum/mat"
)

// battery is the bank as one string: open-circuit voltage, ohmic resistance, one or two polarisation pairs, and for
// Peukert behaviour two wells that feed the one at the terminals.
type battery struct {
	cells       float64
	capacity    float64 // C, the charge that all wells hold
	ocv         hermite
	resistance  float64 // Ω at reference
	reference   float64 // K
	coldness    float64 // 1/K
	pairR       [2]float64
	pairTau     [2]float64
	pairs       int
	wells       []well
	heat        float64 // J/K
	ocvIntegral float64 // ∫ OCV ds from 0 to 1, one cell
}

const specificBank = 1000 // J/(kg·K) of a bank whose heat capacity is not stated

func newBattery(b *boat.Battery) (battery, error) {
	m := battery{
		cells:      float64(b.Cells),
		capacity:   b.Capacity.SI,
		resistance: b.Resistance.SI,
		reference:  b.ResistanceAt.SI,
		coldness:   b.ResistancePerKelvin.SI,
		pairs:      len(b.Polarisation),
		heat:       b.HeatCapacity.Or(b.Mass.SI * specificBank),
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

// well is charge that reaches the terminals only by and by: it lags behind the state of charge by x, x' = i/capacity −
// rate·x, and the level at the terminals is that lag, share times, below the state of charge.
type well struct {
	share float64
	rate  float64 // 1/s
}

// lags is the number of wells there can be.
const lags = 2

// setPeukert calibrates capacity and wells so that a full bank meets Peukert's law t = H·(C/(I·H))^n exactly at once, five
// and twenty times the rated current; its rated charge C is what it gives in the rated time H. Between those currents a
// discharge lasts as long as the law says within 0.5 % up to n = 1.2, 1 % at 1.3, 1.6 % at 1.4 and 3.5 % at 1.6. Below the
// rated current the law has no end, a bank does: at half of it the model lasts 5 % less at 1.2, 13 % less at 1.4; at
// twice the highest it lasts 4 % longer at 1.2, 12 % at 1.4. The kinetic model (Manwell and McGowan 1993) with two bound
// wells in place of one, which misses the law by up to 12 % in the same range.
func (m *battery) setPeukert(n, rated float64) {
	if n <= 1.0001 {
		return
	}
	// At a constant current i (times the rated one) the level is at zero after t (rated times) where
	//	capacity − Σ share·i·(1 − e^(−rate·t))/rate = i·t
	// With the rates given this is linear; these suit any exponent up to 1.6.
	rates := [lags]float64{2.4 + 7.5*(n-1), 30 * math.Exp(2.65*(n-1))}
	rows, charges := mat.NewDense(3, 3, nil), mat.NewVecDense(3, nil)
	for row, i := range []float64{1, 5, 20} {
		t := math.Pow(i, -n)
		rows.Set(row, 0, 1)
		for k, rate := range rates {
			rows.Set(row, 1+k, i*math.Expm1(-rate*t)/rate)
		}
		charges.SetVec(row, i*t)
	}
	var x mat.VecDense
	if err := x.SolveVec(rows, charges); err != nil {
		panic(err) // not for exponents of 1.0001 and more
	}
	m.capacity *= x.AtVec(0)
	for k, rate := range rates {
		m.wells = append(m.wells, well{share: x.AtVec(1 + k), rate: rate / rated})
	}
}

// lasts returns how long a rested bank gives a constant current until its level has fallen from one to another, s.
func (m *battery) lasts(from, to, current float64) float64 {
	spare := func(t float64) float64 {
		left := from - to - current*t/m.capacity
		for _, w := range m.wells {
			left += w.share * current / m.capacity * math.Expm1(-w.rate*t) / w.rate
		}
		return left
	}
	return root.Zero(0, (from-to)*m.capacity/current, spare)
}

// level returns the state of charge that sets the open-circuit voltage: the height of the well at the terminals.
func (m *battery) level(charge float64, lag []float64) float64 {
	for k, w := range m.wells {
		charge -= w.share * lag[k]
	}
	return charge
}

// openCircuit returns the bank's open-circuit voltage at a level, V.
func (m *battery) openCircuit(level float64) float64 {
	v := m.ocv.Predict(min(1, max(0, level)))
	switch {
	case level < 0: // empty: the voltage collapses
		v *= max(0.02, 1+8*level)
	case level > 1: // full: it climbs, until the electrolyte breaks down or a management opens
		v *= min(1.5, 1+8*(level-1))
	}
	return m.cells * v
}

// openCircuitSlope returns the change of openCircuit per unit of level, V.
func (m *battery) openCircuitSlope(level float64) float64 {
	switch {
	case 8*(level-1) > 0.5:
		return 0
	case level > 1:
		return m.cells * m.ocv.Predict(1) * 8
	case level >= 0:
		return m.cells * m.ocv.PredictDerivative(level)
	case 1+8*level > 0.02:
		return m.cells * m.ocv.Predict(0) * 8
	}
	return 0
}

// ohmic returns the bank's ohmic resistance at cell temperature T, Ω.
func (m *battery) ohmic(T float64) float64 {
	return m.resistance * math.Exp(min(3, max(-1, m.coldness*(m.reference-T))))
}

// ohmicSlope returns its change per kelvin, where it is ohms.
func (m *battery) ohmicSlope(T, ohms float64) float64 {
	if x := m.coldness * (m.reference - T); x >= 3 || x <= -1 {
		return 0
	}
	return -m.coldness * ohms
}

// LowestCharge is the state of charge down to which an endurance is counted.
const LowestCharge = 0.1

// endurance returns how long a rested bank gives a power, at open-circuit voltage, from a state of charge down to
// LowestCharge, s.
func (m *battery) endurance(charge, power float64) float64 {
	const lowest, steps = LowestCharge, 200
	if charge <= lowest {
		return 0
	}
	var mean float64 // V, over the charge that it gives
	for i := range steps {
		mean += m.cells * m.ocv.Predict(lowest+(charge-lowest)*(float64(i)+0.5)/steps) / steps
	}
	return m.lasts(charge, lowest, power/mean)
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
