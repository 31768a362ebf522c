package bench

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/report"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// HoldTrial returns the trial in which full throttle is held from cold for a time (s).
func HoldTrial(seconds float64) *trial.Trial {
	t, err := trial.Builtin("full-throttle")
	if err != nil {
		panic(err) // it is embedded
	}
	held := *t
	held.Name = "full throttle held for " + quantity.FormatAuto(seconds, "s")
	held.Duration = seconds + t.Throttle[0].At
	return &held
}

// HighestResult is the answer of FindHighest, with what it was asked.
type HighestResult struct {
	report.Highest
	Boat string
}

// FindHighest finds the highest value (o.Lowest: the lowest) of a setting, a value of the boat or a condition of the trials that stays
// clear in all trials; none: all built-in ones.
func FindHighest(ctx context.Context, s *Setup, key string, trials []*trial.Trial, o study.HighestOptions) (*HighestResult, error) {
	if err := s.own(o.Examples); err != nil {
		return nil, err
	}
	trials, err := s.trials(trials)
	if err != nil {
		return nil, err
	}
	o.BandDraws = cmp.Or(o.BandDraws, s.Draws)
	h, err := study.FindHighest(ctx, s.Variant(), key, trials, o)
	return &HighestResult{report.Highest{Highest: h, Trials: names(trials), Odds: o.Odds, Draws: o.Draws}, s.Boat.Name}, err
}

// FrontResult is the answer of FindFront.
type FrontResult struct {
	report.Front
	Boat string
}

// FindFront finds, for nine values of the first key over its range (of a series for each size), the highest clear value of the second;
// o.Lowest: the lowest.
func FindFront(ctx context.Context, s *Setup, keys [2]string, trials []*trial.Trial, o study.HighestOptions) (*FrontResult, error) {
	if err := s.own(o.Examples); err != nil {
		return nil, err
	}
	trials, err := s.trials(trials)
	if err != nil {
		return nil, err
	}
	o.BandDraws = cmp.Or(o.BandDraws, s.Draws)
	f, err := study.FindFront(ctx, s.Variant(), keys, 9, trials, o)
	return &FrontResult{report.Front{Front: f, Trials: names(trials), Odds: o.Odds}, s.Boat.Name}, err
}

// EnvelopeResult is the answer of FindEnvelope.
type EnvelopeResult struct {
	report.Envelope
	Boat string
}

// FindEnvelope maps how long a motor current may be held from cold, for each current in o, in the setup's air and charge.
func FindEnvelope(ctx context.Context, s *Setup, o study.EnvelopeOptions) (*EnvelopeResult, error) {
	if err := s.own(o.Examples); err != nil {
		return nil, err
	}
	if o.Air == 0 {
		o.Air, _ = s.Conditions.Number("air")
	}
	if charge, set := s.Conditions["charge"]; set {
		o.Charge = charge
	}
	o.BandDraws = cmp.Or(o.BandDraws, s.Draws)
	e, err := study.FindEnvelope(ctx, s.Boat, s.Settings, o)
	note := ""
	switch {
	case o.Locked:
		note = ", the shaft held"
	case o.Moored:
		note = ", the boat moored"
	}
	return &EnvelopeResult{report.Envelope{Envelope: e, Air: o.Air, Note: note}, s.Boat.Name}, err
}

// OddsResult is the answer of FindOdds.
type OddsResult struct {
	report.Odds
	Boat string
}

// OddsTrials returns the trials that are judged where none are named, beside those that FindOdds adds: long enough to heat, short enough to draw thousands.
func OddsTrials() []string { return []string{"full-throttle", "crash-stop", "hot-day", "hot-restart"} }

// beyondDraws is the share of its limit below which no part is looked for among drawn boats in a trial of its own, the one in which it uses
// most: what states no tolerance is known to half at worst, and what heats goes with the square.
const beyondDraws = 1 / (1.5 * 1.5)

// worthDrawing returns the trials of a judged side in which something is close or over, and those in which some part uses most of its limit and more than beyondDraws.
func worthDrawing(side *verdict.Side) (near []string) {
	for _, t := range side.Trials {
		if t.Level == verdict.Close || t.Level == verdict.Over {
			near = append(near, t.Name)
		}
	}
	parts, in := side.Worst()
	for i, p := range parts {
		if p.Used > beyondDraws {
			near = append(near, in[i])
		}
	}
	return near
}

// FindOdds returns how likely each part passes its limit over the boat file's tolerances, in some trials; none: OddsTrials, those in which the boat as written is
// close or over, and those in which some part comes nearest to its limit and uses more than beyondDraws of it.
func FindOdds(ctx context.Context, s *Setup, trials []*trial.Trial, o study.OddsOptions) (*OddsResult, error) {
	if err := s.own(o.Examples); err != nil {
		return nil, err
	}
	r := &OddsResult{report.Odds{Seed: o.Seed}, s.Boat.Name}
	if len(trials) == 0 {
		all, err := s.trials(nil)
		if err != nil {
			return nil, err
		}
		var side verdict.Side
		for _, t := range all { // one by one: one that tells nothing ends no other, and the draws say so where it is of the usual ones
			judged, err := study.Run(ctx, s.Boat, s.Settings, []*trial.Trial{t}, simulate.Options{Verdict: true})
			switch {
			case ctx.Err() != nil:
				return nil, context.Cause(ctx)
			case slices.Contains(OddsTrials(), t.Name) || err == nil && judged[0].Level != verdict.NotJudged:
				side.Trials = append(side.Trials, judged...)
			case err != nil:
				r.NotAsked = append(r.NotAsked, err.Error())
			default: // most draws would tell nothing either, and such draws are not counted
				r.NotAsked = append(r.NotAsked, fmt.Sprintf("trial %s cannot be judged with the boat as written: %s", t.Name, strings.Join(judged[0].Unjudged, "; ")))
			}
		}
		near := worthDrawing(&side)
		for _, t := range all {
			usual := slices.Contains(OddsTrials(), t.Name)
			if usual || slices.Contains(near, t.Name) {
				trials = append(trials, t)
			}
			if !usual && slices.Contains(near, t.Name) {
				r.Added = append(r.Added, t.Name)
			}
		}
	} else {
		trials = s.Variant().Trials(trials)
	}
	var err error
	if r.Odds.Odds, err = study.FindOdds(ctx, s.Boat, s.Settings, trials, o); r.Runs == 0 && err != nil {
		return nil, err
	}
	r.Trials = names(trials)
	r.Rules = slices.DeleteFunc(Check(s), func(f verdict.Finding) bool { return f.Level != verdict.Over })
	return r, err
}

// trials returns the trials named, else all built-in ones, under the conditions of the setup.
func (s *Setup) trials(named []*trial.Trial) ([]*trial.Trial, error) {
	if len(named) == 0 {
		var err error
		if named, err = AllTrials(); err != nil {
			return nil, err
		}
	}
	return s.Variant().Trials(named), nil
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

func givesOf(g *study.NextLimit) *givesJSON {
	if g == nil {
		return nil
	}
	return &givesJSON{g.What, g.Trial}
}

// inUnit returns an SI value in a unit; nil for none.
func inUnit(unit string, si float64) *float64 { return finite(quantity.MustUnit(unit).FromSI(si)) }

// MarshalJSON writes the result, format 1; values in the unit named.
func (h *HighestResult) MarshalJSON() ([]byte, error) {
	type gap struct {
		From  *float64 `json:"from"`
		To    *float64 `json:"to"`
		Clear bool     `json:"clear"`
	}
	gaps := []gap{}
	for _, g := range h.Gaps {
		gaps = append(gaps, gap{inUnit(h.Unit, g.From), inUnit(h.Unit, g.To), g.Clear})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": h.Boat, "caution": Caution, "key": h.Key, "unit": h.Unit, "lowest_asked": h.Lowest, "trials": h.Trials,
		"present": inUnit(h.Unit, h.Present), "present_clear": h.PresentClear, "highest": inUnit(h.Unit, h.Value),
		"next": inUnit(h.Unit, h.Next), "gives": givesOf(h.NextLimit), "gaps": gaps, "close": append([]string{}, h.Close...), "series": h.Series, "idle": h.Idle, "odds": zeroIsNull(h.Odds), "tried": h.Tried, "tried_to": inUnit(h.Unit, h.TriedTo),
		"left_out": h.LeftOut.Total(), "left_out_why": why(h.LeftOut), "tightest": tightestOf(h.Tightest),
	})
}

// tightestOf returns the part with the least left, SI; nil for none.
func tightestOf(t *study.Tightest) any {
	if t == nil {
		return nil
	}
	return map[string]any{"part": t.Part, "trial": t.Trial, "unit": siUnit(t.Unit), "margin": t.Margin, "half": finite(t.Half), "over": t.Over, "draws": t.Draws}
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
		points = append(points, map[string]any{"first": inUnit(f.Units[0], p.First), "second": inUnit(f.Units[1], p.Second), "gives": givesOf(p.NextLimit)})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": f.Boat, "caution": Caution, "keys": f.Keys,
		"units": f.Units, "lowest_asked": f.Lowest, "points": points, "close": append([]string{}, f.Close...),
	})
}

// rangeOf returns the interval of a current's times, null where nothing ends it within the longest; nil: there is none.
func rangeOf(p study.Hold) any {
	if math.IsNaN(p.Low) {
		return nil
	}
	return map[string]*float64{"low_s": finite(p.Low), "high_s": finite(p.High)}
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
			"range": rangeOf(p),
		})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": e.Boat, "caution": Caution, "air_c": e.Air - 273.15, "longest_s": e.Longest, "points": points, "draws": e.Draws, "left_out": e.LeftOut.Total(),
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
		"format": 1, "boat": o.Boat, "caution": Caution, "trials": o.Trials, "added": append([]string{}, o.Added...), "not_asked": append([]string{}, o.NotAsked...), "draws": o.Runs, "left_out": o.LeftOut.Total(), "left_out_why": why(o.LeftOut), "distribution": study.Distribution,
		"over": probability(o.Over), "parts": parts, "devices": devices, "runs": o.Made.Runs, "fit_within": o.Made.Within, "simulated_whole": append([]string{}, o.Made.Whole...), "sensitivity_withheld": o.Withheld, "sensitivity_of": o.Target, "sensitivity_in": o.In, "unknowns": unknowns,
	})
}
