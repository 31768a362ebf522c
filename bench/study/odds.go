package study

import (
	"context"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// OddsOptions says how many draws. The zero value makes 1000.
type OddsOptions struct {
	Runs     int // draws for the probabilities; 0: 1000
	Seed     uint64
	Quick    bool // no sensitivity
	Progress func(done, all int)
}

// Probability is one with its exact 95 % interval.
type Probability struct {
	Value, Low, High float64
}

// Odds is how likely each part passes its limit, the tolerances of the boat file being what they are.
type Odds struct {
	Runs     int // draws that were judged
	LeftOut  LeftOut
	Over     Probability
	Parts    []PartOdds
	Devices  []DeviceOdds
	Unknowns []Unknown // most important first
	Target   string    // what the unknowns explain: the share used of this part
	In       string    // in this trial, where it most often uses most
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

// FindOdds draws boats over the tolerances and judges each in all trials. On a cancelled context it returns the draws
// that were judged, with the context's error. The same seed gives the same answer on any number of cores.
func FindOdds(ctx context.Context, b *boat.Boat, s settings.Set, trials []*trial.Trial, o OddsOptions) (Odds, error) {
	list, err := tolerated(b)
	if err != nil {
		return Odds{}, err
	}
	n := or(o.Runs, 1000)
	second := 0
	if !o.Quick {
		second = max(128, n/8)
	}
	finished := newCounter(o.Progress, n+second*(len(list)+2))
	p := points(n, len(list), o.Seed)
	outcomes := make([]*outcome, n)
	failed := make([]error, n)
	err = each(ctx, n, func(ctx context.Context, i int) error {
		out, err := judgeDraw(ctx, place(b, list, p.RawRowView(i)), s, trials)
		if err != nil {
			return err
		}
		outcomes[i], failed[i] = out, out.failed
		finished.add()
		return nil
	})
	odds := count(outcomes)
	left, bad := leftOut(failed)
	odds.LeftOut = left
	if err == nil && bad != nil {
		return Odds{}, bad
	}
	if err != nil || o.Quick || odds.Runs == 0 {
		return odds, err
	}
	target, trials := odds.target(), slices.Clone(trials)
	odds.Target, odds.In = target.Part, target.Trial
	trials = slices.DeleteFunc(trials, func(t *trial.Trial) bool { return t.Name != target.Trial })
	indices, err := Sobol(ctx, len(list), second, o.Seed+1, func(ctx context.Context, u []float64) (float64, error) {
		out, err := judgeDraw(ctx, place(b, list, u), s, trials)
		finished.add()
		if err != nil || out.failed != nil {
			return 0, err
		}
		return min(out.used[target.Part].used, 3), nil // a part that is far over is over: let it not rule the variance
	}, nil)
	if err != nil {
		return odds, err
	}
	for i, k := range list {
		odds.Unknowns = append(odds.Unknowns, Unknown{Key: k.path, Tolerance: k.tol / math.Abs(k.value), Indices: indices[i]})
	}
	byTotal(odds.Unknowns)
	return odds, nil
}

// outcome is one draw.
type outcome struct {
	failed  error // why it was not judged
	over    bool
	order   []string // parts in their order
	used    map[string]use
	devices map[string]bool
}

type use struct {
	used    float64
	over    bool
	trial   string
	current string
}

func judgeDraw(ctx context.Context, b *boat.Boat, s settings.Set, trials []*trial.Trial) (*outcome, error) {
	out := &outcome{used: map[string]use{}, devices: map[string]bool{}}
	for _, t := range trials {
		run, err := simulate.Run(ctx, b, s, t, simulate.Options{})
		switch {
		case stopped(err):
			return nil, err
		case err != nil:
			return &outcome{failed: err}, nil
		}
		j, err := verdict.Judge(run)
		if err != nil {
			return nil, err
		}
		out.over = out.over || j.Level == verdict.Over
		for _, p := range j.Parts {
			u, known := out.used[p.Name]
			if !known {
				out.order = append(out.order, p.Name)
			}
			if !known || p.Used > u.used {
				u.used, u.trial, u.current = p.Used, t.Name, p.Current
			}
			u.over = u.over || p.Level == verdict.Over
			out.used[p.Name] = u
		}
		for _, e := range run.Events {
			if e.Kind == record.Protecting {
				out.devices[e.Device] = true
			}
		}
	}
	return out, nil
}

// count turns outcomes into odds; those that never ran are left out.
func count(outcomes []*outcome) Odds {
	var o Odds
	over := 0
	var order []string
	type tally struct {
		over    int
		used    []float64
		trials  map[string]int
		current string
	}
	parts, devices := map[string]*tally{}, map[string]int{}
	var deviceOrder []string
	for _, out := range outcomes {
		if out == nil || out.failed != nil {
			continue
		}
		o.Runs++
		if out.over {
			over++
		}
		for _, name := range out.order {
			t := parts[name]
			if t == nil {
				t = &tally{trials: map[string]int{}}
				parts[name] = t
				order = append(order, name)
			}
			u := out.used[name]
			t.used = append(t.used, u.used)
			t.trials[u.trial]++
			t.current = u.current
			if u.over {
				t.over++
			}
		}
		for _, d := range []string{"fuse", "management", "contactor"} {
			if out.devices[d] {
				if devices[d] == 0 {
					deviceOrder = append(deviceOrder, d)
				}
				devices[d]++
			}
		}
	}
	probability := func(k int) Probability {
		if o.Runs == 0 {
			return Probability{Low: 0, High: 1}
		}
		low, high := interval(k, o.Runs)
		return Probability{Value: float64(k) / float64(o.Runs), Low: low, High: high}
	}
	o.Over = probability(over)
	for _, name := range order {
		t := parts[name]
		most := ""
		for trial, n := range t.trials {
			if most == "" || n > t.trials[most] || n == t.trials[most] && trial < most {
				most = trial
			}
		}
		o.Parts = append(o.Parts, PartOdds{
			Part: name, Current: t.current, Over: probability(t.over), Trial: most,
			Median: quantile(t.used, 0.5), High: quantile(t.used, 0.975),
		})
	}
	for _, d := range deviceOrder {
		o.Devices = append(o.Devices, DeviceOdds{Device: d, Opens: probability(devices[d])})
	}
	return o
}

// target is the part most likely to pass its limit, or, where none does, that which uses most of it.
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
