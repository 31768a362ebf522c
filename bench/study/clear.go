package study

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sync/atomic"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// NextLimit is what is reached first beyond a clear value: the limit of a part, a device that opens, or a rule.
type NextLimit struct {
	What  string
	Trial string // "" for a rule that needs no simulation
	Used  float64
}

// judge asks whether a variant is clear in all trials.
type judge struct {
	trials []*trial.Trial
	known  map[string]verdict.Level // static findings of the present variant: where nothing that is searched mends them they are no news
	chance *chance                  // over the tolerances; nil: the boat as written
	hard   atomic.Int64             // index of the trial that was not clear last
}

func newJudge(present variant.Variant, trials []*trial.Trial) *judge {
	j := &judge{trials: trials, known: map[string]verdict.Level{}}
	for _, f := range verdict.Static(present.Boat, present.Settings) {
		j.known[f.Rule] = max(j.known[f.Rule], f.Level)
	}
	return j
}

// want forgets that a rule is close at present, where one of several variants keeps the rule, so that breaking it counts from now on.
func (j *judge) want(list []variant.Variant) {
	isClose := slices.Contains(slices.Collect(maps.Values(j.known)), verdict.Close)
	for i := 0; isClose && i < len(list); i++ {
		levels := map[string]verdict.Level{}
		for _, f := range verdict.Static(list[i].Boat, list[i].Settings) {
			levels[f.Rule] = max(levels[f.Rule], f.Level)
		}
		maps.DeleteFunc(j.known, func(rule string, l verdict.Level) bool { return levels[rule] < l })
	}
}

// stillClose returns the sentences of the rules that are close for a variant which a judge calls clear: nothing that was searched mends them.
func stillClose(v variant.Variant) (out []string) {
	for _, f := range verdict.Static(v.Boat, v.Settings) {
		if f.Level == verdict.Close {
			out = append(out, f.Text)
		}
	}
	return out
}

// errNotClear stops the other trials once one is not clear.
var errNotClear = errors.New("not clear")

// rule returns the static rule that a variant breaks and the present one does not.
func (j *judge) rule(v variant.Variant) *NextLimit {
	for _, f := range verdict.Static(v.Boat, v.Settings) {
		if f.Level == verdict.Over || f.Level > j.known[f.Rule] {
			return &NextLimit{What: f.Text}
		}
	}
	return nil
}

// permitted returns the first and the last of some values of a key that no rule refuses; NaN where all are.
func (j *judge) permitted(v variant.Variant, key string, values []float64) (low, high float64) {
	fine := func(x float64) bool {
		t, err := v.WithNumber(key, x)
		return err == nil && !j.refuses(t)
	}
	first := slices.IndexFunc(values, fine)
	if first < 0 {
		return math.NaN(), math.NaN()
	}
	last := len(values) - 1
	for last > first && !fine(values[last]) {
		last--
	}
	return values[first], values[last]
}

// refuses reports whether a variant is out before anything is simulated.
func (j *judge) refuses(v variant.Variant) bool { return v.Problems() != nil || j.rule(v) != nil }

// clear reports whether a variant is clear; with draws, whether it is in the share asked for, at the value x of the setting searched.
func (j *judge) clear(ctx context.Context, v variant.Variant, x float64) (bool, error) {
	if j.refuses(v) {
		return false, nil
	}
	if j.chance != nil {
		return j.chance.clear(ctx, v, x)
	}
	trials := v.Trials(j.trials)
	first := int(j.hard.Load())
	err := each(ctx, len(trials), func(ctx context.Context, i int) error {
		if i == 0 { // what was not clear last is likely not to be again
			i = first
		} else if i <= first {
			i--
		}
		l, err := level(ctx, v.Boat, v.Settings, trials[i])
		if err == nil && l != verdict.Clear {
			j.hard.Store(int64(i))
			return errNotClear
		}
		return err
	})
	switch {
	case errors.Is(err, errNotClear):
		return false, nil
	case err != nil:
		return false, err
	}
	return true, nil
}

func level(ctx context.Context, b *boat.Boat, s settings.Set, t *trial.Trial) (verdict.Level, error) {
	run, err := simulate.Run(ctx, b, s, t, simulate.Options{Verdict: true})
	if err != nil {
		return verdict.Over, err
	}
	v, err := verdict.Judge(run)
	return v.Level, err
}

// findNextLimit returns why a variant is not clear: the part with the largest share used, a device, or a rule; nil where it is clear.
func (j *judge) findNextLimit(ctx context.Context, v variant.Variant) (*NextLimit, error) {
	if err := v.Problems(); err != nil {
		return &NextLimit{What: err.Error()}, nil
	}
	if g := j.rule(v); g != nil {
		return g, nil
	}
	judged, err := Run(ctx, v.Boat, v.Settings, v.Trials(j.trials), simulate.Options{})
	if err != nil {
		return nil, err
	}
	var worst *NextLimit
	rank := func(g NextLimit) {
		if worst == nil || g.Used > worst.Used {
			worst = &g
		}
	}
	for i := range judged {
		t := &judged[i]
		for _, p := range t.Parts {
			if p.Level == verdict.Close || p.Level == verdict.Over {
				rank(NextLimit{What: fmt.Sprintf("%s%s", p.Name, heated(p.Current)), Trial: t.Name, Used: p.Used / p.Close})
			}
		}
		for _, e := range t.Run.Events {
			if e.Kind == record.Protecting && t.Level == verdict.Over {
				rank(NextLimit{What: e.What, Trial: t.Name, Used: 1})
			}
		}
		for _, m := range slices.Concat(t.Missing, t.Hunting, t.Unjudged) {
			rank(NextLimit{What: m, Trial: t.Name, Used: 1})
		}
	}
	return worst, nil
}

func heated(current string) string {
	if current == "" {
		return ""
	}
	return " (" + current + " current)"
}
