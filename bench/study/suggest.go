// Package study runs many simulations: what to change, the highest safe value, the envelope, the odds.
//
// In its answers a number that there is none of is NaN, a time or a way that never ends is +Inf, and an answer that there is none of is
// nil. In its options 0 stands for the usual.
package study

import (
	"context"
	"math"
	"sync"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/root"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// Run judges settings in several trials at once, on all cores. A cancelled context: see RunAll.
func Run(ctx context.Context, b *boat.Boat, s settings.Set, trials []*trial.Trial, o simulate.Options) ([]verdict.Trial, error) {
	judged, err := RunAll(ctx, b, []settings.Set{s}, trials, o, nil)
	return judged[0], err
}

// RunAll judges several sets of settings, each in all trials: one list of judged trials per set, in the order given.
// progress, if not nil, hears of every finished run, one call at a time. On a cancelled context it returns, with the
// context's error, the trials that ended and, up to where they were stopped, those that were at work.
func RunAll(ctx context.Context, b *boat.Boat, sets []settings.Set, trials []*trial.Trial, o simulate.Options, progress func(done, all int)) ([][]verdict.Trial, error) {
	variants := make([]variant.Variant, len(sets))
	for i, s := range sets {
		variants[i] = variant.Of(b, s)
	}
	return RunVariants(ctx, variants, trials, o, progress)
}

// RunVariants is RunAll for several boats with their settings, each under the conditions of its own.
func RunVariants(ctx context.Context, variants []variant.Variant, trials []*trial.Trial, o simulate.Options, progress func(done, all int)) ([][]verdict.Trial, error) {
	n := len(trials)
	judged := make([]*verdict.Trial, n*len(variants))
	var mu sync.Mutex
	finished := 0
	outer := ctx
	err := each(ctx, len(judged), func(ctx context.Context, i int) error {
		v := &variants[i/n]
		run, stopped := simulate.Run(ctx, v.Boat, v.Settings, v.Conditions.Of(trials[i%n]), o)
		if run == nil || len(run.Time) == 0 || stopped != nil && outer.Err() == nil {
			return stopped
		}
		run.Provenance.Settings = v.Settings.Hash()
		t, err := verdict.Judge(run)
		if err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		judged[i] = &t
		if stopped != nil {
			return stopped
		}
		finished++
		if progress != nil {
			progress(finished, len(judged))
		}
		return nil
	})
	out := make([][]verdict.Trial, len(variants))
	for i, t := range judged {
		if t != nil {
			out[i/n] = append(out[i/n], *t)
		}
	}
	return out, err
}

// FindChange returns the single limit whose lowering makes clear the trials that are over, with its highest such value: to within one
// per cent of the present one, rounded down to two digits where that is clear too. Only these trials are asked, and no rule may be over. The
// limits of the current that does the harm are tried first. It returns nil where no trial is over, and where no single limit mends it.
func FindChange(ctx context.Context, b *boat.Boat, s settings.Set, side verdict.Side, trials []*trial.Trial) (*verdict.Change, error) {
	var bad []*trial.Trial
	harm := map[string]bool{}
	why := map[string]string{}
	for i := range side.Trials {
		t := &side.Trials[i]
		if t.Level != verdict.Over {
			continue
		}
		for _, k := range trials {
			if k.Name == t.Name {
				bad = append(bad, k)
			}
		}
		for _, p := range t.Parts {
			if p.Level == verdict.Over {
				harm[p.Current] = true
				if why[p.Current] == "" {
					why[p.Current] = p.Name + " in " + t.Name
				}
			}
		}
		for _, e := range t.Run.Events {
			if e.Kind == record.Protecting {
				harm["battery"] = true
				if why["battery"] == "" {
					why["battery"] = e.What + " in " + t.Name
				}
			}
		}
	}
	if len(bad) == 0 {
		return nil, nil
	}
	order, reason := []string{"motor", "battery", "speed"}, why["motor"]
	switch {
	case harm["motor"]:
	case harm["battery"]:
		order, reason = []string{"battery", "motor", "speed"}, why["battery"]
	default: // no current heats it: rotor speed, link voltage
		order, reason = []string{"speed", "battery", "motor"}, why[""]
	}
	var keys []string
	for _, what := range order {
		for _, p := range settings.Heating(what) {
			keys = append(keys, p.Key)
		}
	}
	for _, key := range keys {
		value, ok, err := lower(ctx, b, s, key, bad)
		if err != nil {
			return nil, err
		}
		if !ok {
			continue
		}
		from, _ := s.Shown(key)
		changed, err := s.WithNumber(key, value)
		if err != nil {
			return nil, err
		}
		to, _ := changed.Shown(key)
		return &verdict.Change{Key: key, From: from, To: to, Why: "makes it clear; it was over by " + reason}, nil
	}
	return nil, nil
}

// lower finds the highest value of a limit, below the present one, at which all trials are clear; ok is false where
// a tenth of it is not clear either.
func lower(ctx context.Context, b *boat.Boat, s settings.Set, key string, trials []*trial.Trial) (value float64, ok bool, err error) {
	present, _ := s.Number(key)
	if present <= 0 {
		return 0, false, nil
	}
	clear := func(x float64) (bool, error) {
		t, err := s.WithNumber(key, x)
		if err != nil {
			return false, nil // below what the parameter allows
		}
		for _, f := range verdict.Static(b, t) {
			if f.Level == verdict.Over {
				return false, nil
			}
		}
		judged, err := Run(ctx, b, t, trials, simulate.Options{Verdict: true})
		if err != nil {
			return false, err
		}
		for _, j := range judged {
			if j.Level != verdict.Clear {
				return false, nil
			}
		}
		return true, nil
	}
	low := present / 10
	if ok, err := clear(low); !ok || err != nil {
		return 0, false, err
	}
	low, _, err = root.Bracket(low, present, func(low, high float64) bool { return high-low <= 0.01*present }, func(x float64) (bool, error) {
		ok, err := clear(x)
		return !ok, err
	})
	if err != nil {
		return 0, false, err
	}
	step := math.Pow(10, math.Floor(math.Log10(low))-1) // two digits are what a person sets
	if rounded := math.Floor(low/step) * step; rounded > 0 {
		ok, err := clear(rounded) // less of a limit is not clear everywhere: it takes longer to come up to speed
		if err != nil {
			return 0, false, err
		}
		if ok {
			low = rounded
		}
	}
	return low, true, nil
}
