package study

import (
	"cmp"
	"context"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// Remedy is one change of one value that makes clear what is close or over: a part, a device that opens, a rule. It was simulated.
type Remedy struct {
	Of       string // the part or device, or "rule NAME"
	Key      string
	From, To string
	What     string  // the change in words, where the key does not say it: "a fan of its own"
	Setting  bool    // else it is a change of the boat
	Speed    float64 // change of the top speed in full-throttle, as a share; NaN: not known
	Gain     float64 // how much more is left of the part's limit in the trial that was hardest on it, SI; NaN: it is no part
	Unit     string  // of the part's limit
	Used     float64 // share of the limit with it, in that trial; NaN: it is no part
	Then     verdict.Level
	Next     string // what is then over or close, in any of the trials: "motor cable is over in hot-day"; "": all is clear
}

// ailment is what is to be made clear.
type ailment struct {
	name   string
	rule   string          // "": it is a part or a device
	device string          // "": it is a part
	part   verdict.Part    // in its worst trial
	hard   []*trial.Trial  // in which it is not clear, the worst first
	change *verdict.Change // what the rule says to change
}

// mostAilments is how many are looked into, the worst first.
const mostAilments = 8

// FindRemedies lists, for each rule, device that opens and part that is close or over, in this order and for eight of them at most (of parts
// those that use most of their limits), the changes of one value that make it clear, settings before hardware and the smaller loss of speed first. Each is simulated in the trials in which it is not
// clear, and then in all of them, to say what is next; none is guessed. A change that cannot be simulated in one of the trials is left out. In a trial in which a device opens no part is taken for clear.
func FindRemedies(ctx context.Context, v variant.Variant, side *verdict.Side, trials []*trial.Trial) ([]Remedy, error) {
	full, err := trial.Builtin("full-throttle")
	if err != nil {
		return nil, err
	}
	asked := trials // full-throttle among them, or after them
	at := slices.IndexFunc(trials, func(t *trial.Trial) bool { return t.Name == full.Name })
	if at < 0 {
		at, asked = len(trials), append(slices.Clone(trials), full)
	}
	now := math.NaN()
	if k := slices.IndexFunc(side.Trials, func(t verdict.Trial) bool { return t.Name == full.Name }); k >= 0 {
		now = topSpeed(side.Trials[k].Run)
	} else if run, err := simulate.Run(ctx, v.Boat, v.Settings, v.Conditions.Of(full), simulate.Options{}); err == nil {
		now = topSpeed(run)
	}
	var out []Remedy
	runs := &remedyRuns{judged: map[string]*verdict.Trial{}, made: map[string]*changed{}}
	for _, a := range ailments(v, side, trials) {
		list, variants, err := a.remedies(ctx, v, side, v.Trials(trials), runs)
		if err != nil {
			return nil, err
		}
		judged := make([]verdict.Trial, len(list)*len(asked))
		whole := make([]bool, len(judged))
		err = each(ctx, len(judged), func(ctx context.Context, i int) error {
			r, k := i/len(asked), i%len(asked)
			got, err := runs.of(ctx, &list[r], variants[r], v.Conditions.Of(asked[k]))
			if got != nil {
				judged[i], whole[i] = *got, true
			}
			return err
		})
		if err != nil {
			return nil, err
		}
		var kept []Remedy
		for i := range list {
			mine := judged[i*len(asked) : (i+1)*len(asked)]
			if slices.Contains(whole[i*len(asked):(i+1)*len(asked)], false) {
				continue // it cannot be simulated in one of the trials: nothing is known of it
			}
			list[i].Speed = topSpeed(mine[at].Run)/now - 1
			then := verdict.Join(runs.make(v, list[i].Key, list[i].To).findings, mine[:len(trials)])
			list[i].Then, list[i].Next = then.Level, then.Gravest()
			kept = append(kept, list[i])
		}
		slices.SortStableFunc(kept, func(a, b Remedy) int {
			if a.Setting != b.Setting {
				if a.Setting {
					return -1
				}
				return 1
			}
			return cmp.Compare(b.Speed, a.Speed)
		})
		out = append(out, kept...)
	}
	return out, nil
}

// remedyRuns keeps what changes came to in trials: several parts are helped by the same ones. It is safe for use from several goroutines.
type remedyRuns struct {
	mu     sync.Mutex
	judged map[string]*verdict.Trial // nil: it could not be simulated
	made   map[string]*changed
}

// changed is a variant with one value changed, and what rules find of it.
type changed struct {
	v        variant.Variant
	possible bool // it can be set, and the drive can be built
	findings []verdict.Finding
	broken   int // of them that are over
}

// make returns a variant with a value changed.
func (k *remedyRuns) make(v variant.Variant, key, text string) *changed {
	name := key + "\x00" + text
	k.mu.Lock()
	got, known := k.made[name]
	k.mu.Unlock()
	if known {
		return got
	}
	got = &changed{}
	if next, _, err := v.With(key, text); err == nil && (next.Boat == v.Boat || next.Problems() == nil) {
		got.v, got.possible = next, true
		got.findings = verdict.Static(next.Boat, next.Settings)
		got.broken = over(got.findings)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.made[name] = got
	return got
}

// of returns a trial with a change, without its traces; nil where it cannot be simulated.
func (k *remedyRuns) of(ctx context.Context, r *Remedy, v variant.Variant, t *trial.Trial) (*verdict.Trial, error) {
	name := strings.Join([]string{r.Key, r.To, t.Name}, "\x00")
	k.mu.Lock()
	got, known := k.judged[name]
	k.mu.Unlock()
	if known {
		return got, nil
	}
	run, err := simulate.Run(ctx, v.Boat, v.Settings, t, simulate.Options{Verdict: true})
	if stopped(err) {
		return nil, err
	}
	if err == nil {
		judged, err := verdict.Judge(run)
		if err != nil {
			return nil, err
		}
		slim := *run
		slim.Time, slim.Peaks, judged.Run = nil, nil, &slim
		got = &judged
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.judged[name] = got
	return got, nil
}

// topSpeed returns the top speed of a run, m/s; NaN where it has none.
func topSpeed(r *record.Run) float64 {
	if r == nil || r.Gain.TopSpeed == nil {
		return math.NaN()
	}
	return *r.Gain.TopSpeed
}

// ailments lists what of a side is close or over: rules, devices that open, parts, the worst first.
func ailments(v variant.Variant, side *verdict.Side, trials []*trial.Trial) (out []ailment) {
	bad := func(l verdict.Level) bool { return l == verdict.Close || l == verdict.Over }
	for _, f := range side.Findings {
		if bad(f.Level) && !slices.ContainsFunc(out, func(a ailment) bool { return a.rule == f.Rule }) {
			out = append(out, ailment{name: "rule " + f.Rule, rule: f.Rule, change: f.Change})
		}
	}
	in := func(fits func(t *verdict.Trial) bool, worst string) (hard []*trial.Trial) {
		for i := range side.Trials {
			k := slices.IndexFunc(trials, func(t *trial.Trial) bool { return t.Name == side.Trials[i].Name })
			if k < 0 || !fits(&side.Trials[i]) {
				continue
			}
			if t := v.Conditions.Of(trials[k]); t.Name == worst {
				hard = append([]*trial.Trial{t}, hard...)
			} else {
				hard = append(hard, t)
			}
		}
		return hard
	}
	for _, device := range deviceNames {
		if device == "fuse" {
			continue // it is a part
		}
		if hard := in(func(t *verdict.Trial) bool { return opens(t, device) }, ""); hard != nil {
			out = append(out, ailment{name: device, device: device, hard: hard})
		}
	}
	parts, worst := side.Worst()
	var order []int
	for i := range parts {
		if bad(parts[i].Level) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(parts[b].Used, parts[a].Used) })
	for _, i := range order {
		a := ailment{name: parts[i].Name, part: parts[i]}
		a.hard = in(func(t *verdict.Trial) bool {
			return slices.ContainsFunc(t.Parts, func(p verdict.Part) bool { return p.Name == a.name && bad(p.Level) })
		}, worst[i])
		out = append(out, a)
	}
	return out[:min(len(out), mostAilments)]
}

// opens reports whether a device opens that the trial does not expect to; "": any.
func opens(t *verdict.Trial, device string) bool {
	return slices.ContainsFunc(t.Run.Events, func(e record.Event) bool {
		return e.Kind == record.Protecting && (device == "" || e.Device == device) && !slices.Contains(t.Run.Expect, e.Device)
	})
}

// remedies finds in each family the smallest change that helps in all trials, and returns those with what they make.
func (a *ailment) remedies(ctx context.Context, v variant.Variant, side *verdict.Side, trials []*trial.Trial, runs *remedyRuns) (out []Remedy, variants []variant.Variant, err error) {
	broken := over(side.Findings)
	families := a.families(v)
	list, made := make([]*Remedy, len(families)), make([]variant.Variant, len(families))
	err = each(ctx, len(families), func(ctx context.Context, i int) error {
		f := families[i]
		helps := func(step int, hard []*trial.Trial) (bool, error) {
			change := runs.make(v, f.key, f.texts[step])
			if !change.possible || change.broken > broken {
				return false, nil
			}
			next := change.v
			r := &Remedy{Of: a.name, Key: v.Name(f.key), From: written(v, f.key, f.texts[step]), To: f.texts[step], What: f.what, Setting: variant.IsSetting(f.key), Unit: a.part.Unit}
			ok, err := a.clear(ctx, r, change, hard, runs)
			if ok {
				list[i], made[i] = r, next
			}
			return ok, err
		}
		from, err := smallest(len(f.texts), func(step int) (bool, error) { return helps(step, a.hard[:min(1, len(a.hard))]) })
		for step := from; step < len(f.texts) && err == nil; step++ { // what is enough in the worst trial is most often enough in the others
			ok, wrong := helps(step, a.hard)
			if ok {
				ok, wrong = a.stays(ctx, list[i], made[i], trials, runs)
			}
			if ok || wrong != nil {
				return wrong
			}
			list[i] = nil
		}
		return err
	})
	for i, r := range list {
		if r != nil {
			out, variants = append(out, *r), append(variants, made[i])
		}
	}
	return out, variants, err
}

// smallest returns the smallest step that helps; n: none. Of a long list the largest is asked first, and the rest by halves: a limit that
// is lowered further helps further. A short one, in which a larger step need not help more (a gear), is asked from its start.
func smallest(n int, helps func(step int) (bool, error)) (int, error) {
	if n <= 5 {
		for step := range n {
			if ok, err := helps(step); ok || err != nil {
				return step, err
			}
		}
		return n, nil
	}
	if ok, err := helps(n - 1); !ok || err != nil {
		return n, err
	}
	var failed error
	step := sort.Search(n-1, func(step int) bool {
		if failed != nil {
			return true
		}
		var ok bool
		ok, failed = helps(step)
		return ok
	})
	return step, failed
}

// written returns a value as a person writes it: without its tolerance and where it comes from, a share in per cent where the other is.
func written(v variant.Variant, key, other string) string {
	si, ok := v.Number(key)
	if !ok {
		text, _, _ := strings.Cut(v.Get(key), ",")
		return text
	}
	unit := v.Unit(key)
	if strings.HasSuffix(other, "%") {
		unit = "%"
	}
	return quantity.FormatStated(si, unit)
}

// over counts the findings that are over.
func over(findings []verdict.Finding) (n int) {
	for _, f := range findings {
		if f.Level == verdict.Over {
			n++
		}
	}
	return n
}

// stays reports whether a change keeps it clear in the trials in which it was: less current may be held for longer.
func (a *ailment) stays(ctx context.Context, r *Remedy, v variant.Variant, trials []*trial.Trial, runs *remedyRuns) (bool, error) {
	if a.rule != "" {
		return true, nil
	}
	for _, t := range trials {
		if slices.ContainsFunc(a.hard, func(h *trial.Trial) bool { return h.Name == t.Name }) {
			continue
		}
		judged, err := runs.of(ctx, r, v, t)
		if err != nil || judged == nil {
			return false, err
		}
		if a.device != "" && opens(judged, a.device) || slices.ContainsFunc(judged.Parts, func(p verdict.Part) bool {
			return p.Name == a.name && (p.Level == verdict.Close || p.Level == verdict.Over)
		}) {
			return false, nil
		}
	}
	return true, nil
}

// clear reports whether a change makes it clear in trials in which it was not, and fills in what then is used of a part's limit and
// how much more is left, in the worst of these trials.
func (a *ailment) clear(ctx context.Context, r *Remedy, change *changed, hard []*trial.Trial, runs *remedyRuns) (bool, error) {
	r.Used, r.Gain = math.NaN(), math.NaN()
	if a.rule != "" {
		return !slices.ContainsFunc(change.findings, func(f verdict.Finding) bool { return f.Rule == a.rule && f.Level > verdict.Clear }), nil
	}
	for _, t := range hard {
		judged, err := runs.of(ctx, r, change.v, t)
		if err != nil || judged == nil || opens(judged, "") {
			return false, err
		}
		if a.device != "" {
			continue
		}
		i := slices.IndexFunc(judged.Parts, func(p verdict.Part) bool { return p.Name == a.name })
		if i < 0 || judged.Parts[i].Level != verdict.Clear {
			return false, nil
		}
		if p := &judged.Parts[i]; math.IsNaN(r.Used) {
			r.Used, r.Gain = p.Used, p.Margin-a.part.Margin
		}
	}
	return true, nil
}
