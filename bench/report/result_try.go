package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// Tried is the result of trying settings, and a proposal beside them, in trials.
type Tried struct {
	Asked    []*trial.Trial // nil: all built-in ones
	Present  verdict.Side
	Proposed *verdict.Side // nil: none was made
	Remedies []study.Remedy
	Words    []string // what was proposed; nil: Paper's proposal of settings
	Follows  []string // what follows from it, in sentences
	Untested []string // of it, in sentences
	Change   []verdict.Change
	Bands    *study.Bands // what the bands of the margins rest on; nil: there are none

	NotJudged string // why there is no verdict; "": there is one
	Stopped   bool   // before its end: what there is so far, and no verdict
}

// words returns what was proposed.
func (t *Tried) words(p *Paper) []string {
	if t.Words != nil {
		return t.Words
	}
	return Changes(p.Settings, *p.Proposal)
}

// side returns the one the verdict is about.
func (t *Tried) side() *verdict.Side {
	if t.Proposed != nil {
		return t.Proposed
	}
	return &t.Present
}

// several reports whether more than one trial was asked for.
func (t *Tried) several() bool { return len(t.Asked) != 1 }

// worst lists the trials of a side, the one that matters most first: by verdict, then by the share used.
func worst(s *verdict.Side) []*verdict.Trial {
	var out []*verdict.Trial
	for i := range s.Trials {
		out = append(out, &s.Trials[i])
	}
	slices.SortStableFunc(out, func(a, b *verdict.Trial) int {
		switch x, y := most(a), most(b); {
		case a.Level != b.Level:
			return int(b.Level) - int(a.Level)
		case x.Used > y.Used:
			return -1
		case x.Used < y.Used:
			return 1
		}
		return 0
	})
	return out
}

// toChart picks the trials that are drawn: the one that matters most, and each that is over by something that those before
// it are not over by.
func (t *Tried) toChart() (shown, others []*verdict.Trial) {
	known := map[string]bool{}
	for i, k := range worst(t.side()) {
		fresh := false
		for _, what := range harms(k) {
			fresh = fresh || !known[what]
		}
		if i > 0 && !fresh {
			others = append(others, k)
			continue
		}
		for _, what := range harms(k) {
			known[what] = true
		}
		shown = append(shown, k)
	}
	return shown, others
}

// harms lists what makes a trial over.
func harms(k *verdict.Trial) (out []string) {
	if k.Level != verdict.Over {
		return nil
	}
	for _, p := range k.Parts {
		if p.Level == verdict.Over {
			out = append(out, p.Name)
		}
	}
	for _, e := range k.Run.Events {
		if e.Kind == record.Protecting && !slices.Contains(k.Run.Expect, e.Device) {
			out = append(out, "opens: "+e.Device)
		}
	}
	return append(out, k.Missing...)
}

// most returns the part of a trial that uses most of its limit, the fuse of a trial that expects it apart.
func most(t *verdict.Trial) verdict.Part {
	best := verdict.Part{Used: math.Inf(-1)}
	for _, p := range t.Parts {
		if p.Used > best.Used && !(p.Measure == record.Melting && slices.Contains(t.Run.Expect, p.Name)) {
			best = p
		}
	}
	return best
}

func (t *Tried) write(p *Paper, d *document) {
	s := t.side()
	d.Stopped = t.Stopped
	d.judge(s, t.NotJudged)
	d.Title += ": settings tried in simulation"
	if !t.several() {
		about := t.Asked[0].About
		if about == "" {
			about = "no description"
		}
		d.Lead = append(d.Lead, line{Name: "trial", Text: t.Asked[0].Name + ": " + about})
	}
	if p.Proposal != nil {
		d.lead("proposed", strings.Join(t.words(p), ", "))
	}
	for _, text := range t.Follows {
		d.lead("what follows", text)
	}
	for _, text := range t.Untested {
		d.lead("not tested", text)
	}
	d.Sentence = t.sentence()
	t.change(d)
	t.remedies(d)
	t.parts(d)
	t.sideWords(d, "Present", &t.Present)
	if t.Proposed != nil {
		t.sideWords(d, "Proposed", t.Proposed)
	}
	first(d, s.First)
	if d.Paper {
		t.trials(d)
	}
	t.gains(d)
	t.spent(d)
	t.sure(p, d)
	if d.Paper {
		t.charts(p, d)
	}
}

// first adds to the document what acts first: into the head of a page, between what happens and what it brings of a text.
func first(d *document, f *verdict.First) {
	k := line{Name: f.Heading(), Text: firstWords(f)}
	if d.Paper {
		d.First = &k
		return
	}
	s := d.section("first", "", "")
	s.Bare = true
	s.add(block{Line: &k})
}

func firstWords(f *verdict.First) string {
	if f == nil {
		return "none"
	}
	return fmt.Sprintf("%s, after %s in %s", f.What, ShownTime(f.At), f.Trial)
}

// sentence returns the verdict in a sentence.
func (t *Tried) sentence() string {
	s := t.side()
	if len(s.Trials) == 0 {
		return "No trial ran to its end."
	}
	parts, trials := s.Worst()
	in := fmt.Sprintf("in the trial %s", s.Trials[0].Name)
	if len(s.Trials) > 1 {
		in = fmt.Sprintf("in any of the %d trials", len(s.Trials))
	}
	of := func(trial string) string { // where there are several, of which
		if len(s.Trials) > 1 {
			return " (" + trial + ")"
		}
		return ""
	}
	at := -1
	for i := range parts {
		if at < 0 || parts[i].Level > parts[at].Level || parts[i].Level == parts[at].Level && parts[i].Used > parts[at].Used {
			at = i
		}
	}
	if at < 0 {
		return "No part was judged."
	}
	p, where := parts[at], trials[at]
	others := 0
	for i := range parts {
		if i != at && parts[i].Level == s.Level {
			others++
		}
	}
	more := ""
	switch {
	case others == 1:
		more = ", and one more part"
	case others > 1:
		more = fmt.Sprintf(", and %d more parts", others)
	}
	switch {
	case s.Level == verdict.Clear:
		return fmt.Sprintf("Nothing passes its limit %s; nearest is the %s with %s of its limit used%s.", in, p.Name, ShownShare(p.Used), of(where))
	case p.Level == verdict.Over:
		return fmt.Sprintf("The %s passes its limit of %s, reaching %s in %s%s.", p.Name, Shown(p.Limit, p.Unit), Shown(p.Peak, p.Unit), where, strings.Replace(more, "and", "and so do", 1))
	case p.Level == s.Level:
		return fmt.Sprintf("Nothing passes its limit %s, but the %s comes close with %s of its limit used%s%s.", in, p.Name, ShownShare(p.Used), of(where), more)
	}
	return "No part passes its limit " + in + ", but " + strings.Join(t.beside(), "; ") + "."
}

// beside lists what makes a verdict when no part does.
func (t *Tried) beside() (out []string) {
	s := t.side()
	for _, f := range s.Findings {
		if f.Level == s.Level {
			out = append(out, "the rule "+f.Rule+" is broken")
		}
	}
	for i := range s.Trials {
		k := &s.Trials[i]
		if k.Level != s.Level {
			continue
		}
		out = append(out, k.Missing...)
		out = append(out, k.Hunting...)
		for _, e := range k.Run.Events {
			if e.Kind == record.Protecting && !slices.Contains(k.Run.Expect, e.Device) {
				out = append(out, e.What+" in "+k.Name)
			}
		}
	}
	if out == nil {
		out = []string{"it is " + s.Level.String()}
	}
	return out
}

func sparkOf(s *verdict.Side, trial string, p verdict.Part) *spark {
	for i := range s.Trials {
		r := s.Trials[i].Run
		if s.Trials[i].Name != trial || len(r.Time) < 2 {
			continue
		}
		tr, ok := r.Trace(p.Trace)
		if !ok {
			return nil
		}
		k := &spark{X: r.Time, Words: fmt.Sprintf("%s in %s: at most %s of its limit", p.Name, trial, ShownShare(p.Used))}
		for _, v := range tr.Values {
			k.Y = append(k.Y, min(p.Part.Used(v), 10))
		}
		return k
	}
	return nil
}

// change adds the section with what to change where the verdict is over.
func (t *Tried) change(d *document) {
	if t.side().Level != verdict.Over || t.Stopped {
		return
	}
	s := d.section("change", "To change", "")
	s.Late = true
	var list []string
	for _, c := range t.Change {
		list = append(list, changeWords(c))
	}
	if list == nil {
		list = []string{"no single limit makes it clear; look at what is over"}
	}
	s.add(block{List: list})
}

// remedies adds the section with what would make clear what is not.
func (t *Tried) remedies(d *document) {
	if len(t.Remedies) == 0 || t.Stopped {
		return
	}
	s := d.section("remedies", "What makes it clear: one change each, simulated", "Each change was simulated in all the trials; the last column says what is over or close with it.")
	s.Late = true
	page := &table{Columns: []column{{Title: "part"}, {Title: "of its limit then", Right: true, Wide: 0.8}, {Title: "change", Wide: 3}, {Title: "the rest then", Wide: 1.8}}}
	for _, g := range remedyGroups(t.Remedies) {
		screen := &table{Indent: true, Columns: []column{{Right: true}, {Run: true}}}
		for i := range g.list {
			r, used := &g.list[i], ""
			if finite(r.Used) {
				used = ShownShare(r.Used)
			}
			page.row(g.of, used, remedyWords(r), thenWords(r))
			screen.row(used, remedyWords(r)+": "+thenWords(r))
		}
		if !d.Paper {
			s.add(block{Text: g.of + ":"}, block{Table: screen})
		}
	}
	if d.Paper {
		s.add(block{Table: page})
	}
}

// remedyGroup is what is made clear by the same changes.
type remedyGroup struct {
	of   string
	list []study.Remedy
}

// remedyGroups groups the parts that the same changes make clear, each change as it is for the one that uses most of its limit.
func remedyGroups(list []study.Remedy) (out []remedyGroup) {
	same := func(a, b study.Remedy) bool { return a.Key == b.Key && a.To == b.To && a.Next == b.Next }
	for len(list) > 0 {
		n := slices.IndexFunc(list, func(r study.Remedy) bool { return r.Of != list[0].Of })
		if n < 0 {
			n = len(list)
		}
		g := remedyGroup{list[0].Of, slices.Clone(list[:n])}
		list = list[n:]
		k := slices.IndexFunc(out, func(o remedyGroup) bool { return slices.EqualFunc(o.list, g.list, same) })
		if k < 0 {
			out = append(out, g)
			continue
		}
		out[k].of += ", " + g.of
		for i := range g.list {
			if g.list[i].Used > out[k].list[i].Used {
				out[k].list[i] = g.list[i]
			}
		}
	}
	return out
}

// remedyWords returns a change with what it gains and costs.
func remedyWords(r *study.Remedy) string {
	from := r.From
	if from == "" {
		from = "what follows from the rest"
	}
	text := fmt.Sprintf("%s %s instead of %s", r.Key, r.To, from)
	var brings []string
	if r.What != "" {
		brings = append(brings, r.What)
	}
	if finite(r.Speed) && math.Abs(r.Speed) >= 0.005 {
		brings = append(brings, fmt.Sprintf("%+.0f %% top speed", 100*r.Speed))
	}
	if finite(r.Gain) && r.Unit == "°C" {
		brings = append(brings, quantity.Format(-r.Gain, "K", 2))
	}
	if brings != nil {
		text += " (" + strings.Join(brings, ", ") + ")"
	}
	return text
}

// thenWords returns what is over or close once a change is made.
func thenWords(r *study.Remedy) string {
	if r.Next == "" {
		return "then all is clear"
	}
	return "then " + r.Next + " next"
}

// sideWords adds to the document what rules found in one set of settings, and what happens in its trials.
func (t *Tried) sideWords(d *document, name string, s *verdict.Side) {
	findings := s.Findings
	if s != t.side() { // what is to be borne in mind stands beside the proposal
		findings = slices.DeleteFunc(slices.Clone(findings), func(f verdict.Finding) bool { return f.Level == verdict.Clear })
	}
	if len(findings) > 0 {
		d.section("rules-"+strings.ToLower(name), name+": rules that need no simulation", "").add(block{Findings: findingsOf(findings)})
	}
	if d.Paper { // which has the events beside the charts
		return
	}
	tab := &table{Indent: true, Columns: []column{{Right: true}, {}, {Run: true}}}
	order := ", trial by trial"
	if !t.several() {
		order = ""
		tab.Columns = []column{{Right: true}, {Run: true}}
	}
	add := func(when string, k *verdict.Trial, what string) {
		if t.several() {
			tab.row(when, k.Name, what)
		} else {
			tab.row(when, what)
		}
	}
	for i := range s.Trials {
		k := &s.Trials[i]
		often := map[string][]float64{} // by words, when
		for _, e := range k.Run.Events {
			often[e.What] = append(often[e.What], e.At)
		}
		for _, e := range k.Run.Events {
			if t.several() && e.Kind == record.Note && e.Device != "run" { // a run that was stopped says where, always
				continue
			}
			text := eventText(e)
			if at := often[e.What]; len(at) > 3 && !e.Hunts() { // a boost that comes again fills the screen
				if e.At > at[0] {
					continue
				}
				text = fmt.Sprintf("%s (%d times until %s)", e.What, len(at), ShownTime(at[len(at)-1]))
			}
			add(ShownTime(e.At), k, text)
		}
		for _, m := range k.Missing {
			add("never", k, m)
		}
	}
	if len(tab.Rows) > 0 {
		d.section("events-"+strings.ToLower(name), name+": events in time order"+order, "").add(block{Table: tab})
	}
}

// trials adds to the document a table with a row for each trial.
func (t *Tried) trials(d *document) {
	s := t.side()
	if len(s.Trials) < 2 {
		return
	}
	sec := d.section("trials", "Trials", "")
	tab := &table{Columns: []column{{Title: "trial", Wide: 1.4}, {Title: "verdict", Wide: 0.8}, {Title: "uses most of its limit", Wide: 1.6}, {Title: "used", Right: true, Wide: 0.6}, {Title: "first to act", Wide: 3}}}
	for i := range s.Trials {
		k := &s.Trials[i]
		p := most(k)
		acts := "none"
		if k.First != nil {
			acts = fmt.Sprintf("%s, after %s", k.First.What, ShownTime(k.First.At))
		}
		for _, m := range k.Missing {
			acts += "; " + m
		}
		tab.Rows = append(tab.Rows, row{Cells: []cell{{Text: k.Name}, judged(k.Level), {Text: p.Name}, {Text: ShownShare(p.Used)}, {Text: acts}}})
	}
	sec.add(block{Table: tab})
}

// charts writes the sections with the events and charts of the trials that matter most.
func (t *Tried) charts(p *Paper, d *document) {
	shown, others := t.toChart()
	for i, k := range shown {
		t.chart(p, d, k, i)
	}
	if len(others) > 0 {
		var rest []string
		for _, k := range others {
			rest = append(rest, k.Name)
		}
		d.section("more", "Other trials", fmt.Sprintf("Charts are drawn for what matters most. For those of %s, report on the one trial: quaybench try %s --trial %s --report FILE.html", strings.Join(rest, ", "), p.Boat.Name, rest[0]))
	}
}

// chart writes the section with the events and charts of one trial.
func (t *Tried) chart(p *Paper, d *document, k *verdict.Trial, i int) {
	s := d.section(fmt.Sprintf("trial-%d", i+1), "Trial "+k.Name, "")
	s.Break = true
	if len(k.Run.Events)+len(k.Missing) > 0 {
		s.add(block{Table: eventTable(k)})
	} else {
		s.add(block{Text: "No event: no protection acts in this trial."})
	}
	s.add(block{Figures: t.figures(p, k)})
	if e := k.Run.Energy; e.Throughput > 0 {
		s.add(block{Text: fmt.Sprintf("Energy: %s from the battery, %s to the shaft, %s heat; of what passed the battery a share of %.1g is unaccounted for. Solved in %d steps.",
			quantity.FormatAuto(e.Battery, "J"), quantity.FormatAuto(e.Shaft, "J"), quantity.FormatAuto(e.Heat, "J"), math.Abs(e.Residual)/e.Throughput, k.Run.Statistics.Steps)})
	}
}

// figures returns all charts of a trial, the present run beside that of a proposal.
func (t *Tried) figures(p *Paper, k *verdict.Trial) []Figure {
	set := p.effective()
	var beside *record.Run
	runs := []exposed{{"this run", k.Run}}
	if t.Proposed != nil {
		for i := range t.Present.Trials {
			if t.Present.Trials[i].Name == k.Name {
				beside = t.Present.Trials[i].Run
				runs[0].name = "proposed"
				runs = append(runs, exposed{"present", beside})
			}
		}
	}
	figures := newRunView(k.Run, beside, &set).charts()
	curves := curvesOf(p.Boat)
	for _, circuit := range []string{"battery", "motor"} {
		if c := timeCurrent(curves, circuit, runs...); c != nil {
			figures = append(figures, c)
		}
	}
	return figures
}

func (t *Tried) pictures(p *Paper) (string, []Figure) {
	order := worst(t.side())
	if len(order) == 0 {
		return "no trial", nil
	}
	title := "trial " + order[0].Name
	if p.Proposal != nil {
		title += ". Proposed: " + strings.Join(t.words(p), ", ")
	}
	return title, t.figures(p, order[0])
}
