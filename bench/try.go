package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// TryOptions says what to try. The zero value tries the settings as they stand in all built-in trials.
type TryOptions struct {
	Set []string // assignments key=value that make one proposal, of any value (see Setup.With); none: no proposal
	// Proposals are several, tried side by side in place of the one of Set: without what to change and without bands.
	Proposals []NamedProposal
	Trials    []*trial.Trial // none: all built-in ones
	// Simulation sets how exactly to integrate; the zero value is right for a verdict.
	Simulation simulate.Options
	// NoChange skips the search for what to change.
	NoChange bool
	// Bands finds how wide each part's margin is in its worst trial, over what is not known of the boat.
	Bands bool
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
	Changed  *Setup        // the boat with the proposal, which may change it too; nil: none was made
	Proposed *verdict.Side // nil: none was made
	Change   []verdict.Change
	Untested []string // what of the proposal no trial shows: current limits raised that none came near, or all of it; in sentences

	Several []NamedSide // several proposals in place of one; nil: none were made

	Remedies []study.Remedy // what would make clear what is close or over; see study.FindRemedies

	Bands *study.Bands // what the bands of the margins rest on; nil: none were asked for

	NotJudged error // why there is no verdict, whatever the levels are: an *ExamplesError; nil: there is one
}

// Level returns the overall verdict: the proposal's where there is one, of several the gravest. It is not judged at best where t.NotJudged says why.
func (t *Tried) Level() verdict.Level {
	if t.NotJudged != nil {
		return max(t.Side().Level, verdict.NotJudged)
	}
	return t.Side().Level
}

// sides returns all that were judged.
func (t *Tried) sides() []*verdict.Side {
	list := []*verdict.Side{&t.Present}
	if t.Proposed != nil {
		list = append(list, t.Proposed)
	}
	for i := range t.Several {
		list = append(list, &t.Several[i].Side)
	}
	return list
}

// Side returns the side the overall verdict is about.
func (t *Tried) Side() *verdict.Side {
	switch {
	case t.Proposed != nil:
		return t.Proposed
	case len(t.Several) > 0:
		gravest := &t.Several[0].Side
		for i := range t.Several {
			if s := &t.Several[i].Side; s.Level > gravest.Level {
				gravest = s
			}
		}
		return gravest
	}
	return &t.Present
}

// Assign returns the settings with assignments made: key=value each, as in limits.motor_current="240 A". Settings alone; see
// Setup.With for values of the boat.
func Assign(s settings.Set, assignments []string) (settings.Set, error) {
	made := map[string]string{}
	for _, a := range assignments {
		key, text, err := parseAssignment(a)
		if err != nil {
			return s, err
		}
		if first, twice := made[key]; twice {
			return s, fmt.Errorf("%s is set twice, to %q and to %q; keep one", key, first, text)
		}
		made[key] = text
		if s, err = s.With(key, text); err != nil {
			return s, err
		}
	}
	return s, nil
}

// Check applies the rules that need no simulation. A finding that is clear tells only what is to be borne in mind (Mind).
func Check(s *Setup) []verdict.Finding { return verdict.Static(s.Boat, s.Settings) }

// Try simulates the settings as they stand, and beside them one proposal or several, in the trials of o, and judges each. Where the
// side that the verdict is about is not clear, it finds what to change and the remedies (not for several, not with o.NoChange). On a
// cancelled context it returns what was reached, with the context's error.
func Try(ctx context.Context, s *Setup, o TryOptions) (*Tried, error) {
	t := &Tried{Setup: s, NotJudged: s.own(o.Examples)}
	setups := []*Setup{s}
	if len(o.Set) > 0 {
		p, err := s.With(o.Set)
		if err != nil {
			return nil, err
		}
		t.Changed, t.Proposal = p, &p.Settings
		setups = append(setups, p)
	}
	for _, n := range o.Proposals {
		p, err := s.With(n.Set)
		if err != nil {
			return nil, fmt.Errorf("proposal %q: %w", n.Name, err)
		}
		t.Several = append(t.Several, NamedSide{Name: n.Name, Setup: p})
		setups = append(setups, p)
	}
	if t.Changed != nil && t.Several != nil {
		return nil, errors.New("one proposal or several, not both: put the one among the others")
	}
	var variants []variant.Variant
	for _, of := range setups {
		variants = append(variants, of.Variant())
	}
	if len(o.Trials) == 0 {
		all, err := AllTrials()
		if err != nil {
			return nil, err
		}
		o.Trials = all
	}
	judged, err := study.RunVariants(ctx, variants, o.Trials, o.Simulation, o.Progress)
	for i, of := range setups {
		stamp(judged[i], of)
	}
	t.Present = verdict.Join(verdict.Static(s.Boat, s.Settings), judged[0])
	if t.Changed != nil {
		side := verdict.Join(verdict.Static(t.Changed.Boat, t.Changed.Settings), judged[1])
		t.Proposed = &side
		t.Untested = notShown(s, &t.Present, t.Changed, t.Proposed)
	}
	for i := range t.Several {
		n := &t.Several[i]
		n.Side = verdict.Join(verdict.Static(n.Setup.Boat, n.Setup.Settings), judged[1+i])
		n.Untested = notShown(s, &t.Present, n.Setup, &n.Side)
	}
	if err != nil { // what ran may be clear, and is not all
		for _, side := range t.sides() {
			side.Level = max(side.Level, verdict.NotJudged)
		}
	}
	switch {
	case err == nil || ctx.Err() != nil || errors.As(err, new(*simulate.UnbalancedError)):
	case errors.As(err, new(*simulate.UnsolvedError)): // says itself where to look
		err = fmt.Errorf("these numbers cannot be simulated: %w", err)
	default:
		err = fmt.Errorf("these numbers cannot be simulated; look for a value that no boat has: %w", err)
	}
	if t.Several != nil {
		return t, err
	}
	if err == nil && o.Bands {
		err = t.band(ctx, o.Trials)
	}
	if err != nil || o.NoChange {
		return t, err
	}
	if err := t.suggest(ctx, o.Trials); err != nil {
		return t, err
	}
	if side := t.Side(); side.Level > verdict.Clear {
		t.Remedies, err = study.FindRemedies(ctx, t.setup().Variant(), side, o.Trials)
	}
	return t, err
}

// stamp writes into runs which tool and which boat file made them.
func stamp(judged []verdict.Trial, s *Setup) {
	for i := range judged {
		judged[i].Run.Provenance.Tool = Version
		judged[i].Run.Provenance.Boat = s.BoatHash
	}
}

// setup returns that of the side which the verdict is about.
func (t *Tried) setup() *Setup {
	if t.Changed != nil {
		return t.Changed
	}
	return t.Setup
}

// band fills in how wide the margins are. Where draws cannot be judged there are no bands, and that is no reason to have no verdict.
func (t *Tried) band(ctx context.Context, trials []*trial.Trial) error {
	of := func(s *Setup, side *verdict.Side) (study.Bands, error) {
		return study.FindBands(ctx, s.Boat, s.Settings, side, s.Variant().Trials(trials), study.BandOptions{Draws: s.Draws, Seed: 1})
	}
	bands, err := of(t.Setup, &t.Present)
	if err == nil && t.Proposed != nil {
		var more study.Bands
		more, err = of(t.Changed, t.Proposed)
		bands.LeftOut = bands.LeftOut.Join(more.LeftOut)
	}
	if ctx.Err() != nil {
		return err
	}
	if err != nil {
		bands.None = err.Error()
	}
	t.Bands = &bands
	return nil
}

// suggest fills in what to change.
func (t *Tried) suggest(ctx context.Context, trials []*trial.Trial) error {
	side, of := t.Side(), t.setup()
	trials = of.Variant().Trials(trials)
	set := of.Settings
	changed := set
	for _, f := range side.Findings {
		if f.Level == verdict.Over && f.Change != nil {
			if next, err := changed.With(f.Change.Key, f.Change.To); err == nil && !undoes(changed, next, t.Change, f.Change.Key) {
				changed, t.Change = next, merge(t.Change, *f.Change)
			}
		}
	}
	if changed != set { // what the rules ask for may be enough for the trials too
		judged, err := study.Run(ctx, of.Boat, changed, trials, simulate.Options{})
		if err != nil {
			return err
		}
		after := verdict.Join(nil, judged)
		side = &after
	}
	c, err := study.FindChange(ctx, of.Boat, changed, *side, trials)
	if c != nil {
		t.Change = merge(t.Change, *c)
	}
	return err
}

// undoes reports whether the next settings are less safe in a key than those that one of the changes has led to.
func undoes(changed, next settings.Set, list []verdict.Change, key string) bool {
	if !slices.ContainsFunc(list, func(c verdict.Change) bool { return c.Key == key }) {
		return false
	}
	p, _ := settings.ByKey(key)
	was, _ := changed.Number(key)
	is, _ := next.Number(key)
	return is != was && (is > was) != p.SaferMore
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
