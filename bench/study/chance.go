package study

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
)

// chance asks in how many draws over the tolerances a value of a setting is clear. The setting is one more unknown of the fit: runs at
// one value tell about its neighbours. Its range is cut into windows, each with a fit of its own.
type chance struct {
	*drawn
	share    float64 // of the draws that must be clear
	edges    []float64
	windows  []*window                     // nil: not looked into yet
	failures map[float64][]error           // of each value: why a draw was not judged
	reached  map[float64]map[NextLimit]int // of each value: in how many draws a limit is passed
	values   int                           // tried
}

// window is a stretch of the setting's range.
type window struct {
	low, high float64
	fits      []*fit
}

const windows = 6

func newChance(v variant.Variant, list []drive.Unknown, trials []*trial.Trial, low, high float64, o HighestOptions) *chance {
	n := cmp.Or(o.Draws, 100)
	c := &chance{drawn: newDraws(v.Boat, list, v.Settings, trials, isClear, n, o.Seed), share: o.Odds, failures: map[float64][]error{}, reached: map[float64]map[NextLimit]int{}, windows: make([]*window, windows)}
	c.everyRun, c.finished = o.EveryRun, newCounter(nil, 0)
	for k := range windows + 1 {
		w := float64(k) / windows
		x := low + (high-low)*w
		if low > 0 && high/low > 3 {
			x = low * math.Pow(high/low, w)
		}
		c.edges = append(c.edges, x)
	}
	return c
}

// clear reports whether a value, that of the variant, is clear in the share of draws asked for.
func (c *chance) clear(ctx context.Context, v variant.Variant, key string, x float64) (bool, error) {
	c.values++
	w, err := c.window(ctx, v, key, x)
	if err != nil {
		return false, err
	}
	points, at := make([][]float64, c.n), w.scaled(x)
	for i, z := range c.points {
		points[i] = append(slices.Clone(z), at)
	}
	passed, failed, open := make([]bool, c.n), make([]error, c.n), map[int]bool{}
	for i := range passed {
		passed[i] = true
	}
	c.reached[x] = map[NextLimit]int{}
	for k, a := range c.trials {
		f, got := w.fits[k], make([]*answer, c.n)
		f.whole = f.whole || c.everyRun
		f.runs = func(ctx context.Context, which []int) ([]*answer, error) { return c.at(ctx, a, which, v) }
		f.pick = func(unsure []int, off []float64) []int { return c.pick(a, got, unsure, off, passed, open) }
		if err := f.settle(ctx, points, got); err != nil {
			return false, err
		}
		c.judge(f, a, points, got, passed, failed, c.reached[x])
	}
	left, err := leftOut(failed)
	if left.NoDrive == c.n || left.Unjudged == c.n {
		return false, nil // it says nothing about the other values of the range
	}
	n := 0
	for i, ok := range passed {
		if ok && failed[i] == nil {
			n++
		}
	}
	// A draw that the solver fails on is not known to be clear; one that tells nothing neither; an impossible boat is none.
	clear := float64(n) >= c.share*float64(c.n-left.NoDrive)
	c.failures[x] = failed
	return clear, err
}

// pick chooses which draws to simulate so that it is known whether enough of them are clear: none, once nothing can change that. passed
// holds what the trials before have shown, and open which of their draws nobody needed to know.
func (c *chance) pick(a *asked, got []*answer, unsure []int, off []float64, passed []bool, open map[int]bool) []int {
	allowed := c.n - int(math.Ceil(c.share*float64(c.n)-1e-9)) // draws that need not be clear
	unknown := map[int]bool{}
	unsure = slices.DeleteFunc(unsure, func(i int) bool { return !passed[i] })
	for _, i := range unsure {
		unknown[i] = true
	}
	sure := 0 // draws that are not clear
	for i := range c.n {
		if !passed[i] || got[i] != nil && !a.good(got[i]) || got[i] == nil && !unknown[i] && off[i] > 0 {
			sure++
		}
	}
	possible, likely := sure+len(unsure), sure
	for i := range open {
		if passed[i] && !unknown[i] {
			possible++
		}
	}
	for _, i := range unsure {
		if off[i] > 0 {
			likely++
		}
	}
	switch {
	case sure > allowed, possible <= allowed:
		for _, i := range unsure {
			open[i] = true
		}
		return nil
	case likely > allowed: // a few of those that are most likely not clear decide it
		slices.SortStableFunc(unsure, func(i, k int) int { return cmp.Compare(off[k], off[i]) })
		return unsure[:min(len(unsure), allowed-sure+5)]
	}
	return unsure[:min(len(unsure), batch)]
}

// judge marks the draws that one trial's answers show to fail, and counts by which limits.
func (c *chance) judge(f *fit, a *asked, points [][]float64, got []*answer, passed []bool, failed []error, reached map[NextLimit]int) {
	var responses, of []int
	var limits []threshold
	for p := range a.parts {
		for _, limit := range a.limits(p) {
			limits, responses, of = append(limits, limit), append(responses, limit.response), append(of, p)
		}
	}
	values := f.values(points, got, responses)
	for i := range passed {
		r := got[i]
		if r == nil {
			r = f.answers[0]
		}
		if r.failed != nil {
			if failed[i] == nil {
				failed[i] = r.failed
			}
			continue
		}
		if bad(r.jump) {
			passed[i] = false
			reached[NextLimit{What: "a device that opens, or one that should and does not", Trial: a.trial.Name}]++
		}
		last := -1 // a part may have two limits
		for k, limit := range limits {
			if !limit.passes(values.At(i, k)) {
				continue
			}
			if passed[i] = false; of[k] != last {
				part := a.parts[of[k]]
				reached[NextLimit{What: part.Name + heated(part.Current), Trial: a.trial.Name}]++
			}
			last = of[k]
		}
	}
}

// limit returns why too few draws are clear at a value: what most of them reach.
func (c *chance) limit(x float64) *NextLimit {
	g, most := NextLimit{What: fmt.Sprintf("fewer than %.4g %% of the draws are clear", 100*c.share)}, 0
	what := g.What
	for r, n := range c.reached[x] {
		if n > most || n == most && cmp.Or(cmp.Compare(r.What, g.What), cmp.Compare(r.Trial, g.Trial)) < 0 {
			g, most = r, n
		}
	}
	if most > 0 {
		g.What = what + "; most often it is " + g.What
	}
	return &g
}

// at simulates several draws of a variant.
func (c *chance) at(ctx context.Context, a *asked, which []int, v variant.Variant) ([]*answer, error) {
	out := make([]*answer, len(which))
	list := c.unknowns(v)
	err := each(ctx, len(which), func(ctx context.Context, i int) (err error) {
		out[i], err = a.under(v).run(ctx, drive.Place(v.Boat, list, c.points[which[i]]), v.Settings)
		return err
	})
	return out, err
}

// unknowns returns the list of what is not known, of a variant: in the same order, a value that the variant changed spreading about its own.
func (c *chance) unknowns(v variant.Variant) []drive.Unknown {
	if v.Boat == c.boat {
		return c.list
	}
	changed := map[string]drive.Unknown{}
	for _, u := range drive.Unknowns(v.Boat) {
		changed[u.Key] = u
	}
	list := slices.Clone(c.list)
	for i := range list {
		if u, ok := changed[list[i].Key]; ok {
			list[i] = u
		} else {
			list[i].Spread = boat.Spread{Law: boat.Exact, Value: 1} // it has no part in this variant
			list[i].Key = ""
		}
	}
	return list
}

// window returns the window that holds a value, its fits taught by runs all over it.
func (c *chance) window(ctx context.Context, v variant.Variant, key string, x float64) (*window, error) {
	k, _ := slices.BinarySearch(c.edges, x)
	k = max(0, min(windows, k)-1)
	if c.windows[k] != nil {
		return c.windows[k], nil
	}
	w := &window{low: c.edges[k], high: c.edges[k+1]}
	inputs := len(c.list) + 1
	for _, a := range c.trials {
		f := &fit{inputs: inputs, thresholds: a.thresholds}
		w.fits = append(w.fits, f)
		if c.everyRun {
			continue
		}
		n := leastRuns(inputs)
		answers, rows := make([]*answer, n), make([][]float64, n)
		err := each(ctx, n, func(ctx context.Context, i int) error {
			// Every draw in turn, the values spread evenly by the golden section: no draw stands for one end only.
			_, part := math.Modf(float64(i) * (math.Sqrt(5) - 1) / 2)
			at := w.low + (w.high-w.low)*part
			t, err := v.WithNumber(key, at)
			if err != nil {
				return err
			}
			rows[i] = append(slices.Clone(c.points[i%c.n]), w.scaled(at))
			answers[i], err = a.under(t).run(ctx, drive.Place(t.Boat, c.unknowns(t), c.points[i%c.n]), t.Settings)
			return err
		})
		if err != nil {
			return nil, err
		}
		f.rows, f.answers = rows, answers
	}
	c.windows[k] = w
	return w, nil
}

// scaled returns a value of the setting as an input of the fit: about as wide as a score.
func (w *window) scaled(x float64) float64 {
	return math.Sqrt(3) * (2*(x-w.low)/(w.high-w.low) - 1)
}

// made returns what the answer took.
func (c *chance) made() Made {
	m, nearest := Made{Draws: c.n, Values: c.values}, math.Inf(1)
	for _, w := range c.windows {
		if w == nil {
			continue
		}
		for k, f := range w.fits {
			m.Runs += len(f.answers)
			if f.whole {
				if name := c.trials[k].trial.Name; !c.everyRun && !slices.Contains(m.Whole, name) {
					m.Whole = append(m.Whole, name)
				}
				continue
			}
			m.nearer(f, &nearest)
		}
	}
	return m
}
