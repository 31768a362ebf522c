package thermal

import (
	"fmt"
	"math"
)

// CurrentSegment is a stretch of constant current.
type CurrentSegment struct {
	Current  float64 // A, either sign
	Duration float64 // s, above zero; +Inf for the last
}

// History is a course of current from a cold start.
type History []CurrentSegment

// RMS is the root-mean-square current (A) of the history, the equivalent current
// of the rms method of IEC 60034-1; it stands for the heating only where the
// history repeats well within the shortest time constant that matters.
func (h History) RMS() float64 {
	var i2t, t float64
	for _, s := range h {
		i2t += s.Current * s.Current * s.Duration
		t += s.Duration
	}
	return math.Sqrt(i2t / t)
}

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

// Interval is when a fuse melts: not before Early, at the latest at Late. +Inf is
// not within the history.
type Interval struct {
	Early, Late Melting
}

// MeltInterval is when the fuse, cold at the start, melts under a history of
// current. Constant current is read off the two curves. Otherwise Early is the
// fastest model by superposition with the current 5 % up, and Late the slowest
// model restarted cold at each rise (see LateWatch); how wide they lie apart is
// what a time-current curve alone leaves open.
func (f Fuse) MeltInterval(h History) Interval {
	for i, s := range h {
		if !(s.Duration > 0) || math.IsNaN(s.Current) {
			panic(fmt.Sprintf("thermal: MeltInterval: segment %d of the history: %g A for %g s", i, s.Current, s.Duration))
		}
	}
	early, late := math.Inf(1), math.Inf(1)
	if h.constant() {
		if len(h) > 0 {
			end := h.duration()
			early = within(f.Fastest.MeltTime(h[0].Current).Time, end)
			late = within(f.Slowest.MeltTime(h[0].Current).Time, end)
		}
		return Interval{f.Fastest.melting(early), f.Slowest.melting(late)}
	}
	early = f.Fastest.superposed(h, 1+earlyMargin)
	watch := f.WatchLate()
	for _, s := range h {
		if t, melted := watch.Observe(s.Current, s.Duration); melted {
			late = t
			break
		}
	}
	return Interval{f.Fastest.melting(early), f.Slowest.melting(late)}
}

func (h History) constant() bool {
	for _, s := range h {
		if math.Abs(s.Current) != math.Abs(h[0].Current) {
			return false
		}
	}
	return true
}

func (h History) duration() float64 {
	var sum float64
	for _, s := range h {
		sum += s.Duration
	}
	return sum
}

func within(t, end float64) float64 {
	if t > end {
		return math.Inf(1)
	}
	return t
}

// superposed is the melting time (s) of the model under a history with every
// current times factor; +Inf if not within it.
func (m FuseModel) superposed(h History, factor float64) float64 {
	x, trial := make([]float64, len(m.Element)), make([]float64, len(m.Element))
	var start float64
	for _, s := range h {
		current := s.Current * factor
		if t := m.crossing(current, s.Duration, x, trial); !math.IsInf(t, 1) {
			return start + t
		}
		m.Advance(current, s.Duration, x)
		start += s.Duration
	}
	return math.Inf(1)
}

// crossing is when a constant current melts the element within duration from the
// states x, which it leaves alone; +Inf if it does not.
func (m FuseModel) crossing(current, duration float64, x, trial []float64) float64 {
	melted := func(t float64) bool {
		copy(trial, x)
		m.Advance(current, t, trial)
		return m.Molten(trial) >= 1
	}
	if melted(0) {
		return 0
	}
	// Stages can not sum to 1 if not even their ends do.
	var highest float64
	for k, s := range m.Element {
		highest += max(x[k], s.Resistance*m.load(current))
	}
	if highest < 1 {
		return math.Inf(1)
	}
	shortest, longest := math.Inf(1), 0.0
	for _, s := range m.Element {
		shortest, longest = min(shortest, s.TimeConstant), max(longest, s.TimeConstant)
	}
	shortest = min(shortest, m.PreArcingI2t()/(current*current))
	return firstTrue(melted, shortest, longest, duration)
}

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
	return &LateWatch{model: f.Slowest, settled: settled, before: make([]float64, n), trial: make([]float64, n)}
}

// Observe takes a stretch of current (A, either sign) for duration (s). If the
// element must have melted in it, melted is true and at the time (s) since the
// watch began; the watch has then done its work.
func (w *LateWatch) Observe(current, duration float64) (at float64, melted bool) {
	current = math.Abs(current) * (1 - lateMargin)
	start := w.time
	w.time += duration
	duration = min(duration, w.settled) // nothing changes after that
	if current <= w.model.LeastMeltingCurrent() {
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
		at = min(at, start+bisect(func(t float64) bool {
			copy(w.trial, w.before)
			w.model.Advance(c.level, t, w.trial)
			return w.model.Molten(w.trial) >= 1
		}, 0, duration))
	}
	return at, !math.IsInf(at, 1)
}

// Molten returns the melting state (1: melted) of the hottest element after a further stretch of current (A, either sign)
// for duration (s), which it does not take.
func (w *LateWatch) Molten(current, duration float64) float64 {
	current = math.Abs(current) * (1 - lateMargin)
	if current <= w.model.LeastMeltingCurrent() {
		return 0
	}
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
