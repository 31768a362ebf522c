package drive

// Energy is the account of a run up to a state, J.
type Energy struct {
	Battery    float64 // out of cells and charging source, at open-circuit voltage
	Heat       float64 // every loss before the propeller
	Shaft      float64 // work on the propeller
	Throughput float64 // ∫|P| dt at the battery
	Stored     float64 // in polarisation, rotor, inductances and link capacitor
}

// Energy reads the account from a state.
func (m *Model) Energy(y []float64) Energy {
	l := &m.layout
	return Energy{Battery: y[l.battery], Heat: y[l.heat], Shaft: y[l.shaft], Throughput: y[l.abs], Stored: m.stored(y)}
}

// Spent returns what cells and charging source have given up to a state, J; see Energy.
func (m *Model) Spent(y []float64) float64 { return y[m.layout.battery] }

func (m *Model) stored(y []float64) float64 {
	l := &m.layout
	s := m.inertia * y[l.speed] * y[l.speed] / 2
	for k := range m.battery.pairs {
		v := y[l.pair+k]
		s += m.battery.pairTau[k] / m.battery.pairR[k] * v * v / 2
	}
	if l.link >= 0 {
		s += (m.motor.inductance + m.motorL) * y[l.motorCurrent] * y[l.motorCurrent] / 2
		s += max(m.pathL, leastPathL) * y[l.path] * y[l.path] / 2
		s += m.stage.capacitance * y[l.link] * y[l.link] / 2
	}
	return s
}

// leastPathL keeps the path's equation from degenerating where a file says that it has no inductance, H.
const leastPathL = 1e-7

// Endurance returns how long the rested bank gives a power (W, at open-circuit voltage) from a state of charge down to a tenth, s.
func (m *Model) Endurance(charge, power float64) float64 { return m.battery.endurance(charge, power) }
