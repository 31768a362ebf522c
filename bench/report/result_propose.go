package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/study"
)

// Proposed is a set of settings for wishes.
type Proposed struct {
	study.Proposal
	Trials  []string
	Seed    uint64
	Stopped bool     // before the end of the search
	Next    []string // commands that go on with it
	Keep    string   // how to keep it, where a command cannot
}

// Meets reports whether a wish is met; of odds, whether that is sure.
func (r *Proposed) Meets(w *study.Wish) bool {
	return r.Found && w.MetBy(r.Ended) && (w.Kind != "odds" || r.OddsLow >= w.Value)
}

func (r *Proposed) write(_ *Paper, d *document) {
	d.Title += ": settings for wishes"
	d.subject("settings for wishes")
	clear := "clear in all trials"
	if r.Close != nil {
		clear += ", though a rule stays close"
	}
	switch {
	case r.Stopped && r.Found:
		d.lead("", "stopped early: the best set so far, "+clear)
	case r.Stopped:
		d.lead("", "stopped early: no set was found yet that is clear in all trials")
	case !r.Found:
		d.lead("", "no set of settings was found that is clear in all trials")
	case r.Met:
		d.lead("", "a set of settings that meets every wish and is "+clear)
	default:
		d.lead("", "no set of settings that was tried meets every wish; this one, "+clear+", comes nearest")
	}
	s := d.section("wishes", "What each wish ended at", "")
	t := &table{Indent: true, Columns: []column{{Title: "wish"}, {Title: "now", Right: true}, {Title: "ended at", Right: true}, {Title: ""}}}
	show := func(w *study.Wish, m map[string]float64) string {
		x, ok := m[w.Kind]
		if !ok {
			return "not known"
		}
		return wished(w, x)
	}
	for i := range r.Wishes {
		w := &r.Wishes[i]
		word := "missed"
		switch {
		case r.Meets(w):
			word = "met"
		case r.Found && w.MetBy(r.Ended):
			word = "not sure"
		}
		now, ended := show(w, r.Present), "none"
		if w.Kind == "odds" {
			now = ""
		}
		if r.Found {
			ended = show(w, r.Ended)
			if x, ok := r.Ended[w.Kind]; ok && word == "missed" && ended == wished(w, w.Value) { // 4.00 h of 4 h, missed
				ended = quantity.Format(x, w.Unit(), 5)
			}
			if w.Kind == "odds" {
				ended = fmt.Sprintf("%s of %d, so at least %s", ended, r.Draws, ShownShare(r.OddsLow))
			}
		}
		t.row(w.Text, now, ended, word)
	}
	word := "met"
	switch {
	case !r.Found:
		word = "missed"
	case r.Close != nil:
		word = "close"
	}
	t.row("clear", "", "", word)
	s.add(block{Table: t})
	s.stillClose("in every set of settings tried", r.Close)
	if !r.Found && r.Blocked != "" {
		s.say("not clear", r.Blocked)
	}
	if r.Found {
		s = d.section("settings", "What differs, and why", "")
		var list []string
		for _, k := range r.Reasons {
			list = append(list, fmt.Sprintf("%s %s instead of %s: %s", k.Key, k.To, k.From, k.Why))
		}
		if list == nil {
			list = []string{"nothing: the settings as they are come nearest"}
		}
		s.add(block{List: list})
	}
	r.front(d, show)
	r.hardware(d)
	if len(r.Next) > 0 {
		next := d.section("next", "To go on", "")
		next.add(block{Shell: r.Next})
		if r.Keep != "" {
			next.add(block{Text: r.Keep})
		}
	}
	s = d.section("basis", "", "")
	s.Bare = true
	s.say("judged in", strings.Join(r.Trials, ", "))
	how := fmt.Sprintf("simulated, %d runs, by the boat file at its face value", r.Runs)
	if r.Draws > 0 {
		how += fmt.Sprintf(", the odds over %s drawn from what is not known of it, at the lower end of their 95 %% interval", study.Plural(r.Draws, "boat"))
	}
	s.say("how sure", how+fmt.Sprintf("; the search is spread over the whole range (seed %d), so that a better set may exist between its points; no limit goes beyond the makers' ratings or what the battery's management bears", r.Seed))
}

// front adds the sections with what one wish costs in terms of another, and the clear sets that this was read from.
func (r *Proposed) front(d *document, show func(*study.Wish, map[string]float64) string) {
	if len(r.Front) < 2 {
		return
	}
	if len(r.Prices) > 0 {
		s := d.section("prices", "Wishes that fight, and what more of one costs of the other", "")
		var list []string
		for _, p := range r.Prices {
			list = append(list, fmt.Sprintf("%s against %s: from %s to %s costs %s of %s (%s to %s)", p.More.Kind, p.Less.Kind,
				wished(p.More, p.MoreFrom), wished(p.More, p.MoreTo), wished(p.Less, math.Abs(p.LessTo-p.LessFrom)), p.Less.Kind, wished(p.Less, p.LessFrom), wished(p.Less, p.LessTo)))
		}
		s.add(block{List: list})
	}
	s := d.section("front", "Clear sets of less and more current around it", "")
	t := &table{Indent: true, Columns: []column{{Title: "motor limit", Right: true}, {Title: "battery limit", Right: true}}}
	for i := range r.Wishes {
		if r.Wishes[i].Kind != "odds" {
			t.Columns = append(t.Columns, column{Title: r.Wishes[i].Kind, Right: true})
		}
	}
	t.Columns = append(t.Columns, column{})
	for _, f := range r.Front {
		cells := []string{quantity.Format(f.Motor, "A", 3), quantity.Format(f.Bank, "A", 3)}
		for i := range r.Wishes {
			if r.Wishes[i].Kind != "odds" {
				cells = append(cells, show(&r.Wishes[i], f.At))
			}
		}
		mark := ""
		if f.Chosen {
			mark = "this one"
		}
		t.row(append(cells, mark)...)
	}
	s.add(block{Table: t})
}

// wished returns a value of what a wish is about.
func wished(w *study.Wish, si float64) string {
	switch {
	case math.IsNaN(si):
		return "not known"
	case math.IsInf(si, 0):
		return "never"
	}
	return quantity.Format(si, w.Unit(), 3)
}

// hardware adds what keeps the wishes from being met, and the change of the boat that would meet them.
func (r *Proposed) hardware(d *document) {
	if r.Blocked == "" && r.Change == nil && len(r.Tried) == 0 {
		return
	}
	s := d.section("hardware", "", "")
	s.Bare = true
	if r.Blocked != "" && r.Found {
		s.say("what would meet them is not clear", r.Blocked)
	}
	c := r.Change
	if c == nil {
		if len(r.Tried) > 0 {
			s.say("no change of the boat does, of", strings.Join(r.Tried, ", "))
		}
		return
	}
	text := fmt.Sprintf("%s %s instead of %s", c.Key, c.To, c.From)
	if c.What != "" {
		text += " (" + c.What + ")"
	}
	var ended []string
	for i := range r.Wishes {
		if w := &r.Wishes[i]; w.Kind != "odds" {
			ended = append(ended, w.Kind+" "+wished(w, c.Ended[w.Kind]))
		}
	}
	if ended != nil {
		text += ": " + strings.Join(ended, ", ")
	}
	var set []string
	for _, key := range slices.Sorted(maps.Keys(c.Settings)) {
		set = append(set, key+" "+c.Settings[key])
	}
	if set != nil {
		text += "; with " + strings.Join(set, ", ")
	}
	s.say("smallest change of the boat that does", text)
}

func (r *Proposed) pictures(*Paper) (string, []Figure) { return "settings for wishes", nil }
