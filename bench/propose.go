package bench

import (
	"context"
	"encoding/json"

	"quaybench/bench/datafile"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// ProposalResult is the answer of FindProposal.
type ProposalResult struct {
	report.Proposed
	Setup *Setup // with the proposed settings
}

// FindProposal finds settings for wishes in the user's words ("speed >= 10 km/h"), clear in all trials; none: all built-in ones. On a
// cancelled context it returns the best so far, with the context's error.
func FindProposal(ctx context.Context, s *Setup, wishes []string, trials []*trial.Trial, o study.ProposeOptions, examples bool) (*ProposalResult, error) {
	if err := s.own(examples); err != nil {
		return nil, err
	}
	list, err := study.ParseWishes(wishes)
	if err != nil {
		return nil, err
	}
	if trials, err = s.trials(trials); err != nil {
		return nil, err
	}
	p, err := study.FindProposal(ctx, s.Variant(), list, trials, o)
	if err != nil && ctx.Err() == nil {
		return nil, err
	}
	out := *s
	out.Boat, out.Settings = p.Variant.Boat, p.Variant.Settings
	r := &ProposalResult{report.Proposed{Proposal: p, Trials: names(trials), Seed: o.Seed, Stopped: err != nil}, &out}
	return r, err
}

// Level is clear where a set of settings is, close where a rule stays close whatever the settings, over where there is none.
func (p *ProposalResult) Level() verdict.Level {
	switch {
	case !p.Found:
		return verdict.Over
	case p.Close != nil:
		return verdict.Close
	}
	return verdict.Clear
}

// MarshalJSON writes the result, format 1, values in SI.
func (p *ProposalResult) MarshalJSON() ([]byte, error) {
	at := func(m map[string]float64) map[string]*float64 {
		out := map[string]*float64{}
		for k, x := range m {
			out[k] = finite(x)
		}
		return out
	}
	wishes := []map[string]any{}
	for i := range p.Wishes {
		w := &p.Wishes[i]
		ended, ok := p.Ended[w.Kind]
		k := map[string]any{"wish": w.Text, "kind": w.Kind, "value_si": w.Value, "met": p.Meets(w), "ended_si": nil}
		if w.Kind == "odds" && p.Found {
			k["low_si"] = p.OddsLow
		}
		if ok {
			k["ended_si"] = finite(ended)
		}
		if was, ok := p.Present[w.Kind]; ok {
			k["present_si"] = finite(was)
		}
		wishes = append(wishes, k)
	}
	set := map[string]string{}
	if p.Found {
		for _, f := range settings.Fields() {
			if text, ok := p.Setup.Settings.Get(f.Key); ok && f.Kind != datafile.KindGroup {
				set[f.Key] = text
			}
		}
	}
	changes := []map[string]string{}
	for _, r := range p.Reasons {
		changes = append(changes, map[string]string{"key": r.Key, "from": r.From, "to": r.To, "why": r.Why})
	}
	front := []map[string]any{}
	for _, f := range p.Front {
		front = append(front, map[string]any{"motor_current_a": f.Motor, "battery_current_a": f.Bank, "at_si": at(f.At), "chosen": f.Chosen})
	}
	prices := []map[string]any{}
	for _, k := range p.Prices {
		prices = append(prices, map[string]any{"more_of": k.More.Kind, "from_si": k.MoreFrom, "to_si": k.MoreTo, "costs": k.Less.Kind, "costs_from_si": finite(k.LessFrom), "costs_to_si": finite(k.LessTo)})
	}
	var hardware any
	if c := p.Change; c != nil {
		hardware = map[string]any{"key": c.Key, "from": c.From, "to": c.To, "what": c.What, "settings": c.Settings, "ended_si": at(c.Ended)}
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": p.Setup.Boat.Name, "caution": Caution, "found": p.Found, "met": p.Met, "wishes": wishes, "settings": set, "change": changes,
		"front": front, "prices": prices, "blocked": p.Blocked, "close": append([]string{}, p.Close...), "hardware": hardware, "hardware_tried": append([]string{}, p.Tried...), "trials": p.Trials, "seed": p.Seed, "next": append([]string{}, p.Next...), "draws": p.Draws, "runs": p.Runs,
	})
}
