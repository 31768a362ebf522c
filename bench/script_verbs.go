package bench

import (
	"fmt"

	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// Boat returns the boat's name.
func (s *Script) Boat() string { return s.Setup.Boat.Name }

// Get returns a setting or a value of the boat file as a person writes it: s.Get("limits.motor_current") is "140 A",
// s.Get("stall.speed") "60 rpm", s.Get("motor.resistance") "14 mΩ ± 1.4 mΩ, data sheet". It is "" for a value
// that the boat file does not give; a key there is not is an error.
func (s *Script) Get(key string) (string, error) {
	v := s.Setup.Variant()
	if err := v.Known(key); err != nil {
		return "", err
	}
	return v.Get(key), nil
}

// Check applies the rules that need no simulation.
func (s *Script) Check() []verdict.Finding { return Check(s.Setup) }

// Try simulates the settings as they stand in all built-in trials and judges them; assignments, such as
// "limits.motor_current=160 A", make a proposal that is tried beside them. Where values of the boat
// are still the template's, what was simulated comes with an [*ExamplesError].
func (s *Script) Try(assignments ...string) (*Tried, error) { return s.try(assignments) }

func (s *Script) try(assignments []string, trials ...*trial.Trial) (*Tried, error) {
	t, err := Try(s.host.Context(), s.Setup, TryOptions{Set: assignments, Trials: trials, Bands: true, Examples: s.examples})
	if err == nil {
		err = t.NotJudged
	}
	return t, err
}

// TryIn does what Try does in one trial: a built-in one by its name, or the trial file that the command line names.
func (s *Script) TryIn(name string, assignments ...string) (*Tried, error) {
	t, err := s.host.Trial(name)
	if err != nil {
		return nil, err
	}
	return s.try(assignments, t)
}

// Highest finds the highest value that stays clear of a setting, a number of the boat file, or a condition of all trials such as air: in
// the trials named, built-in ones or the trial file that the command line names; none: in all built-in ones.
func (s *Script) Highest(key string, trials ...string) (*HighestResult, error) {
	list, err := s.trials(trials)
	if err != nil {
		return nil, err
	}
	return FindHighest(s.host.Context(), s.Setup, key, list, study.HighestOptions{Examples: s.examples, Bands: true})
}

// Envelope maps how long a motor current may be held from cold, at twelve currents evenly from one to another, with their units:
// s.Envelope("100 A", "300 A").
func (s *Script) Envelope(from, to string) (*EnvelopeResult, error) {
	unit := quantity.MustUnit("A")
	low, err := quantity.Parse(from, unit)
	if err != nil {
		return nil, err
	}
	high, err := quantity.Parse(to, unit)
	if err != nil {
		return nil, err
	}
	if !(low.SI > 0 && high.SI > low.SI) {
		return nil, fmt.Errorf("%s to %s does not rise from above zero", from, to)
	}
	o := study.EnvelopeOptions{Examples: s.examples, Bands: true}
	const points = 12
	for i := range points {
		o.Currents = append(o.Currents, low.SI+(high.SI-low.SI)*float64(i)/(points-1))
	}
	return FindEnvelope(s.host.Context(), s.Setup, o)
}

// Odds returns how likely each part passes its limit over the tolerances, from a number of draws (0: 1000), in the trials named, built-in
// ones or the trial file that the command line names; none: those of the odds command.
func (s *Script) Odds(draws int, trials ...string) (*OddsResult, error) {
	list, err := s.trials(trials)
	if err != nil {
		return nil, err
	}
	return FindOdds(s.host.Context(), s.Setup, list, study.OddsOptions{Draws: draws, Seed: 1, Examples: s.examples})
}

// Report writes a result of the tool (what Try, Highest, Envelope, Odds, Simulate, Step, Compare, Learn, Drift, Sheet or Next returned) on the files that
// --report and --plot of the command line name; the host writes them. Without these flags nothing is written.
func (s *Script) Report(result any) error {
	if s.host.Report == nil {
		return fmt.Errorf("nobody here writes a report: run the script by `quaybench run` with --report or --plot")
	}
	return s.host.Report(s.Setup, result)
}

// Save saves the boat's working files in the book as a version, with the verdicts of all built-in trials. It needs a host that
// keeps a book.
func (s *Script) Save(why string) (string, error) {
	if s.host.Save == nil {
		return "", fmt.Errorf("no book here: save with `quaybench profile save`")
	}
	return s.host.Save(s.host.Context(), s.Setup, why)
}

// Profile returns the script on a version of a boat in the book, by its label or hash: s.Profile("petrel", "summer"). It needs a
// host that keeps a book.
func (s *Script) Profile(boat, version string) (*Script, error) {
	if s.host.Profile == nil {
		return nil, fmt.Errorf("no book here: run the script by `quaybench run` to reach version %s of %s", version, boat)
	}
	setup, err := s.host.Profile(s.host.Context(), boat, version)
	if err != nil {
		return nil, err
	}
	next := *s
	next.Setup = setup
	return &next, nil
}

// Differences lists the settings that another script's boat has otherwise, one in a line: "limits.motor_current: 140 A here, 160 A there".
func (s *Script) Differences(other *Script) []string {
	text := func(set settings.Set, key string) string {
		if t, ok := set.Shown(key); ok {
			return t
		}
		return "not set"
	}
	var out []string
	for _, key := range settings.Differing(s.Setup.Settings, other.Setup.Settings) {
		out = append(out, fmt.Sprintf("%s: %s here, %s there", key, text(s.Setup.Settings, key), text(other.Setup.Settings, key)))
	}
	return out
}

// trials returns the trials of the given names.
func (s *Script) trials(names []string) ([]*trial.Trial, error) {
	var list []*trial.Trial
	for _, n := range names {
		t, err := s.host.Trial(n)
		if err != nil {
			return nil, err
		}
		list = append(list, t)
	}
	return list, nil
}
