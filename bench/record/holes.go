package record

import "slices"

// Span is a stretch of time, s.
type Span struct{ From, To float64 }

const (
	leastHole  = 60.0   // s: a shorter pause in the readings is none
	usualPause = 5.0    // times the usual time between two readings up to which a pause is none
	mostPause  = 1200.0 // s: a longer one is a hole, however seldom somebody reads (common practice, no source)
)

// Hole returns the longest pause, s, after which it is still known what went on between two readings that usually lie so far apart: a minute, or five
// times that time where a person reads every few minutes, and 20 min at most.
func Hole(usual float64) float64 { return min(mostPause, max(leastHole, usualPause*usual)) }

// Usual returns the usual time between readings at rising instants, s: the median, of few readings the shortest.
func Usual(at []float64) float64 {
	if len(at) < 2 {
		return 0
	}
	gaps := make([]float64, len(at)-1)
	for i := range gaps {
		gaps[i] = at[i+1] - at[i]
	}
	slices.Sort(gaps)
	const few = 4
	if len(gaps) < few {
		return gaps[0]
	}
	return gaps[len(gaps)/2]
}

// Holes lists the stretches between readings at rising instants in which nobody saw what went on.
func Holes(at []float64) (list []Span) {
	most := Hole(Usual(at))
	for i := 1; i < len(at); i++ {
		if at[i]-at[i-1] > most {
			list = append(list, Span{at[i-1], at[i]})
		}
	}
	return list
}
