package study

import (
	"cmp"
	"context"
	"math"
	"slices"

	"quaybench/bench/quantity"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
)

// ProposeOptions say how to search.
type ProposeOptions struct {
	Seed     uint64
	Draws    int // boats drawn for a wish of odds; 0: 200, or more where the wish needs more
	Progress func(done, all int)
}

// Proposal is a set of settings that comes as near to wishes as the boat allows.
type Proposal struct {
	Wishes  []Wish
	Present map[string]float64 // what each wish is at now, SI; of odds none
	Ended   map[string]float64 // what it ended at; of odds the share of boats, see OddsLow
	OddsLow float64            // lower end of the 95 % interval of that share; NaN: no odds were wished
	Draws   int                // of boats, for the odds
	Found   bool               // a set that is clear in all trials was found
	Met     bool               // and every wish is met
	Variant variant.Variant
	Reasons []Reason
	Front   []FrontOfWishes // clear sets of less and more current around it; nil: all wishes are met
	Prices  []Price         // of wishes that fight
	Change  *HardwareChange // the smallest single change of hardware that was found by which all would be met; nil: none is needed, or none of those tried is enough
	Tried   []string        // what of hardware was tried, where it was
	Close   []string        // rules that stay close whatever the settings that were turned, in sentences
	Blocked string          // what keeps it from being met, or with nothing found from being clear, in words; "": not known
	Runs    int             // simulations
}

// Reason is a setting that differs, and why.
type Reason struct{ Key, From, To, Why string }

// FrontOfWishes is one clear set of settings: its limits and what the wishes are at with it.
type FrontOfWishes struct {
	Motor, Bank float64 // motor and battery current limit, A
	At          map[string]float64
	Chosen      bool
}

// Price is what more of one wish costs in terms of another, around the set that was found.
type Price struct {
	More, Less       *Wish      // the one that gets better and the one that gets worse
	MoreFrom, MoreTo float64    // SI
	LessFrom, LessTo float64    // SI
	Sets             [2]float64 // motor current limits between which it was read, A
}

// HardwareChange is a change of one value of the boat by which all wishes are met, with settings of their own.
type HardwareChange struct {
	Key, From, To string
	What          string            // the change in words, where the key does not say it
	Settings      map[string]string // that differ from those as they stand
	Ended         map[string]float64
}

// FindProposal finds settings for wishes: over lines and points spread by seed, then ever closer around the best that are clear. What it
// returns was simulated in all trials and breaks no rule; nothing goes beyond the makers' ratings. How near a set is counts as the sum
// over the wishes of how far each is missed, as a share of it; of sets equally near the one nearest to the settings as they stand is
// taken. On a cancelled context it returns the best so far, with the context's error.
func FindProposal(ctx context.Context, v variant.Variant, wishes []Wish, trials []*trial.Trial, o ProposeOptions) (Proposal, error) {
	p := Proposal{Wishes: wishes, Variant: v, OddsLow: math.NaN()}
	s, err := newSeeker(v, wishes, trials, o)
	if err != nil {
		return p, err
	}
	present, err := s.at(ctx, v)
	if err != nil {
		return p, err
	}
	p.Present = present.ended
	best, err := s.search(ctx)
	if best == nil && err == nil && s.turnAll() { // what is not clear may hang on a setting that no wish turns
		best, err = s.search(ctx)
	}
	take := func() {
		p.Runs = s.runs()
		if best != nil {
			p.Found, p.Met, p.Variant, p.Ended = true, best.short == 0, best.v, best.ended
			if p.Draws = s.draws; s.odds != nil {
				p.OddsLow = best.oddsLow
			}
			p.Close = stillClose(best.v)
		}
	}
	if take(); err != nil {
		return p, err
	}
	if best == nil {
		p.Blocked, err = s.whyNone(ctx)
		return p, err
	}
	if p.Reasons, err = s.reasons(ctx, best); err != nil || p.Met {
		return p, err
	}
	if p.Front, err = s.front(ctx, best); err != nil {
		return p, err
	}
	p.Prices = prices(wishes, p.Front)
	err = s.hardware(ctx, best, &p)
	p.Runs = s.runs()
	return p, err
}

// sumMissed returns the sum over wishes of how far each is missed, as a share of it. ended holds what they are at, and for a wish of odds low
// the lower end of its interval.
func sumMissed(wishes []Wish, ended map[string]float64, low float64) (sum float64) {
	for i := range wishes {
		sum += wishes[i].short(ended, low)
	}
	return sum
}

// short returns Short, of odds by the lower end of their interval: what is wished is to be sure.
func (w *Wish) short(ended map[string]float64, low float64) float64 {
	if w.Kind == "odds" {
		return max(0, 1-low/w.Value)
	}
	return w.Short(ended)
}

// whyNone returns in words what is not clear at the gentlest set that was tried.
func (s *seeker) whyNone(ctx context.Context) (string, error) {
	var gentlest *tried
	for _, t := range s.pool {
		if gentlest == nil || s.heat(t) < s.heat(gentlest) {
			gentlest = t
		}
	}
	if gentlest == nil {
		return "", nil
	}
	g, err := s.judge.findNextLimit(ctx, gentlest.v)
	if g == nil || err != nil {
		return "", err
	}
	return g.where() + " with the gentlest set that was tried, a motor current limit of " + gentlest.v.Get(s.knobs[0].key), nil
}

// heat returns the sum of the knobs that heat, as shares of their ranges.
func (s *seeker) heat(t *tried) (sum float64) {
	for i, k := range s.knobs {
		if k.heats {
			sum += t.x[i]
		}
	}
	return sum
}

// where returns what gives with the trial in which it does.
func (g *NextLimit) where() string {
	if g.Trial == "" {
		return g.What
	}
	return g.What + " in " + g.Trial
}

// reasons returns the settings that differ, each with what would be lost without it: wishes that are missed further, or clearness.
func (s *seeker) reasons(ctx context.Context, best *tried) (out []Reason, err error) {
	for key, why := range s.mended {
		if from, to := s.asked.Get(key), best.v.Get(key); from != to && to == s.base.Get(key) {
			out = append(out, Reason{key, from, to, why})
		}
	}
	slices.SortFunc(out, func(a, b Reason) int { return cmp.Compare(a.Key, b.Key) })
	for i, k := range s.knobs {
		from, to := s.asked.Get(k.key), best.v.Get(k.key)
		if to == s.base.Get(k.key) {
			continue
		}
		x := slices.Clone(best.x)
		x[i] = s.now[i]
		without, err := s.measured(ctx, x, math.Inf(1))
		if err != nil {
			return nil, err
		}
		why := "the boat as it is cannot be simulated without it"
		if without != nil {
			var worse []string
			for n := range s.wishes {
				if w := &s.wishes[n]; w.Kind != "odds" && w.Short(without.ended) > w.Short(best.ended)+tie {
					worse = append(worse, w.Text)
				}
			}
			g, err := s.judge.findNextLimit(ctx, without.v)
			if err != nil {
				return nil, err
			}
			switch {
			case worse != nil:
				why = "for " + quantity.List(worse)
			case g != nil:
				why = "without it not clear: " + g.where()
			case s.odds != nil:
				why = "for " + s.odds.Text
			default:
				why = "with the others, so that all is clear"
			}
		}
		out = append(out, Reason{k.key, from, to, why})
	}
	return out, nil
}

// front lists what the wishes are at with less and more current than the set that was found, where that is clear: motor and battery
// current limit together, from half to twice.
func (s *seeker) front(ctx context.Context, best *tried) (out []FrontOfWishes, err error) {
	factors := []float64{0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1, 1.05, 1.1, 1.2, 1.35, 1.5, 1.75, 2}
	limits := &best.v.Settings.Limits
	list := make([]*FrontOfWishes, len(factors))
	err = each(ctx, len(factors), func(ctx context.Context, i int) error {
		if factors[i] == 1 {
			list[i] = &FrontOfWishes{limits.MotorCurrent, limits.BatteryCurrent, best.ended, true}
			return nil
		}
		next := best.v
		next.Settings.Limits.MotorCurrent = min(rounded(limits.MotorCurrent*factors[i]), s.knobs[0].high)
		next.Settings.Limits.BatteryCurrent = min(rounded(limits.BatteryCurrent*factors[i]), s.knobs[1].high)
		t, err := s.at(ctx, next)
		if stopped(err) {
			return err
		}
		if err != nil || t.unclear {
			return nil
		}
		if ok, err := s.isClear(ctx, next); err != nil || !ok {
			return err
		}
		list[i] = &FrontOfWishes{next.Settings.Limits.MotorCurrent, next.Settings.Limits.BatteryCurrent, t.ended, false}
		return nil
	})
	for _, f := range list {
		if f != nil && (len(out) == 0 || f.Motor != out[len(out)-1].Motor || f.Bank != out[len(out)-1].Bank) {
			out = append(out, *f)
		}
	}
	return out, err
}

// prices reads from a front what wishes fight, and what one costs in terms of the other: from the chosen set to the next one that has
// more of a wish that is missed.
func prices(wishes []Wish, front []FrontOfWishes) (out []Price) {
	at := slices.IndexFunc(front, func(f FrontOfWishes) bool { return f.Chosen })
	if at < 0 {
		return nil
	}
	better := func(w *Wish, from, to float64) float64 { // as a share of the wish
		d := (to - from) / w.Value
		if !w.kind().least {
			d = -d
		}
		return d
	}
	for _, k := range []int{at + 1, at - 1} {
		if k < 0 || k >= len(front) {
			continue
		}
		for i := range wishes {
			for n := range wishes {
				a, b := &wishes[i], &wishes[n]
				af, aok := front[at].At[a.Kind]
				bf, bok := front[at].At[b.Kind]
				at2, aok2 := front[k].At[a.Kind]
				bt, bok2 := front[k].At[b.Kind]
				if a.Kind == "odds" || b.Kind == "odds" || !aok || !bok || !aok2 || !bok2 {
					continue
				}
				if better(a, af, at2) < 2e-3 || better(b, bf, bt) > -2e-3 || a.MetBy(front[at].At) {
					continue
				}
				if slices.ContainsFunc(out, func(p Price) bool { return p.More == a && p.Less == b }) {
					continue
				}
				out = append(out, Price{a, b, af, at2, bf, bt, [2]float64{front[at].Motor, front[k].Motor}})
			}
		}
	}
	return out
}

// rounded returns a value as a person sets it: three digits at most.
func rounded(x float64) float64 { return roundedTo(x, 3) }

func roundedTo(x float64, digits int) float64 {
	if x == 0 {
		return 0
	}
	step := math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-float64(digits-1))
	return math.Round(x/step) * step
}
