package study

import (
	"context"
	"maps"
	"math"
	"slices"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/root"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// hardware looks for the smallest single change of the boat by which all wishes are met. Where some settings would meet them and are not
// clear, that is what makes these clear; else what gives more speed or lasts longer, with settings of its own.
func (s *seeker) hardware(ctx context.Context, best *tried, p *Proposal) error {
	var over *tried // the gentlest set that meets the wishes and is not clear
	for _, t := range s.pool {
		if s.missed(t.ended) == 0 && (over == nil || s.heat(t) < s.heat(over)) {
			over = t
		}
	}
	if over != nil {
		over, err := s.backOff(ctx, over)
		if err != nil {
			return err
		}
		if err := s.buy(ctx, over, p); err != nil || p.Change != nil {
			return err
		}
	}
	return s.stronger(ctx, best, p)
}

// backOff returns the set nearest to the settings as they stand, on the straight line from one that meets the wishes, that still meets them.
func (s *seeker) backOff(ctx context.Context, t *tried) (*tried, error) {
	from := t.x
	_, _, err := root.Bracket(0, 1, func(low, high float64) bool { return high-low <= 0.01 }, func(part float64) (bool, error) {
		x := slices.Clone(from)
		for i := range x {
			x[i] = s.now[i] + part*(from[i]-s.now[i])
		}
		between, err := s.measured(ctx, x, math.Inf(1))
		if err != nil || between == nil || s.missed(between.ended) != 0 {
			return false, err
		}
		t = between
		return true, nil
	})
	return t, err
}

// buy finds the hardware that makes a set clear which meets the wishes, and sets what keeps it from being so.
func (s *seeker) buy(ctx context.Context, t *tried, p *Proposal) error {
	judged, err := RunVariants(ctx, []variant.Variant{t.v}, s.trials, simulate.Options{}, nil)
	s.count(len(s.trials))
	if err != nil {
		return unlessUnsolved(err)
	}
	side := verdict.Join(verdict.Static(t.v.Boat, t.v.Settings), judged[0])
	if side.Level == verdict.Clear {
		return nil
	}
	p.Blocked = side.Gravest() + " at " + s.describe(t)
	remedies, err := FindRemedies(ctx, t.v, &side, s.trials)
	if err != nil {
		return err
	}
	smallest := math.Inf(1)
	for _, r := range remedies {
		if r.Setting {
			continue
		}
		p.Tried = append(p.Tried, r.Key+" "+r.To)
		size := sizeOf(t.v, r.Key, r.To)
		if r.Then != verdict.Clear || size >= smallest {
			continue
		}
		changed, _, err := t.v.With(r.Key, r.To)
		if err != nil {
			continue
		}
		after, err := s.at(ctx, changed)
		if stopped(err) {
			return err
		}
		if err == nil && s.missed(after.ended) == 0 {
			smallest = size
			p.Change = &HardwareChange{Key: r.Key, From: r.From, To: r.To, What: r.What, Ended: after.ended, Settings: differing(s.asked.Settings, changed.Settings)}
		}
	}
	p.Tried = unique(p.Tried)
	return nil
}

// stronger looks for hardware by which a set of settings meets the wishes: a larger bank, another propeller or gear, each by growing
// steps; the smallest that was found is then halved back.
func (s *seeker) stronger(ctx context.Context, best *tried, p *Proposal) error {
	type change struct {
		key, what string
		down      bool    // less of it
		power     float64 // of the step
	}
	var list []change
	wants := func(kinds ...string) bool {
		return slices.ContainsFunc(s.wishes, func(w Wish) bool { return slices.Contains(kinds, w.Kind) })
	}
	if wants("endurance", "distance") {
		list = append(list, change{"battery.capacity", "", false, 1})
	}
	if wants("speed", "endurance", "distance", "stopping") {
		list = append(list, change{"propeller.diameter", "", false, 0.4}, change{"propeller.pitch", "a finer propeller", true, 0.5}, change{"propeller.pitch", "a coarser propeller", false, 0.5},
			change{"shaft.gear_ratio", "another gear", false, 1}, change{"shaft.gear_ratio", "another gear", true, 1})
	}
	for _, step := range []float64{1.15, 1.35, 1.7} {
		for _, c := range list {
			at := func(step float64) (*HardwareChange, error) {
				factor := math.Pow(step, c.power)
				if c.down {
					factor = 1 / factor
				}
				return s.with(ctx, best, c.key, c.what, factor, p)
			}
			found, err := at(step)
			if err != nil {
				return err
			}
			if found == nil {
				continue
			}
			low := math.Log(map[float64]float64{1.15: 1, 1.35: 1.15, 1.7: 1.35}[step])
			high := math.Log(step)
			quarter := 1.01 * (high - low) / 4 // back towards what was not enough, by two halvings
			_, _, err = root.Bracket(low, high, func(low, high float64) bool { return high-low <= quarter }, func(x float64) (bool, error) {
				nearer, err := at(math.Exp(x))
				if nearer != nil {
					found = nearer
				}
				return nearer != nil, err
			})
			if err == nil {
				p.Change = found
			}
			return err
		}
	}
	return nil
}

// with looks for settings that meet the wishes with one value of the boat times a factor; nil where there are none.
func (s *seeker) with(ctx context.Context, best *tried, key, what string, factor float64, p *Proposal) (*HardwareChange, error) {
	si, ok := s.base.Number(key)
	if !ok || key == "shaft.gear_ratio" && si*factor < 1 {
		return nil, nil
	}
	to := quantity.FormatStated(rounded(si*factor), s.base.Unit(key))
	changed, _, err := s.base.With(key, to)
	if err != nil || changed.Problems() != nil {
		return nil, nil
	}
	p.Tried = unique(append(p.Tried, key+" "+to))
	other, err := newSeeker(changed, s.wishes, s.trials, ProposeOptions{Seed: s.o.Seed, Draws: s.draws})
	if err != nil {
		return nil, err
	}
	if s.all {
		other.turnAll()
	}
	if len(other.knobs) != len(s.knobs) { // the sets of one are none of the other
		return nil, nil
	}
	defer func() { s.count(other.runs()) }()
	maps.DeleteFunc(other.judge.known, func(rule string, _ verdict.Level) bool { _, ok := s.judge.known[rule]; return !ok })
	const within = 0.04 // farther off it is not looked into
	cube := [][]float64{slices.Clone(best.x)}
	for i := range 13 {
		x := slices.Clone(best.x)
		x[0], x[1] = float64(i)/12, 1
		cube = append(cube, x)
	}
	list, err := other.measureAll(ctx, cube, within)
	if err != nil {
		return nil, err
	}
	list = slices.DeleteFunc(list, func(t *tried) bool { return t.short > within })
	start, err := other.firstClear(ctx, list, 10)
	if start == nil || err != nil {
		return nil, err
	}
	for width := 0.06; width > 0.004 && start.short > 0; {
		around, err := other.measureAll(ctx, other.neighbours(start.x, width), start.short+tie)
		if err != nil {
			return nil, err
		}
		next, err := other.firstClear(ctx, slices.DeleteFunc(around, func(t *tried) bool { return !better(t, start) }), 6)
		if err != nil {
			return nil, err
		}
		if next != nil {
			start = next
		} else {
			width /= 2
		}
	}
	if start.short > 0 {
		return nil, nil
	}
	if s.odds != nil {
		if _, err := other.draw(ctx, start, s.trials); err != nil || start.short > 0 {
			return nil, err
		}
	}
	return &HardwareChange{Key: key, From: written(s.asked, key, to), To: to, What: what, Ended: start.ended, Settings: differing(s.asked.Settings, start.v.Settings)}, nil
}

// describe returns the knobs of a set that differ from the settings as they stand.
func (s *seeker) describe(t *tried) string {
	var out []string
	for _, k := range s.knobs {
		if is := t.v.Get(k.key); is != s.asked.Get(k.key) {
			out = append(out, k.key+" "+is)
		}
	}
	if out == nil {
		return "the settings as they stand"
	}
	return quantity.List(out)
}

// sizeOf returns how large a change of a value is: the logarithm of its ratio.
func sizeOf(v variant.Variant, key, to string) float64 {
	changed, _, err := v.With(key, to)
	if err != nil {
		return math.Inf(1)
	}
	is, ok := v.Number(key)
	then, ok2 := changed.Number(key)
	if !ok || !ok2 || is <= 0 || then <= 0 {
		return 1 // it stood nowhere: larger than any step
	}
	return math.Abs(math.Log(then / is))
}

// differing returns the settings that differ.
func differing(from, to settings.Set) map[string]string {
	out := map[string]string{}
	for _, f := range settings.Fields() {
		if f.Kind == datafile.KindGroup {
			continue
		}
		was, _ := from.Get(f.Key)
		if is, _ := to.Get(f.Key); is != was {
			out[f.Key] = is
		}
	}
	return out
}

// unique drops what is there already.
func unique(list []string) (out []string) {
	for _, x := range list {
		if !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	return out
}

// unlessUnsolved drops an error of numbers that cannot be simulated.
func unlessUnsolved(err error) error {
	if stopped(err) {
		return err
	}
	return nil
}
