package study

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"

	"gonum.org/v1/gonum/stat"
)

// usualDraws are drawn for a wish of odds where no number is asked for, and mostUsualDraws where the wish needs more to be shown.
const (
	usualDraws     = 200
	mostUsualDraws = 1000
)

// drawsFor returns how many boats to draw for a wish of odds: as many as are asked for, else enough that the wish can be shown and a few
// may be over. It is an error where even none over would not show it.
func drawsFor(w *Wish, asked int) (int, error) {
	least := int(math.Ceil(math.Log(0.025) / math.Log(w.Value))) // with none over: interval's lower end is 0.025^(1/n)
	switch {
	case w.Value >= 1:
		return 0, fmt.Errorf("%q is impossible: no number of draws shows that every boat is good, wish for 99 %%", w.Text)
	case asked < 0:
		return 0, checkDraws(asked)
	case asked == 0 && least > mostUsualDraws:
		return 0, fmt.Errorf("%q takes %s to be shown, and the better part of a minute or more: ask for them (--draws %d), or wish for less", w.Text, Plural(least, "draw"), least)
	case asked > 0 && asked < least:
		return 0, fmt.Errorf("%q takes %s to be shown, not %d", w.Text, Plural(least, "draw"), asked)
	case asked > 0:
		return asked, checkDraws(asked)
	}
	return min(max(usualDraws, 8*least/5), mostUsualDraws), nil
}

// CheckOdds returns why a wish of odds cannot be shown by so many draws (0: the usual number); nil where it can, or there is none.
func CheckOdds(wishes []Wish, draws int) error {
	for i := range wishes {
		if w := &wishes[i]; w.Kind == "odds" {
			_, err := drawsFor(w, draws)
			return err
		}
	}
	return nil
}

// surer changes a set until the wish of odds is met, or until what that costs of the other wishes is worth more.
func (s *seeker) surer(ctx context.Context, best *tried) (*tried, error) {
	o, err := s.draw(ctx, best, s.trials)
	for range 3 {
		if err != nil || s.odds.short(nil, best.oddsLow) == 0 {
			break // whatever else is missed, no lighter set is nearer to it
		}
		var next *tried
		if next, err = s.lighter(ctx, best, o); next == nil || err != nil {
			break
		}
		var then *outlook
		if then, err = s.draw(ctx, next, o.near); err != nil || !better(next, best) { // where no draw of a heavier set comes near a limit, none of a lighter one does
			break
		}
		best, o = next, then
	}
	return best, err
}

// outlook predicts the odds of a set from those of another: each draw's share of a limit is taken to keep its ratio to the share that the
// boat as written uses.
type outlook struct {
	n      int
	near   []*trial.Trial // in which some draw comes near a limit
	trials []*trial.Trial // the same, under the conditions of the set
	parts  [][]record.Part
	ratio  [][][]float64 // trial, draw, part; NaN: nothing is told
	jumped []bool        // draws in which a device opens
	bank   float64       // highest battery current of the boat as written in these trials, A
}

// Of each trial so many draws are simulated first. Where the share of a limit that any part then uses lies so many standard deviations off,
// no draw passes it, since tolerances are cut off, and the rest is not simulated.
const (
	lookDraws = 48
	lookOff   = 6
)

// draw judges a set in trials over what is not known of the boat and notes its odds.
func (s *seeker) draw(ctx context.Context, t *tried, in []*trial.Trial) (*outlook, error) {
	list, err := tolerated(t.v.Boat)
	if err != nil {
		return nil, err
	}
	trials := t.v.Trials(in)
	q := newDraws(t.v.Boat, list, t.v.Settings, trials, notOver, s.draws, s.o.Seed)
	q.finished = newCounter(nil, 0)
	near := &drawn{boat: q.boat, list: list, settings: q.settings, n: q.n, points: q.points, finished: q.finished}
	o := &outlook{n: q.n, jumped: make([]bool, q.n)}
	for k, a := range q.trials {
		some := make([]int, min(lookDraws, q.n))
		for i := range some {
			some[i] = i
		}
		looked, err := q.simulate(ctx, a, some)
		s.count(len(some))
		if err != nil {
			return nil, err
		}
		if a.learn(looked); a.far(looked) {
			continue
		}
		f := q.fits[k]
		run := f.runs
		f.runs = func(ctx context.Context, which []int) ([]*answer, error) {
			out, rest, at := make([]*answer, len(which)), []int{}, []int{}
			for i, d := range which {
				if d < len(looked) {
					out[i] = looked[d]
				} else {
					rest, at = append(rest, d), append(at, i)
				}
			}
			more, err := run(ctx, rest)
			s.count(len(rest))
			for i, r := range more {
				out[at[i]] = r
			}
			return out, err
		}
		f.whole = q.n < fewPoints
		if err := f.settle(ctx, q.points, q.got[k]); err != nil {
			return nil, err
		}
		near.trials, near.fits, near.got = append(near.trials, a), append(near.fits, f), append(near.got, q.got[k])
		o.near, o.trials, o.parts = append(o.near, in[k]), append(o.trials, trials[k]), append(o.parts, a.parts)
	}
	over, n := 0, q.n
	if len(near.trials) > 0 {
		odds, err := near.odds(false)
		if err != nil {
			return nil, err
		}
		n = odds.Runs
		over = int(math.Round(odds.Over.Value * float64(n)))
	}
	_, high := interval(over, n)
	t.ended["odds"], t.oddsLow = 1-float64(over)/float64(n), 1-high
	t.short = sumMissed(s.wishes, t.ended, t.oddsLow)

	own, err := s.shares(ctx, t, o.trials)
	if err != nil {
		return nil, err
	}
	for k, a := range near.trials {
		used := near.fits[k].values(q.points, near.got[k], a.shares())
		ratio := make([][]float64, q.n)
		for i := range q.n {
			ratio[i] = make([]float64, len(a.parts))
			if r := near.got[k][i]; r != nil && r.failed == nil && bad(r.jump) {
				o.jumped[i] = true
			}
			for p := range a.parts {
				ratio[i][p] = math.NaN()
				if base := own[k].of[a.parts[p].Name]; base > 0.02 && a.limits(p) != nil {
					ratio[i][p] = used.At(i, p) / base
				}
			}
		}
		o.ratio = append(o.ratio, ratio)
		o.bank = max(o.bank, own[k].bank)
	}
	return o, nil
}

// far reports whether draws that were looked at lie so far off every limit, off every brink and off what makes a device open, that no other
// draw passes one.
func (a *asked) far(looked []*answer) bool {
	for _, r := range looked {
		if r.failed != nil || bad(r.jump) || len(r.values) != len(looked[0].values) {
			return false
		}
	}
	within := func(response int, limit float64) bool {
		x := make([]float64, len(looked))
		for i, r := range looked {
			x[i] = r.values[response]
		}
		mean, deviation := stat.MeanStdDev(x, nil)
		return mean+lookOff*deviation < limit // not of NaN
	}
	for p := range a.parts {
		if a.limits(p) != nil && !within(a.used(p), 1) {
			return false
		}
	}
	for k := range a.nears {
		if (a.nears[k].Device || a.nears[k].Brink) && !within(a.near(k), 0) {
			return false
		}
	}
	return true
}

// ownShares is what the boat as written uses of its limits in a trial, and its highest battery current, A.
type ownShares struct {
	of   map[string]float64
	bank float64
}

// shares returns the shares that a set uses in trials.
func (s *seeker) shares(ctx context.Context, t *tried, trials []*trial.Trial) ([]ownShares, error) {
	out := make([]ownShares, len(trials))
	err := each(ctx, len(trials), func(ctx context.Context, i int) error {
		run, err := simulate.Run(ctx, t.v.Boat, t.v.Settings, trials[i], simulate.Options{})
		s.count(1)
		if err != nil {
			return err
		}
		judged, err := verdict.Judge(run)
		if err != nil {
			return err
		}
		out[i].of = map[string]float64{}
		for _, p := range judged.Parts {
			out[i].of[p.Name] = min(p.Used, mostUse)
		}
		if tr, ok := run.Trace(record.BatteryCurrent); ok {
			for _, x := range tr.Values {
				out[i].bank = max(out[i].bank, math.Abs(x))
			}
		}
		return nil
	})
	return out, err
}

// predict fills in the odds that a set is likely to have.
func (s *seeker) predict(ctx context.Context, o *outlook, t *tried) error {
	own, err := s.shares(ctx, t, o.trials)
	if err != nil {
		return err
	}
	bank := 0.0
	for k := range own {
		bank = max(bank, own[k].bank)
	}
	over := 0
	for i := range o.n {
		hit := o.jumped[i] && 1.05*bank > o.bank // a device: taken to hold from a twentieth less current on
		for k := range o.trials {
			for p := range o.parts[k] {
				hit = hit || o.ratio[k][i][p]*own[k].of[o.parts[k][p].Name] > 1-1e-6
			}
		}
		if hit {
			over++
		}
	}
	_, high := interval(over, o.n)
	t.oddsLow = 1 - high
	t.short = sumMissed(s.wishes, t.ended, t.oddsLow)
	return nil
}

// lighter looks for a clear set that is nearer to the wishes by what an outlook predicts: along the line to less current, and then around
// the best. nil: there is none.
func (s *seeker) lighter(ctx context.Context, from *tried, o *outlook) (*tried, error) {
	var hot []int
	for i, k := range s.knobs {
		if k.heats {
			hot = append(hot, i)
		}
	}
	best := from
	try := func(cube [][]float64) (bool, error) {
		list, err := s.measureAll(ctx, cube, best.short+tie)
		if err != nil {
			return false, err
		}
		list = slices.DeleteFunc(list, func(t *tried) bool { return t.unclear || rank(s.missed(t.ended)) > rank(best.short) })
		for _, t := range list {
			if err := s.predict(ctx, o, t); stopped(err) {
				return false, err
			} else if err != nil {
				t.unclear = true
			}
		}
		list = slices.DeleteFunc(list, func(t *tried) bool { return t.unclear || !better(t, best) })
		slices.SortStableFunc(list, func(a, b *tried) int {
			return cmp.Or(cmp.Compare(rank(a.short), rank(b.short)), cmp.Compare(a.far, b.far))
		})
		for _, t := range list[:min(len(list), 4)] {
			ok, err := s.isClear(ctx, t.v)
			if err != nil {
				return false, err
			}
			if ok {
				best = t
				return true, nil
			}
		}
		return false, nil
	}
	var cube [][]float64
	for _, less := range []float64{0.98, 0.96, 0.94, 0.91, 0.88, 0.84, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4} {
		for _, set := range [][]int{hot, {0}, {1}} {
			x := slices.Clone(from.x)
			for _, i := range set {
				x[i] *= less
			}
			cube = append(cube, x)
		}
	}
	if _, err := try(cube); err != nil {
		return nil, err
	}
	for width := 0.03; width > 0.003; {
		cube = nil
		for _, i := range hot {
			for _, d := range []float64{-width, width} {
				x := slices.Clone(best.x)
				if x[i] = min(max(x[i]+d, 0), 1); x[i] != best.x[i] {
					cube = append(cube, x)
				}
			}
		}
		ok, err := try(cube)
		if err != nil {
			return nil, err
		}
		if !ok {
			width /= 2
		}
	}
	if best == from {
		return nil, nil
	}
	return best, nil
}
