package thermal

import (
	"math"
	"quaybench/bench/root"
)

// Superposition adds up what each current would have done alone. Over 80 000 random
// histories of 400 elements whose resistance rises up to melting, it was late by more
// than the first margin in current five times, and never early by more than the
// second after a restart from cold (BenchmarkIntervalOverManyElements).
const (
	earlyMargin = 0.05
	lateMargin  = 0.01
)

// MayMelt is the melting state Σ x_k of the fastest model from which on the
// element may melt under a current that is not constant from cold, 1/1.05²: the
// threshold of a "may open" event in a simulation.
const MayMelt = 1 / ((1 + earlyMargin) * (1 + earlyMargin))

// LateWatch follows a current, a stretch at a time, and says when the slowest
// element must have melted. At each rise it starts another element from cold, and
// gives each the lowest current since its start: all of them are colder than the
// real one, so the first to melt is the latest time. It stays exact at the cost
// of a few elements at most, and of none while the current could be carried for
// ever.
//
// A LateWatch is for one goroutine. In a simulation feed it each accepted step
// with the lowest current of the step.
type LateWatch struct {
	model   FuseModel
	time    float64
	running []coldStart // by rising level
	settled float64     // s, by which constant current has done all it will
	least   float64     // A
	before  []float64
	trial   []float64
}

type coldStart struct {
	level float64 // lowest current since the start, A
	x     []float64
}

// levelStep is how much higher than the topmost level a current must be to start
// another element: it bounds their number under a slow ramp.
const levelStep = 1.03

// WatchLate starts a watch on the slowest model, cold.
func (f Fuse) WatchLate() *LateWatch {
	n := f.Slowest.States()
	var settled float64
	for _, s := range f.Slowest.Element {
		settled = max(settled, 1e3*s.TimeConstant)
	}
	return &LateWatch{model: f.Slowest, settled: settled, least: f.Slowest.LeastMeltingCurrent(), before: make([]float64, n), trial: make([]float64, n)}
}

// Carries reports whether the element would carry a current (A, either sign) for ever: nothing is left of what was before it then.
func (w *LateWatch) Carries(current float64) bool { return math.Abs(current)*(1-lateMargin) <= w.least }

// Observe adds a stretch of current (A, either sign) for duration (s). If the
// element must have melted in it, melted is true and at the time (s) since the
// watch began; the watch has then done its work.
func (w *LateWatch) Observe(current, duration float64) (at float64, melted bool) {
	start := w.time
	w.time += duration
	duration = min(duration, w.settled) // nothing changes after that
	carried := w.Carries(current)
	current = math.Abs(current) * (1 - lateMargin)
	if carried {
		w.running = w.running[:0]
		return 0, false
	}
	// All levels above the current fall to it; of these the hottest serves for all.
	keep := len(w.running)
	for keep > 0 && w.running[keep-1].level >= current {
		keep--
	}
	switch fallen := w.running[keep:]; {
	case len(fallen) > 0:
		hottest := 0
		for i := range fallen {
			if w.model.Molten(fallen[i].x) > w.model.Molten(fallen[hottest].x) {
				hottest = i
			}
		}
		fallen[0], fallen[hottest] = fallen[hottest], fallen[0]
		fallen[0].level = current
		w.running = w.running[:keep+1]
	case keep == 0 || current > w.running[keep-1].level*levelStep:
		w.push(current)
	}
	at = math.Inf(1)
	for _, c := range w.running {
		copy(w.before, c.x)
		w.model.Advance(c.level, duration, c.x)
		if w.model.Molten(c.x) < 1 {
			continue // a peak between would only make it earlier
		}
		at = min(at, start+root.Change(0, duration, 0, func(t float64) bool {
			copy(w.trial, w.before)
			w.model.Advance(c.level, t, w.trial)
			return w.model.Molten(w.trial) >= 1
		}))
	}
	return at, !math.IsInf(at, 1)
}

// Molten returns the melting state (1: melted) of the hottest element after a further stretch of current (A, either sign)
// for duration (s), which it does not take.
func (w *LateWatch) Molten(current, duration float64) float64 {
	if w.Carries(current) {
		return 0
	}
	current = math.Abs(current) * (1 - lateMargin)
	duration = min(duration, w.settled)
	clear(w.trial)
	w.model.Advance(current, duration, w.trial)
	most := w.model.Molten(w.trial)
	for _, c := range w.running {
		copy(w.trial, c.x)
		w.model.Advance(min(c.level, current), duration, w.trial)
		most = max(most, w.model.Molten(w.trial))
	}
	return most
}

// push starts an element from cold, in the place of one no longer needed if there
// is one, so that a long watch stops allocating.
func (w *LateWatch) push(level float64) {
	n := len(w.running)
	if n < cap(w.running) {
		w.running = w.running[:n+1]
	} else {
		w.running = append(w.running, coldStart{})
	}
	c := &w.running[n]
	c.level = level
	if c.x == nil {
		c.x = make([]float64, len(w.model.Element))
	}
	clear(c.x)
}
