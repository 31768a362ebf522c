package drive

import (
	"math"

	"quaybench/bench/record"
	"quaybench/bench/thermal"
)

// Part is an entry of the one table of what has a limit, as a record has it, and how a model computes it. Adding a part is
// one entry in listParts. Its Start is that of the record: see Reference.
type Part struct {
	record.Part
	Value func(p *Point, y []float64) float64
	State bool // Value reads the state alone

	start func(p *Point, y []float64) float64 // value from which the share is counted; nil: referenceAir of a temperature, else 0
	known func(*knowledge) bool               // see Known
	node  int                                 // of the heat network, from 1; 0: none of its own
}

// referenceAir is the air that the rise of every part is counted from, K: the 25 °C for which makers commonly state ratings
// (common practice, no source). It is not the air of the trial: a part as hot as before has used as much of its limit as
// before, whatever is around it.
const referenceAir = 298.15

// Reference returns the part with the value from which its used share is counted; p and y are those of the start of a run.
func (part *Part) Reference(p *Point, y []float64) record.Part {
	out := part.Part
	switch {
	case part.start != nil:
		out.Start = part.start(p, y)
	case part.Measure == record.Temperature:
		out.Start = referenceAir
	}
	return out
}

// noCharging is the time in which a current that counts as none would fill the bank, s (common practice, no source).
const noCharging = 100 * 3600

func (m *Model) listParts() {
	b, n := m.boat, &m.nodes
	node := func(i int) func(*Point, []float64) float64 {
		at := m.layout.nodes + i
		return func(_ *Point, y []float64) float64 { return y[at] }
	}
	junction := func(at, side int) func(*Point, []float64) float64 {
		sink, stages := m.layout.nodes+n.sink, len(m.stage.foster[side])
		return func(_ *Point, y []float64) float64 { return y[sink] + sum(y[at:at+stages]) }
	}
	heated := func(at int) func(*knowledge) bool { return func(k *knowledge) bool { return k.nodes[at] } }
	hot := func(name string, at int, limit float64, current, consequence string) {
		m.Parts = append(m.Parts, Part{Part: record.Part{Name: name, Unit: "°C", Limit: limit, Current: current, Consequence: consequence}, Value: node(at), State: true, known: heated(at), node: at + 1})
	}
	hot("winding", n.winding, m.motor.thermal(&b.Motor).windingLimit, "motor", "insulation ages and chars; the winding shorts")
	if m.motor.brushless {
		hot("hottest phase", n.hotspot, m.motor.thermal(&b.Motor).windingLimit, "motor", "one phase chars while the others are cool")
	} else {
		hot("commutator", n.commutator, b.Motor.BrushLimit.SI, "motor", "brushes burn, bars lift")
		hot("commutator bars", n.hotspot, b.Motor.BrushLimit.SI, "motor", "the bars under the brushes pit and lift")
	}
	hot("motor housing", n.housing, b.Motor.HousingLimit.SI, "motor", "grease leaves the bearings; from about 65 °C on a touch burns")
	magnets := func(k *knowledge) bool {
		return k.nodes[n.housing] && (!m.motor.brushless || k.nodes[n.winding])
	}
	if b.Motor.MagnetLimit.Given {
		at := m.layout.nodes
		m.Parts = append(m.Parts, Part{
			Part: record.Part{Name: "magnets", Unit: "°C", Limit: b.Motor.MagnetLimit.SI, Current: "motor", Consequence: "magnets weaken for ever"}, known: magnets, State: true,
			Value: func(_ *Point, y []float64) float64 { return m.magnet(y[at : at+m.network.Nodes()]) },
		})
	}
	if m.motor.demagnet > 0 {
		at := m.layout.nodes
		m.Parts = append(m.Parts, Part{
			Part:  record.Part{Name: "demagnetisation", Unit: "%", Limit: 1, Measure: record.Ceiling, Current: "motor", Consequence: "the current weakens the magnets for ever"},
			known: func(k *knowledge) bool { return (k.all || k.MotorCurrent) && magnets(k) },
			Value: func(p *Point, y []float64) float64 {
				bears := m.motor.demagnet * max(0.05, 1+m.motor.demagnetPerKelvin*(m.magnet(y[at:at+m.network.Nodes()])-copperReference))
				return math.Abs(p.ArmatureCurrent) / bears
			},
		})
	}
	m.Parts = append(m.Parts,
		Part{
			Part:  record.Part{Name: "switch junction", Unit: "°C", Limit: b.Stage.JunctionLimit.SI, Current: "motor", Consequence: "the switch fails shorted: full voltage on the motor"},
			Value: junction(m.layout.switching, 0), State: true, known: everything,
		},
		Part{
			Part:  record.Part{Name: "freewheel junction", Unit: "°C", Limit: b.Stage.JunctionLimit.SI, Current: "motor", Consequence: "the freewheel path fails: overvoltage kills the switch"},
			Value: junction(m.layout.freewheel, 1), State: true, known: everything,
		},
	)
	hot("heat sink", n.sink, b.Stage.SinkLimit.SI, "motor", "the controller shuts down or its parts age")
	hot("link capacitor", n.capacitor, b.Stage.CapacitorLimit.SI, "motor", "capacitors dry out and vent")
	for i := range b.Cables {
		c := &b.Cables[i]
		hot(c.Name, m.conductors[i].node, c.RatedTemperature.SI, c.Circuit, "insulation softens; fire")
	}
	for i := range b.Joints {
		j := &b.Joints[i]
		hot(j.Name, m.conductors[len(b.Cables)+i].node, j.Limit.SI, j.Circuit, "the joint loosens and heats further; fire")
	}
	hot("contactor", n.contactor, b.Contactor.Limit.SI, "battery", "contacts weld or the case melts")
	hot("battery", n.battery, b.Battery.TemperatureLimit.SI, "battery", "cells age; management may open")
	hot("compartment air", n.air, b.Compartment.Limit.SI, "", "everything in it runs hotter than it is rated for")

	fuse := m.layout.fuse
	m.Parts = append(m.Parts, Part{
		Part:  record.Part{Name: "fuse", Unit: "%", Limit: 1, Measure: record.Melting, Current: "battery", Consequence: "the fuse opens: no drive"},
		known: func(k *knowledge) bool { return (k.all || k.BatteryCurrent) && (!m.fusePlace || k.nodes[n.air]) },
		State: true,
		Value: func(_ *Point, y []float64) float64 {
			share := sum(y[fuse:fuse+m.fuse.States()]) / thermal.MayMelt
			if share > 1-1e-6 { // a fast element has melted; what a slow one still carries is another matter
				return 1
			}
			return share
		},
	})
	// What lies between the voltmeter and the cells drops so little that its temperature does not count.
	cells := func(k *knowledge) bool { return k.all || k.Voltage && k.BatteryCurrent }
	cell := func(p *Point, _ []float64) float64 { return p.CellVoltage }
	open := func(p *Point, _ []float64) float64 { return p.OpenVoltage / m.battery.cells }
	if b.Battery.CellLowest.Given {
		m.Parts = append(m.Parts, Part{
			Part: record.Part{Name: "lowest cell", Unit: "V", Limit: b.Battery.CellLowest.SI, Measure: record.Floor, Current: "battery", Consequence: "cells are damaged for ever"}, start: open, Value: cell, known: cells,
		})
	}
	if b.Battery.CellHighest.Given && (m.stage.braking || b.Charging != nil) {
		m.Parts = append(m.Parts, Part{
			Part: record.Part{Name: "highest cell", Unit: "V", Limit: b.Battery.CellHighest.SI, Measure: record.Band, Current: "battery", Consequence: "cells are overcharged"}, start: open, Value: cell, known: cells,
		})
	}
	if b.Battery.ChargeLowestTemperature.Given && (m.stage.braking || b.Charging != nil) {
		at, lowest := m.layout.nodes+n.battery, b.Battery.ChargeLowestTemperature.SI
		m.Parts = append(m.Parts, Part{
			Part:  record.Part{Name: "charging in the cold", Unit: "A", Limit: b.Battery.Capacity.SI / noCharging, Measure: record.Ceiling, Current: "battery", Consequence: "lithium plates out: cells are damaged for ever and may short later"},
			known: func(k *knowledge) bool { return (k.all || k.BatteryCurrent) && k.nodes[n.battery] },
			Value: func(p *Point, y []float64) float64 {
				if y[at] >= lowest {
					return 0
				}
				return max(0, -p.BankCurrent)
			},
		})
	}
	if m.conditions.Electrical && m.conditions.Uncharged {
		m.Parts = append(m.Parts, Part{
			Part: record.Part{Name: "contactor closing", Unit: "A", Limit: b.Contactor.MakeCurrent.SI, Measure: record.Ceiling, Current: "battery", Consequence: "its contacts weld: it cannot open any more"}, known: everything,
			Value: func(p *Point, _ []float64) float64 { return math.Abs(p.BatteryCurrent) },
		})
	}
	m.Parts = append(m.Parts,
		Part{
			Part:  record.Part{Name: "link voltage", Unit: "V", Limit: b.Stage.VoltageLimit.SI, Measure: record.Band, Consequence: "switches and capacitors break down"},
			known: func(k *knowledge) bool { return k.all || k.Voltage },
			start: func(p *Point, _ []float64) float64 { return p.OpenVoltage },
			Value: func(p *Point, _ []float64) float64 { return p.Voltage },
		},
		Part{
			Part:  record.Part{Name: "power stage", Unit: "A", Limit: b.Stage.Current.SI, Measure: record.Ceiling, Current: "motor", Consequence: "beyond what the controller is made for"},
			known: func(k *knowledge) bool { return k.all || k.MotorCurrent },
			Value: func(p *Point, _ []float64) float64 { return math.Abs(p.MotorCurrent) },
		},
		Part{
			Part:  record.Part{Name: "rotor speed", Unit: "rpm", Limit: b.Motor.SpeedLimit.SI, Measure: record.Ceiling, Consequence: "bandage and commutator fly apart"},
			known: func(k *knowledge) bool { return k.all || k.Speed },
			Value: func(p *Point, _ []float64) float64 { return math.Abs(p.Measured.Speed) },
		},
	)
	for i := range m.Parts {
		p := &m.Parts[i]
		p.Trace, p.Close = p.Name, b.CloseShare(p.Name)
	}
}
