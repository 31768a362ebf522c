package drive

import "quaybench/bench/control"

// most is the largest number of scalars or outputs that a model has.
const most = 16

// choice is which scalars and outputs of the operating point a model has, each with a place of its own in the small dense
// systems of a linear; −1: it has none. First come the scalars that read temperatures, last the two deratings, which mostly do
// not act.
type choice struct {
	scalars [scalars]int
	outputs [outputs]int
	inner   int // the scalar that is the bank's voltage behind its resistance
	cold    int // the bank's temperature, where a charging source makes the voltage depend on it
	link    int // the link's voltage and the path's current, where they are states
	path    int
	bank    int // the output that is the current out of the cells
	drop    int // the output that is what holds the path's current back, V, where that is a state
	heat    int // how many scalars read temperatures, the deratings apart
	ns, no  int

	used []int // scalars that the operating point can depend on, bySource first and the deratings last
	of   []int // outputs that have a place
}

// choose numbers the scalars and outputs that the model can need.
func (m *Model) choose() {
	c := &m.choice
	*c = choice{cold: -1, link: -1, path: -1, drop: -1}
	place := func() int { c.ns++; return c.ns - 1 }
	scalar := func(all ...int) {
		for _, by := range all {
			c.scalars[by] = place()
			c.used = append(c.used, by)
		}
	}
	output := func() int { c.no++; return c.no - 1 }
	for by := range c.scalars {
		c.scalars[by] = -1
	}
	electrical := m.layout.link >= 0
	charging := m.boat.Charging != nil && m.conditions.Charging

	c.used = append(c.used, bySource) // its place is the bank's or the link's
	scalar(byOhms, byLoop, bySwitch)
	if m.motor.series {
		scalar(byArmature)
	} else {
		scalar(byMagnet)
	}
	if !m.stage.diode {
		scalar(byFreewheel)
	}
	if charging {
		c.cold = place()
	}
	c.heat = c.ns
	c.inner = place()
	scalar(bySpeed, byDemand)
	if electrical {
		scalar(byCurrent)
		c.link, c.path = place(), place()
	}
	scalar(byDriving, byBraking)

	for of := range outputs {
		c.outputs[of] = -1
		switch {
		case of == ofArmature && !m.motor.series: // the same current
			c.outputs[of] = c.outputs[ofMotor]
		case (of == ofUnbalanced || of == ofLink) && !electrical:
		default:
			c.outputs[of] = output()
			c.of = append(c.of, of)
		}
	}
	c.bank = c.outputs[ofBattery]
	if charging {
		c.bank = output()
	}
	if electrical {
		c.drop = output()
	}

	for side, stages := range m.stage.foster {
		m.rungs[side] = nil
		for _, s := range stages {
			m.rungs[side] = append(m.rungs[side], rung{drive: s[0] / s[1], rate: 1 / s[1]})
		}
	}
	m.turning = []int{m.nodes.housing, m.nodes.winding, m.nodes.hotspot}
	if m.nodes.commutator >= 0 {
		m.turning = append(m.turning, m.nodes.commutator)
	}
	m.elementDrives, m.elementRates = nil, nil
	for _, s := range m.fuse.Element {
		m.elementDrives, m.elementRates = append(m.elementDrives, s.Resistance/s.TimeConstant), append(m.elementRates, 1/s.TimeConstant)
	}
}

// states of the law that deratings read.
var derated = [3]int{control.Voltage, control.StageSensor, control.MotorSensor}
