package study

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// goal is the level that a study decides about.
type goal int

const (
	notOver goal = iota // a run is good unless it is over
	isClear             // a run is good if it is clear
)

// asked is one trial, with what its runs have in common.
type asked struct {
	trial *trial.Trial
	goal  goal
	parts []record.Part   // of the first run that ended
	nears []simulate.Near // the same
}

// Responses of a run, in their order: of each part the share used and the margin; of each device and stop its margin, how long its
// condition held and when it acted; then the gains.
const (
	perPart = 2
	perNear = 3
	mostUse = 3.0   // a share far over is over: let it not rule the fit
	leastM  = -10.0 // the same for a margin far from acting
)

func (a *asked) used(part int) int   { return perPart * part }
func (a *asked) margin(part int) int { return perPart*part + 1 }
func (a *asked) near(k int) int      { return perPart*len(a.parts) + perNear*k }

// under returns the trial under the conditions of a variant.
func (a *asked) under(v variant.Variant) *asked {
	if len(v.Conditions) == 0 {
		return a
	}
	out := *a
	out.trial = v.Conditions.Of(a.trial)
	return &out
}

// run simulates one boat and lists the responses. A context that ended is its only error.
func (a *asked) run(ctx context.Context, b *boat.Boat, s settings.Set) (*answer, error) {
	var nears []simulate.Near
	run, err := simulate.Run(ctx, b, s, a.trial, simulate.Options{Verdict: true, Near: func(n []simulate.Near) { nears = n }})
	switch {
	case stopped(err):
		return nil, err
	case err != nil:
		return &answer{failed: err}, nil
	}
	j, err := verdict.Judge(run)
	if err != nil {
		return nil, err
	}
	if len(j.Unjudged) > 0 && j.Level != verdict.Over {
		return &answer{failed: &UnjudgedError{a.trial.Name, strings.Join(j.Unjudged, "; ")}}, nil
	}
	out := &answer{values: make([]float64, 0, perPart*len(j.Parts)+perNear*len(nears)+4), jump: a.jump(&j), parts: run.Parts, nears: nears}
	for _, p := range j.Parts {
		out.values = append(out.values, min(p.Used, mostUse), p.Margin)
	}
	for _, n := range nears {
		if n.Sharp && n.Margin > 0 {
			out.jump += "," + n.Name
		}
		out.values = append(out.values, max(n.Margin, leastM), n.Held, n.At/a.trial.Duration)
	}
	for _, g := range []*float64{run.Gain.TopSpeed, run.Gain.Thrust, run.Gain.Endurance, run.Gain.Distance} {
		if g == nil {
			out.values = append(out.values, math.NaN())
		} else {
			out.values = append(out.values, *g)
		}
	}
	return out, nil
}

// jump lists what changes a run's level otherwise than by a share. What makes it over stands before the bar.
func (a *asked) jump(t *verdict.Trial) string {
	var over, other []string
	add := func(list *[]string, what string) {
		if !slices.Contains(*list, what) {
			*list = append(*list, what)
		}
	}
	for _, e := range t.Run.Events {
		switch {
		case e.Kind == record.Protecting && !slices.Contains(t.Run.Expect, e.Device):
			add(&over, e.Device+" "+e.Kind.String())
		case e.Kind >= record.Stopping || e.Device == "fuse": // also the instant at which a slow one is open
			add(&other, e.Device+" "+e.Kind.String())
		}
	}
	if len(t.Missing) > 0 {
		over = append(over, fmt.Sprintf("%d missing", len(t.Missing)))
	}
	if a.goal == isClear && len(t.Hunting) > 0 {
		over = append(over, "hunting")
	}
	slices.Sort(over)
	slices.Sort(other)
	return strings.Join(over, ",") + "|" + strings.Join(other, ",")
}

// bad reports whether a jump alone makes a run not good.
func bad(jump string) bool { return !strings.HasPrefix(jump, "|") }

// opened reports whether a device opened in a run.
func opened(jump, device string) bool {
	return slices.Contains(strings.FieldsFunc(jump, func(r rune) bool { return r == '|' || r == ',' }), device+" "+record.Protecting.String())
}

// learn sets what all runs of the trial have in common, from the first that ended.
func (a *asked) learn(answers []*answer) {
	for _, k := range answers {
		if a.parts == nil && k != nil && k.failed == nil {
			a.parts, a.nears = k.parts, k.nears
		}
	}
}

// limits returns the thresholds of a part for the trial's goal.
func (a *asked) limits(part int) (out []threshold) {
	p := &a.parts[part]
	if p.Measure == record.Melting && slices.Contains(a.trial.Expect, p.Name) {
		return nil // it is what is to act
	}
	at := 1.0
	if p.Measure == record.Melting {
		at = 1 - 1e-6
	}
	if a.goal == notOver {
		return []threshold{{response: a.used(part), at: at}}
	}
	out = append(out, threshold{response: a.used(part), at: min(at, p.Close)})
	if p.Measure == record.Temperature {
		out = append(out, threshold{response: a.margin(part), at: record.CloseMargin, below: true})
	}
	return out
}

// thresholds returns all that decides the trial, as far as the runs so far show it.
func (a *asked) thresholds(answers []*answer) (out []threshold) {
	a.learn(answers)
	for i := range a.parts {
		out = append(out, a.limits(i)...)
	}
	if p, least := slices.IndexFunc(a.parts, func(p record.Part) bool { return p.Name == "rotor speed" }), math.Inf(1); p >= 0 {
		for _, r := range answers {
			if r.failed == nil {
				least = min(least, r.values[a.used(p)])
			}
		}
		if still := verdict.StandstillSpeed / a.parts[p].Limit; least > still { // one that stands still tells nothing
			out = append(out, threshold{response: a.used(p), at: still, below: true, forbid: true})
		}
	}
	for k := range a.nears {
		most, acted := math.Inf(-1), 0
		for _, r := range answers {
			if r.failed != nil {
				continue
			}
			most = max(most, r.values[a.near(k)])
			if !math.IsNaN(r.values[a.near(k)+2]) {
				acted++
			}
		}
		switch {
		case a.nears[k].Sharp && most > 0: // in every run, since they would differ in what acts
			out = append(out, threshold{response: a.near(k), below: true, forbid: true})
		case a.nears[k].Brink && most > 0:
			out = append(out, threshold{response: a.near(k), at: most, forbid: true})
		case acted == len(answers): // in every run: the latest might have been too late
			out = append(out, threshold{response: a.near(k) + 2, at: 1, forbid: true})
		case most < 0:
			out = append(out, threshold{response: a.near(k), forbid: true})
		default: // its condition held, though never for long enough
			out = append(out, threshold{response: a.near(k) + 1, at: 1, forbid: true})
			if a.nears[k].Device { // what goes further than any run so far is not known
				out = append(out, threshold{response: a.near(k), at: most, forbid: true})
			}
		}
	}
	return out
}

// passes reports whether a value lies beyond a threshold.
func (t threshold) passes(v float64) bool {
	if t.below {
		return v < t.at
	}
	return v > t.at
}

// passed reports whether one of the shares used of all parts passes its limit.
func (a *asked) passed(shares []float64) bool {
	for p, share := range shares {
		for _, limit := range a.limits(p) {
			if limit.response == a.used(p) && limit.passes(share) {
				return true
			}
		}
	}
	return false
}

// good reports whether a run is good enough for the trial's goal.
func (a *asked) good(r *answer) bool {
	if r.failed != nil || bad(r.jump) {
		return false
	}
	for p := range a.parts {
		for _, limit := range a.limits(p) {
			if limit.passes(r.values[limit.response]) {
				return false
			}
		}
	}
	return true
}
