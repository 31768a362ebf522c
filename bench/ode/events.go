package ode

import (
	"math"
	"slices"
)

// Direction says which crossings of zero an event answers to.
type Direction int8

const (
	Either  Direction = 0
	Rising  Direction = 1  // from below zero to zero or above
	Falling Direction = -1 // from above zero to zero or below
)

// Event is a condition that ends the integration where Value crosses zero. Value must be
// continuous in t and y, and reads y without keeping it.
//
// An event that is zero at the start (within Options.EventTol of it) is off
// until it has left zero; [Result.OnStart] lists it. One that starts beyond
// zero does not fire for having crossed before.
//
// In each step Value is looked at four times, and once more at each extreme of
// the cubic through these, so every crossing is seen of a value that is linear
// in the states (the dense output is cubic), even one that returns at once.
// What can be missed: a value that is not linear in the states and leaves and
// returns within a third of a step; one that touches zero without crossing
// (grazing), which rounding decides; and whatever the step itself missed.
type Event struct {
	Name      string
	Value     func(t float64, y []float64) float64
	Direction Direction
	// Band is how far from zero, in the unit of Value, an event that is off
	// must go to be on again. Zero means no distance. Set it, to some
	// tolerances, where Value rests on zero: the solution is that noisy.
	Band float64
}

// watcher follows the events through one call. A scan works in next, which
// becomes now only once the step is kept.
type watcher struct {
	events    []Event
	now, next memory
	onTime    float64 // crossings up to here belong to the start
	tol       float64 // s
	hits      []hit
	y         [2][]float64
	scratch   []float64
	together  func(t float64, y, values []float64) // looks at all at once; nil: one by one
	calm      func(s *Step, before, after []float64) bool
	g         [4][]float64 // values: at a third, two thirds and the end; scratch
	stats     *Statistics
}

// memory is what is known of the events at one time.
type memory struct {
	side    []int8    // sign last seen, 0 while off
	last    []float64 // value
	started bool      // onTime is passed
	onStart []int
}

func (m *memory) reset(events int) {
	m.side = slices.Grow(m.side[:0], events)[:events]
	m.last = slices.Grow(m.last[:0], events)[:events]
	clear(m.side)
	m.started, m.onStart = false, m.onStart[:0]
}

func (m *memory) copyFrom(o *memory) {
	copy(m.side, o.side)
	copy(m.last, o.last)
	m.started, m.onStart = o.started, append(m.onStart[:0], o.onStart...)
}

// keep accepts the values of the last scan.
func (w *watcher) keep() { w.now, w.next = w.next, w.now }

// hit is a bracket, as fractions of the step, shrunk to a root on demand.
type hit struct {
	event    int
	lo, hi   float64
	glo, ghi float64
}

type sample struct{ theta, g float64 }

// forget drops the events of the call before.
func (w *watcher) forget() {
	w.events = nil
	w.now.reset(0)
}

// start looks at the events at (t0, y0).
func (w *watcher) start(p *Problem, t0 float64, y0 []float64, tol float64, st *Statistics) error {
	if n := len(y0); len(w.scratch) != n {
		w.y[0], w.y[1], w.scratch = make([]float64, n), make([]float64, n), make([]float64, n)
	}
	events := p.Events
	w.events, w.together, w.calm, w.tol, w.stats = events, p.EventValues, p.Calm, tol, st
	w.now.reset(len(events))
	w.next.reset(len(events))
	for i := range w.g {
		w.g[i] = slices.Grow(w.g[i][:0], len(events))[:len(events)]
	}
	// Roots fired together may lie one tolerance apart, each known to a
	// quarter: twice the tolerance covers a start on the earliest of them.
	w.onTime = t0 + 2*tol
	return w.values(t0, y0, w.now.last)
}

// values looks at all events.
func (w *watcher) values(t float64, y, g []float64) error {
	w.stats.EventChecks += len(w.events)
	if w.together != nil {
		w.together(t, y, g)
	} else {
		for k := range w.events {
			g[k] = w.events[k].Value(t, y)
		}
	}
	for k, v := range g {
		if math.IsNaN(v) {
			return &EventValueError{w.events[k].Name, t}
		}
	}
	return nil
}

// value looks at one event.
func (w *watcher) value(k int, t float64, y []float64) (float64, error) {
	if w.together != nil {
		err := w.values(t, y, w.g[3])
		return w.g[3][k], err
	}
	w.stats.EventChecks++
	g := w.events[k].Value(t, y)
	if math.IsNaN(g) {
		return 0, &EventValueError{w.events[k].Name, t}
	}
	return g, nil
}

func sign(x float64) int8 {
	switch {
	case x > 0:
		return 1
	case x < 0:
		return -1
	}
	return 0
}

// arm notes on which side an event that was off is now.
func (w *watcher) arm(k int, g float64) {
	if math.Abs(g) > w.events[k].Band {
		w.next.side[k] = sign(g)
	}
}

// scan looks for the earliest crossing within the step. It gives the events
// that fire (nil for none) and when, as a fraction of the step.
func (w *watcher) scan(s *Step) (fired []int, theta float64, err error) {
	if len(w.events) == 0 {
		return nil, 0, nil
	}
	w.next.copyFrom(&w.now)
	from := 0.0
	if !w.next.started {
		from = (w.onTime - s.T0) / s.h
		if s.T1 < w.onTime {
			return nil, 0, nil // still at the start
		}
		from = math.Min(from, 1)
		s.at(from, w.scratch)
		if err := w.values(s.T0+from*s.h, w.scratch, w.g[3]); err != nil {
			return nil, 0, err
		}
		for k, g := range w.g[3] {
			if w.next.last[k] == 0 || sign(g) != sign(w.next.last[k]) {
				w.next.onStart = append(w.next.onStart, k)
			}
			w.next.last[k] = g
			w.arm(k, g)
		}
		w.next.started = true
	}
	if err := w.values(s.T1, s.Y1, w.g[2]); err != nil {
		return nil, 0, err
	}
	if w.calm != nil && from == 0 && w.calm(s, w.next.last, w.g[2]) {
		for k, g := range w.g[2] {
			if w.next.last[k] = g; w.next.side[k] == 0 {
				w.arm(k, g)
			}
		}
		s.Calm = true
		return nil, 0, nil
	}
	third := (1 - from) / 3
	for i := range w.y {
		t, y := s.T0+(from+float64(i+1)*third)*s.h, w.y[i]
		if from == 0 {
			t, y = s.Inner(i)
		} else {
			s.at(from+float64(i+1)*third, y)
		}
		if err := w.values(t, y, w.g[i]); err != nil {
			return nil, 0, err
		}
	}
	w.hits = w.hits[:0]
	for k := range w.events {
		if err := w.scanOne(s, k, from, third); err != nil {
			return nil, 0, err
		}
	}
	if len(w.hits) == 0 {
		return nil, 0, nil
	}
	return w.earliest(s)
}

// ahead returns how far ahead of (t, y), where the derivatives are f, the first event will cross by its slope there, just beyond it; h where
// none will within h. Where f has a kink there, that is the step to try in place of a refused one: one that ends on it.
func (w *watcher) ahead(t, h float64, y, f []float64) float64 {
	if !w.now.started {
		return h
	}
	const little = 1e-3 // of the step
	for i := range y {
		w.scratch[i] = y[i] + little*h*f[i]
	}
	if w.values(t+little*h, w.scratch, w.g[3]) != nil {
		return h
	}
	first := h
	for k, g := range w.now.last {
		if w.now.side[k] == 0 {
			continue
		}
		if d := little * h * g / (g - w.g[3][k]); d > 0 {
			first = min(first, d*(1+1e-3))
		}
	}
	return first
}

// scanOne follows one event through the step and appends its first hit.
func (w *watcher) scanOne(s *Step, k int, from, third float64) error {
	g0, g1, g2, g3 := w.next.last[k], w.g[0][k], w.g[1][k], w.g[2][k]
	w.next.last[k] = g3
	// Most events are far from happening: the cubic through four values leaves
	// their range by less than a third of it.
	low, high := min(g0, g1, g2, g3), max(g0, g1, g2, g3)
	if side := w.next.side[k]; side != 0 && side == sign(low) && side == sign(high) && min(math.Abs(low), math.Abs(high)) > (high-low)/3 {
		return nil
	}
	samples := [6]sample{{from, g0}, {from + third, g1}, {from + 2*third, g2}, {1, g3}}
	count := 4
	for _, x := range cubicExtremes(g0, g1, g2, g3) {
		if !(x > 0 && x < 3) {
			continue
		}
		theta := from + x*third
		s.at(theta, w.scratch)
		g, err := w.value(k, s.T0+theta*s.h, w.scratch)
		if err != nil {
			return err
		}
		samples[count] = sample{theta, g}
		count++
	}
	slices.SortFunc(samples[:count], func(a, b sample) int {
		switch {
		case a.theta < b.theta:
			return -1
		case a.theta > b.theta:
			return 1
		}
		return 0
	})
	for i := 1; i < count; i++ {
		a, b := samples[i-1], samples[i]
		was, is := w.next.side[k], sign(b.g)
		if was == 0 {
			w.arm(k, b.g)
			continue
		}
		if is == was {
			continue
		}
		w.next.side[k] = is
		if d := w.events[k].Direction; d == Either || int8(d) == -was {
			w.hits = append(w.hits, hit{k, a.theta, b.theta, a.g, b.g})
			return nil
		}
		if is == 0 { // touched zero the wrong way round
			w.arm(k, b.g)
		}
	}
	return nil
}

// cubicExtremes returns where the cubic through four values at 0, 1, 2, 3 has its
// extremes (NaN for none).
func cubicExtremes(g0, g1, g2, g3 float64) [2]float64 {
	// Newton's form: g0 + d1 x + d2 x(x-1)/2 + d3 x(x-1)(x-2)/6.
	d1, d2, d3 := g1-g0, g2-2*g1+g0, g3-3*g2+3*g1-g0
	a, b, c := d3/2, d2-d3, d1-d2/2+d3/3 // derivative a x² + b x + c
	root := math.Sqrt(b*b - 4*a*c)       // NaN without extremes
	q := -(b + math.Copysign(root, b)) / 2
	return [2]float64{q / a, c / q}
}

// earliest locates the hits and gives those at the first instant.
func (w *watcher) earliest(s *Step) (fired []int, theta float64, err error) {
	// Tighter than asked: the last digits cost two or three evaluations.
	tol := math.Min(w.tol/4, 8*ulp(s.T1)) / s.h
	first := math.Inf(1)
	for i := range w.hits {
		h := &w.hits[i]
		if h.lo > first+w.tol/s.h {
			continue // cannot be the first
		}
		if err := w.locate(s, h, tol); err != nil {
			return nil, 0, err
		}
		first = math.Min(first, h.hi)
	}
	last := first
	for _, h := range w.hits {
		if h.hi <= first+w.tol/s.h {
			fired = append(fired, h.event)
			last = math.Max(last, h.hi)
		}
	}
	return fired, last, nil
}

// locate shrinks a bracket to tol (fractions of the step) by the ITP method:
// never slower than bisection, mostly as fast as the secant method (Oliveira
// and Takahashi, ACM Trans. Math. Softw. 47 (2020) 5). The far end is kept on the
// far side of zero, so that a restart from there has crossed already.
func (w *watcher) locate(s *Step, h *hit, tol float64) error {
	whole := h.hi - h.lo
	if whole <= tol || h.ghi == 0 && h.glo == 0 {
		return nil
	}
	limit := math.Ceil(math.Log2(whole/tol)) + 1
	was := sign(h.glo)
	for i := 0.0; h.hi-h.lo > tol; i++ {
		width, middle := h.hi-h.lo, (h.lo+h.hi)/2
		x := middle
		if h.glo != h.ghi {
			x = (h.lo*h.ghi - h.hi*h.glo) / (h.ghi - h.glo)
		}
		toward := math.Copysign(1, middle-x)
		shift := 0.2 * width * width / whole // truncation: κ1 = 0.2 over the first width, κ2 = 2
		if shift <= math.Abs(middle-x) {
			x += toward * shift
		} else {
			x = middle
		}
		if radius := math.Max(tol/2*math.Exp2(limit-i)-width/2, 0); math.Abs(x-middle) > radius {
			x = middle - toward*radius
		}
		if x <= h.lo || x >= h.hi {
			x = middle
			if x <= h.lo || x >= h.hi {
				return nil // as close as the numbers allow
			}
		}
		s.at(x, w.scratch)
		g, err := w.value(h.event, s.T0+x*s.h, w.scratch)
		if err != nil {
			return err
		}
		if sign(g) == was {
			h.lo, h.glo = x, g
		} else {
			h.hi, h.ghi = x, g
		}
	}
	return nil
}

// closing returns the events that began on zero, once the call ends.
func (w *watcher) closing(y1 []float64, t1 float64) []int {
	if !w.now.started {
		// The call was shorter than the tolerance: all of it is the start.
		for k := range w.events {
			if g, err := w.value(k, t1, y1); err != nil || w.now.last[k] == 0 || sign(g) != sign(w.now.last[k]) {
				w.now.onStart = append(w.now.onStart, k)
			}
		}
	}
	return slices.Clone(w.now.onStart)
}
