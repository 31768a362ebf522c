package study

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// chance asks in how many draws over the tolerances a value of a setting is clear. Every draw is simulated at the present value: how much
// of each limit it uses there tells more of it than its unknowns do, and goes into the fit in their place, beside the setting. The
// range is cut into windows, each with a fit of its own for each trial.
type chance struct {
	*drawn
	key     string
	present variant.Variant
	share   float64       // of the draws that must be clear
	inputs  [][][]float64 // trial (nil: not asked yet), draw: what goes into the fit; nil: it tells nothing at the present value
	windows []window
	known   map[float64][][]*answer // of each value: trial, draw; nil: not simulated
	often   []int                   // of each draw: at how many values it was not clear
	hard    int                     // trial in which too few draws were clear last
	values  int                     // tried
	runs    int

	impossible bool // some draw makes no drive
}

// window is a stretch of the setting's range.
type window struct {
	low, high float64
	fits      []*fit // of each trial; nil: not taught yet
}

const (
	windows     = 4
	mostInputs  = mostPaired - 1 // of a draw
	mostPresent = 1000           // draws: of more, the unknowns tell with fewer runs
)

// newChance looks into the stretch between two values.
func newChance(v variant.Variant, key string, list []drive.Unknown, trials []*trial.Trial, low, high float64, o HighestOptions) *chance {
	q := newDraws(v.Boat, list, v.Settings, trials, isClear, cmp.Or(o.Draws, 100), o.Seed)
	q.everyRun = o.EveryRun
	c := &chance{drawn: q, key: key, present: v, share: o.Odds, inputs: make([][][]float64, len(trials)), often: make([]int, q.n), known: map[float64][][]*answer{}}
	edge := func(k int) float64 {
		w := float64(k) / windows
		if low > 0 && high/low > 3 {
			return low * math.Pow(high/low, w)
		}
		return low + (high-low)*w
	}
	for k := range windows {
		c.windows = append(c.windows, window{edge(k), edge(k + 1), make([]*fit, len(trials))})
	}
	return c
}

// clear reports whether a value, that of the variant, is clear in the share of draws asked for.
func (c *chance) clear(ctx context.Context, v variant.Variant, x float64) (bool, error) {
	c.values++
	return c.ask(ctx, v, x, nil)
}

// ask reports the same, and counts in how many draws each limit is passed. Where nobody wants to know that (nil), the first trial in
// which too few draws are clear is the last.
func (c *chance) ask(ctx context.Context, v variant.Variant, x float64, reached map[NextLimit]int) (bool, error) {
	passed := make([]bool, c.n)
	for i := range passed {
		passed[i] = true
	}
	missed := func(i int) bool { return !passed[i] }
	order := upTo(len(c.trials))
	order[0], order[c.hard] = c.hard, 0
	for i, k := range order {
		if err := c.settle(ctx, v, x, k, i == len(order)-1, passed, reached); err != nil {
			return false, err
		}
		if !c.enough(x, missed) && reached == nil && !c.everyRun {
			c.hard = k
			break
		}
	}
	for i, ok := range passed {
		if !ok {
			c.often[i]++
		}
	}
	left, err := leftOut(c.failedAt(x))
	if left.NoDrive == c.n || left.Unjudged == c.n {
		return false, nil // it says nothing about the other values of the range
	}
	return c.enough(x, missed), err
}

// settle asks one trial about a value, and marks the draws that do not pass.
func (c *chance) settle(ctx context.Context, v variant.Variant, x float64, k int, last bool, passed []bool, reached map[NextLimit]int) error {
	f, w, err := c.fit(ctx, x, k)
	if err != nil {
		return err
	}
	a, list, got, points := c.trials[k], c.unknowns(v), c.answersAt(x, k), make([][]float64, c.n)
	var untold []int
	for i, z := range c.inputs[k] {
		if points[i] = w.input(z, x); z == nil && got[i] == nil {
			untold = append(untold, i)
		}
	}
	answers, err := c.at(ctx, a, untold, v)
	if err != nil {
		return err
	}
	a.learn(answers)
	for i, r := range answers {
		got[untold[i]] = r
	}
	f.runs = func(ctx context.Context, which []int) ([]*answer, error) { return c.at(ctx, a, which, v) }
	if f.pick = nil; !c.everyRun && (!f.whole || reached == nil) {
		f.pick = func(unsure []int, off []float64) []int { return c.pick(x, k, last, unsure, off, passed) }
	}
	for checked := false; !checked; {
		if checked = c.impossible; checked { // where one draw makes no drive, others may not either: that takes no run
			err := each(ctx, c.n, func(_ context.Context, i int) error {
				if got[i] == nil {
					if err := simulate.CheckDrive(drive.Place(v.Boat, list, c.points[i]), v.Settings, a.under(v).trial); err != nil {
						got[i] = &answer{failed: err}
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		if err := f.settle(ctx, points, got); err != nil {
			return err
		}
		if c.impossible = c.impossible || slices.ContainsFunc(got, func(r *answer) bool { return r != nil && r.impossible() }); !c.impossible {
			break
		}
	}
	c.judge(f, a, points, got, passed, reached)
	return nil
}

// pick chooses which draws to simulate so that it is known whether enough of them are clear, those first that are most likely not: none,
// once nothing can change that. passed holds what the trials before have shown.
func (c *chance) pick(x float64, k int, last bool, unsure []int, off []float64, passed []bool) []int {
	a, got, failed, unknown := c.trials[k], c.answersAt(x, k), c.failedAt(x), map[int]bool{}
	unsure = slices.DeleteFunc(unsure, func(i int) bool { return !passed[i] || failed[i] != nil })
	for _, i := range unsure {
		unknown[i] = true
	}
	sure := func(i int) bool { // it is not clear
		return !passed[i] || got[i] != nil && !a.good(got[i]) || got[i] == nil && !unknown[i] && off[i] > 0
	}
	if last = last && !c.window(x).fits[k].whole; !c.enough(x, sure) || last && c.enough(x, func(i int) bool { return unknown[i] || sure(i) }) {
		return nil // where only runs tell, those of a clear value also say which draws are not counted
	}
	slices.SortStableFunc(unsure, func(i, k int) int { return cmp.Or(cmp.Compare(off[k], off[i]), c.often[k]-c.often[i]) })
	return unsure[:min(len(unsure), max(len(unsure)/4, c.n-int(c.share*float64(c.n))+5))]
}

// enough reports whether enough draws are clear at a value where some are not. A draw that the solver fails on is not known to be clear;
// one that tells nothing neither; an impossible boat is none.
func (c *chance) enough(x float64, not func(draw int) bool) bool {
	clear, n := 0, c.n
	for i, err := range c.failedAt(x) {
		switch {
		case (&answer{failed: err}).impossible():
			n--
		case err == nil && !not(i):
			clear++
		}
	}
	return float64(clear) >= c.share*float64(n)-1e-9
}

// failedAt returns why draws were not judged at a value.
func (c *chance) failedAt(x float64) []error {
	out := make([]error, c.n)
	for _, answers := range c.known[x] {
		for i, r := range answers {
			if r != nil && out[i] == nil {
				out[i] = r.failed
			}
		}
	}
	return out
}

// judge marks the draws that one trial's answers show to fail, and counts by which limits.
func (c *chance) judge(f *fit, a *asked, points [][]float64, got []*answer, passed []bool, reached map[NextLimit]int) {
	count := func(what string) {
		if reached != nil {
			reached[NextLimit{What: what, Trial: a.trial.Name}]++
		}
	}
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
		switch {
		case r == nil && f.whole:
			continue // nobody needs to know
		case r == nil:
			r = f.answers[0]
		}
		if r.failed != nil {
			continue
		}
		if bad(r.jump) {
			passed[i] = false
			count("a device that opens, or one that should and does not")
		}
		last := -1 // a part may have two limits
		for k, limit := range limits {
			if !limit.passes(values.At(i, k)) {
				continue
			}
			if passed[i] = false; of[k] != last {
				count(a.parts[of[k]].Name + heated(a.parts[of[k]].Current))
			}
			last = of[k]
		}
	}
}

// limit returns why too few draws are clear at a value: what most of them reach.
func (c *chance) limit(ctx context.Context, x float64) (*NextLimit, error) {
	reached := map[NextLimit]int{}
	v, err := c.present.WithNumber(c.key, x)
	if err == nil && x >= c.windows[0].low && x <= c.windows[windows-1].high {
		if _, err := c.ask(ctx, v, x, reached); err != nil {
			return nil, err
		}
	}
	g, most := NextLimit{What: fmt.Sprintf("fewer than %.4g %% of the draws are clear", 100*c.share)}, 0
	what := g.What
	for r, n := range reached {
		if n > most || n == most && cmp.Or(cmp.Compare(r.What, g.What), cmp.Compare(r.Trial, g.Trial)) < 0 {
			g, most = r, n
		}
	}
	if most > 0 {
		g.What = what + "; most often it is " + g.What
	}
	return &g, nil
}

// answersAt returns what is known of each draw at a value in one trial.
func (c *chance) answersAt(x float64, k int) []*answer {
	if c.known[x] == nil {
		c.known[x] = make([][]*answer, len(c.trials))
	}
	if c.known[x][k] == nil {
		c.known[x][k] = make([]*answer, c.n)
	}
	return c.known[x][k]
}

// at simulates several draws of a variant.
func (c *chance) at(ctx context.Context, a *asked, which []int, v variant.Variant) ([]*answer, error) {
	if len(which) == 0 {
		return nil, nil
	}
	out := make([]*answer, len(which))
	list := c.unknowns(v)
	c.runs += len(which)
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

// learn simulates every draw of one trial at the present value, and finds what goes into its fits.
func (c *chance) learn(ctx context.Context, k int) error {
	if c.everyRun || c.n > mostPresent {
		c.inputs[k] = c.points
		return nil
	}
	x, _ := c.present.Number(c.key)
	v, err := c.present.WithNumber(c.key, x)
	if err != nil {
		v = c.present // the value is outside its range, and not asked about
	}
	answers, err := c.at(ctx, c.trials[k], upTo(c.n), v)
	if err != nil {
		return err
	}
	copy(c.answersAt(x, k), answers)
	c.inputs[k] = told(answers, c.trials[k].thresholds(answers))
	return nil
}

// told returns what runs of draws told about what is to be decided, as few numbers of variance one that have nothing to do with each
// other (principal components); nil of a run that failed.
func told(answers []*answer, decided []threshold) [][]float64 {
	out := make([][]float64, len(answers))
	var rows []int
	for i, r := range answers {
		if r.failed == nil {
			rows = append(rows, i)
		}
	}
	var columns [][]float64
	for _, t := range decided {
		column := make([]float64, len(rows))
		for i, k := range rows {
			if v := answers[k].values[t.response]; !math.IsNaN(v) && !math.IsInf(v, 0) {
				column[i] = v
			}
		}
		mean, deviation := stat.PopMeanStdDev(column, nil)
		if deviation < 1e-9 {
			continue
		}
		off := (mean - t.at) / deviation
		for i := range column { // what lies far from its threshold counts less
			column[i] = (column[i] - mean) / deviation / (1 + off*off/100)
		}
		columns = append(columns, column)
	}
	for _, i := range rows {
		out[i] = []float64{}
	}
	if len(columns) == 0 {
		return out
	}
	X := mat.NewDense(len(rows), len(columns), nil)
	for j, column := range columns {
		X.SetCol(j, column)
	}
	var parts mat.SVD
	if !parts.Factorize(X, mat.SVDThin) {
		return out // the setting alone goes into the fit
	}
	var U mat.Dense
	parts.UTo(&U)
	for j, s := range parts.Values(nil) {
		if j == mostInputs || s < 1e-6*parts.Values(nil)[0] {
			break
		}
		for i, k := range rows {
			out[k] = append(out[k], U.At(i, j)*math.Sqrt(float64(len(rows))))
		}
	}
	return out
}

// window returns the window that holds a value.
func (c *chance) window(x float64) *window {
	at := 0
	for at < windows-1 && x > c.windows[at].high {
		at++
	}
	return &c.windows[at]
}

// fit returns the window that holds a value and a trial's fit there, taught by runs all over it.
func (c *chance) fit(ctx context.Context, x float64, k int) (*fit, *window, error) {
	w, a := c.window(x), c.trials[k]
	if w.fits[k] != nil {
		return w.fits[k], w, nil
	}
	if c.inputs[k] == nil {
		if err := c.learn(ctx, k); err != nil {
			return nil, nil, err
		}
	}
	var draws []int
	for i, z := range c.inputs[k] {
		if z != nil {
			draws = append(draws, i)
		}
	}
	f := &fit{thresholds: a.thresholds}
	if f.whole = c.everyRun || len(draws) == 0 || w.high <= w.low; !f.whole {
		f.inputs = len(c.inputs[k][draws[0]]) + 1
		n := leastRuns(f.inputs)
		f.answers, f.rows = make([]*answer, n), make([][]float64, n)
		c.runs += n
		err := each(ctx, n, func(ctx context.Context, i int) error {
			// Every draw in turn, the values spread by the golden section: no draw stands for one end only. Towards the ends, where a
			// fit knows least and a motor first stands still, they are closer together (as Chebyshev's nodes).
			_, part := math.Modf(float64(i) * (math.Sqrt(5) - 1) / 2)
			x, draw := w.low+(w.high-w.low)*(1-math.Cos(math.Pi*part))/2, draws[i%len(draws)]
			t, err := c.present.WithNumber(c.key, x)
			if err != nil {
				return err
			}
			f.rows[i] = w.input(c.inputs[k][draw], x)
			f.answers[i], err = a.under(t).run(ctx, drive.Place(t.Boat, c.unknowns(t), c.points[draw]), t.Settings)
			return err
		})
		if err != nil {
			return nil, nil, err
		}
		for i := n - 1; i >= 0; i-- {
			if f.answers[i].impossible() {
				c.impossible = true
				f.answers, f.rows = slices.Delete(f.answers, i, i+1), slices.Delete(f.rows, i, i+1)
			}
		}
		f.whole = len(f.answers) == 0
		for x, known := range c.known { // one of these runs may have told already that something jumps
			if known[k] == nil || c.window(x) != w {
				continue
			}
			for _, r := range known[k] {
				f.whole = f.whole || r != nil && r.failed == nil && r.jump != f.answers[0].jump
			}
		}
	}
	w.fits[k] = f
	return f, w, nil
}

// input returns what goes into the fit for a draw at a value of the setting, which is as wide as a score.
func (w *window) input(z []float64, x float64) []float64 {
	return append(slices.Clone(z), math.Sqrt(3)*(2*(x-w.low)/(w.high-w.low)-1))
}

// made returns what the answer took.
func (c *chance) made() Made {
	m, nearest := Made{Draws: c.n, Values: c.values, Runs: c.runs}, math.Inf(1)
	for _, w := range c.windows {
		for k, f := range w.fits {
			switch {
			case f == nil:
			case !f.whole:
				m.nearer(f, &nearest)
			case !c.everyRun && !slices.Contains(m.Whole, c.trials[k].trial.Name):
				m.Whole = append(m.Whole, c.trials[k].trial.Name)
			}
		}
	}
	return m
}
