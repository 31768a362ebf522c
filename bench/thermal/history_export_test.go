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

// RMS returns the root-mean-square current (A) of the history, the equivalent current
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

// Interval is when a fuse melts: not before Early, at the latest at Late. +Inf is
// not within the history.
type Interval struct {
	Early, Late Melting
}

// MeltInterval returns when the fuse, cold at the start, melts under a history of
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

// superposed returns the melting time (s) of the model under a history with every
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

// crossing returns when a constant current melts the element within duration from the
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

// Derated returns the model with every current scaled by factor: the same fuse in
// hotter air (below 1) or colder air (above 1). See AmbientFactor and
// DeratingTable.
func (m FuseModel) Derated(factor float64) FuseModel {
	element := make(Foster, len(m.Element))
	for k, s := range m.Element {
		element[k] = Stage{s.Resistance / (factor * factor), s.TimeConstant}
	}
	m.Element = element
	return m
}

// CopperLoss returns the heat of a copper winding that would lose power watts at
// 20 °C, at fixed current (temperature coefficient of IEC 60028).
func CopperLoss(power float64) Heat {
	return Heat{Power: power, Coefficient: Copper().Coefficient, Reference: Celsius20}
}
