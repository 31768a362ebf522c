package study

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// OddsOptions says how many draws. The zero value makes 1000.
type OddsOptions struct {
	Draws    int // 0: 1000
	Seed     uint64
	Quick    bool // no sensitivity
	EveryRun bool // simulate every draw in every trial, no fit
	Examples bool // for package bench: draw although values of the boat's files are still the template's
	Progress func(done, all int)
}

// mostDraws are more than anybody waits for, and than a small machine holds in memory.
const mostDraws = 100_000

// checkDraws refuses a number of draws that nobody can mean; 0 stands for the usual number.
func checkDraws(n int) error {
	if n < 0 || n > mostDraws {
		return fmt.Errorf("%d draws: ask for 1 to %d", n, mostDraws)
	}
	return nil
}

// Probability is one with its exact 95 % interval.
type Probability struct {
	Value, Low, High float64
}

// Odds is how likely each part passes its limit in any of the trials, over the tolerances of the boat file.
type Odds struct {
	Runs     int // draws that were judged
	LeftOut  LeftOut
	Made     Made
	Over     Probability
	Parts    []PartOdds
	Devices  []DeviceOdds
	Unknowns []Unknown // most important first
	Target   string    // what the unknowns explain: the share used of this part
	In       string    // in this trial, where it most often uses most
	Withheld string    // why there are no unknowns though they were asked for
}

// Made says how a study came to its answer.
type Made struct {
	Draws, Runs int
	Values      int      // of a setting, each judged in all draws; 0: none was varied
	Within      float64  // the fit's band, as a share of the limit, where it came nearest to one; 0: nothing was fitted
	Whole       []string // trials in which runs alone decided though there are many draws; of a setting: at some values
}

// String returns a sentence: "10,000 draws, 783 runs; the rest by a fit that is within 0.4 % of the limit".
func (m Made) String() string {
	out := fmt.Sprintf("%s, %s", Plural(m.Draws, "draw"), Plural(m.Runs, "run"))
	if m.Values > 0 {
		out = fmt.Sprintf("%s at each of %s, %s", Plural(m.Draws, "draw"), Plural(m.Values, "value"), Plural(m.Runs, "run"))
	}
	if m.Within > 0 {
		out += fmt.Sprintf("; the rest by a fit that is within %.2g %% of the limit", 100*m.Within)
	}
	switch in := strings.Join(m.Whole, ", "); {
	case in == "":
	case m.Values > 0:
		out += "; by runs alone in " + in + ", at some values"
	default:
		out += "; every draw simulated in " + in
	}
	return out
}

// nearer sets Within to the band of a fit that came nearer to a limit than those before.
func (m *Made) nearer(f *fit, nearest *float64) {
	if band, off := f.closest(); off < *nearest {
		m.Within, *nearest = band, off
	}
}

// PartOdds is one part: the probability that it passes its limit in any of the trials, and the spread of the share used.
type PartOdds struct {
	Part         string
	Current      string
	Over         Probability
	Median, High float64 // share used: median and 97.5 % quantile of the worst trial
	Trial        string  // the trial that most often uses most
}

// DeviceOdds is one device that opens.
type DeviceOdds struct {
	Device string
	Opens  Probability
}

// Unknown is a toleranced value of the boat file and how much of the target's variance it explains.
type Unknown struct {
	Key       string
	Tolerance float64 // as a share of the value
	Indices
}

// FindOdds draws boats over the tolerances and judges each in all trials: by a run where a fit to the other runs is not sure, else by
// the fit. On a cancelled context it returns the first draws, as far as they were simulated in all trials, with the context's error. The same seed
// gives the same answer on any number of cores.
//
// Draws that no drive can be built from, that the solver fails on, or of which no run tells anything are not counted (Odds.LeftOut). It
// is an error where the first or the last kind is all of them, where the solver fails on more than 1 % of the draws, and, as a
// *NoToleranceError, where every value of the boat is exact.
func FindOdds(ctx context.Context, b *boat.Boat, s settings.Set, trials []*trial.Trial, o OddsOptions) (Odds, error) {
	if err := checkDraws(o.Draws); err != nil {
		return Odds{}, err
	}
	list, err := tolerated(b)
	if err != nil {
		return Odds{}, err
	}
	q := newDraws(b, list, s, trials, notOver, cmp.Or(o.Draws, 1000), o.Seed)
	q.everyRun = o.EveryRun
	q.finished = newCounter(o.Progress, q.n*len(trials))
	err = q.settle(ctx)
	odds, bad := q.odds(err != nil)
	if err == nil {
		err = bad
	}
	if err != nil || o.Quick || odds.Runs == 0 {
		return odds, err
	}
	q.explain(&odds)
	return odds, nil
}

// drawn is a number of draws in several trials.
type drawn struct {
	boat     *boat.Boat
	list     []drive.Unknown
	settings settings.Set
	n        int
	points   [][]float64 // n × unknowns, as normal scores
	trials   []*asked
	fits     []*fit
	got      [][]*answer // trial, draw; nil: not simulated
	everyRun bool
	finished *counter
}

func newDraws(b *boat.Boat, list []drive.Unknown, s settings.Set, trials []*trial.Trial, g goal, n int, seed uint64) *drawn {
	q := &drawn{boat: b, list: list, settings: s, n: n, points: scores(points(n, len(list), seed))}
	for _, t := range trials {
		a := &asked{trial: t, goal: g}
		q.trials, q.got = append(q.trials, a), append(q.got, make([]*answer, n))
		q.fits = append(q.fits, &fit{inputs: len(list), thresholds: a.thresholds, runs: func(ctx context.Context, points []int) ([]*answer, error) {
			return q.simulate(ctx, a, points)
		}})
	}
	return q
}

// simulateAll simulates every draw in every trial, and returns an error where what is left of them says nothing about the boat.
func simulateAll(ctx context.Context, b *boat.Boat, list []drive.Unknown, s settings.Set, trials []*trial.Trial, n int, seed uint64, progress func(done, all int)) (*drawn, LeftOut, error) {
	q := newDraws(b, list, s, trials, notOver, n, seed)
	q.everyRun, q.finished = true, newCounter(progress, q.n*len(trials))
	if err := q.settle(ctx); err != nil {
		return q, LeftOut{}, err
	}
	left, err := leftOut(q.failed())
	return q, left, err
}

// simulate runs one trial for several draws.
func (q *drawn) simulate(ctx context.Context, a *asked, which []int) ([]*answer, error) {
	out := make([]*answer, len(which))
	err := each(ctx, len(which), func(ctx context.Context, i int) (err error) {
		out[i], err = a.run(ctx, drive.Place(q.boat, q.list, q.points[which[i]]), q.settings)
		q.finished.add()
		return err
	})
	return out, err
}

// settle judges every draw in every trial.
func (q *drawn) settle(ctx context.Context) error {
	for k, f := range q.fits {
		f.whole = q.everyRun || q.n < fewPoints
		if err := f.settle(ctx, q.points, q.got[k]); err != nil {
			return err
		}
		q.finished.skip(unasked(q.got[k]))
		if slices.ContainsFunc(q.got[k], func(a *answer) bool { return a != nil && a.impossible() }) {
			if err := q.findImpossible(ctx, k); err != nil {
				return err
			}
		}
	}
	return nil
}

// unasked returns how many draws a fit stands for.
func unasked(got []*answer) (n int) {
	for _, a := range got {
		if a == nil {
			n++
		}
	}
	return n
}

// findImpossible looks which of the draws that a fit stands for make no drive: where one does not, others may not either.
func (q *drawn) findImpossible(ctx context.Context, k int) error {
	return each(ctx, q.n, func(_ context.Context, i int) error {
		if q.got[k][i] == nil {
			if err := simulate.CheckDrive(drive.Place(q.boat, q.list, q.points[i]), q.settings, q.trials[k].trial); err != nil {
				q.got[k][i] = &answer{failed: err}
			}
		}
		return nil
	})
}

// failed returns the first reason why each draw is not judged, in any trial.
func (q *drawn) failed() []error {
	out := make([]error, q.n)
	for i := range out {
		for k := range q.trials {
			if a := q.got[k][i]; a != nil && a.failed != nil && out[i] == nil {
				out[i] = a.failed
			}
		}
		if errors.As(out[i], new(*UnjudgedError)) && q.overElsewhere(i) {
			out[i] = nil // it counts: what one trial does not tell hides nothing that burns in another
		}
	}
	return out
}

// overElsewhere reports whether a draw that cannot be judged in a trial is not good in another.
func (q *drawn) overElsewhere(i int) bool {
	for k, a := range q.trials {
		a.learn(q.got[k])
		switch r, f := q.got[k][i], q.fits[k]; {
		case r == nil && f.surface != nil: // all runs that a fit stands for are alike in what acts
			if bad(f.answers[0].jump) || a.passed(f.values(q.points[i:i+1], q.got[k][i:i+1], a.shares()).RawRowView(0)) {
				return true
			}
		case r != nil && r.failed == nil && !a.good(r):
			return true
		}
	}
	return false
}

// odds counts. Of a study that was stopped only the first draws count, as far as each was simulated in all trials: those further on that
// were simulated too lie near a limit.
func (q *drawn) odds(cancelled bool) (Odds, error) {
	failed := q.failed()
	o := Odds{Made: q.made()}
	n := q.n
	if cancelled {
		for n = 0; n < q.n && q.simulated(n); n++ {
		}
		o.Made = Made{Draws: n, Runs: o.Made.Runs}
		failed = failed[:n]
	}
	left, err := leftOut(failed)
	if o.LeftOut = left; err != nil && !cancelled {
		return Odds{}, err
	}
	tallies, order := map[string]*tally{}, []string{}
	devices := map[string]int{}
	used := make([]*mat.Dense, len(q.trials))
	for k, a := range q.trials {
		if len(a.parts) == 0 {
			a.learn(q.got[k])
		}
		if cancelled && slices.Contains(q.got[k], nil) {
			continue // read from its runs below
		}
		used[k] = q.fits[k].values(q.points, q.got[k], a.shares())
	}
	over := 0
	for i := range n {
		if failed[i] != nil {
			continue
		}
		o.Runs++
		any := false
		opens := map[string]bool{}
		worst := map[string]int{}
		for k, a := range q.trials {
			r := q.got[k][i]
			if r == nil { // all runs of a trial that a fit stands for are alike in this
				r = q.fits[k].answers[0]
			}
			if r.failed != nil {
				continue // this trial tells nothing of it
			}
			jump := r.jump
			any = any || bad(jump)
			for _, d := range deviceNames {
				opens[d] = opens[d] || opened(jump, d)
			}
			for p := range a.parts {
				part := &a.parts[p]
				t := tallies[part.Name]
				if t == nil {
					t = &tally{trials: map[string]int{}, current: part.Current, used: make([]float64, 0, q.n)}
					tallies[part.Name] = t
					order = append(order, part.Name)
				}
				v := 0.0
				if used[k] != nil {
					v = used[k].At(i, p)
				} else {
					v = q.got[k][i].values[a.used(p)]
				}
				if w, known := worst[part.Name]; !known {
					t.used = append(t.used, v)
					worst[part.Name] = k
					t.passed = false
				} else if last := &t.used[len(t.used)-1]; v > *last {
					*last, worst[part.Name] = v, k
				} else {
					worst[part.Name] = w
				}
				for _, limit := range a.limits(p) {
					if limit.passes(v) && !t.passed {
						t.passed, any = true, true
						t.over++
					}
				}
			}
		}
		for name, k := range worst {
			tallies[name].trials[q.trials[k].trial.Name]++
		}
		if any {
			over++
		}
		for d, yes := range opens {
			if yes {
				devices[d]++
			}
		}
	}
	o.Over = probability(over, o.Runs)
	for _, name := range order {
		t := tallies[name]
		if len(t.used) == 0 {
			continue
		}
		slices.Sort(t.used)
		median, trial := record.Quantile(t.used, 0.5), t.most()
		o.Parts = append(o.Parts, PartOdds{
			Part: name, Current: t.current, Over: probability(t.over, o.Runs), Trial: trial,
			Median: median, High: median + math.Hypot(record.Quantile(t.used, 0.975)-median, q.unexplained(name, trial)),
		})
	}
	for _, d := range deviceNames {
		if devices[d] > 0 {
			o.Devices = append(o.Devices, DeviceOdds{Device: d, Opens: probability(devices[d], o.Runs)})
		}
	}
	return o, nil
}

// unexplained returns by how much a part's share used goes beyond what the fit says in 2.5 % of the draws: a fit spreads less than the
// runs that it stands for. 0 where each draw was simulated.
func (q *drawn) unexplained(part, in string) float64 {
	for k, a := range q.trials {
		p := slices.IndexFunc(a.parts, func(r record.Part) bool { return r.Name == part })
		if a.trial.Name == in && p >= 0 && q.fits[k].surface != nil && unasked(q.got[k]) > 0 {
			return distuv.UnitNormal.Quantile(0.975) * q.fits[k].surface.spread[a.used(p)]
		}
	}
	return 0
}

// deviceNames are the devices that open, in the order of a table.
var deviceNames = []string{"fuse", "management", "contactor"}

// tally counts one part.
type tally struct {
	over    int
	passed  bool      // in the draw that is counted
	used    []float64 // in the worst trial, per draw
	trials  map[string]int
	current string
}

// most returns the trial that most often uses most.
func (t *tally) most() string {
	most := ""
	for trial, n := range t.trials {
		if most == "" || n > t.trials[most] || n == t.trials[most] && trial < most {
			most = trial
		}
	}
	return most
}

// shares returns the responses of a trial that tell what each part uses.
func (a *asked) shares() []int {
	out := make([]int, len(a.parts))
	for p := range out {
		out[p] = a.used(p)
	}
	return out
}

// simulated reports whether a draw was run in every trial.
func (q *drawn) simulated(i int) bool {
	for k := range q.trials {
		if q.got[k][i] == nil {
			return false
		}
	}
	return true
}

// made returns how many runs it took.
func (q *drawn) made() Made {
	m, nearest := Made{Draws: q.n}, math.Inf(1)
	for k, f := range q.fits {
		m.Runs += len(f.answers)
		if unasked(q.got[k]) == 0 {
			if q.n >= fewPoints && !q.everyRun {
				m.Whole = append(m.Whole, q.trials[k].trial.Name)
			}
			continue
		}
		m.nearer(f, &nearest)
	}
	return m
}

func probability(k, n int) Probability {
	if n == 0 {
		return Probability{Low: 0, High: 1}
	}
	low, high := interval(k, n)
	return Probability{Value: float64(k) / float64(n), Low: low, High: high}
}

// target returns the part most likely to pass its limit, or, where none does, that which uses most of it.
func (o *Odds) target() PartOdds {
	best := 0
	for i := range o.Parts {
		a, b := &o.Parts[i], &o.Parts[best]
		if a.Over.Value > b.Over.Value || a.Over.Value == b.Over.Value && a.High > b.High {
			best = i
		}
	}
	return o.Parts[best]
}

// explain sets which unknown matters most for the target, by the fit.
func (q *drawn) explain(o *Odds) {
	target := o.target()
	o.Target, o.In = target.Part, target.Trial
	k := slices.IndexFunc(q.trials, func(a *asked) bool { return a.trial.Name == target.Trial })
	a, f := q.trials[k], q.fits[k]
	part := slices.IndexFunc(a.parts, func(p record.Part) bool { return p.Name == target.Part })
	surface := f.surface
	if len(f.answers) > f.fittedTo { // every draw was simulated
		var rows [][]float64
		var values []float64
		for i, r := range f.answers {
			if r.failed == nil {
				rows, values = append(rows, f.rows[i]), append(values, r.values[a.used(part)])
			}
		}
		if len(rows) < leastRows {
			o.Withheld = fmt.Sprintf("too few draws to tell, %d: take %d or more", len(rows), leastRows)
			return
		}
		surface = newSurface(rows, mat.NewDense(len(values), 1, values), []threshold{{at: 1}}, nil)
		part = 0
	}
	indices, ok := surface.indices(perPart * part)
	if !ok {
		o.Withheld = withheld(surface.explained[perPart*part], target.Part, target.Trial)
		return
	}
	for i, u := range q.list {
		o.Unknowns = append(o.Unknowns, Unknown{Key: q.boat.KeyName(u.Key), Tolerance: u.Spread.Share(), Indices: indices[i]})
	}
	slices.SortStableFunc(o.Unknowns, func(a, b Unknown) int { return cmp.Compare(b.Total, a.Total) })
}

// withheld returns why no unknown is named: the fit explains too small a share of the variance.
func withheld(explained float64, part, trial string) string {
	return fmt.Sprintf("a fit explains only %.0f %% of what the %s uses in %s: the unknowns work together in a way that it can't follow", 100*explained, part, trial)
}

// leastRows is the number of runs below which no surface is asked what matters.
const leastRows = 30

// Shown returns a share with its error in per cent, the share cut to 0 to 100 %, the error rounded up: "62 ± 9 %".
func Shown(share, error float64) string {
	return fmt.Sprintf("%.0f ± %.0f %%", 100*min(max(share, 0), 1), math.Ceil(100*error))
}
