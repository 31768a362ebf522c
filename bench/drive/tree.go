package drive

import "quaybench/bench/thermal"

// branch is a node of the heat network and its one link outwards. The network is a tree: every node is cooled by one other, or
// by what is outside the boat. In the model's order each node lies behind the one that it is cooled by.
type branch struct {
	to          int // the node; −1 and −2: the boundary
	conductance float64
	capacity    float64 // J/K
	perJoule    float64 // 1/capacity

	// What of the node carries current: Ω at 20 °C, and Ω/K. The winding's own resistance is the motor's.
	pathOhms, pathSlope float64 // battery current
	loopOhms, loopSlope float64 // motor current
}

// grow builds the tree from the network and the conductors.
func (m *Model) grow() {
	m.tree = make([]branch, m.network.Nodes())
	for i, link := range m.linkEnds {
		_, to := m.network.Ends(thermal.Link(i))
		if link.from != i || link.to >= i || len(m.linkEnds) != len(m.tree) {
			panic("drive: a node of the heat network must have one link, to a node before it")
		}
		b := &m.tree[i]
		b.to, b.conductance = link.to, link.conductance
		if to.IsBoundary() {
			b.to = -1 - to.Index()
		}
		b.capacity = m.network.Capacity(i)
		b.perJoule = 1 / b.capacity
	}
	m.pathOhms, m.loopOhms, m.pathSlopes, m.loopSlopes = 0, 0, nil, nil
	for i := range m.conductors {
		c := &m.conductors[i]
		slope := 0.0
		if c.copper {
			slope = c.r * copperSlope
		}
		if b := &m.tree[c.node]; c.motor {
			b.loopOhms, b.loopSlope = b.loopOhms+c.r, b.loopSlope+slope
		} else {
			b.pathOhms, b.pathSlope = b.pathOhms+c.r, b.pathSlope+slope
		}
	}
	for k, b := range m.tree {
		m.pathOhms, m.loopOhms = m.pathOhms+b.pathOhms, m.loopOhms+b.loopOhms
		if b.pathSlope != 0 {
			m.pathSlopes = append(m.pathSlopes, warming{k, b.pathSlope})
		}
		if b.loopSlope != 0 {
			m.loopSlopes = append(m.loopSlopes, warming{k, b.loopSlope})
		}
	}
}

// warming is a resistance's change with the temperature of a node, Ω/K.
type warming struct {
	node  int
	slope float64
}

// warmed returns the sum of such changes at the temperatures T, over those at a reference.
func warmed(all []warming, T []float64, reference float64) (ohms float64) {
	for _, w := range all {
		ohms += w.slope * (T[w.node] - reference)
	}
	return ohms
}
