package study

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"math"
	"slices"
	"sync"
	"sync/atomic"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// seeker looks for settings of one boat.
type seeker struct {
	asked  variant.Variant   // as it was handed over
	base   variant.Variant   // the same, with the settings that rules name mended: the search sets out from there
	mended map[string]string // these settings, and by which rule, in words
	wishes []Wish
	odds   *Wish // among them; nil: none
	draws  int   // for it
	trials []*trial.Trial
	gauges []*trial.Trial // those that the wishes are measured in
	judge  *judge
	o      ProposeOptions
	all    bool // the knobs are those that any wish turns
	knobs  []knob
	now    []float64 // the settings as they stand, as shares of the knobs' ranges
	pool   []*tried  // all that were measured, clear or not, rules broken or not

	ran       atomic.Int64
	runsAhead sync.Map // ahead -> outcome, of full-throttle
}

// knob is a setting that may be turned, within what makers and management allow.
type knob struct {
	key       string
	low, high float64
	heats     bool // more of it heats more
}

// tried is a set of settings with what came of it.
type tried struct {
	v       variant.Variant
	x       []float64
	ended   map[string]float64
	oddsLow float64 // lower end of the interval of the odds, where they are known or predicted
	short   float64 // how far the wishes are missed: see Missed
	far     float64 // how far it is from the settings as they stand
	unclear bool    // it is known not to be clear
}

// tie is how much a difference of how far wishes are missed counts as none.
const tie = 1e-4

func newSeeker(v variant.Variant, wishes []Wish, trials []*trial.Trial, o ProposeOptions) (*seeker, error) {
	base, mended := mend(v)
	s := &seeker{asked: v, base: base, mended: mended, wishes: wishes, trials: trials, o: o, judge: newJudge(base, trials)}
	need := map[string]bool{"full-throttle": true}
	for i := range wishes {
		switch w := &wishes[i]; w.Kind {
		case "stopping":
			need["crash-stop"] = true
		case "odds":
			n, err := drawsFor(w, o.Draws)
			if err != nil {
				return nil, err
			}
			s.odds, s.draws = w, n
		}
	}
	for _, name := range []string{"full-throttle", "crash-stop"} {
		if !need[name] {
			continue
		}
		t, err := trial.Builtin(name)
		if err != nil {
			return nil, err
		}
		s.gauges = append(s.gauges, t)
	}
	s.turn()
	return s, nil
}

// mend changes the settings that rules find close or over, as these rules say, and returns why.
func mend(v variant.Variant) (variant.Variant, map[string]string) {
	why := map[string]string{}
	for range 40 { // a change may call for another
		next, f := v, verdict.Finding{}
		for _, f = range verdict.Static(v.Boat, v.Settings) {
			if f.Level == verdict.Clear || f.Change == nil {
				continue
			}
			if changed, _, err := v.With(f.Change.Key, f.Change.To); err == nil {
				next = changed
			}
			if next.Settings != v.Settings {
				break
			}
		}
		if next.Settings == v.Settings {
			break
		}
		v, why[f.Change.Key] = next, "without it not clear: "+f.Text
	}
	return v, why
}

// turn lists the knobs that the wishes turn.
func (s *seeker) turn() {
	var kinds []string
	for _, w := range s.wishes {
		kinds = append(kinds, w.Kind)
	}
	s.turnFor(kinds, false)
}

// turnAll lists the knobs that any wish turns, and full voltage, which alone holds a motor back that nothing loads; it reports whether these are more than before.
func (s *seeker) turnAll() bool {
	before := len(s.knobs)
	s.all = true
	s.turnFor([]string{"rise-time", "stopping"}, true)
	s.pool = nil
	return len(s.knobs) > before
}

func (s *seeker) turnFor(kinds []string, duty bool) {
	s.knobs, s.now = nil, nil
	b, set := s.base.Boat, &s.base.Settings
	bank := min(b.Fuse.Rating.SI, b.Contactor.Current.SI)
	if m := b.Battery.Management; m != nil {
		bank = min(bank, m.DischargeCurrent.SI)
	}
	motor := b.Stage.Current.SI
	add := func(field *float64, low, high float64, heats bool) {
		key := set.Key(field)
		least, most := settings.Range(key)
		low = math.Ceil(low/roundStep(low)) * roundStep(low) // as a person sets it
		if low, high = max(low, least), min(high, most); high > low {
			s.knobs = append(s.knobs, knob{key, low, high, heats})
		}
	}
	add(&set.Limits.MotorCurrent, max(1, motor/12), max(motor, 2), true)
	add(&set.Limits.BatteryCurrent, max(1, bank/12), max(bank, 2), true)
	if duty || set.Limits.Duty < 1 {
		add(&set.Limits.Duty, 0.05, 1, true)
	}
	if slices.Contains(kinds, "rise-time") {
		add(&set.Ramp.Rise, 0.1, 10, false)
	}
	if slices.Contains(kinds, "stopping") {
		add(&set.Limits.AsternCurrent, max(1, motor/12), max(motor, 2), true)
		add(&set.Ramp.Reversal, 0.1, 6, false)
		add(&set.Ramp.Fall, 0.05, 3, false)
		if b.Stage.Braking {
			add(&set.Limits.BrakingCurrent, max(1, motor/40), motor/2, true)
		}
	}
	for i := range s.knobs {
		si, _ := s.base.Number(s.knobs[i].key)
		s.now = append(s.now, s.knobs[i].share(si))
	}
}

// roundStep returns a step of the second digit of a value.
func roundStep(x float64) float64 { return math.Pow(10, math.Floor(math.Log10(x))-1) }

// share returns where a value lies in the knob's range.
func (k *knob) share(si float64) float64 {
	x := (si - k.low) / (k.high - k.low)
	if k.logarithmic() {
		x = math.Log(max(si, k.low)/k.low) / math.Log(k.high/k.low)
	}
	return min(max(x, 0), 1)
}

func (k *knob) logarithmic() bool { return k.low > 0 && k.high/k.low > 15 }

// value returns the value of a share; the inverse of share.
func (k *knob) value(x float64) float64 {
	si := k.low + x*(k.high-k.low)
	if k.logarithmic() {
		si = k.low * math.Pow(k.high/k.low, x)
	}
	return min(max(rounded(si), k.low), k.high)
}

// place sets the knobs. One that stays where it is now keeps its value as it is written, unless that is beyond what may be.
func (s *seeker) place(x []float64) (variant.Variant, error) {
	v := s.base
	var err error
	for i := range s.knobs {
		k := &s.knobs[i]
		if si, _ := s.base.Number(k.key); x[i] == s.now[i] && si <= k.high {
			continue
		}
		if v, err = v.WithNumber(k.key, k.value(x[i])); err != nil {
			return v, err
		}
	}
	return v, nil
}

// at measures the wishes of a variant, but for odds.
func (s *seeker) at(ctx context.Context, v variant.Variant) (*tried, error) {
	return s.atMost(ctx, v, math.Inf(1))
}

// atMost returns what at does; nil where the first trials show that the wishes are missed by more than most.
func (s *seeker) atMost(ctx context.Context, v variant.Variant, most float64) (*tried, error) {
	t := &tried{v: v, ended: map[string]float64{}}
	for i, k := range s.gauges { // one after the other: there are many sets, side by side
		if i > 0 && s.missedOf(t.ended) > most {
			return nil, nil
		}
		m, err := s.run(ctx, v, k)
		if err != nil {
			return nil, err
		}
		t.unclear = t.unclear || m.unclear
		maps.Copy(t.ended, m.ended)
	}
	t.short = s.missed(t.ended)
	return t, nil
}

// outcome is what a trial tells of the wishes.
type outcome struct {
	ended   map[string]float64
	unclear bool // it is one of those that must be clear, and is not
}

// ahead is what a run depends on in which the lever goes ahead once and stays there.
type ahead struct {
	boat *boat.Boat
	set  settings.Set // what acts astern or as the lever comes back left out
}

// run measures what one trial tells of the wishes.
func (s *seeker) run(ctx context.Context, v variant.Variant, k *trial.Trial) (outcome, error) {
	key := ahead{v.Boat, v.Settings}
	l, r := &key.set.Limits, &key.set.Ramp
	l.AsternCurrent, l.BrakingCurrent, r.Fall, r.Reversal = 0, 0, 0, 0
	if k.Name == "full-throttle" {
		if known, ok := s.runsAhead.Load(key); ok {
			return known.(outcome), nil
		}
	}
	run, err := simulate.Run(ctx, v.Boat, v.Settings, v.Conditions.Of(k), simulate.Options{})
	if err != nil {
		s.count(1)
		return outcome{}, err
	}
	judged, err := verdict.Judge(run)
	if err != nil {
		return outcome{}, err
	}
	among := slices.ContainsFunc(s.trials, func(o *trial.Trial) bool { return o.Name == k.Name })
	out := outcome{measure([]verdict.Trial{judged}), among && judged.Level != verdict.Clear}
	if k.Name == "full-throttle" {
		if _, ranBeside := s.runsAhead.LoadOrStore(key, out); ranBeside {
			return out, nil // the number of runs is the same however the cores share them
		}
	}
	s.count(1)
	return out, nil
}

// missed returns sumMissed without odds.
func (s *seeker) missed(ended map[string]float64) (sum float64) {
	for i := range s.wishes {
		if w := &s.wishes[i]; w.Kind != "odds" {
			sum += w.Short(ended)
		}
	}
	return sum
}

// missedOf returns missed for the wishes that are measured already.
func (s *seeker) missedOf(ended map[string]float64) (sum float64) {
	for i := range s.wishes {
		if _, ok := ended[s.wishes[i].Kind]; ok {
			sum += s.wishes[i].Short(ended)
		}
	}
	return sum
}

func (s *seeker) count(n int) {
	done := int(s.ran.Add(int64(n)))
	if s.o.Progress != nil {
		s.o.Progress(done, max(done, 1500))
	}
}

func (s *seeker) runs() int { return int(s.ran.Load()) }

// measured sets the knobs and measures the wishes; nil where the numbers cannot be set or simulated, or where wishes are missed by more than most.
func (s *seeker) measured(ctx context.Context, x []float64, most float64) (*tried, error) {
	v, err := s.place(x)
	if err != nil {
		return nil, nil // a value that is none is no proposal
	}
	t, err := s.atMost(ctx, v, most)
	if stopped(err) {
		return nil, err
	}
	if err != nil || t == nil {
		return nil, nil // nor are numbers that cannot be simulated
	}
	t.x = x
	for i := range x {
		t.far += math.Abs(x[i] - s.now[i])
	}
	return t, nil
}

// measureAll measures several sets at once and keeps them in the pool; those that miss the wishes by more than most are left out.
func (s *seeker) measureAll(ctx context.Context, cube [][]float64, most float64) ([]*tried, error) {
	list := make([]*tried, len(cube))
	err := each(ctx, len(cube), func(ctx context.Context, i int) (err error) {
		list[i], err = s.measured(ctx, cube[i], most)
		return err
	})
	list = slices.DeleteFunc(list, func(t *tried) bool { return t == nil })
	s.pool = append(s.pool, list...)
	return list, err
}

// isClear reports whether a variant is clear in all trials.
func (s *seeker) isClear(ctx context.Context, v variant.Variant) (bool, error) {
	ok, err := s.judge.clear(ctx, v, 0)
	s.count(len(s.trials))
	if errors.As(err, new(*simulate.UnsolvedError)) || errors.As(err, new(*simulate.UnbalancedError)) {
		return false, nil
	}
	return ok, err
}

// first measures the settings as they stand, lines along each knob and points spread over all of them.
func (s *seeker) first(ctx context.Context, spread int) error {
	with := func(set ...float64) []float64 { // knob, share, knob, share ...
		x := slices.Clone(s.now)
		for i := 0; i < len(set); i += 2 {
			x[int(set[i])] = set[i+1]
		}
		return x
	}
	cube := [][]float64{slices.Clone(s.now)}
	for i := range 25 { // along the first knob, the battery limit as it is and out of the way
		at := float64(i) / 24
		cube = append(cube, with(0, at), with(0, at, 1, 1))
	}
	for k := 1; k < len(s.knobs); k++ {
		for i := range 9 {
			cube = append(cube, with(float64(k), float64(i)/8))
		}
	}
	if n := spread * len(s.knobs); n > 0 {
		points := points(n, len(s.knobs), s.o.Seed)
		for i := range n {
			cube = append(cube, slices.Clone(points.RawRowView(i)))
		}
	}
	_, err := s.measureAll(ctx, cube, math.Inf(1))
	pool := make([]variant.Variant, len(s.pool))
	for i, t := range s.pool {
		pool[i] = t.v
	}
	s.judge.want(pool)
	return err
}

// search finds the best clear set; nil where none is. With an error it returns the best so far.
func (s *seeker) search(ctx context.Context) (*tried, error) {
	if err := s.first(ctx, 25); err != nil {
		return nil, err
	}
	starts, err := s.starts(ctx)
	if err == nil && len(starts) == 0 {
		starts, err = s.lowered(ctx)
	}
	var best *tried
	for _, from := range starts {
		if err != nil || best != nil && best.short == 0 {
			break
		}
		var t *tried
		t, err = s.descend(ctx, from)
		if t != nil && (best == nil || better(t, best)) {
			best = t
		}
	}
	if best == nil || err != nil {
		return best, err
	}
	if best, err = s.polish(ctx, best); err != nil || s.odds == nil {
		return best, err
	}
	return s.surer(ctx, best)
}

// starts returns clear sets to start from, each the best of another part of the space: the best of all, those as they stand, and the best
// that is far from these.
func (s *seeker) starts(ctx context.Context) (out []*tried, err error) {
	list := slices.Clone(s.pool)
	const apart = 0.25
	for len(out) < 3 {
		list = slices.DeleteFunc(list, func(t *tried) bool {
			return slices.ContainsFunc(out, func(o *tried) bool { return distance(t.x, o.x) < apart })
		})
		t, err := s.firstClear(ctx, list, 40)
		if t == nil || err != nil {
			return out, err
		}
		out = append(out, t)
	}
	return out, nil
}

// lowered returns the settings as they stand with the one limit lowered that clears what is over, as try proposes it; none where not all is clear then.
func (s *seeker) lowered(ctx context.Context) ([]*tried, error) {
	b, set, trials := s.base.Boat, s.base.Settings, s.base.Trials(s.trials)
	judged, err := Run(ctx, b, set, trials, simulate.Options{})
	if err != nil {
		return nil, err
	}
	change, err := FindChange(ctx, b, set, verdict.Join(nil, judged), trials)
	if change == nil || err != nil {
		return nil, err
	}
	i := slices.IndexFunc(s.knobs, func(k knob) bool { return k.key == change.Key })
	to, _, err := s.base.With(change.Key, change.To)
	if i < 0 || err != nil {
		return nil, err
	}
	si, _ := to.Number(change.Key)
	x := slices.Clone(s.now)
	x[i] = s.knobs[i].share(si)
	t, err := s.measured(ctx, x, math.Inf(1))
	if t == nil || err != nil {
		return nil, err
	}
	if ok, err := s.isClear(ctx, t.v); !ok || err != nil {
		return nil, err
	}
	s.pool = append(s.pool, t)
	return []*tried{t}, nil
}

func distance(a, b []float64) (most float64) {
	for i := range a {
		most = max(most, math.Abs(a[i]-b[i]))
	}
	return most
}

// descend tries the neighbours of a clear set, ever closer ones, and goes on from the best that is clear.
func (s *seeker) descend(ctx context.Context, best *tried) (*tried, error) {
	least := rank(best.short) // being nearer to the settings as they stand is worth no more than a tie, counted from here
	seen := 0
	for width := 0.12; width > 0.002 && seen < 80*len(s.knobs); {
		around := s.neighbours(best.x, width)
		list, err := s.measureAll(ctx, around, best.short+tie)
		if err != nil {
			return best, err
		}
		seen += len(around)
		next, err := s.firstClear(ctx, slices.DeleteFunc(list, func(t *tried) bool {
			return !(rank(t.short) < rank(best.short) || rank(t.short) <= least && t.far < best.far-1e-3)
		}), len(list))
		if err != nil {
			return best, err
		}
		if next == nil {
			width /= 2
			continue
		}
		best, least = next, min(least, rank(next.short))
		width = min(1.5*width, 0.12)
	}
	return best, nil
}

// neighbours returns the sets around one: each knob a step up, a step down and back where it was; the two limits of current also together,
// since more of the one may want less of the other.
func (s *seeker) neighbours(x []float64, width float64) (out [][]float64) {
	add := func(change func(y []float64)) {
		y := slices.Clone(x)
		change(y)
		for i := range y {
			y[i] = min(max(y[i], 0), 1)
		}
		if !slices.Equal(x, y) && !slices.ContainsFunc(out, func(z []float64) bool { return slices.Equal(y, z) }) {
			out = append(out, y)
		}
	}
	for i := range x {
		add(func(y []float64) { y[i] += width })
		add(func(y []float64) { y[i] -= width })
		add(func(y []float64) { y[i] = s.now[i] })
	}
	for _, a := range []float64{-width, width} {
		for _, b := range []float64{-width, width} {
			add(func(y []float64) { y[0], y[1] = y[0]+a, y[1]+b })
		}
	}
	return out
}

// rank returns how far wishes are missed, in ties; 0: all are met.
func rank(short float64) float64 { return math.Ceil(short / tie) }

// better reports whether a is nearer to the wishes, or as near and nearer to the settings as they stand.
func better(a, b *tried) bool {
	if x, y := rank(a.short), rank(b.short); x != y {
		return x < y
	}
	return a.far < b.far-1e-9
}

// firstClear returns the best that is clear in all trials, and asks of at most so many. One that heats at least as much in every knob as
// another that is not clear is presumed not clear either.
func (s *seeker) firstClear(ctx context.Context, list []*tried, most int) (*tried, error) {
	list = slices.DeleteFunc(slices.Clone(list), func(t *tried) bool { return t.unclear })
	slices.SortStableFunc(list, func(a, b *tried) int {
		return cmp.Or(cmp.Compare(rank(a.short), rank(b.short)), cmp.Compare(a.far, b.far))
	})
	var bad [][]float64
	for _, t := range list {
		if slices.ContainsFunc(bad, func(x []float64) bool { return s.heavier(t.x, x) }) {
			continue
		}
		if s.judge.rule(t.v) == nil {
			if most--; most < 0 {
				break
			}
			ok, err := s.isClear(ctx, t.v)
			if err != nil {
				return nil, err
			}
			if ok {
				return t, nil
			}
		}
		t.unclear = true
		bad = append(bad, t.x)
	}
	return nil, nil
}

// heavier reports whether a heats at least as much as b in every knob.
func (s *seeker) heavier(a, b []float64) bool {
	for i, k := range s.knobs {
		if k.heats && a[i] < b[i] {
			return false
		}
	}
	return true
}

// polish resets the knobs that need not differ, and rounds the others to two digits, where that costs nothing.
func (s *seeker) polish(ctx context.Context, best *tried) (*tried, error) {
	least := rank(best.short)
	take := func(x []float64) (bool, error) {
		t, err := s.measured(ctx, x, best.short+tie)
		if t == nil || err != nil || t.unclear || rank(t.short) > least {
			return false, err
		}
		ok, err := s.isClear(ctx, t.v)
		if ok {
			best = t
		}
		return ok, err
	}
	for i := range s.knobs {
		if best.x[i] == s.now[i] {
			continue
		}
		x := slices.Clone(best.x)
		x[i] = s.now[i]
		if _, err := take(x); err != nil {
			return best, err
		}
	}
	for i := range s.knobs {
		k := &s.knobs[i]
		si := k.value(best.x[i])
		if best.x[i] == s.now[i] || roundedTo(si, 2) == si {
			continue
		}
		step := math.Pow(10, math.Floor(math.Log10(si))-1)
		for _, nice := range []float64{roundedTo(si, 2), step * math.Floor(si/step), step * math.Ceil(si/step)} {
			if nice < k.low || nice > k.high {
				continue
			}
			x := slices.Clone(best.x)
			x[i] = k.share(nice)
			if ok, err := take(x); ok || err != nil {
				if err != nil {
					return best, err
				}
				break
			}
		}
	}
	return best, nil
}
