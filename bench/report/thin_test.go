package report

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// ragged draws a record: times that rise, values that jump, peaks of a single sample.
func ragged(t *rapid.T) (x, y []float64) {
	n := rapid.IntRange(2, 3000).Draw(t, "samples")
	at := 0.0
	level := 0.0
	seed := rapid.Uint64().Draw(t, "seed")
	next := func() float64 { // fast: thousands of draws are too many for the library
		seed = seed*6364136223846793005 + 1442695040888963407
		return float64(seed>>11) / (1 << 53)
	}
	for range n {
		x = append(x, at)
		at += math.Pow(10, -3+4*next())
		level += next() - 0.5
		v := level
		switch r := next(); {
		case r < 0.01:
			v += 100 * (next() - 0.5)
		case r < 0.015:
			v = math.NaN()
		}
		y = append(y, v)
	}
	return x, y
}

// TestPeaksSurvive: a thinned record has, in each column of pixels, the very lowest and highest sample, the first and the last; it
// has no more than four in a column for each gap, in order.
func TestPeaksSurvive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := ragged(t)
		columns := rapid.IntRange(10, 500).Draw(t, "columns")
		low, high := x[0], x[len(x)-1]
		stretches := thin(x, y, low, high, columns)
		kept := map[int]bool{}
		last := -1
		for _, s := range stretches {
			for _, i := range s {
				if i <= last {
					t.Fatalf("sample %d after %d", i, last)
				}
				last, kept[i] = i, true
			}
		}
		column := func(i int) int { return int(math.Floor((x[i] - low) / (high - low) * float64(columns))) }
		for i := 0; i < len(x); {
			from := i
			for i < len(x) && column(i) == column(from) {
				i++
			}
			var values []float64
			for k := from; k < i; k++ {
				if !math.IsNaN(y[k]) {
					values = append(values, y[k])
				}
			}
			if len(values) == 0 {
				continue
			}
			var got []float64
			for k := from; k < i; k++ {
				if kept[k] {
					got = append(got, y[k])
				}
			}
			if len(got) == 0 || slices.Min(values) != slices.Min(got) || slices.Max(values) != slices.Max(got) {
				t.Fatalf("the column of samples %d to %d has %v to %v, drawn are %v", from, i, slices.Min(values), slices.Max(values), got)
			}
		}
		for _, s := range stretches { // a line is drawn over nothing that is no number
			for k := 1; k < len(s); k++ {
				for i := s[k-1]; i <= s[k]; i++ {
					if math.IsNaN(y[i]) {
						t.Fatalf("a line crosses the gap at sample %d", i)
					}
				}
			}
		}
	})
}

func TestThinningIsSmall(t *testing.T) {
	n := 1_000_000
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i], y[i] = float64(i), math.Sin(float64(i))
	}
	y[123_456] = 50 // one sample of a million
	stretches := thin(x, y, 0, float64(n-1), 400)
	require.Len(t, stretches, 1)
	assert.LessOrEqual(t, len(stretches[0]), 4*401)
	assert.Contains(t, stretches[0], 123_456)
}

// TestStraightenStaysNear: what is left out lies within the tolerance of the line that is drawn, and the ends stay.
func TestStraightenStaysNear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 200).Draw(t, "points")
		step := rapid.Float64Range(0.1, 5).Draw(t, "step")
		y := rapid.SliceOfN(rapid.Float64Range(0, 200), n, n).Draw(t, "y")
		smooth := rapid.Float64Range(0, 1).Draw(t, "smooth")
		var line []point
		for i, v := range y {
			line = append(line, point{float64(i) * step, v*(1-smooth) + 100*smooth})
		}
		const tolerance = 0.1
		out := straighten(line, tolerance)
		assert.Equal(t, line[0], out[0])
		assert.Equal(t, line[len(line)-1], out[len(out)-1])
		k := 1
		for _, q := range line {
			for out[k].x < q.x {
				k++
			}
			a, b := out[k-1], out[k]
			at := a.y + (b.y-a.y)*(q.x-a.x)/(b.x-a.x)
			steep := math.Hypot(1, (b.y-a.y)/(b.x-a.x))
			assert.LessOrEqual(t, math.Abs(at-q.y)/steep, tolerance*1.0001)
		}
	})
}

// TestSpread: labels keep their order and their distance, stay in place where there is room, and within the ends where they fit.
func TestSpread(t *testing.T) {
	assert.Equal(t, []float64{10, 50, 90}, spaceLabels([]float64{10, 50, 90}, 13, 0, 100), "room for all: none moves")
	assert.Equal(t, []float64{43.5, 56.5}, spaceLabels([]float64{50, 50}, 13, 0, 100), "two at a place part evenly")
	assert.Equal(t, []float64{87, 100}, spaceLabels([]float64{99, 100}, 13, 0, 100), "at the end they make room downwards")
	rapid.Check(t, func(t *rapid.T) {
		wanted := rapid.SliceOfN(rapid.Float64Range(0, 200), 1, 12).Draw(t, "wanted")
		const gap, low, high = 13.0, 0.0, 200.0
		got := spaceLabels(wanted, gap, low, high)
		for i := range got {
			assert.GreaterOrEqual(t, got[i], low-1e-9)
			assert.LessOrEqual(t, got[i], high+1e-9)
			for j := range got {
				if wanted[i] < wanted[j] {
					assert.GreaterOrEqual(t, got[j]-got[i], gap-1e-9, "order and distance")
				} else if i != j {
					assert.GreaterOrEqual(t, math.Abs(got[j]-got[i]), gap-1e-9)
				}
			}
		}
	})
}

// TestClip: what is drawn lies in the plot, and a line that crosses it is cut at its edges.
func TestClip(t *testing.T) {
	f := &frame{left: 0, right: 100, top: 0, bottom: 100}
	assert.Equal(t, [][]point{{{0, 50}, {100, 50}}}, clip([]point{{-50, 50}, {150, 50}}, f), "right through")
	assert.Equal(t, [][]point{{{50, 50}, {100, 50}}}, clip([]point{{50, 50}, {150, 50}}, f))
	assert.Empty(t, clip([]point{{-50, -50}, {-10, 150}}, f), "beside it")
	assert.Equal(t, [][]point{{{10, 10}, {10, 0}}, {{30, 0}, {30, 10}}}, clip([]point{{10, 10}, {10, -50}, {30, -50}, {30, 10}}, f), "out and in again")
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 20).Draw(t, "points")
		var line []point
		for range n {
			line = append(line, point{rapid.Float64Range(-200, 300).Draw(t, "x"), rapid.Float64Range(-200, 300).Draw(t, "y")})
		}
		for _, piece := range clip(line, f) {
			for _, q := range piece {
				assert.True(t, q.x >= -0.51 && q.x <= 100.51 && q.y >= -0.51 && q.y <= 100.51, "%v", q)
			}
		}
	})
}
