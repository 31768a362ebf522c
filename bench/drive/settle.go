package drive

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// KnownTemperatures returns, for each heat node, its temperature at the start (K) where that was stated or measured, else NaN.
func (r *Run) KnownTemperatures(s Start, seen Seen) []float64 {
	n := &r.nodes
	T := make([]float64, len(r.heat))
	for i := range T {
		T[i] = math.NaN()
	}
	set := func(at int, values ...float64) {
		for _, v := range values {
			if at >= 0 && given(v) {
				T[at] = v
			}
		}
	}
	set(n.battery, s.Battery, seen.Battery)
	set(n.sink, s.Sink, seen.Sink)
	set(n.housing, s.Housing)
	set(n.winding, s.Winding)
	set(r.sensorNode(), seen.Motor)
	set(n.air, s.Air)
	for i := range r.conductors {
		c := &r.conductors[i]
		set(c.node, s.Cables)
		if own, ok := s.Each[c.name]; ok {
			set(c.node, own)
		}
	}
	return T
}

// Settle sets the temperatures of a state to where they come to rest if what was seen at t goes on for ever, those apart that are held (NaN: not held; nil:
// none); with them the junctions, the polarisation and the fuse. The charge stays. It reports whether they come to rest: a winding whose resistance
// rises faster than it is cooled does not.
func (f *Following) Settle(t float64, y, held []float64) bool {
	const (
		most  = 200  // rounds
		still = 1e-4 // K
		melts = 2000 // K
	)
	r, l := f.run, &f.run.layout
	n := len(r.heat)
	T := y[l.nodes : l.nodes+n]
	for k := range T {
		if held != nil && given(held[k]) {
			T[k] = held[k]
		}
	}
	A, b := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for range most {
		r.Changed()
		p := r.Point(t, y)
		w := p.Measured.Speed
		for k := range 2 {
			if k < r.battery.pairs {
				y[l.pair+k] = r.battery.pairR[k] * p.BankCurrent
			}
		}
		r.heats(p, T, r.polarise(p, y, make([]float64, len(y))), w)
		r.cool(w)
		A.Zero()
		for k := range n {
			b.SetVec(k, r.heat[k])
		}
		for k := range n {
			g := r.scale[k] * r.tree[k].conductance
			A.Set(k, k, A.At(k, k)+g)
			if to := r.tree[k].to; to >= 0 {
				A.Set(k, to, A.At(k, to)-g)
				A.Set(to, to, A.At(to, to)+g)
				A.Set(to, k, A.At(to, k)-g)
			} else {
				b.SetVec(k, b.AtVec(k)+g*r.boundary[-1-to])
			}
		}
		for k := range n {
			if held == nil || !given(held[k]) {
				continue
			}
			for j := range n {
				A.Set(k, j, 0)
			}
			A.Set(k, k, 1)
			b.SetVec(k, held[k])
		}
		var rest mat.VecDense
		if rest.SolveVec(A, b) != nil {
			return false
		}
		moved := 0.0
		for k := range T {
			moved = max(moved, math.Abs(rest.AtVec(k)-T[k]))
			T[k] = rest.AtVec(k)
			if !(math.Abs(T[k]) < melts) {
				return false
			}
		}
		unequal := r.motor.unequal(w)
		climbed := func(rungs []rung, power float64, x []float64) {
			for i := range rungs {
				x[i] = power * rungs[i].drive / rungs[i].rate
			}
		}
		climbed(r.rungs[0], unequal*(p.Losses.conductionSwitch+p.Losses.switching), y[l.switching:])
		climbed(r.rungs[1], unequal*p.Losses.conductionFreewheel, y[l.freewheel:])
		load := p.BatteryCurrent / r.fuse.Rating
		load *= load / r.fuseSquare(T)
		for k, rate := range r.elementRates {
			y[l.fuse+k] = r.elementDrives[k] * load / rate
		}
		if moved < still {
			r.Changed()
			return true
		}
	}
	r.Changed()
	return false
}

// HeatToLimits raises the temperatures of a state to the limits of their parts, those apart that are held (see Settle).
func (f *Following) HeatToLimits(y, held []float64) {
	f.limits(func(k int, limit float64) {
		if !given(held[k]) {
			y[k+f.run.layout.nodes] = max(y[k+f.run.layout.nodes], limit)
		}
	})
}

// Cap lowers the temperatures of a state to no more than so many kelvin above the limits of their parts.
func (f *Following) Cap(y []float64, above float64) {
	f.limits(func(k int, limit float64) { y[k+f.run.layout.nodes] = min(y[k+f.run.layout.nodes], limit+above) })
}

// limits calls change with each heat node that is a part, and its limit.
func (f *Following) limits(change func(node int, limit float64)) {
	for i := range f.run.Parts {
		if p := &f.run.Parts[i]; p.node > 0 {
			change(p.node-1, p.Limit)
		}
	}
	f.run.Changed()
}

// Hotter reports whether the thermometer of the heat sink or of the motor shows more than a state has, by more than a margin, K.
func (r *Run) Hotter(seen Seen, y []float64, margin float64) bool {
	over := func(at int, measured float64) bool { return given(measured) && measured > y[r.layout.nodes+at]+margin }
	return over(r.nodes.sink, seen.Sink) || over(r.sensorNode(), seen.Motor)
}

// Temperatures returns those of a state that a start can state.
func (r *Run) Temperatures(y []float64) Start {
	n, T := &r.nodes, y[r.layout.nodes:]
	s := Start{Winding: T[n.winding], Housing: T[n.housing], Sink: T[n.sink], Battery: T[n.battery], Cables: math.NaN(), Air: T[n.air], Each: map[string]float64{}}
	for i := range r.conductors {
		s.Each[r.conductors[i].name] = T[r.conductors[i].node]
	}
	return s
}
