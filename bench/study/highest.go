package study

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/root"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// HighestOptions says how to search. The zero value searches with the boat as written.
type HighestOptions struct {
	Exact     float64 // how exactly, as a share of the value; 0: 0.5 %
	Grid      int     // points looked at over the whole range, for gaps; 0: 25
	Odds      float64 // share of draws over the tolerances that must be clear, 0..1; 0: the boat as written
	Draws     int     // number of draws; 0: 100
	Seed      uint64
	Examples  bool                // for package bench: search although values of the boat's files are still the template's
	Bands     bool                // say how sure the tightest margin at the highest value is; a search over draws is that by itself
	BandDraws int                 // boats behind that; 0: 80
	Lowest    bool                // search the lowest clear value, not the highest
	EveryRun  bool                // simulate every draw at every value, no fit
	Progress  func(done, all int) // hears of each value tried; nil: nobody
}

// Highest is the highest value that stays clear of a setting, of the boat or of the trials' conditions: the top of the interval that
// holds the present value, or where that is not clear of the next one below it, or with none there above it. Where the lowest was asked for, its bottom: read "lowest" for "highest", and "below" for "above".
type Highest struct {
	Key, Unit    string
	Reader       string // unit in which a person reads it; "": as Unit
	Lowest       bool
	Present      float64 // SI
	Own          bool    // it is a condition that each trial has of its own now: Present is the usual one
	PresentClear bool
	Value        float64    // SI; NaN where no value is clear
	Next         float64    // lowest value tried above it that is not clear; NaN at the end of the range
	NextLimit    *NextLimit // what is reached there; nil at the end of the range
	Low, High    float64    // the parameter's range that was searched
	// Gaps are further values above Value that are clear again, and values below it that are not: clearness is not
	// monotone there (a lower limit runs longer).
	Gaps  []Gap
	Tried int
	// TriedTo is the highest current that flows at Value, A, where that stays below the limit: what lies above it was tried in no trial.
	// NaN where the limit is reached, and for a setting that limits no current while driving.
	TriedTo float64
	Close   []string // rules that are close at Value and at every other value that was looked at, in sentences
	Series  string   // the standard whose sizes were searched, the present one beside them; "": any value of the range
	Idle    bool     // no value of the range changes anything in these trials
	Made    *Made    // how, over draws; nil: the boat as written
	LeftOut LeftOut  // draws that cannot be judged at Value

	Tightest *Tightest // at Value; nil: no value is clear, it was not asked for, or a part was never judged
}

// Tightest is the part that uses most of its limit, and how sure its margin is.
type Tightest struct {
	Part, Trial, Unit string
	Margin, Half      float64 // SI; half of the 95 % interval over what is not known of the boat, NaN: not known
	Over              float64 // share of the draws in which it passes its limit, 0..1
	Draws             int     // that could be judged
}

// Gap is a stretch of values, as far as the grid shows it.
type Gap struct {
	From, To float64 // SI
	Clear    bool
}

// FindHighest searches the highest clear value of any number of a variant over its whole range. On a cancelled context it
// returns what it has, with the context's error.
func FindHighest(ctx context.Context, v variant.Variant, key string, trials []*trial.Trial, o HighestOptions) (h Highest, err error) {
	return findHighest(ctx, v, key, trials, nil, o)
}

// findHighest is FindHighest for one of several searches; beside holds what the others look at, for the rules that nothing mends.
func findHighest(ctx context.Context, v variant.Variant, key string, trials []*trial.Trial, beside []variant.Variant, o HighestOptions) (h Highest, err error) {
	if err := checkDraws(o.Draws); err != nil {
		return Highest{}, err
	}
	if len(trials) == 0 {
		return Highest{}, errors.New("no trial is named, so nothing would be judged: name one")
	}
	if err := v.Searchable(key); err != nil {
		return Highest{}, err
	}
	b := v.Boat
	present, _ := v.Number(key)
	j := newJudge(v, trials)
	h = Highest{Key: v.Name(key), Unit: v.Unit(key), Reader: v.ReaderUnit(key), Lowest: o.Lowest, Present: present, Value: math.NaN(), Next: math.NaN(), TriedTo: math.NaN()}
	if _, holds := v.Conditions[key]; !holds {
		_, h.Own = trial.ConditionByKey(key)
	}
	h.Low, h.High = v.Range(key)
	if math.IsInf(h.High, 1) {
		return Highest{}, fmt.Errorf("%s is %s and has no highest value: there is no range to search; start from a value of its size with --set", h.Key, v.Get(key))
	}
	exact := o.Exact
	if exact == 0 {
		exact = 0.005
	}
	at := func(x float64) (bool, error) {
		h.Tried++
		if o.Progress != nil {
			o.Progress(h.Tried, cmp.Or(o.Grid, 25)+10)
		}
		t, err := v.WithNumber(key, x)
		if err != nil {
			return false, nil // outside the parameter's range
		}
		return j.clear(ctx, t, x)
	}
	points, source := looked(v, key, cmp.Or(o.Grid, 25))
	if source != "" {
		h.Series, h.Low, h.High = source, points[0], points[len(points)-1]
	}
	j.want(slices.Concat(beside, withEach(v, key, points)))
	if o.Odds > 0 {
		list, err := tolerated(b)
		if err != nil {
			return Highest{}, err
		}
		low, high := j.permitted(v, key, points)
		j.chance = newChance(v, key, list, trials, low, high, o)
		defer func() {
			h.LeftOut, _ = leftOut(j.chance.failedAt(h.Value))
			h.LeftOut.NotClear = true
			made := j.chance.made()
			h.Made = &made
		}()
	}
	grid, clear, err := scan(at, points)
	if err != nil {
		return h, err
	}
	if o.Lowest { // the highest of the values upside down
		slices.Reverse(grid)
		slices.Reverse(clear)
	}
	top := h.place(grid, clear)
	if top < 0 {
		if h.NextLimit, err = j.findNextLimit(ctx, v); h.NextLimit == nil && err == nil && j.chance != nil {
			h.NextLimit, err = j.chance.limit(ctx, present)
		}
		return h, err
	}
	h.Value = grid[top]
	if top+1 < len(grid) {
		h.Next = grid[top+1]
		span := math.Abs(grid[len(grid)-1] - grid[0])
		h.Value, h.Next, err = root.Bracket(h.Value, h.Next, func(value, next float64) bool {
			return h.Series != "" || math.Abs(next-value) <= exact*max(math.Abs(value), leastShare*span)
		}, func(x float64) (bool, error) {
			ok, err := at(x)
			return !ok, err
		})
		if err != nil {
			return h, err
		}
		t, err := v.WithNumber(key, h.Next)
		if err != nil {
			return h, err
		}
		if h.NextLimit, err = j.findNextLimit(ctx, t); err != nil {
			return h, err
		}
		if h.NextLimit == nil && j.chance != nil {
			if h.NextLimit, err = j.chance.limit(ctx, h.Next); err != nil {
				return h, err
			}
		}
	}
	t, err := v.WithNumber(key, h.Value)
	if err != nil {
		return h, err
	}
	h.Close = stillClose(t)
	if math.IsNaN(h.Next) && !slices.Contains(clear, false) {
		if h.Idle, err = idle(ctx, v, key, grid, trials); err != nil || h.Idle {
			return h, err
		}
	}
	limits := !o.Lowest && limitedTrace(key, v.Settings) != ""
	if sure := o.Bands && j.chance == nil; !sure && !limits {
		return h, nil
	}
	trials = t.Trials(trials)
	judged, err := Run(ctx, t.Boat, t.Settings, trials, simulate.Options{})
	if err != nil {
		return h, err
	}
	if limits {
		h.TriedTo = triedTo(t.Settings, key, h.Value, judged)
	}
	if o.Bands && j.chance == nil {
		h.Tightest, err = findTightest(ctx, t.Boat, t.Settings, trials, judged, cmp.Or(o.BandDraws, bandDraws), o.Seed)
	}
	if ctx.Err() != nil {
		return h, err
	}
	return h, nil // draws that cannot be judged leave the margin without its band
}

// leastShare is the share of the searched range below which a value is found no more exactly: half a per cent of nothing is nothing.
const leastShare = 0.02

// looked returns the values of a key that a search looks at first: n over its range, or the sizes of the standard that is named.
func looked(v variant.Variant, key string, n int) (points []float64, series string) {
	present, _ := v.Number(key)
	low, high := v.Range(key)
	if sizes, source := v.Series(key); sizes != nil {
		return among(sizes, low, high, present), source
	}
	return grid(low, high, present, n), ""
}

// withEach returns the variant with each value of a key of which a boat can be made.
func withEach(v variant.Variant, key string, values []float64) (out []variant.Variant) {
	for _, x := range values {
		if t, err := v.WithNumber(key, x); err == nil && t.Problems() == nil {
			out = append(out, t)
		}
	}
	return out
}

// among returns the sizes of a series within a range, and the present value.
func among(sizes []float64, low, high, present float64) []float64 {
	points := map[float64]bool{present: true}
	for _, x := range sizes {
		if x >= low && x <= high {
			points[x] = true
		}
	}
	return sorted(points)
}

// idle reports whether nothing differs in judged trials between the two ends of a range.
func idle(ctx context.Context, v variant.Variant, key string, grid []float64, trials []*trial.Trial) (bool, error) {
	var ends [2][]verdict.Trial
	for i, x := range []float64{grid[0], grid[len(grid)-1]} {
		t, err := v.WithNumber(key, x)
		if err != nil {
			return false, nil // the end itself is outside the range
		}
		if ends[i], err = Run(ctx, t.Boat, t.Settings, t.Trials(trials), simulate.Options{}); err != nil {
			return false, err
		}
	}
	for i := range ends[0] {
		a, b := ends[0][i].Run, ends[1][i].Run
		if len(a.Events) != len(b.Events) || len(a.Traces) != len(b.Traces) || !slices.Equal(a.Time, b.Time) {
			return false, nil
		}
		for k := range a.Traces {
			if !slices.Equal(a.Traces[k].Values, b.Traces[k].Values) {
				return false, nil
			}
		}
	}
	return true, nil
}

// triedTo returns the highest current (A) that flows in judged trials, where the limit is not reached; else NaN.
func triedTo(s settings.Set, key string, limit float64, judged []verdict.Trial) float64 {
	most := 0.0
	for i := range judged {
		amps, _, _ := HighestReached(key, s, judged[i].Run)
		most = max(most, amps)
	}
	if most >= reachedShare*limit {
		return math.NaN()
	}
	return most
}

// findTightest returns the part of judged trials that uses most of its limit, with the band of its margin from boats drawn in that
// trial; nil where no part was judged.
func findTightest(ctx context.Context, b *boat.Boat, s settings.Set, trials []*trial.Trial, judged []verdict.Trial, n int, seed uint64) (*Tightest, error) {
	side := verdict.Side{Trials: judged}
	part, in, ok := side.Tightest()
	if !ok {
		return nil, nil
	}
	t := &Tightest{Part: part.Name, Trial: in, Unit: part.Unit, Margin: part.Margin, Half: math.NaN()}
	list := drive.Unknowns(b)
	if len(list) == 0 {
		return t, nil
	}
	at := slices.IndexFunc(trials, func(t *trial.Trial) bool { return t.Name == in })
	q, _, err := simulateAll(ctx, b, list, s, trials[at:at+1], n, seed, nil)
	if err != nil {
		return t, err
	}
	a, f := q.trials[0], q.fits[0]
	if p := slices.IndexFunc(a.parts, func(r record.Part) bool { return r.Name == t.Part }); p >= 0 {
		t.Half = f.half(a.margin(p), t.Margin)
		for _, k := range f.answers {
			if k.failed == nil && !math.IsNaN(k.values[a.margin(p)]) {
				t.Draws++
				if k.values[a.margin(p)] < 0 {
					t.Over++
				}
			}
		}
		t.Over /= float64(max(t.Draws, 1))
	}
	return t, nil
}

// place finds the top of the clear interval that holds the present value (or, where that is not clear, of the highest
// one below it, else of the lowest one above it) and notes where clearness is not monotone. −1: nothing is clear.
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
		if above := slices.Index(clear, true); top < 0 && above >= 0 {
			for top = above; top+1 < len(grid) && clear[top+1]; top++ {
			}
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

// grid returns points over a range, the present value among them: evenly, or by equal factors where the range is wide.
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

// Front is the trade of two values: for each value of the first, the highest clear value of the second, or the lowest.
type Front struct {
	Keys    [2]string
	Units   [2]string
	Readers [2]string // units in which a person reads them; "": as Units
	Lowest  bool
	Points  []FrontPoint
	LeftOut LeftOut  // draws that cannot be judged at some point
	Close   []string // rules that are close at every pair of values that was looked at, in sentences
}

// FrontPoint is one value of the first setting and the highest clear value of the second; NaN where none is.
type FrontPoint struct {
	First, Second float64
	NextLimit     *NextLimit
}

// FindFront searches the front of two values with n values of the first over its range.
func FindFront(ctx context.Context, v variant.Variant, keys [2]string, n int, trials []*trial.Trial, o HighestOptions) (Front, error) {
	f := Front{Keys: [2]string{v.Name(keys[0]), v.Name(keys[1])}, Units: [2]string{v.Unit(keys[0]), v.Unit(keys[1])}, Readers: [2]string{v.ReaderUnit(keys[0]), v.ReaderUnit(keys[1])}, Lowest: o.Lowest}
	if err := checkDraws(o.Draws); err != nil {
		return f, err
	}
	for _, key := range keys {
		if err := v.Searchable(key); err != nil {
			return f, err
		}
	}
	progress := o.Progress
	points, _ := looked(v, keys[0], n)
	var all []variant.Variant
	for _, t := range withEach(v, keys[0], points) {
		seconds, _ := looked(t, keys[1], cmp.Or(o.Grid, 25))
		all = append(all, withEach(t, keys[1], seconds)...)
	}
	for i, x := range points {
		t, err := v.WithNumber(keys[0], x)
		if err != nil {
			continue
		}
		if progress != nil {
			o.Progress = func(int, int) {}
			progress(i, n+1)
		}
		h, err := findHighest(ctx, t, keys[1], trials, all, o)
		if err != nil {
			return f, err
		}
		if h.LeftOut.Total() > f.LeftOut.Total() { // each point draws the same boats
			f.LeftOut = h.LeftOut
		}
		if f.Close == nil {
			f.Close = h.Close
		}
		f.Points = append(f.Points, FrontPoint{First: x, Second: h.Value, NextLimit: h.NextLimit})
	}
	return f, nil
}
