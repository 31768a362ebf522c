package simulate

import (
	"math"

	"quaybench/bench/drive"
	"quaybench/bench/ode"
)

// calm tells, in a run that keeps no traces, which steps need no look inside: between their ends nothing passes a limit, no peak is higher, and
// nothing begins to act. Two stages of the step show it: their operating points, worked out anyway, lie close to the solution inside. Each value
// that is watched must run one way through them, or stay further from its limit and peak than it moves at all.
type calm struct {
	sim *simulation
	at  [2]stage
}

// stage is a stage of a step, and the margins there.
type stage struct {
	t       float64
	p       *drive.Point
	y       []float64
	margins []float64
}

// middles holds how many operating points before the end of a step its two middle stages were computed, the earlier stage first (see the tableau of package ode).
var middles = [2]int{4, 3}

// step reports whether a step is calm; before and after are the margins at its ends.
func (c *calm) step(st *ode.Step, before, after []float64) bool {
	s := c.sim
	w := &s.sampler
	at, p, y := s.drive.Recent(0)
	if at != st.T1 || s.mayOpen >= 0 || p.Charging != 0 || c.odd(p) || s.delayed() || !w.steady.between(s, st, p, y) {
		return false
	}
	most := max(w.carried, carried(p))
	a, b := &c.at[0], &c.at[1]
	for i, k := range middles {
		m := &c.at[i]
		if m.t, m.p, m.y = s.drive.Recent(k); !(m.t > st.T0 && m.t < st.T1) || c.odd(m.p) {
			return false
		}
		most = max(most, carried(m.p))
		m.margins = m.margins[:0]
		for _, e := range s.armed {
			m.margins = append(m.margins, e.margin(m.t, m.p, m.y))
		}
	}
	if !s.fuse.Carries(most, y) || !math.IsNaN(w.steady.acceleration) && !holds(w.steady.pulls, a.p.Thrust, b.p.Thrust, p.Thrust, math.Inf(1), w.steady.thrust) {
		return false
	}
	for k, e := range s.armed {
		peak := math.Inf(1)
		if s.nears != nil && e.near > 0 {
			peak = s.nears.list[e.near-1].Margin
		}
		if !holds(before[k], a.margins[k], b.margins[k], after[k], 0, peak) {
			return false
		}
	}
	w.look(p, y)
	first, last, peaks := w.last()[len(w.channels):], w.row[len(w.channels):], w.peaks[len(w.channels):]
	for k := range w.marks {
		m, value := &w.marks[k], s.drive.Parts[k].Value
		v, z, peak := m.sign*first[k], m.sign*last[k], m.sign*peaks[k].Value+1e-6*math.Abs(m.limit)
		if far := m.apart + 3*math.Abs(z-v); v+far < peak && v+far < m.limit { // so far off that a stage need not show it
			continue
		}
		if holds(v, m.sign*value(a.p, a.y), m.sign*value(b.p, b.y), z, m.limit, peak) {
			continue
		}
		if !s.drive.Parts[k].State || (v > m.limit) != (z > m.limit) {
			return false
		}
		for i := range 2 { // the state inside is known without an operating point
			t, y := st.Inner(i)
			x := value(nil, y)
			if (m.sign*x > m.limit) != (v > m.limit) {
				return false
			}
			if m.sign*x > m.sign*peaks[k].Value {
				peaks[k].Value, peaks[k].At = x, t
			}
		}
	}
	return true
}

// odd reports whether something other than the usual holds the current at an operating point, or what holds it has changed since the last
// sample: where a motor is turned against its demand or drives a current by itself, that may come and go within a step.
func (c *calm) odd(p *drive.Point) bool {
	return p.Unusual() || p.Measured.Speed*p.Command.Demand < 0 || c.sim.sampler.turned(p)
}

// holds reports whether a value that goes from v to z by way of a and b, at a third and a half of a step, neither passes a limit between nor
// comes above both ends and a peak.
func holds(v, a, b, z, limit, peak float64) bool {
	if runs(v, a, b, z) {
		return (v > limit) == (z > limit) && z != limit
	}
	low, high := v, v
	for _, x := range [3]float64{a, b, z} {
		if x < low {
			low = x
		}
		if x > high {
			high = x
		}
	}
	moves := high - low
	return (low-moves > limit || high+moves < limit) && high+moves < peak
}

// runs reports whether a value runs one way all along: of a straight line a third, a fifth and a half lie between.
func runs(v, a, b, z float64) bool {
	least := 0.1 * (z - v)
	if least >= 0 {
		return a-v >= least && b-a >= least && z-b >= 3*least
	}
	return a-v <= 3*least && b-a <= least && z-b <= least
}
