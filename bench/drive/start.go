package drive

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/control"
)

// Start is the state a run begins in. What is NaN starts at the temperature of its surroundings. Temperatures in kelvin.
type Start struct {
	Charge  float64 // 0..1
	Speed   float64 // boat, m/s
	Winding float64
	Housing float64
	Sink    float64
	Battery float64
	Cables  float64
	Each    map[string]float64 // cables, joints and contactor by name, where they have a temperature of their own
	Air     float64            // in the compartment
}

// CheckStart refuses a start that names a cable or joint the boat does not have.
func (m *Model) CheckStart(s Start) error {
	var known []string
	for i := range m.conductors {
		known = append(known, m.conductors[i].name)
	}
	for name := range s.Each {
		if !slices.Contains(known, name) {
			return fmt.Errorf("start.cable: the boat has no %q; it has %s", name, strings.Join(known, ", "))
		}
	}
	return nil
}

// Begin returns the state vector at the start and sets the law's mode.
func (r *Run) Begin(s Start) []float64 {
	l, n := &r.layout, &r.nodes
	y := make([]float64, l.size)
	y[l.charge] = s.Charge
	y[l.boat] = s.Speed
	or := func(x, fallback float64) float64 {
		if math.IsNaN(x) {
			return fallback
		}
		return x
	}
	air := or(s.Air, r.conditions.Air)
	T := y[l.nodes : l.nodes+len(r.heat)]
	for i := range T {
		T[i] = air
		if boundary, outside := r.around[i]; outside {
			T[i] = r.boundary[boundary]
		}
	}
	T[n.battery] = or(s.Battery, T[n.battery])
	T[n.sink] = or(s.Sink, T[n.sink])
	T[n.capacitor] = max(or(s.Sink, T[n.capacitor]), T[n.capacitor]) // a sink that water cools leaves it as warm as the compartment
	T[n.housing] = or(s.Housing, or(s.Winding, T[n.housing]))
	T[n.winding] = or(s.Winding, T[n.housing])
	for _, i := range []int{n.commutator, n.hotspot} {
		if i >= 0 {
			T[i] = T[n.winding]
		}
	}
	for i := range r.conductors {
		at := r.conductors[i].node
		T[at] = or(s.Cables, T[at])
		if own, ok := s.Each[r.conductors[i].name]; ok {
			T[at] = own
		}
	}
	if l.link >= 0 {
		y[l.link] = r.battery.openCircuit(s.Charge)
		if r.conditions.Uncharged {
			y[l.link] = 1 // an empty capacitor; not zero, since loads of constant power have no current there
		}
	}
	p := r.Point(0, y)
	if l.path >= 0 {
		y[l.path] = p.Extra / y[l.link]
	}
	x := y[l.control : l.control+control.States]
	r.Mode = r.Law.Start(p.Measured, x)
	r.Changed()
	return y
}
