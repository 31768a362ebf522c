package study

import (
	"context"
	"errors"
	"fmt"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// Gives is what gives first: a part that is no longer clear, a device that opens, a rule that is broken.
type Gives struct {
	What  string
	Trial string // "" for a rule that needs no simulation
	Used  float64
}

// judge asks whether settings are clear in all trials.
type judge struct {
	boat   *boat.Boat
	trials []*trial.Trial
	known  map[string]verdict.Level // static findings of the present settings: they are no news
	chance *chance                  // over the tolerances; nil: the boat as written
}

func newJudge(b *boat.Boat, present settings.Set, trials []*trial.Trial) *judge {
	j := &judge{boat: b, trials: trials, known: map[string]verdict.Level{}}
	for _, f := range verdict.Static(b, present) {
		j.known[f.Rule] = max(j.known[f.Rule], f.Level)
	}
	return j
}

// errNotClear stops the other trials once one is not clear.
var errNotClear = errors.New("not clear")

// rule returns the static rule that settings break and the present ones do not.
func (j *judge) rule(s settings.Set) *Gives {
	for _, f := range verdict.Static(j.boat, s) {
		if f.Level == verdict.Over || f.Level > j.known[f.Rule] {
			return &Gives{What: f.Text}
		}
	}
	return nil
}

// clear reports whether settings are clear, of which key has the value x; with draws, whether they are in the share asked for.
func (j *judge) clear(ctx context.Context, s settings.Set, key string, x float64) (bool, error) {
	if j.rule(s) != nil {
		return false, nil
	}
	if j.chance != nil {
		return j.chance.clear(ctx, s, key, x)
	}
	return j.clearFor(ctx, j.boat, s)
}

func (j *judge) clearFor(ctx context.Context, b *boat.Boat, s settings.Set) (bool, error) {
	err := each(ctx, len(j.trials), func(ctx context.Context, i int) error {
		l, err := level(ctx, b, s, j.trials[i])
		if err == nil && l != verdict.Clear {
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
	run, err := simulate.Run(ctx, b, s, t, simulate.Options{})
	if err != nil {
		return verdict.Over, err
	}
	v, err := verdict.Judge(run)
	return v.Level, err
}

// gives finds what gives at settings that are not clear: the part with the largest share used, a device, or a rule.
func (j *judge) gives(ctx context.Context, s settings.Set) (*Gives, error) {
	if g := j.rule(s); g != nil {
		return g, nil
	}
	judged, err := Run(ctx, j.boat, s, j.trials, simulate.Options{})
	if err != nil {
		return nil, err
	}
	var worst *Gives
	rank := func(g Gives) {
		if worst == nil || g.Used > worst.Used {
			worst = &g
		}
	}
	for i := range judged {
		t := &judged[i]
		for _, p := range t.Parts {
			if p.Level > verdict.Clear {
				rank(Gives{What: fmt.Sprintf("%s%s", p.Name, heated(p.Current)), Trial: t.Name, Used: p.Used / p.Close})
			}
		}
		for _, e := range t.Run.Events {
			if e.Kind == record.Protecting && t.Level == verdict.Over {
				rank(Gives{What: e.What, Trial: t.Name, Used: 1})
			}
		}
		for _, m := range append(t.Missing, t.Hunting...) {
			rank(Gives{What: m, Trial: t.Name, Used: 1})
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
