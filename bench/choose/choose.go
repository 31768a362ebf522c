// Package choose finds which sizes of the published series do for a part of a boat, for the currents that the boat's own trials make:
// cables, fuses, contactors, pre-charge resistors, propellers, gears. Each size is put into the boat, held against the rules that need
// no simulation and simulated in the trials that are hardest on the part; the one chosen is simulated in all of them.
package choose

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// Size is one size of a series.
type Size struct {
	Name    string   `json:"size"`
	Fits    bool     `json:"fits"`
	Present bool     `json:"present"` // it is what the boat has
	Used    *float64 `json:"used"`    // share of its limit, of the part at its worst; nil: it was not simulated
	Margin  string   `json:"margin"`  // what is left, and where
	Why     []string `json:"why"`     // why it does not do
	Costs   []string `json:"costs"`   // what it costs: drop, loss, weight
	Set     []string `json:"set"`     // the assignments that put it into the boat
	Source  string   `json:"source"`
}

// Choice is the sizes of a series for one part.
type Choice struct {
	What   string   `json:"what"`
	Part   string   `json:"part"`
	Asks   []string `json:"asks"` // what it has to bear, in sentences
	Sizes  []Size   `json:"sizes"`
	Chosen int      `json:"chosen"` // index of the smallest that does; −1: none of the series
	Notes  []string `json:"notes"`
	Trials []string `json:"trials"`
}

// Kinds returns what can be chosen.
func Kinds() []string {
	return []string{"cable", "fuse", "contactor", "precharge", "propeller", "gear"}
}

// Options say what to choose for. The zero value chooses for all parts of the kind.
type Options struct {
	Part  string  // one cable by its name; "": all
	Speed float64 // boat speed that a propeller or gear has to give, m/s; 0: as now
}

// Find chooses a kind of part.
func Find(ctx context.Context, v variant.Variant, kind string, trials []*trial.Trial, o Options) ([]Choice, error) {
	s, err := newSearch(ctx, v, trials, o)
	if err != nil {
		return nil, err
	}
	switch kind {
	case "cable":
		return s.cables(ctx)
	case "fuse":
		return one(s.fuse(ctx))
	case "contactor":
		return one(s.contactor(ctx))
	case "precharge":
		return one(s.precharge(ctx))
	case "propeller":
		return one(s.propeller(ctx))
	case "gear":
		return one(s.gear(ctx))
	}
	return nil, fmt.Errorf("nothing is known of choosing a %q; there are %s", kind, strings.Join(Kinds(), ", "))
}

func one(c *Choice, err error) ([]Choice, error) {
	if err != nil {
		return nil, err
	}
	return []Choice{*c}, nil
}

// search holds the boat for which sizes are chosen, with what its trials came to.
type search struct {
	base   variant.Variant
	trials []*trial.Trial
	o      Options
	judged []verdict.Trial // the boat as it is
	motor  float64         // highest motor current in the trials, A
	bank   float64         // highest battery current in the trials, A
}

func newSearch(ctx context.Context, v variant.Variant, trials []*trial.Trial, o Options) (*search, error) {
	judged, err := run(ctx, []variant.Variant{v}, trials)
	if err != nil {
		return nil, err
	}
	s := &search{base: v, trials: trials, o: o, judged: judged[0]}
	for i := range s.judged {
		s.motor = max(s.motor, largest(s.judged[i].Run, record.MotorCurrent))
		s.bank = max(s.bank, largest(s.judged[i].Run, record.BatteryCurrent))
	}
	return s, nil
}

// largest returns the largest magnitude of a trace.
func largest(r *record.Run, name string) (most float64) {
	if tr, ok := r.Trace(name); ok {
		for _, x := range tr.Values {
			most = max(most, math.Abs(x))
		}
	}
	return most
}

// hardest returns the n trials in which one of the parts uses most of its limit; no parts: any part.
func (s *search) hardest(n int, parts ...string) (out []*trial.Trial) {
	order := make([]int, len(s.judged))
	most := make([]float64, len(s.judged))
	for i := range s.judged {
		order[i] = i
		for _, p := range s.judged[i].Parts {
			if (len(parts) == 0 || slices.Contains(parts, p.Name)) && !(p.Measure == record.Melting && slices.Contains(s.judged[i].Run.Expect, p.Name)) {
				most[i] = max(most[i], p.Used)
			}
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(most[b], most[a]) })
	for _, i := range order[:min(n, len(order))] {
		out = append(out, s.trials[i])
	}
	return out
}

// broken returns the findings, close or over, of the rules of these names; none named: of all rules.
func broken(v variant.Variant, rules ...string) (found []string) {
	for _, f := range verdict.Static(v.Boat, v.Settings) {
		if f.Level > verdict.Clear && (len(rules) == 0 || slices.Contains(rules, f.Rule)) {
			found = append(found, f.Text)
		}
	}
	return found
}

// already lists what rules find over of the boat as it is, by what they say: a size that is judged by all rules is not to blame for it.
func (s *search) already() map[string]bool {
	out := map[string]bool{}
	for _, f := range verdict.Static(s.base.Boat, s.base.Settings) {
		if f.Level == verdict.Over {
			out[f.Text] = true
		}
	}
	return out
}

// candidate is a size before it is judged.
type candidate struct {
	Size
	v     variant.Variant
	far   bool  // from what the boat has or needs: it is tried only where no nearer size does, or each of them
	tried bool  // in the water
	err   error // it cannot be put into the boat
	fails func(v variant.Variant) []string
	costs func(v variant.Variant, judged []verdict.Trial) []string
}

// put returns the candidate that assignments to the boat make.
func (s *search) put(name, source string, set ...string) candidate {
	c := candidate{Size: Size{Name: name, Source: source, Set: set, Why: []string{}, Costs: []string{}}}
	c.v = s.base
	for _, a := range set {
		key, text, _ := strings.Cut(a, "=")
		if c.v, _, c.err = c.v.With(key, text); c.err != nil {
			return c
		}
	}
	c.err = c.v.Problems()
	return c
}

// judge marks the candidates of a rising series that do: no rule of these names is broken, and these parts stay clear (none named: all).
// Those that are not far are judged in the hardest trials, smaller ones for as long as the smallest does, and larger ones until one does
// in all trials.
func (s *search) judge(ctx context.Context, c *Choice, list []candidate, rules, parts []string) error {
	hard := s.hardest(2, parts...)
	from, to := near(list)
	if err := s.try(ctx, list[from:to], hard, rules, parts); err != nil {
		return err
	}
	for c.Chosen = -1; c.Chosen < 0; {
		var err error
		if from > 0 && list[from].Fits {
			from--
			err = s.try(ctx, list[from:from+1], hard, rules, parts)
		} else if c.Chosen, err = s.firstInAll(ctx, list[from:to], parts); err == nil && c.Chosen < 0 {
			if to == len(list) {
				break
			}
			err = s.try(ctx, list[to:to+1], hard, rules, parts)
			to++
		}
		if err != nil {
			return err
		}
	}
	for i := range list[from:to] {
		c.Sizes = append(c.Sizes, list[from+i].Size)
	}
	for _, t := range s.trials {
		c.Trials = append(c.Trials, t.Name)
	}
	return nil
}

// near returns the range of a series whose candidates are not far; the last candidate where all are.
func near(list []candidate) (from, to int) {
	isNear := func(k candidate) bool { return !k.far }
	if from = slices.IndexFunc(list, isNear); from < 0 {
		return max(0, len(list)-1), len(list)
	}
	for to = len(list); list[to-1].far; to-- {
	}
	return from, to
}

// try judges candidates by rules, by their own check and in trials.
func (s *search) try(ctx context.Context, list []candidate, trials []*trial.Trial, rules, parts []string) error {
	var runs []variant.Variant
	var of []int
	for i := range list {
		k := &list[i]
		if k.err != nil {
			k.Why = append(k.Why, k.err.Error())
			continue
		}
		k.Why = append(k.Why, broken(k.v, rules...)...)
		if k.fails != nil {
			k.Why = append(k.Why, k.fails(k.v)...)
		}
		runs, of = append(runs, k.v), append(of, i)
	}
	judged, err := run(ctx, runs, trials)
	if err != nil {
		return err
	}
	for n, i := range of {
		k := &list[i]
		k.Why = append(k.Why, k.looked(judged[n], parts)...)
		if k.costs != nil {
			k.Costs = append(k.Costs, k.costs(k.v, judged[n])...)
		}
		k.Fits = len(k.Why) == 0
	}
	return nil
}

// firstInAll returns the index of the first candidate that does in all trials, −1 where none does.
func (s *search) firstInAll(ctx context.Context, list []candidate, parts []string) (int, error) {
	for i := range list {
		k := &list[i]
		if !k.Fits {
			continue
		}
		all, err := run(ctx, []variant.Variant{k.v}, s.trials)
		if err != nil {
			return -1, err
		}
		k.Why = append(k.Why, k.looked(all[0], parts)...)
		if k.Fits = len(k.Why) == 0; k.Fits {
			return i, nil
		}
	}
	return -1, nil
}

// looked returns why a candidate does not do, by the parts of judged trials, and stores what is left of the part that uses most.
func (k *candidate) looked(judged []verdict.Trial, parts []string) (why []string) {
	k.Used = nil
	for i := range judged {
		t := &judged[i]
		for _, p := range t.Parts {
			if len(parts) > 0 && !slices.Contains(parts, p.Name) || p.Measure == record.Melting && slices.Contains(t.Run.Expect, p.Name) {
				continue
			}
			if k.Used == nil || p.Used >= *k.Used {
				k.Used, k.Margin = &p.Used, left(p)+" in "+t.Name
				if len(parts) != 1 {
					k.Margin = p.Name + ": " + k.Margin
				}
			}
			if p.Level == verdict.NotJudged && t.Cut != "" {
				why = append(why, fmt.Sprintf("%s is %s in %s: %s", p.Name, p.Level, t.Name, t.Cut))
			} else if p.Level > verdict.Clear {
				why = append(why, fmt.Sprintf("%s is %s in %s: %s of %s", p.Name, p.Level, t.Name, shown(p.Peak, p.Unit), shown(p.Limit, p.Unit)))
			}
		}
		for _, e := range t.Run.Events {
			if e.Kind == record.Protecting && !slices.Contains(t.Run.Expect, e.Device) && (len(parts) == 0 || slices.Contains(parts, e.Device)) {
				why = append(why, e.What+" in "+t.Name)
			}
		}
	}
	const most = 2
	if n := len(why); n > most {
		why = append(why[:most], fmt.Sprintf("and %d more", n-most))
	}
	return why
}

// left returns a part's margin with its unit.
func left(p verdict.Part) string {
	return quantity.Format(p.Margin, quantity.Difference(p.Unit), 2)
}

func shown(si float64, unit string) string { return quantity.FormatShort(si, unit, 3) }

// run judges variants in trials that are under their conditions already.
func run(ctx context.Context, list []variant.Variant, trials []*trial.Trial) ([][]verdict.Trial, error) {
	return study.RunVariants(ctx, list, trials, simulate.Options{}, nil)
}
