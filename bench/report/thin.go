package report

import "math"

// thin picks the samples that a line drawn across so many columns needs to look the same: of each column the first, the
// last, the lowest and the highest, so that no peak is lost. x must rise; what is not finite ends a stretch. It returns
// the stretches, as indices.
func thin(x, y []float64, low, high float64, columns int) (stretches [][]int) {
	var now []int
	end := func() {
		if len(now) > 0 {
			stretches = append(stretches, now)
		}
		now = nil
	}
	column := func(i int) int {
		return int(math.Floor((x[i] - low) / (high - low) * float64(columns)))
	}
	for i := 0; i < len(x); {
		if !finite(x[i]) || !finite(y[i]) {
			end()
			i++
			continue
		}
		at, lowest, highest, last := column(i), i, i, i
		for j := i; j < len(x) && finite(x[j]) && finite(y[j]) && column(j) == at; j++ {
			if y[j] < y[lowest] {
				lowest = j
			}
			if y[j] > y[highest] {
				highest = j
			}
			last = j
		}
		now = appendRising(now, i, min(lowest, highest), max(lowest, highest), last)
		i = last + 1
	}
	end()
	return stretches
}

// appendRising appends each index that is beyond the last.
func appendRising(list []int, more ...int) []int {
	for _, i := range more {
		if len(list) == 0 || i > list[len(list)-1] {
			list = append(list, i)
		}
	}
	return list
}

// straighten leaves out points that a straight line passes within a tolerance (in pixels): each stretch left out is held
// against the line that replaces it, so nothing adds up.
func straighten(p []point, tolerance float64) []point {
	if len(p) < 3 {
		return p
	}
	out := []point{p[0]}
	from := 0
	for to := 2; to < len(p); to++ {
		if to-from > 60 || !within(p[from:to+1], tolerance) {
			from = to - 1
			out = append(out, p[from])
		}
	}
	return append(out, p[len(p)-1])
}

// within reports whether all points lie within a tolerance of the line from the first to the last.
func within(p []point, tolerance float64) bool {
	a, b := p[0], p[len(p)-1]
	dx, dy := b.x-a.x, b.y-a.y
	length := math.Hypot(dx, dy)
	for _, q := range p[1 : len(p)-1] {
		away := math.Hypot(q.x-a.x, q.y-a.y)
		if length > 0 {
			along := ((q.x-a.x)*dx + (q.y-a.y)*dy) / length
			if along < 0 || along > length { // a peak that sticks out beyond an end
				return false
			}
			away = math.Abs((q.x-a.x)*dy-(q.y-a.y)*dx) / length
		}
		if away > tolerance {
			return false
		}
	}
	return true
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
