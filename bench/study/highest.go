package study

import (
	"context"
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// HighestOptions says how to search. The zero value searches with the boat as written.
type HighestOptions struct {
	Exact    float64 // how exactly, as a share of the value; 0: 0.5 %
	Grid     int     // points looked at over the whole range, for gaps; 0: 25
	Odds     float64 // share of draws over the tolerances that must be clear, 0..1; 0: the boat as written
	Draws    int     // number of draws; 0: 100
	Seed     uint64
	EveryRun bool                // simulate every draw at every value, no fit
	Progress func(done, all int) // hears of each value tried; nil: nobody
}

// Highest is the highest value of a setting that stays clear: the top of the interval that holds the present value.
type Highest struct {
	Key          string
	Present      float64 // SI
	PresentClear bool
	Value        float64 // SI; NaN where no value is clear
	Next         float64 // lowest value tried above it that is not clear; NaN at the end of the range
	Gives        *Gives  // what gives there; nil at the end of the range
	Low, High    float64 // the parameter's range that was searched
	// Gaps are further values above Value that are clear again, and values below it that are not: clearness is not
	// monotone there (a lower limit runs longer).
	Gaps    []Gap
	Tried   int
	Made    *Made   // how, over draws; nil: the boat as written
	LeftOut LeftOut // draws that are not counted at some value that was tried
}

// Gap is a stretch of values, as far as the grid shows it.
type Gap struct {
	From, To float64 // SI
	Clear    bool
}

// FindHighest searches the highest clear value of a numeric setting over its whole range. On a cancelled context it
// returns what it has, with the context's error.
func FindHighest(ctx context.Context, b *boat.Boat, s settings.Set, key string, trials []*trial.Trial, o HighestOptions) (h Highest, err error) {
	present, ok := s.Number(key)
	if !ok {
		_, err := s.WithNumber(key, 0)
		return Highest{}, fmt.Errorf("%s is no number to search: %w", key, err)
	}
	j := newJudge(b, s, trials)
	h = Highest{Key: key, Present: present, Value: math.NaN(), Next: math.NaN()}
	h.Low, h.High = rangeOf(b, s, key)
	if o.Odds > 0 {
		list, err := tolerated(b)
		if err != nil {
			return Highest{}, err
		}
		j.chance = newChance(b, list, s, trials, h.Low, h.High, o)
		defer func() {
			h.LeftOut, _ = leftOut(j.chance.failures)
			made := j.chance.made()
			h.Made = &made
		}()
	}
	exact := o.Exact
	if exact == 0 {
		exact = 0.005
	}
	at := func(x float64) (bool, error) {
		h.Tried++
		if o.Progress != nil {
			o.Progress(h.Tried, or(o.Grid, 25)+10)
		}
		t, err := s.WithNumber(key, x)
		if err != nil {
			return false, nil // outside the parameter's range
		}
		return j.clear(ctx, t, key, x)
	}
	grid, clear, err := scan(at, grid(h.Low, h.High, present, or(o.Grid, 25)))
	if err != nil {
		return h, err
	}
	top := h.place(grid, clear)
	if top < 0 {
		h.Gives, err = j.gives(ctx, s)
		return h, err
	}
	h.Value = grid[top]
	if top+1 < len(grid) {
		h.Next = grid[top+1]
		for h.Next-h.Value > exact*h.Value {
			mid := (h.Value + h.Next) / 2
			ok, err := at(mid)
			if err != nil {
				return h, err
			}
			if ok {
				h.Value = mid
			} else {
				h.Next = mid
			}
		}
		t, err := s.WithNumber(key, h.Next)
		if err != nil {
			return h, err
		}
		if h.Gives, err = j.gives(ctx, t); err != nil {
			return h, err
		}
		if h.Gives == nil && j.chance != nil {
			h.Gives = &Gives{What: fmt.Sprintf("fewer than %.0f %% of the draws are clear", 100*o.Odds)}
		}
	}
	return h, nil
}

// place finds the top of the clear interval that holds the present value (or, where that is not clear, of the highest
// one below it) and notes where clearness is not monotone. −1: nothing is clear.
func (h *Highest) place(grid []float64, clear []bool) int {
	at := 0
	for i, x := range grid {
		if x == h.Present {
			at = i
		}
	}
	h.PresentClear = clear[at]
	top := at
	if h.PresentClear {
		for top+1 < len(grid) && clear[top+1] {
			top++
		}
	} else {
		for top >= 0 && !clear[top] {
			top--
		}
	}
	for i := range grid {
		if odd := i > top && clear[i] || i < top && !clear[i]; odd {
			if n := len(h.Gaps); n > 0 && i > 0 && h.Gaps[n-1].To == grid[i-1] && h.Gaps[n-1].Clear == clear[i] {
				h.Gaps[n-1].To = grid[i]
			} else {
				h.Gaps = append(h.Gaps, Gap{From: grid[i], To: grid[i], Clear: clear[i]})
			}
		}
	}
	return top
}

func scan(at func(float64) (bool, error), grid []float64) ([]float64, []bool, error) {
	clear := make([]bool, len(grid))
	for i, x := range grid {
		ok, err := at(x)
		if err != nil {
			return grid, clear, err
		}
		clear[i] = ok
	}
	return grid, clear, nil
}

// grid spreads points over a range, the present value among them: closer together near it.
func grid(low, high, present float64, n int) []float64 {
	points := map[float64]bool{low: true, high: true}
	if present >= low && present <= high {
		points[present] = true
	}
	for i := 1; i < n-1; i++ {
		w := float64(i) / float64(n-1)
		x := low + (high-low)*w
		if low > 0 && high/low > 20 {
			x = low * math.Pow(high/low, w)
		}
		points[x] = true
	}
	return sorted(points)
}

// rangeOf is a parameter's range, cut to where the boat makes sense of it: no current beyond what the controller is
// made for or a tenth of the present value at the low end.
func rangeOf(b *boat.Boat, s settings.Set, key string) (low, high float64) {
	present, _ := s.Number(key)
	low, high = settings.Range(key)
	if settings.Unit(key) == "A" {
		high = min(high, 1.25*b.Stage.Current.SI)
		low = max(low, present/10)
	}
	return low, max(high, present)
}

// Front is the trade of two settings: for each value of the first, the highest clear value of the second.
type Front struct {
	Keys    [2]string
	Points  []FrontPoint
	LeftOut LeftOut // draws that are not counted at some value that was tried
}

// FrontPoint is one value of the first setting and the highest clear value of the second; NaN where none is.
type FrontPoint struct {
	First, Second float64
	Gives         *Gives
}

// FindFront searches the front of two settings with n values of the first over its range.
func FindFront(ctx context.Context, b *boat.Boat, s settings.Set, keys [2]string, n int, trials []*trial.Trial, o HighestOptions) (Front, error) {
	f := Front{Keys: keys}
	present, ok := s.Number(keys[0])
	if !ok {
		_, err := s.WithNumber(keys[0], 0)
		return f, fmt.Errorf("%s is no number to search: %w", keys[0], err)
	}
	low, high := rangeOf(b, s, keys[0])
	progress := o.Progress
	for i, x := range grid(low, high, present, n) {
		t, err := s.WithNumber(keys[0], x)
		if err != nil {
			continue
		}
		if progress != nil {
			o.Progress = func(int, int) {}
			progress(i, n+1)
		}
		h, err := FindHighest(ctx, b, t, keys[1], trials, o)
		if err != nil {
			return f, err
		}
		if h.LeftOut.Total() > f.LeftOut.Total() { // each point draws the same boats
			f.LeftOut = h.LeftOut
		}
		f.Points = append(f.Points, FrontPoint{First: x, Second: h.Value, Gives: h.Gives})
	}
	return f, nil
}

func or(n, fallback int) int {
	if n == 0 {
		return fallback
	}
	return n
}
