package trial

import "sort"

// Corners returns the instants at which the lever begins or ends a movement.
func (t *Trial) Corners() []float64 {
	var at []float64
	for _, s := range t.Throttle {
		at = append(at, s.At, s.At+s.Over)
	}
	sort.Float64s(at)
	return at
}

// Lever returns the lever's position over time, as it holds from the instant from until the next corner: a straight
// line, so that an integrator never looks around a corner. It starts in neutral.
func (t *Trial) Lever(from float64) func(float64) float64 {
	position, rate := 0.0, 0.0
	at := 0.0
	for i, s := range t.Throttle {
		if s.At > from {
			break
		}
		// Where the lever is when this movement begins: the one before may still be on its way.
		if i > 0 {
			position = t.Throttle[i-1].position(position, s.At)
		}
		at = s.At
		rate = 0
		if s.Over > 0 && from < s.At+s.Over {
			rate = (s.To - position) / s.Over
		}
	}
	if i := sort.Search(len(t.Throttle), func(i int) bool { return t.Throttle[i].At > from }); i > 0 {
		position, at = t.Throttle[i-1].position(position, from), from
	}
	return func(u float64) float64 { return position + rate*(u-at) }
}

// position returns where the lever is at time u, having been at start when this movement began.
func (s Step) position(start, u float64) float64 {
	if u >= s.At+s.Over {
		return s.To
	}
	return start + (s.To-start)*(u-s.At)/s.Over
}
