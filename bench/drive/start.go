package drive

import (
	"math"

	"quaybench/bench/control"
)

// Start is the state a run begins in. NaN: at the temperature of what surrounds it. Temperatures in kelvin.
type Start struct {
	Charge  float64 // 0..1
	Speed   float64 // boat, m/s
	Winding float64
	Housing float64
	Sink    float64
	Battery float64
	Cables  float64
	Air     float64 // in the compartment
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
	}
	if c := r.boat.Stage.Cooling; c == "water" {
		T[n.sink] = r.conditions.Water
	}
	T[n.battery] = or(s.Battery, T[n.battery])
	T[n.sink] = or(s.Sink, T[n.sink])
	T[n.capacitor] = or(s.Sink, T[n.capacitor])
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
