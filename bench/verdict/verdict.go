// Package verdict says what a record means: how much of each limit is used, what acts first, and what is wrong with
// settings before anything runs.
//
// A rule is a value with a stable name. Static rules see boat and settings; Judge sees a record, and does not ask
// whether it was simulated or measured. Everything here is safe for use from several goroutines.
package verdict

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/record"
	"quaybench/bench/thermal"
)

// Level is a verdict.
type Level int

const (
	Clear     Level = iota
	Close           // more than the part's share of the limit is used, or of a temperature less than 5 K is left
	NotJudged       // a run that did not reach its end, or parts that nobody can know: what was seen is not over, and that proves nothing
	Over            // more than the whole limit is used, a device opens, or expected protection does not come
)

func (l Level) String() string { return [...]string{"clear", "close", "not judged", "over"}[l] }

// Part is the judgement of one part in one run.
type Part struct {
	record.Part
	Peak    float64 // SI
	At      float64 // s
	Margin  float64 // SI, negative beyond the limit
	Used    float64 // share of the limit
	Crossed float64 // when the limit was first passed, s; NaN: never
	Level   Level
}

// First is what acts first of the gravest kind that acts: a device that opens or a part that passes its limit, else what
// the controller stops by, else a limit that merely holds. Heading says which of the three it is.
type First struct {
	What  string
	At    float64 // s from the start of its trial
	Trial string
	Kind  record.EventKind
}

// Heading is what to print before a First, which may be nil.
func (f *First) Heading() string {
	switch {
	case f == nil:
		return "first protection to act"
	case f.Kind == record.Protecting:
		return "first to open or to pass a limit"
	case f.Kind == record.Stopping:
		return "first stop by the controller"
	}
	return "first limit to act"
}

// before reports whether f is named rather than other: the graver kind, of one kind the earlier, at one instant the first
// by name, so that the order of the trials does not matter. Anything comes before nil.
func (f *First) before(other *First) bool {
	if other == nil {
		return true
	}
	return cmp.Or(-cmp.Compare(f.Kind, other.Kind), cmp.Compare(f.At, other.At), cmp.Compare(f.What, other.What), cmp.Compare(f.Trial, other.Trial)) < 0
}

// Trial is the judgement of one run.
type Trial struct {
	Name     string
	Run      *record.Run
	Parts    []Part
	Missing  []string // expected protection that did not come, in words
	Hunting  []string // limits that came and went again and again, in words
	Unjudged []string // why the run as a whole cannot be judged, in words
	Life     *float64 // insulation life used, s at the winding's limit (10 K rule); nil: the record has no winding
	First    *First   // nil: nothing acts
	Level    Level
}

// Judge judges a record. It fails where the record lacks the trace of a part.
func Judge(r *record.Run) (Trial, error) {
	t := Trial{Name: r.Trial, Run: r}
	for _, p := range r.Parts {
		v, at, err := r.Peak(p)
		if err != nil {
			return t, err
		}
		j := Part{Part: p, Peak: v, At: at, Margin: p.Margin(v), Used: p.Used(v), Crossed: math.NaN()}
		if crossed, ok := r.Crossing(p); ok {
			j.Crossed = crossed
		}
		switch {
		case p.Measure == record.Melting && slices.Contains(r.Expect, p.Name):
			// the fuse is what is to act
		case j.Used > 1 || p.Measure == record.Melting && j.Used > 1-1e-6: // at its limit an element may open
			j.Level = Over
		case p.IsClose(v):
			j.Level = Close
		}
		t.Parts = append(t.Parts, j)
		t.Level = max(t.Level, j.Level)
	}
	for _, e := range r.Events {
		if e.Kind == record.Protecting && !slices.Contains(r.Expect, e.Device) {
			t.Level = Over
		}
	}
	if t.Missing = missing(r); len(t.Missing) > 0 {
		t.Level = Over
	}
	if t.Unjudged = unjudged(r); len(t.Unjudged) > 0 {
		t.Level = max(t.Level, NotJudged)
	}
	if t.Hunting = hunting(r); len(t.Hunting) > 0 {
		t.Level = max(t.Level, Close)
	}
	t.Life = lifeUsed(r)
	t.First = first(&t)
	return t, nil
}

// missing lists the protection that a trial expects and that did not come, or not in its turn.
func missing(r *record.Run) (out []string) {
	after := math.Inf(-1)
	for _, device := range r.Expect {
		i := slices.IndexFunc(r.Events, func(e record.Event) bool { return e.Device == device && e.At >= after })
		switch {
		case i < 0:
			out = append(out, "the trial expects the "+device+" to act, and it did not")
			continue
		case math.IsInf(r.Events[i].Latest, 1):
			out = append(out, "the trial expects the "+device+" to act; a fast one may, a slow one does not")
			continue
		}
		after = r.Events[i].At
	}
	return out
}

// unjudged lists what keeps a run from being judged as a whole.
func unjudged(r *record.Run) (why []string) {
	if r.Stopped != "" {
		why = append(why, "it did not run to its end: "+r.Stopped)
	}
	if len(r.Parts) == 0 {
		why = append(why, "too little was measured for any part to be judged")
	} else if len(r.LeftOut) > 0 {
		why = append(why, "what was measured does not show "+strings.Join(r.LeftOut, ", "))
	}
	return why
}

// hunts is how often a limit may come back within moments before it is called hunting.
const hunts = 4

// hunting lists the limits that oscillate.
func hunting(r *record.Run) (out []string) {
	for _, e := range r.Events {
		if e.Kind == record.Limiting && e.Count >= hunts {
			out = append(out, fmt.Sprintf("the %s hunts: it came and went %d times from %.4g s to %.4g s", e.Device, e.Count, e.At, e.Until))
		}
	}
	return out
}

// lifeUsed is the time at the winding's limit that would age its insulation as much as the run did: every 10 K less
// halves the rate (Montsinger 1930).
func lifeUsed(r *record.Run) *float64 {
	i := slices.IndexFunc(r.Parts, func(p record.Part) bool { return p.Name == "winding" })
	if i < 0 {
		return nil
	}
	tr, ok := r.Trace(r.Parts[i].Trace)
	if !ok {
		return nil
	}
	used := thermal.LifeUsed(r.Time, tr.Values, r.Parts[i].Limit, thermal.Halving)
	return &used
}

// first returns what acts first in a trial; see First.
func first(t *Trial) *First {
	var best *First
	consider := func(f First) {
		if f.before(best) {
			best = &f
		}
	}
	for _, e := range t.Run.Events {
		if e.Kind > record.Note {
			consider(First{What: e.What, At: e.At, Trial: t.Name, Kind: e.Kind})
		}
	}
	for _, p := range t.Parts {
		if p.Level == Over && !math.IsNaN(p.Crossed) && p.Measure != record.Melting {
			consider(First{What: p.Name + " passes its limit" + carried(p.Current), At: p.Crossed, Trial: t.Name, Kind: record.Protecting})
		}
	}
	return best
}

// carried says which current heats a part.
func carried(current string) string {
	if current == "" {
		return ""
	}
	return " (" + current + " current)"
}

// Side is the judgement of one set of settings: static rules and trials together.
type Side struct {
	Findings []Finding
	Trials   []Trial
	First    *First
	Level    Level
}

// Join judges a set of settings as a whole.
func Join(findings []Finding, trials []Trial) Side {
	s := Side{Findings: findings, Trials: trials}
	for _, f := range findings {
		s.Level = max(s.Level, f.Level)
	}
	for i := range trials {
		t := &trials[i]
		s.Level = max(s.Level, t.Level)
		if f := t.First; f != nil && f.before(s.First) {
			s.First = f
		}
	}
	return s
}

// Worst returns, for each part, the trial that uses most of its limit: indices into Trials, in the order of the parts.
func (s *Side) Worst() (parts []Part, trial []string) {
	index := map[string]int{}
	for _, t := range s.Trials {
		for _, p := range t.Parts {
			i, ok := index[p.Name]
			switch {
			case !ok:
				index[p.Name] = len(parts)
				parts, trial = append(parts, p), append(trial, t.Name)
			case p.Used > parts[i].Used:
				parts[i], trial[i] = p, t.Name
			}
		}
	}
	return parts, trial
}
