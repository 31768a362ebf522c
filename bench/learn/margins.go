package learn

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"
	"sort"

	"golang.org/x/sync/errgroup"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// Margin is the room of one part in the trial that leaves it least, before and after, each with the half-width of its 95 % band. SI.
type Margin struct {
	Part, Trial, Unit string
	Limit             float64
	Before, Around    float64
	After, AroundNow  float64 // NaN, as Around: the boat that the records tell, or one beside it, cannot be simulated in that trial
	// Moves is how far each value that a record told moved the margin, in the order of the result's Values; SI. nil: nobody knows.
	Moves []float64
}

// mostMargins is the number of parts shown, and mostTrials that of trials they are looked for in.
const (
	mostMargins = 6
	mostTrials  = 3
)

// Margins returns what became of the tightest margins in some trials: those of the boat as its file has it, and as the records have it. A band is the
// margin's gradient at the values found times their covariance.
func (r *Result) Margins(ctx context.Context, trials []*trial.Trial) ([]Margin, error) {
	p := r.problem
	n := len(p.values)
	all := append(slices.Clone(p.values), p.quiet...)
	z := make([]float64, len(all))
	copy(z, r.fit.x[:n])
	whole := &problem{boat: p.boat, settings: p.settings, values: all}
	list, grads, err := whole.margins(ctx, z, trials, mostMargins)
	if err != nil {
		return nil, err
	}
	for m := range list {
		l, grad := &list[m], grads[m]
		if grad == nil {
			l.Around, l.After, l.AroundNow = math.NaN(), math.NaN(), math.NaN()
			continue
		}
		after := dot(grad[n:], grad[n:])
		for a := range n {
			for b := range n {
				after += grad[a] * grad[b] * r.fit.cov.At(a, b)
			}
		}
		prior := dot(grad, grad)
		l.Around, l.AroundNow = two*math.Sqrt(prior), two*math.Sqrt(min(prior, wider*wider*after))
		for _, v := range r.Values {
			j := slices.IndexFunc(all, func(u Unknown) bool { return u.Key == v.Key })
			l.Moves = append(l.Moves, grad[j]*z[j])
		}
	}
	return list, nil
}

// margins returns the tightest margins of the boat as its file has it, at most so many, with what each is at z (After) and its gradient there, nil where the boat
// at z, or to both sides of it, cannot be simulated.
func (p *problem) margins(ctx context.Context, z []float64, trials []*trial.Trial, most int) (list []Margin, grads [][]float64, err error) {
	before, failed, err := runs(ctx, p.boat, p.settings, trials)
	if err = cmp.Or(err, failed); err != nil { // the tightest of the other trials may not be the tightest
		return nil, nil, err
	}
	list = tightest(before, trials)
	list = list[:min(most, len(list))]
	asked := trialsOf(list, trials)
	type job struct{ j, k int }
	var jobs []job
	for j := -1; j < len(z); j++ {
		for k := range asked {
			jobs = append(jobs, job{j, k})
		}
	}
	const step = 0.3
	found := make([]map[string]float64, len(jobs))
	steps := make([]float64, len(jobs))
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, a := range jobs {
		group.Go(func() error {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			for _, steps[i] = range []float64{step, -step} { // beside the values found may lie a boat that makes no drive, on one side
				at := slices.Clone(z)
				if a.j >= 0 {
					at[a.j] += steps[i]
				}
				b, _ := place(p.boat, asked[a.k], p.values, at, 0)
				if run, err := simulate.Run(ctx, b, p.settings, asked[a.k], simulate.Options{Check: noCheck}); err == nil {
					found[i] = margins(run)
					break
				}
			}
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return nil, nil, err
	}
	grads = make([][]float64, len(list))
	for m := range list {
		l := &list[m]
		k := slices.IndexFunc(asked, func(t *trial.Trial) bool { return t.Name == l.Trial })
		now, ok := found[k][l.Part]
		if !ok {
			continue
		}
		l.After = now
		grads[m] = make([]float64, len(z))
		for j := range z {
			i := (j+1)*len(asked) + k
			v, ok := found[i][l.Part]
			if !ok { // a slope that nobody knows is not none: the band would be too narrow
				grads[m] = nil
				break
			}
			grads[m][j] = (v - now) / steps[i]
		}
	}
	return list, grads, nil
}

func trialsOf(list []Margin, trials []*trial.Trial) (out []*trial.Trial) {
	for _, t := range trials {
		if slices.ContainsFunc(list, func(m Margin) bool { return m.Trial == t.Name }) {
			out = append(out, t)
		}
	}
	return out
}

// runs simulates a boat in trials; nil: it can't be simulated there, and failed says why in the first such trial.
func runs(ctx context.Context, b *boat.Boat, s settings.Set, trials []*trial.Trial) (out []*record.Run, failed, err error) {
	out = make([]*record.Run, len(trials))
	why := make([]error, len(trials))
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, t := range trials {
		group.Go(func() error {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			if run, err := simulate.Run(ctx, b, s, t, simulate.Options{Check: noCheck}); err == nil {
				out[i] = run
			} else {
				why[i] = err
			}
			return nil
		})
	}
	err = group.Wait()
	return out, cmp.Or(why...), err
}

// margins returns the least margins of a run by part; of parts with a temperature.
func margins(run *record.Run) map[string]float64 {
	out := map[string]float64{}
	for _, p := range run.Parts {
		if p.Measure != record.Temperature {
			continue
		}
		if value, _, err := run.Peak(p); err == nil {
			out[p.Name] = p.Margin(value)
		}
	}
	return out
}

// tightest lists the parts whose limit is used most, each in its worst trial.
func tightest(before []*record.Run, trials []*trial.Trial) []Margin {
	type one struct {
		Margin
		used float64
	}
	worst := map[string]one{}
	for i, run := range before {
		if run == nil || len(trials[i].Expect) > 0 {
			continue
		}
		for _, p := range run.Parts {
			if p.Measure != record.Temperature {
				continue
			}
			value, _, err := run.Peak(p)
			if err != nil {
				continue
			}
			if used := p.Used(value); worst[p.Name].Part == "" || used > worst[p.Name].used {
				worst[p.Name] = one{Margin{Part: p.Name, Trial: trials[i].Name, Unit: "K", Limit: p.Limit, Before: p.Margin(value)}, used}
			}
		}
	}
	var list []one
	for _, w := range worst {
		list = append(list, w)
	}
	sort.Slice(list, func(a, b int) bool {
		if list[a].used != list[b].used {
			return list[a].used > list[b].used
		}
		return list[a].Part < list[b].Part
	})
	var out []Margin
	seen := map[string]bool{}
	for _, w := range list {
		if len(out) == mostMargins {
			break
		}
		if !seen[w.Trial] && len(seen) == mostTrials {
			continue
		}
		seen[w.Trial] = true
		out = append(out, w.Margin)
	}
	return out
}

// Agreement returns the probability of a move as large as that from one result to a later one, which also has the records of the first: whether the further
// records agree with it.
func Agreement(first, both *Result) float64 {
	a, b := first.problem, both.problem
	var pa, pb []int
	for i, u := range a.values {
		for j, v := range b.values {
			if u.Key == v.Key {
				pa, pb = append(pa, i), append(pb, j)
			}
		}
	}
	n := len(pa)
	if n == 0 {
		return 1
	}
	shift := make([]float64, n)
	gain := func(i, j int) float64 { return first.fit.cov.At(pa[i], pa[j]) - both.fit.cov.At(pb[i], pb[j]) }
	for i := range n {
		shift[i] = both.fit.x[pb[i]] - first.fit.x[pa[i]]
	}
	return survival(n, gain, shift)
}
