package bench

import (
	"context"
	"encoding/json"
	"slices"

	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// HoldTrial is full throttle from cold, held for a time in s.
func HoldTrial(seconds float64) *trial.Trial {
	t, err := trial.Builtin("full-throttle")
	if err != nil {
		panic(err) // it is embedded
	}
	held := *t
	held.Name = "full throttle held for " + quantity.FormatAuto(seconds, "s")
	held.Duration = seconds + t.Steps[0].At
	return &held
}

// HighestResult is the answer of Highest, with what it was asked.
type HighestResult struct {
	study.Highest
	Boat   string
	Trials []string
	Odds   float64
	Draws  int
}

// Highest finds the highest value of a setting that stays clear in all trials; none: all built-in ones.
func Highest(ctx context.Context, s *Setup, key string, trials []*trial.Trial, o study.HighestOptions) (*HighestResult, error) {
	trials, err := orAll(trials)
	if err != nil {
		return nil, err
	}
	h, err := study.FindHighest(ctx, s.Boat, s.Settings, key, trials, o)
	return &HighestResult{Highest: h, Boat: s.Boat.Name, Trials: names(trials), Odds: o.Odds, Draws: o.Draws}, err
}

// FrontResult is the answer of Front.
type FrontResult struct {
	study.Front
	Boat   string
	Trials []string
	Odds   float64 // share of draws that must be clear; 0: the boat as written
}

// Front finds, over the range of one setting, the highest clear value of another.
func Front(ctx context.Context, s *Setup, keys [2]string, trials []*trial.Trial, o study.HighestOptions) (*FrontResult, error) {
	trials, err := orAll(trials)
	if err != nil {
		return nil, err
	}
	f, err := study.FindFront(ctx, s.Boat, s.Settings, keys, 9, trials, o)
	return &FrontResult{f, s.Boat.Name, names(trials), o.Odds}, err
}

// EnvelopeResult is the answer of FindEnvelope.
type EnvelopeResult struct {
	study.Envelope
	Boat string
	Air  float64
	Note string
}

// FindEnvelope maps how long which motor current may be held.
func FindEnvelope(ctx context.Context, s *Setup, o study.EnvelopeOptions) (*EnvelopeResult, error) {
	if o.Air == 0 {
		o.Air = 298.15
	}
	e, err := study.FindEnvelope(ctx, s.Boat, s.Settings, o)
	note := ""
	switch {
	case o.Locked:
		note = ", the shaft held"
	case o.Moored:
		note = ", the boat moored"
	}
	return &EnvelopeResult{e, s.Boat.Name, o.Air, note}, err
}

// OddsResult is the answer of FindOdds.
type OddsResult struct {
	study.Odds
	Boat   string
	Trials []string
	Rules  []verdict.Finding // rules over, of the boat as written: no trial of a draw counts them
}

// OddsTrials are judged where none are named: long enough to heat, short enough to draw thousands.
var OddsTrials = []string{"full-throttle", "crash-stop", "hot-day", "hot-restart"}

// FindOdds tells how likely each part passes its limit over the boat file's tolerances.
func FindOdds(ctx context.Context, s *Setup, trials []*trial.Trial, o study.OddsOptions) (*OddsResult, error) {
	if len(trials) == 0 {
		for _, name := range OddsTrials {
			t, err := trial.Builtin(name)
			if err != nil {
				return nil, err
			}
			trials = append(trials, t)
		}
	}
	odds, err := study.FindOdds(ctx, s.Boat, s.Settings, trials, o)
	if odds.Runs == 0 && err != nil {
		return nil, err
	}
	over := slices.DeleteFunc(Check(s), func(f verdict.Finding) bool { return f.Level != verdict.Over })
	return &OddsResult{odds, s.Boat.Name, names(trials), over}, err
}

func orAll(trials []*trial.Trial) ([]*trial.Trial, error) {
	if len(trials) > 0 {
		return trials, nil
	}
	return AllTrials()
}

func names(trials []*trial.Trial) (out []string) {
	for _, t := range trials {
		out = append(out, t.Name)
	}
	return out
}

type givesJSON struct {
	What  string `json:"what"`
	Trial string `json:"trial"`
}

func givesOf(g *study.Gives) *givesJSON {
	if g == nil {
		return nil
	}
	return &givesJSON{g.What, g.Trial}
}

// inUnit is an SI value of a setting in the setting's unit; nil for none.
func inUnit(key string, si float64) *float64 {
	return finite(quantity.MustUnit(settings.Unit(key)).FromSI(si))
}

// MarshalJSON writes the result, format 1; values in the unit named.
func (h *HighestResult) MarshalJSON() ([]byte, error) {
	type gap struct {
		From  *float64 `json:"from"`
		To    *float64 `json:"to"`
		Clear bool     `json:"clear"`
	}
	gaps := []gap{}
	for _, g := range h.Gaps {
		gaps = append(gaps, gap{inUnit(h.Key, g.From), inUnit(h.Key, g.To), g.Clear})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": h.Boat, "caution": Caution, "key": h.Key, "unit": settings.Unit(h.Key), "trials": h.Trials,
		"present": inUnit(h.Key, h.Present), "present_clear": h.PresentClear, "highest": inUnit(h.Key, h.Value),
		"next": inUnit(h.Key, h.Next), "gives": givesOf(h.Gives), "gaps": gaps, "odds": zeroIsNull(h.Odds), "tried": h.Tried,
		"left_out": h.LeftOut.Total(), "left_out_why": why(h.LeftOut),
	})
}

// why lists the sentences about draws that are left out.
func why(l study.LeftOut) []string { return append([]string{}, l.Lines()...) }

func zeroIsNull(x float64) *float64 {
	if x == 0 {
		return nil
	}
	return &x
}

// MarshalJSON writes the result, format 1.
func (f *FrontResult) MarshalJSON() ([]byte, error) {
	points := []map[string]any{}
	for _, p := range f.Points {
		points = append(points, map[string]any{"first": inUnit(f.Keys[0], p.First), "second": inUnit(f.Keys[1], p.Second), "gives": givesOf(p.Gives)})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": f.Boat, "caution": Caution, "keys": f.Keys,
		"units": []string{settings.Unit(f.Keys[0]), settings.Unit(f.Keys[1])}, "points": points,
	})
}

// MarshalJSON writes the result, format 1; held_s is null where nothing ends it within the longest time. Where held is
// false the current fell to flows_a by itself, and held_s is of that run, not of the current asked for.
func (e *EnvelopeResult) MarshalJSON() ([]byte, error) {
	points := []map[string]any{}
	for _, p := range e.Points {
		var part any
		if p.Part != "" {
			part = p.Part
		}
		points = append(points, map[string]any{
			"motor_current_a": p.Current, "reached_a": p.Reached, "flows_a": p.Flows, "held": !p.Falls(), "held_s": finite(p.Time), "ends": part,
		})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": e.Boat, "caution": Caution, "air_c": e.Air - 273.15, "longest_s": e.Longest, "points": points,
	})
}

// MarshalJSON writes the result, format 1; probabilities from 0 to 1 with their 95 % interval.
func (o *OddsResult) MarshalJSON() ([]byte, error) {
	probability := func(p study.Probability) map[string]float64 {
		return map[string]float64{"value": p.Value, "low": p.Low, "high": p.High}
	}
	parts, devices, unknowns := []map[string]any{}, []map[string]any{}, []map[string]any{}
	for _, p := range o.Parts {
		parts = append(parts, map[string]any{"part": p.Part, "current": p.Current, "over": probability(p.Over), "used_median": finite(p.Median), "used_high": finite(p.High), "trial": p.Trial})
	}
	for _, d := range o.Devices {
		devices = append(devices, map[string]any{"device": d.Device, "opens": probability(d.Opens)})
	}
	for _, u := range o.Unknowns {
		unknowns = append(unknowns, map[string]any{"key": u.Key, "tolerance": u.Tolerance, "first": finite(u.First), "first_error": finite(u.FirstError), "total": finite(u.Total), "total_error": finite(u.TotalError)})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": o.Boat, "caution": Caution, "trials": o.Trials, "draws": o.Runs, "left_out": o.LeftOut.Total(), "left_out_why": why(o.LeftOut), "distribution": study.Distribution,
		"over": probability(o.Over), "parts": parts, "devices": devices, "runs": o.Made.Runs, "fit_within": o.Made.Within, "simulated_whole": append([]string{}, o.Made.Whole...), "sensitivity_withheld": o.Withheld, "sensitivity_of": o.Target, "sensitivity_in": o.In, "unknowns": unknowns,
	})
}
