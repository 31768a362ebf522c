package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// TryOptions says what to try. The zero value tries the settings as they stand in all built-in trials.
type TryOptions struct {
	Set    []string       // assignments key=value that make one proposal; none: no proposal
	Trials []*trial.Trial // none: all built-in ones
	// Keep is how exactly to integrate; the zero value is right for a verdict.
	Simulation simulate.Options
	// NoChange skips the search for what to change.
	NoChange bool
	// Examples judges although values of the boat's files are still the template's.
	Examples bool
	// Progress, if not nil, is told how many of all runs are done. It is called from several goroutines, one at a time.
	Progress func(done, all int)
}

// Tried is the result of Try.
type Tried struct {
	Setup    *Setup
	Present  verdict.Side
	Proposal *settings.Set // nil: none was made
	Proposed *verdict.Side // nil: none was made
	Change   []verdict.Change

	NotJudged error // why there is no verdict, whatever the levels are: an *ExamplesError; nil: there is one
}

// Level is the overall verdict where NotJudged is nil: the proposal's where there is one.
func (t *Tried) Level() verdict.Level { return t.Side().Level }

// Side is the side the overall verdict is about.
func (t *Tried) Side() *verdict.Side {
	if t.Proposed != nil {
		return t.Proposed
	}
	return &t.Present
}

// Propose returns the settings with assignments made: key=value each, as in limits.motor_current="240 A".
func Propose(s settings.Set, assignments []string) (settings.Set, error) {
	made := map[string]string{}
	for _, a := range assignments {
		key, text, ok := strings.Cut(a, "=")
		if !ok {
			return s, fmt.Errorf("%q is no assignment; write for example limits.motor_current=\"240 A\"", a)
		}
		key, text = strings.TrimSpace(key), strings.TrimSpace(text)
		if n := len(text); n >= 2 && text[0] == '"' && text[n-1] == '"' {
			text = text[1 : n-1]
		}
		if first, twice := made[key]; twice {
			return s, fmt.Errorf("%s is set twice, to %q and to %q; keep one", key, first, text)
		}
		made[key] = text
		var err error
		if s, err = s.With(key, text); err != nil {
			return s, err
		}
	}
	return s, nil
}

// Check applies the rules that need no simulation.
func Check(s *Setup) []verdict.Finding { return verdict.Static(s.Boat, s.Settings) }

// Try simulates the settings as they stand, and a proposal beside them, in the given trials, and judges both. On a
// cancelled context it returns what was reached, with the context's error.
func Try(ctx context.Context, s *Setup, o TryOptions) (*Tried, error) {
	t := &Tried{Setup: s}
	if !o.Examples {
		t.NotJudged = s.Own()
	}
	if len(o.Set) > 0 {
		p, err := Propose(s.Settings, o.Set)
		if err != nil {
			return nil, err
		}
		t.Proposal = &p
	}
	if len(o.Trials) == 0 {
		all, err := AllTrials()
		if err != nil {
			return nil, err
		}
		o.Trials = all
	}
	sets := []settings.Set{s.Settings}
	if t.Proposal != nil {
		sets = append(sets, *t.Proposal)
	}
	judged, err := study.RunAll(ctx, s.Boat, sets, o.Trials, o.Simulation, o.Progress)
	for _, side := range judged {
		for i := range side {
			side[i].Run.Provenance.Tool = Version
			side[i].Run.Provenance.Boat = s.BoatHash
		}
	}
	t.Present = verdict.Join(verdict.Static(s.Boat, sets[0]), judged[0])
	if t.Proposal != nil {
		side := verdict.Join(verdict.Static(s.Boat, sets[1]), judged[1])
		t.Proposed = &side
	}
	switch {
	case err == nil || ctx.Err() != nil || errors.As(err, new(*simulate.UnbalancedError)):
	case errors.As(err, new(*simulate.UnsolvedError)): // says itself where to look
		err = fmt.Errorf("these numbers cannot be simulated: %w", err)
	default:
		err = fmt.Errorf("these numbers cannot be simulated; look for a value that no boat has: %w", err)
	}
	if err != nil || o.NoChange {
		return t, err
	}
	return t, t.suggest(ctx, o.Trials)
}

// suggest fills in what to change.
func (t *Tried) suggest(ctx context.Context, trials []*trial.Trial) error {
	side, set := t.Side(), t.Setup.Settings
	if t.Proposal != nil {
		set = *t.Proposal
	}
	changed := set
	for _, f := range side.Findings {
		if f.Level == verdict.Over && f.Change != nil {
			t.Change = append(t.Change, *f.Change)
			if next, err := changed.With(f.Change.Key, f.Change.To); err == nil {
				changed = next
			}
		}
	}
	if changed != set { // what the rules ask for may be enough for the trials too
		judged, err := study.Run(ctx, t.Setup.Boat, changed, trials, simulate.Options{})
		if err != nil {
			return err
		}
		after := verdict.Join(nil, judged)
		side = &after
	}
	c, err := study.Suggest(ctx, t.Setup.Boat, changed, *side, trials)
	if c != nil {
		t.Change = merge(t.Change, *c)
	}
	return err
}

// merge adds a change; a later one on the same key replaces where the earlier one led to.
func merge(list []verdict.Change, c verdict.Change) []verdict.Change {
	for i := range list {
		if list[i].Key == c.Key {
			list[i].To, list[i].Why = c.To, c.Why
			return list
		}
	}
	return append(list, c)
}
