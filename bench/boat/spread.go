package boat

import (
	"math"
	"strings"

	"quaybench/bench/quantity"
)

// A tolerance is the half-width of a value's 95 % interval: "14 mΩ ± 10 %" lies between 12.6 and 15.4 mΩ in 95 of 100 boats.
// This is the one place that says how a value spreads over it: what draws boats, what learns from records and what shows a
// tolerance ask Boat.Spread.

// Law is how a value spreads over its tolerance.
type Law int

const (
	Exact     Law = iota // it does not
	Normal               // a normal distribution; the half-width is two standard deviations
	LogNormal            // its logarithm is normal: between value/(1 + share) and value·(1 + share) in 95 of 100, never below zero
	Bounded              // as one of these, but near a bound that its kind has it bends so that it stays inside
)

// Cut is where a law is cut off, in standard deviations: one and a half half-widths.
const Cut = 3.0

// Spread is how a value spreads: its law and the half-width of its 95 % interval.
type Spread struct {
	Law       Law
	Value     float64 // as written, SI; the median
	Half      float64 // half-width towards above, SI; 0 where exact
	Low, High float64 // bounds of its kind, SI; infinite where there are none
	Stated    bool    // the boat file states this tolerance at the value itself
	factor    bool    // by a factor, as far as no bound bends it
	Origin    string  // where the value comes from: a word of package quantity, LeftOut, or "" where it does not say
}

// narrow is the share up to which a positive value is as good as normal; wider it is log-normal.
const narrow = 0.2

// newSpread chooses the law by kind and width.
func newSpread(f *known, value, half float64) Spread {
	s := Spread{Value: value, Half: half, Low: f.low, High: f.high, Law: Normal}
	if !(half > 0) || math.IsInf(half, 1) || math.IsNaN(value) {
		s.Law, s.Half = Exact, 0
		return s
	}
	if value != 0 && half > narrow*math.Abs(value) && !f.fraction {
		s.Law, s.factor = LogNormal, true
	}
	if a, b := s.free(-Cut), s.free(Cut); min(a, b) < s.Low || max(a, b) > s.High {
		s.Law = Bounded
	}
	return s
}

// free returns the value for a score where no bound is near.
func (s Spread) free(score float64) float64 {
	if s.factor {
		return s.Value * math.Exp(score*math.Log1p(s.Half/math.Abs(s.Value))/2)
	}
	return s.Value + score*s.Half/2
}

// At returns the value for a normal score: 0 is the value as written, 2 the upper end of the 95 % interval. It rises with the score (for a
// negative value that spreads by a factor, its size does) and stays between the bounds.
func (s Spread) At(score float64) float64 {
	if s.Law == Exact {
		return s.Value
	}
	x := s.free(score)
	if s.Law != Bounded {
		return x
	}
	if x > s.Value {
		return s.Value + bent(x-s.Value, s.High-s.Value)
	}
	return s.Value - bent(s.Value-x, s.Value-s.Low)
}

// bent returns an excursion held within the room it has: nearly itself up to half of the room, never the whole of it.
func bent(excursion, room float64) float64 {
	switch {
	case room <= 0:
		return 0
	case math.IsInf(room, 1):
		return excursion
	}
	r := excursion / room
	r *= r
	return excursion / math.Sqrt(math.Sqrt(1+r*r))
}

// Score returns the normal score of a value: the inverse of At. It is infinite at a bound and beyond.
func (s Spread) Score(x float64) float64 {
	if s.Law == Exact || x == s.Value {
		return 0
	}
	if s.Law == Bounded {
		if x > s.Value {
			x = s.Value + straight(x-s.Value, s.High-s.Value)
		} else {
			x = s.Value - straight(s.Value-x, s.Value-s.Low)
		}
	}
	if s.factor {
		return 2 * math.Log(x/s.Value) / math.Log1p(s.Half/math.Abs(s.Value))
	}
	return 2 * (x - s.Value) / s.Half
}

// straight returns the inverse of bent.
func straight(bend, room float64) float64 {
	switch {
	case math.IsInf(room, 1):
		return bend
	case bend >= room:
		return math.Inf(1)
	}
	r := bend / room
	r *= r
	return bend / math.Sqrt(math.Sqrt(1-r*r))
}

// Share returns the half-width as a share of the value; NaN where the value is zero.
func (s Spread) Share() float64 {
	if s.Value == 0 {
		return math.NaN()
	}
	return s.Half / math.Abs(s.Value)
}

// WithoutNumbers returns a key without the numbers of its tables' elements: "joint.resistance" of "joint[1].resistance".
func WithoutNumbers(key string) string {
	for {
		before, rest, numbered := strings.Cut(key, "[")
		if !numbered {
			return key
		}
		_, after, _ := strings.Cut(rest, "]")
		key = before + after
	}
}

// Spread returns how the value of a key spreads: over the tolerance it states, else over that which its kind of quantity and where
// it comes from are given by the boat's own [[tolerance]] tables, else by the table of this package.
func (b *Boat) Spread(key string, v quantity.Value) Spread {
	f := fieldOf(key)
	s := newSpread(f, v.SI, 0)
	origin := b.Origin(key, v)
	switch {
	case !v.Given:
	case v.Tolerance > 0:
		s = newSpread(f, v.SI, v.Tolerance)
		s.Stated = true
	default:
		s = newSpread(f, v.SI, b.usual(f, origin, v.SI))
	}
	s.Origin = origin
	return s
}

// LeftOut is the origin of a value that the boat file does not state: it follows from others, or is a default.
const LeftOut = "left out"

// Origin returns where a value comes from: a word of package quantity, LeftOut, or "" where the file states it without saying.
func (b *Boat) Origin(key string, v quantity.Value) string {
	if origin := v.Origin(); origin != "" {
		return origin
	}
	if origin, stated := b.origins[key]; stated || b.origins == nil {
		return origin
	}
	return LeftOut
}
