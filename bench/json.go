package bench

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"quaybench/bench/drive"
	"slices"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
)

// MarshalJSON writes the result as one object, format 1. Values are in the unit named beside them, or SI where the key
// ends in its unit. A value that does not exist is null, never 0.
func (t *Tried) MarshalJSON() ([]byte, error) {
	out := struct {
		Format   int           `json:"format"`
		Boat     string        `json:"boat"`
		Caution  string        `json:"caution"`
		Present  sideJSON      `json:"present"`
		Proposed *sideJSON     `json:"proposed,omitempty"`
		Several  []severalJSON `json:"proposals,omitempty"`
		Assumed  []Assumed     `json:"assumed,omitempty"` // what of the present side is not the files'
		Changed  []Assumed     `json:"changed,omitempty"` // what the proposal changes
		Change   []changeJSON  `json:"change"`
		Remedies []remedyJSON  `json:"remedies,omitempty"` // what would make clear what is close or over
		Verdict  string        `json:"verdict"`
		Reason   string        `json:"reason,omitempty"`
		Untested []string      `json:"untested,omitempty"`
		Basis    basisJSON     `json:"basis"`
	}{Format: 1, Basis: t.Setup.Basis.json(), Boat: t.Setup.Boat.Name, Caution: Caution, Present: sideOf(&t.Present, t.Setup.Settings), Verdict: t.Level().String(), Change: []changeJSON{}, Assumed: t.Setup.Assumed}
	if t.Proposed != nil {
		side := sideOf(t.Proposed, *t.Proposal)
		out.Proposed = &side
		out.Changed = append(out.Changed, t.Changed.Assumed[len(t.Setup.Assumed):]...)
	}
	for i := range t.Several {
		n := &t.Several[i]
		out.Several = append(out.Several, severalJSON{n.Name, append([]Assumed{}, n.Setup.Assumed[len(t.Setup.Assumed):]...), append([]string{}, n.Untested...), sideOf(&n.Side, n.Setup.Settings)})
	}
	for _, c := range t.Change {
		out.Change = append(out.Change, changeJSON{c.Key, c.From, c.To, c.Why})
	}
	for _, r := range t.Remedies {
		out.Remedies = append(out.Remedies, remedyJSON{r.Of, r.Key, r.From, r.To, r.What, r.Setting, finite(r.Speed), finite(r.Used), r.Then.String(), r.Next})
	}
	out.Untested = t.Untested
	if t.NotJudged != nil {
		out.Verdict, out.Reason = NotJudged, t.NotJudged.Error()
		out.Present.unjudge()
		if out.Proposed != nil {
			out.Proposed.unjudge()
		}
		for i := range out.Several {
			out.Several[i].unjudge()
		}
	}
	return json.Marshal(out)
}

// unjudge sets every verdict of a side to "not judged".
func (s *sideJSON) unjudge() {
	s.Verdict = NotJudged
	for i := range s.Findings {
		s.Findings[i].Verdict = NotJudged
	}
	for i := range s.Trials {
		k := &s.Trials[i]
		k.Verdict = NotJudged
		for p := range k.Parts {
			k.Parts[p].Verdict = NotJudged
		}
	}
}

// NotJudged is the word in place of a verdict where nothing can be judged.
const NotJudged = "not judged"

// basisJSON counts the values of a boat's files by where they come from.
type basisJSON struct {
	Measured  int      `json:"measured"`
	DataSheet int      `json:"data_sheet"`
	Estimated int      `json:"estimated"`
	Unstated  int      `json:"unstated"`
	LeftOut   int      `json:"left_out"`
	Examples  []string `json:"examples"`
	Changed   []string `json:"changed_examples"`
}

func (b Basis) json() basisJSON {
	return basisJSON{b.Measured, b.DataSheet, b.Estimated, b.Unstated, b.LeftOut, append([]string{}, b.Examples...), append([]string{}, b.Changed...)}
}

type changeJSON struct {
	Key  string `json:"key"`
	From string `json:"from"`
	To   string `json:"to"`
	Why  string `json:"why"`
}

type remedyJSON struct {
	Part    string   `json:"part"` // or device, or "rule NAME"
	Key     string   `json:"key"`
	From    string   `json:"from"`
	To      string   `json:"to"`
	What    string   `json:"what"` // the change in words; "": the key says it
	Setting bool     `json:"setting"`
	Speed   *float64 `json:"top_speed_change"` // as a share
	Used    *float64 `json:"used"`             // share of the part's limit then; null: it is no part
	Then    string   `json:"verdict_then"`     // of all
	Next    string   `json:"next"`             // what is then over or close; "": all is clear
}

// severalJSON is one of several proposals.
type severalJSON struct {
	Name     string    `json:"name"`
	Changed  []Assumed `json:"changed"` // what it changes
	Untested []string  `json:"untested"`
	sideJSON
}

type sideJSON struct {
	Settings map[string]string `json:"settings"`
	Findings []FindingJSON     `json:"findings"`
	First    *firstJSON        `json:"first"`
	Trials   []trialJSON       `json:"trials"`
	Verdict  string            `json:"verdict"`
}

// FindingJSON is a static finding as it is written to JSON.
type FindingJSON struct {
	Rule    string      `json:"rule"`
	Verdict string      `json:"verdict"`
	Text    string      `json:"text"`
	Mind    string      `json:"mind"` // what is worth knowing beside it
	Source  string      `json:"source"`
	Change  *changeJSON `json:"change"`
}

type firstJSON struct {
	What  string  `json:"what"`
	At    float64 `json:"at_s"`
	Trial string  `json:"trial"`
}

type trialJSON struct {
	Trial      string         `json:"trial"`
	Parts      []partJSON     `json:"parts"`
	Events     []eventJSON    `json:"events"`
	Gain       gainJSON       `json:"gain"`
	Energy     energyJSON     `json:"energy"`
	Statistics statisticsJSON `json:"statistics"`
	Verdict    string         `json:"verdict"`
	NotJudged  []string       `json:"not_judged,omitempty"` // why
}

type partJSON struct {
	Part    string   `json:"part"`
	Peak    *float64 `json:"peak"`
	Unit    string   `json:"unit"`
	At      float64  `json:"at_s"`
	Limit   *float64 `json:"limit"`
	Margin  *float64 `json:"margin"`
	Band    *float64 `json:"margin_band"` // half of the margin's 95 % interval, in its worst trial; null: elsewhere, or not asked for
	Used    *float64 `json:"used"`
	Verdict string   `json:"verdict"`
	Why     string   `json:"not_judged_because,omitempty"`
}

// eventJSON is an instant. What lasts has two: one where it begins, one where it ends.
type eventJSON struct {
	At   *float64 `json:"t_s"` // null: expected, and did not come
	Part string   `json:"part"`
	What string   `json:"what"`
}

type gainJSON struct {
	TopSpeed  *float64 `json:"top_speed_mps"`
	Thrust    *float64 `json:"thrust_n"`
	Endurance *float64 `json:"endurance_s"`
	Distance  *float64 `json:"distance_m"`
	// With a fuse that holds as long as a slow one may; distance_m where none may open.
	Held *float64 `json:"distance_if_fuse_holds_m"`
	// The state of charge down to which endurance_s counts.
	Lowest float64 `json:"endurance_to_charge"`
}

type energyJSON struct {
	Battery  float64 `json:"battery_j"`
	Heat     float64 `json:"heat_j"`
	Shaft    float64 `json:"shaft_j"`
	Stored   float64 `json:"stored_j"`
	Residual float64 `json:"residual_j"`
}

type statisticsJSON struct {
	Steps       int `json:"steps"`
	Rejected    int `json:"rejected"`
	Evaluations int `json:"evaluations"`
}

func sideOf(s *verdict.Side, set settings.Set) sideJSON {
	out := sideJSON{Settings: map[string]string{}, Findings: FindingsJSON(s.Findings), Trials: []trialJSON{}, Verdict: s.Level.String()}
	for _, f := range settings.Fields() {
		if f.Kind == datafile.KindGroup {
			continue
		}
		if text, ok := set.Get(f.Key); ok {
			out.Settings[f.Key] = text
		}
	}
	if s.First != nil {
		out.First = &firstJSON{s.First.What, s.First.At, s.First.Trial}
	}
	for i := range s.Trials {
		out.Trials = append(out.Trials, trialOf(&s.Trials[i]))
	}
	return out
}

// FindingsJSON turns static findings into what is written to JSON; an empty list rather than null.
func FindingsJSON(findings []verdict.Finding) []FindingJSON {
	out := []FindingJSON{}
	for _, f := range findings {
		j := FindingJSON{Rule: f.Rule, Verdict: f.Level.String(), Text: f.Text, Mind: f.Mind, Source: f.Source}
		if c := f.Change; c != nil {
			j.Change = &changeJSON{c.Key, c.From, c.To, c.Why}
		}
		out = append(out, j)
	}
	return out
}

func trialOf(t *verdict.Trial) trialJSON {
	r := t.Run
	out := trialJSON{
		Trial: t.Name, Parts: []partJSON{}, Events: eventsOf(t),
		Gain:       gainJSON{r.Gain.TopSpeed, r.Gain.Thrust, r.Gain.Endurance, r.Gain.Distance, r.DistanceHeld(), drive.LowestCharge},
		Energy:     energyJSON{r.Energy.Battery, r.Energy.Heat, r.Energy.Shaft, r.Energy.Stored, r.Energy.Residual},
		Statistics: statisticsJSON{r.Statistics.Steps, r.Statistics.Rejected, r.Statistics.Evaluations},
		Verdict:    t.Level.String(),
		NotJudged:  t.Unjudged,
	}
	if t.Cut != "" {
		out.NotJudged = append(slices.Clone(out.NotJudged), t.Cut)
	}
	for _, p := range t.Parts {
		unit := quantity.MustUnit(quantity.Difference(p.Unit)) // of a margin
		out.Parts = append(out.Parts, partJSON{
			Part: p.Name, Unit: p.Unit, At: p.At, Verdict: p.Level.String(), Why: p.Unsure, Used: finite(p.Used),
			Peak: finite(quantity.MustUnit(p.Unit).FromSI(p.Peak)), Limit: finite(quantity.MustUnit(p.Unit).FromSI(p.Limit)), Margin: finite(unit.FromSI(p.Margin)), Band: bandOf(p, unit),
		})
	}
	return out
}

// bandOf returns the half-width of a margin's band in a unit of differences; nil for none.
func bandOf(p verdict.Part, unit quantity.Unit) *float64 {
	if p.Band == 0 {
		return nil
	}
	return finite(unit.FromSI(p.Band))
}

// eventsOf lists the events of a trial in time order, and after them the protection that did not come.
func eventsOf(t *verdict.Trial) []eventJSON {
	out := []eventJSON{}
	for _, e := range t.Run.Events {
		out = append(out, eventJSON{finite(e.At), e.Device, e.What + e.Interval(report.ShownTime)})
		if e.Until > 0 {
			ends := e.What + ": ends"
			if e.Count > 1 {
				ends += fmt.Sprintf(", having come %d times", e.Count)
			}
			out = append(out, eventJSON{finite(e.Until), e.Device, ends})
		}
	}
	slices.SortStableFunc(out, func(a, b eventJSON) int { return cmp.Compare(*a.At, *b.At) })
	for _, what := range t.Missing {
		device := slices.IndexFunc(t.Run.Expect, func(device string) bool { return strings.Contains(what, "the "+device+" ") })
		out = append(out, eventJSON{nil, t.Run.Expect[max(device, 0)], what})
	}
	return out
}

// finite returns a number for JSON; nil for NaN and infinities, for which JSON has none.
func finite(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
