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

	"quaybench/bench/quantity"
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
	Band    float64 // half of the 95 % interval of the margin over what is not known of the boat, SI; 0: it was not asked for
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

// Heading returns what to print before a First, which may be nil.
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
	Cut      string   // that nothing is judged beyond an instant, because a device opens there, in words; "" where none does
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
		case p.Passes(v):
			j.Level = Over
		case p.Unsure != "": // what can be seen of it is not over, and that proves nothing
			j.Level = NotJudged
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
	at, device, cut := r.Opened()
	if cut {
		t.Cut = fmt.Sprintf("nothing is judged beyond %s: the %s opens then, and what comes after was not driven", quantity.FormatTime(at), device)
	}
	if cut || StandsStill(r) != "" { // what was not tried is not clear
		for i := range t.Parts {
			t.Parts[i].Level = max(t.Parts[i].Level, NotJudged)
		}
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
	if still := StandsStill(r); still != "" {
		why = append(why, still)
	}
	if i := slices.IndexFunc(r.Events, func(e record.Event) bool { return e.Device == record.SelfExcitation }); i >= 0 {
		why = append(why, quantity.Sentence("after %.4g s the reversed motor excites itself beyond every limit; how far hangs on its remanence and on by how much plug and freewheel diode differ, which no file says: reverse it slower or from less speed", r.Events[i].At))
	}
	why = append(why, r.Doubts...)
	if len(r.Parts) == 0 {
		why = append(why, "too little was measured for any part to be judged")
	} else if len(r.LeftOut) > 0 {
		why = append(why, "what was measured does not show "+strings.Join(r.LeftOut, ", "))
	}
	return append(why, unsure(r)...)
}

// unsure lists why parts cannot be judged by their traces, each reason with its parts.
func unsure(r *record.Run) (why []string) {
	parts := map[string][]string{}
	var order []string
	for _, p := range r.Parts {
		if p.Unsure == "" {
			continue
		}
		if parts[p.Unsure] == nil {
			order = append(order, p.Unsure)
		}
		parts[p.Unsure] = append(parts[p.Unsure], p.Name)
	}
	for _, reason := range order {
		why = append(why, strings.Join(parts[reason], ", ")+": "+reason)
	}
	return why
}

// hunting lists the limits that oscillate.
func hunting(r *record.Run) (out []string) {
	for _, e := range r.Events {
		if e.Hunts() {
			out = append(out, quantity.Sentence("the %s hunts: it came and went %d times from %.4g s to %.4g s", e.Device, e.Count, e.At, e.Until))
		}
	}
	return out
}

// lifeUsed returns the time at the winding's limit that would age its insulation as much as the run did: every 10 K less
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

// carried returns which current heats a part.
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

// Worst returns each part as it was in the trial that uses most of its limit, and beside it the name of that trial. What is clear there but not judged in another
// is not judged. Parts stand in the order in which the trials list them first.
func (s *Side) Worst() (parts []Part, trial []string) {
	index := map[string]int{}
	untried := map[string]bool{}
	for _, t := range s.Trials {
		for _, p := range t.Parts {
			untried[p.Name] = untried[p.Name] || p.Level == NotJudged
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
	for i := range parts {
		if parts[i].Level == Clear && untried[parts[i].Name] {
			parts[i].Level = NotJudged
		}
	}
	return parts, trial
}

// Tightest returns the part that uses most of its limit, with the trial in which it does; ok is false where nothing ran. A fuse is
// left out: its share is of the way to melting, which no margin is.
func (s *Side) Tightest() (part Part, trial string, ok bool) {
	parts, trials := s.Worst()
	for i, p := range parts {
		if p.Measure != record.Melting && (!ok || p.Used > part.Used) {
			part, trial, ok = p, trials[i], true
		}
	}
	return part, trial, ok
}

// Hottest is Tightest among the parts that a temperature limits: what of a margin is not known comes from the boat there, and not from where the controller is told to
// cut off, as for a cell that a trial runs empty.
func (s *Side) Hottest() (part Part, trial string, ok bool) {
	parts, trials := s.Worst()
	for i, p := range parts {
		if p.Measure == record.Temperature && (!ok || p.Used > part.Used) {
			part, trial, ok = p, trials[i], true
		}
	}
	return part, trial, ok
}

// SetBand stores how wide the margin of a part is in a trial, see Part.Band.
func (s *Side) SetBand(part, trial string, half float64) {
	for i := range s.Trials {
		if s.Trials[i].Name != trial {
			continue
		}
		for p := range s.Trials[i].Parts {
			if s.Trials[i].Parts[p].Name == part {
				s.Trials[i].Parts[p].Band = half
			}
		}
	}
}

// Band stores how wide each part's margin is over other runs of the same trial: two root mean squares of how far theirs lie from it.
func (t *Trial) Band(others []*record.Run) {
	for i := range t.Parts {
		p := &t.Parts[i]
		sum, n := 0.0, 0
		for _, o := range others {
			if v, _, err := o.Peak(p.Part); err == nil {
				d := p.Part.Margin(v) - p.Margin
				sum, n = sum+d*d, n+1
			}
		}
		if n > 1 {
			p.Band = 2 * math.Sqrt(sum/float64(n))
		}
	}
}
