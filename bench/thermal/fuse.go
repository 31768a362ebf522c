package thermal

import "math"

// FuseModel is one time-current curve of a fuse as a heat network: under a
// current I its element takes the state x = Σ x_k with
//
//	x_k' = ((I/In)² a_k − x_k)/τ_k
//
// and melts when x reaches 1; for a constant current from cold that is
// (I/In)² · Σ a_k (1 − e^(−t/τ_k)) = 1. It cools by the same network.
//
// The model is exact at constant current only: the resistance of a real element
// rises towards melting, so under any other history superposition errs, mostly
// early. Fuse, a pair of models, turns that into an interval.
type FuseModel struct {
	Rating  float64 // In, A
	Element Foster  // a_k without unit, τ_k in s
	Misfit  Misfit  // in current, per point of the curve it was fitted to

	// Shortest and Longest are the melting times (s) the curve was given for;
	// 0 and +Inf where that end is anchored. Beyond them the model extrapolates:
	// below at about constant I²t, above at an all but level current.
	Shortest, Longest float64
}

// States returns the number of states x_k.
func (m FuseModel) States() int { return len(m.Element) }

// Advance moves the states x on by dt seconds of constant current (A), exactly.
func (m FuseModel) Advance(current, dt float64, x []float64) {
	m.Element.Advance(m.load(current), dt, x)
}

// Molten returns the melting state Σ x_k: 0 cold, 1 melted.
func (m FuseModel) Molten(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum
}

func (m FuseModel) load(current float64) float64 {
	r := current / m.Rating
	return r * r
}

// LeastMeltingCurrent returns the current (A) that just melts the element after an
// endless time, In/√Σa_k.
func (m FuseModel) LeastMeltingCurrent() float64 {
	return m.Rating / math.Sqrt(m.Element.Steady())
}

// PreArcingI2t returns the I²t (A²s) that melts the element in no time,
// In²/Σ(a_k/τ_k).
func (m FuseModel) PreArcingI2t() float64 {
	return m.Rating * m.Rating / m.Element.Initial()
}

// MeltCurrent returns the constant current (A) that melts the cold element in t
// seconds.
func (m FuseModel) MeltCurrent(t float64) float64 {
	return m.Rating / math.Sqrt(m.Element.Impedance(t))
}

// Melting is when an element melts.
type Melting struct {
	Time         float64 // s; +Inf if never
	Extrapolated bool    // outside the points the curve was fitted to
}

// MeltTime returns when a constant current (A, either sign) melts the cold element: a
// current at or below the least melting one never does.
func (m FuseModel) MeltTime(current float64) Melting {
	return m.melting(m.Element.TimeTo(m.load(current), 1))
}

func (m FuseModel) melting(t float64) Melting {
	// A misfit in current shows at least doubled in time; the published ends
	// themselves are inside.
	slack := 1 + 10*m.Misfit.Worst + 1e-9
	return Melting{t, t*slack < m.Shortest || t > m.Longest*slack}
}

// Fuse is a pair of models: the fastest curve answers whether the fuse will open
// (unwanted), the slowest whether it protects what is behind it.
type Fuse struct {
	Fastest, Slowest FuseModel

	// Arcing is the time (s) from melting to no current: 0 if not known, or if
	// the curves already state clearing time. A DC arc does not put itself out
	// at a current zero: it depends on voltage and circuit, and the fuse must be
	// rated for both.
	Arcing float64
}
