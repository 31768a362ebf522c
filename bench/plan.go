package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// PlanOptions says how a setting is approached.
type PlanOptions struct {
	Steps    int     // 1 to 20
	Hold     float64 // full throttle in each, s
	Moored   bool
	Despite  bool           // plan a target that is over in a built-in trial all the same
	Meters   []link.Channel // what is read in each step
	Progress func(done, all int)
}

// Planned is the answer of Plan.
type Planned struct {
	report.Plan
	Boat    string
	Program *trial.Trial // what the lever does in each step
}

// Plan lays a staircase from the present value of a setting to a new one. The target and each step are judged in all built-in trials
// first: a target that is over there is not planned without Despite, and no step after one whose own programme is over. Each step
// then has what the meters are predicted to read before the lever goes back, and whether its programme reaches the setting at all.
func Plan(ctx context.Context, s *Setup, assignment string, o PlanOptions) (*Planned, error) {
	p, sets, err := layStairs(s, assignment, o)
	if err != nil {
		return nil, &PlanError{err}
	}
	done, all := 0, 1
	if err := p.judge(ctx, s, sets, func(n, of int) { done, all = n, of+len(sets)-1; o.show(done, all) }); err != nil {
		return nil, err
	}
	if p.Target().Side.Level >= verdict.NotJudged && !o.Despite {
		return p, nil
	}
	for i := range p.Steps {
		if err := p.predict(ctx, s, sets[i+1], &p.Steps[i], o.Meters); err != nil {
			return p, err
		}
		o.show(done+i+1, all)
		if p.Steps[i].Own.Level == verdict.Over {
			break
		}
	}
	return p, nil
}

// PlanError reports why what is asked makes no plan.
type PlanError struct{ Why error }

func (e *PlanError) Error() string { return e.Why.Error() }

func (e *PlanError) Unwrap() error { return e.Why }

func (o *PlanOptions) show(done, all int) {
	if o.Progress != nil {
		o.Progress(done, all)
	}
}

// layStairs returns the steps: the settings before the first and in each. A value between is rounded, for a person writes it down; the last is
// what was asked for.
func layStairs(s *Setup, assignment string, o PlanOptions) (*Planned, []settings.Set, error) {
	target, err := Assign(s.Settings, []string{assignment})
	if err != nil {
		return nil, nil, err
	}
	key, _, _ := strings.Cut(assignment, "=")
	key = strings.TrimSpace(key)
	from, ok := s.Settings.Number(key)
	to, _ := target.Number(key)
	was, _ := s.Settings.Shown(key)
	end, _ := target.Shown(key)
	least := target.Ramp.Rise + 2
	switch {
	case !ok:
		return nil, nil, fmt.Errorf("%s is no number to approach step by step", key)
	case from == to:
		return nil, nil, fmt.Errorf("%s is %s already", key, was)
	case o.Steps < 1 || o.Steps > 20:
		return nil, nil, fmt.Errorf("--steps must be 1 to 20, got %d", o.Steps)
	case o.Hold < least:
		return nil, nil, fmt.Errorf("--hold must be %.3g s at least, for the ramp takes %.3g s: got %.3g s", least, target.Ramp.Rise, o.Hold)
	}
	unit := settings.Unit(key)
	var values []string
	for i := 1; i < o.Steps; i++ {
		text := quantity.Format(from+(to-from)*float64(i)/float64(o.Steps), unit, 3)
		if text != quantity.Format(from, unit, 3) && text != quantity.Format(to, unit, 3) && !slices.Contains(values, text) {
			values = append(values, text)
		}
	}
	sets := []settings.Set{s.Settings}
	p := &Planned{Boat: s.Boat.Name, Plan: report.Plan{Key: key, From: was, Moored: o.Moored, Read: o.Hold + 1}}
	for _, v := range append(values, end) {
		set, err := s.Settings.With(key, v)
		if err != nil {
			return nil, nil, err
		}
		shown, _ := set.Shown(key)
		sets, p.Steps = append(sets, set), append(p.Steps, report.PlanStep{Value: shown})
	}
	t := *HoldTrial(o.Hold)
	t.Name, t.About, t.Moored = "plan", "a step of a commissioning plan: full throttle, held", o.Moored
	full := 1.0
	if key == s.Settings.Key(&s.Settings.Limits.AsternCurrent) {
		full = -1
	}
	t.Throttle = []trial.Step{{At: 1, To: full, Over: 1}, {At: o.Hold + 2, To: 0, Over: 0.5}}
	t.Duration = o.Hold + 8
	p.Program = &t
	for _, b := range HardLimits(s, o.Meters) {
		p.Stops = append(p.Stops, fmt.Sprintf("%s passes %s: %s", quantity.Spoken(b.Channel), b.Range(), b.Why))
	}
	return p, sets, nil
}

// judge judges each step in all built-in trials, and whether its own programme reaches the setting. The target's margins have bands.
func (p *Planned) judge(ctx context.Context, s *Setup, sets []settings.Set, progress func(done, all int)) error {
	trials, err := AllTrials()
	if err != nil {
		return err
	}
	p.Trials = len(trials)
	judged, err := study.RunAll(ctx, s.Boat, sets[1:], trials, simulate.Options{}, progress)
	if err != nil {
		return err
	}
	before, err := simulate.Run(ctx, s.Boat, sets[0], p.Program, simulate.Options{})
	if err != nil {
		return err
	}
	for i := range p.Steps {
		run, err := simulate.Run(ctx, s.Boat, sets[i+1], p.Program, simulate.Options{})
		if err != nil {
			return err
		}
		k := &p.Steps[i]
		k.Side = verdict.Join(verdict.Static(s.Boat, sets[i+1]), judged[i])
		_, k.Untested = reached(p.Key, sets[i+1], before, run)
		before = run
	}
	_, err = study.FindBands(ctx, s.Boat, sets[len(sets)-1], &p.Target().Side, trials, study.BandOptions{Draws: s.Draws, Seed: 1})
	if err != nil && ctx.Err() == nil {
		p.NoBands, err = err.Error(), nil
	}
	return err
}

// predict finds what the meters read in a step, and how its own programme is judged.
func (p *Planned) predict(ctx context.Context, s *Setup, set settings.Set, k *report.PlanStep, meters []link.Channel) error {
	setup := *s
	setup.Settings = set
	predicted, err := Predict(ctx, &setup, p.Program, meters, StepOptions{Draws: 60, Seed: 1})
	if err != nil {
		return err
	}
	for i := range predicted.Channels {
		c := &predicted.Channels[i]
		r := report.PlanReading{Meter: link.TraceName(c.Channel), Unit: c.Unit, Predicted: math.NaN()}
		if tr, ok := predicted.Run.Trace(c.Trace); ok {
			r.Predicted = predicted.Run.At(tr, p.Read)
		}
		r.Low, r.High = c.At(p.Read)
		k.Readings = append(k.Readings, r)
	}
	k.LeftOut = predicted.LeftOut.Lines()
	own := verdict.Join(Check(&setup), []verdict.Trial{predicted.Verdict})
	k.Own = &own
	return nil
}

// MarshalJSON writes the plan as one object, format 1, values in SI.
func (p *Planned) MarshalJSON() ([]byte, error) {
	steps := []map[string]any{}
	for i := range p.Steps {
		k := &p.Steps[i]
		step := map[string]any{"value": k.Value, "level": k.Side.Level.String(), "reasons": append([]string{}, k.Side.ReasonsWhere()...), "untested": k.Untested}
		if part, in, ok := k.Side.Tightest(); ok {
			step["tightest"] = map[string]any{"part": part.Name, "trial": in, "unit": siUnit(part.Unit), "margin": part.Margin, "half": finite(part.Band)}
		}
		if k.Own != nil {
			read := []map[string]any{}
			for _, r := range k.Readings {
				read = append(read, map[string]any{"meter": r.Meter, "shown_in": r.Unit, "predicted": finite(r.Predicted), "low": finite(r.Low), "high": finite(r.High)})
			}
			step["own_programme"], step["read"], step["left_out"] = k.Own.Level.String(), read, append([]string{}, k.LeftOut...)
		}
		steps = append(steps, step)
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": p.Boat, "caution": Caution, "key": p.Key, "from": p.From, "moored": p.Moored, "read_at_s": p.Read, "planned": p.Planned(), "despite": p.Despite,
		"trials": p.Trials, "no_bands": p.NoBands, "stops": append([]string{}, p.Stops...), "steps": steps,
	})
}

// reached reports whether a run gets to the value of a setting: a current limit is reached when the current comes near it, any other
// setting when the run differs from the one before. If not, far says why.
func reached(key string, set settings.Set, before, run *record.Run) (ok bool, far string) {
	if ok, known, far := study.Reached(key, set, run); known {
		return ok, far
	}
	if alike(before, run) {
		return false, "the programme runs as it did before"
	}
	return true, ""
}

// notShown lists what of a proposal its trials do not show.
func notShown(s *Setup, present *verdict.Side, proposed *Setup, side *verdict.Side) []string {
	out := unreached(s.Settings, proposed.Settings, side.Trials)
	if nothing := changesNothing(present, side); nothing != "" && out == nil {
		out = append(out, nothing)
	}
	return out
}

// unreached lists the current limits that a proposal raises and no trial comes near, one sentence each: the verdict says nothing of them.
func unreached(from, to settings.Set, trials []verdict.Trial) (out []string) {
	for _, key := range settings.Differing(from, to) {
		was, _ := from.Number(key)
		limit, isNumber := to.Number(key)
		if !isNumber || limit <= was {
			continue
		}
		most, farthest := math.Inf(-1), ""
		for i := range trials {
			if amps, _, known := study.HighestReached(key, to, trials[i].Run); known && amps > most {
				most = amps
				_, _, farthest = study.Reached(key, to, trials[i].Run)
			}
		}
		if farthest != "" {
			out = append(out, fmt.Sprintf("%s = %s is never reached in what was tried: %s, so the verdict says nothing of that limit", key, quantity.FormatStated(limit, "A"), farthest))
		}
	}
	return out
}

// changesNothing returns a sentence for a proposal with which every trial runs as it did, and every rule finds what it found: perhaps this boat has no
// use for what was proposed; "" for any other.
func changesNothing(before, after *verdict.Side) string {
	same := func(a, b verdict.Finding) bool { return a.Level == b.Level && a.Text == b.Text }
	if len(before.Trials) != len(after.Trials) || !slices.EqualFunc(before.Findings, after.Findings, same) {
		return ""
	}
	bears := func(a, b verdict.Part) bool { return a.Name == b.Name && a.Limit == b.Limit }
	for i := range before.Trials {
		a, b := &before.Trials[i], &after.Trials[i]
		if !slices.EqualFunc(a.Parts, b.Parts, bears) || !alike(a.Run, b.Run) {
			return ""
		}
	}
	return "the proposal changes nothing in what was tried: every trial runs as it did before, so the verdict says nothing of it"
}

// alike reports whether no part of two runs peaks differently.
func alike(a, b *record.Run) bool {
	if len(a.Events) != len(b.Events) {
		return false
	}
	for _, p := range a.Parts {
		x, _, err := a.Peak(p)
		y, _, err2 := b.Peak(p)
		if err != nil || err2 != nil || math.Abs(x-y) > 1e-4*max(math.Abs(x), math.Abs(y)) {
			return false
		}
	}
	for i := range a.Traces {
		if tr, ok := b.Trace(a.Traces[i].Name); ok && len(a.Time) > 1 && len(b.Time) > 1 {
			for _, t := range []float64{0.1, 0.3, 0.6, 0.9} {
				at := t * a.Time[len(a.Time)-1]
				if x, y := a.At(&a.Traces[i], at), b.At(tr, at); math.Abs(x-y) > 1e-3*max(math.Abs(x), math.Abs(y), 1e-6) {
					return false
				}
			}
		}
	}
	return true
}
