package drive

// Measured says which quantities of a run were measured; temperatures are those of heat sink, motor sensor and battery.
type Measured struct {
	MotorCurrent, BatteryCurrent, Voltage, Duty, Speed bool
	Sink, Motor, Battery                               bool
	Denied                                             bool // some of them deny each other: from none follows what another would be
}

// Complete reports whether the others of motor current, battery current, duty and speed follow from those measured: any
// two do, but for duty and speed, whose small errors would make any current.
func (k Measured) Complete() bool {
	switch {
	case k.Denied:
		return false
	case k.MotorCurrent:
		return k.BatteryCurrent || k.Duty || k.Speed
	case k.BatteryCurrent:
		return k.Duty || k.Speed
	}
	return false
}

// knowledge holds what can be known of a run that follows a record.
type knowledge struct {
	Measured
	all   bool
	nodes []bool // per heat node: its temperature
}

// Known reports, for each of Parts, whether it can be known from what was measured. A part is left out where a heat that
// reaches it, directly or through what it touches, is not known; a measured temperature stands for itself.
func (m *Model) Known(measured Measured) []bool {
	k := knowledge{Measured: measured, all: measured.Complete(), nodes: make([]bool, m.network.Nodes())}
	drawn := make([]bool, len(k.nodes))
	n := &m.nodes
	drawn[n.sink], drawn[n.battery], drawn[m.sensorNode()] = measured.Sink, measured.Battery, measured.Motor
	for i := range k.nodes {
		k.nodes[i] = true
	}
	if !k.all {
		m.forget(&k, drawn)
	}
	out := make([]bool, len(m.Parts))
	for i := range m.Parts {
		out[i] = m.Parts[i].known(&k)
	}
	return out
}

// forget marks the nodes whose temperatures are not known without both currents and the speed.
func (m *Model) forget(k *knowledge, drawn []bool) {
	n := &m.nodes
	lose := func(at int) bool {
		if at < 0 || drawn[at] || !k.nodes[at] {
			return false
		}
		k.nodes[at] = false
		return true
	}
	for _, at := range []int{n.sink, n.capacitor, n.winding, n.housing, n.commutator, n.hotspot} {
		lose(at)
	}
	for i := range m.conductors {
		if c := &m.conductors[i]; c.motor || !k.BatteryCurrent {
			lose(c.node)
		}
	}
	if !k.BatteryCurrent {
		lose(n.battery)
		if m.fusePlace {
			lose(n.air)
		}
	}
	lose(m.linkEnds[m.links.housing].to) // how well the housing is cooled depends on the speed
	for spread := true; spread; {
		spread = false
		for _, l := range m.linkEnds {
			if l.to >= 0 && k.nodes[l.from] != k.nodes[l.to] {
				spread = lose(l.from) || lose(l.to) || spread
			}
		}
	}
}

func everything(k *knowledge) bool { return k.all }
