package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// Tried is the result of trying settings, and a proposal beside them, in trials.
type Tried struct {
	Present  verdict.Side
	Proposed *verdict.Side // nil: none was made
	Change   []verdict.Change

	NotJudged string // why there is no verdict; "": there is one
}

// side is the one the verdict is about.
func (t *Tried) side() *verdict.Side {
	if t.Proposed != nil {
		return t.Proposed
	}
	return &t.Present
}

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

// most is the part of a trial that uses most of its limit, the fuse of a trial that expects it apart.
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
	if l := level(s.Level); t.NotJudged == "" {
		d.Verdict = &l
	}
	d.Title += ": settings tried in simulation"
	d.Sentence = strings.TrimSpace(p.proposed() + " " + t.sentence())
	if t.NotJudged != "" {
		d.Sentence = "Not judged: " + t.NotJudged + ". " + d.Sentence
	}
	d.Acts, d.First = title(s.First.Heading())+":", firstWords(s.First)
	t.change(d)
	t.parts(d)
	t.findings(d)
	t.trials(d)
	t.gains(d)
	shown, others := t.toChart()
	for i, k := range shown {
		t.charts(p, d, k, i)
	}
	if len(others) > 0 {
		var rest []string
		for _, k := range others {
			rest = append(rest, k.Name)
		}
		d.section("more", "Other trials", fmt.Sprintf("Charts are drawn for what matters most. For those of %s, report on the one trial: quaybench try %s --trial %s --report FILE.html", strings.Join(rest, ", "), p.Boat.Name, rest[0]))
	}
}

// sentence is the verdict in a sentence.
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
		return fmt.Sprintf("Nothing passes its limit %s; nearest is the %s with %s of its limit used%s.", in, p.Name, shownShare(p.Used), of(where))
	case p.Level == verdict.Over:
		return fmt.Sprintf("The %s passes its limit of %s, reaching %s in %s%s.", p.Name, shown(p.Limit, p.Unit), shown(p.Peak, p.Unit), where, strings.Replace(more, "and", "and so do", 1))
	case p.Level == s.Level:
		return fmt.Sprintf("Nothing passes its limit %s, but the %s comes close with %s of its limit used%s%s.", in, p.Name, shownShare(p.Used), of(where), more)
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

func firstWords(f *verdict.First) string {
	if f == nil {
		return "none: no limit of the controller, no derating, no device."
	}
	return fmt.Sprintf("%s, after %s in %s.", title(f.What), shownTime(f.At), f.Trial)
}

// parts is the table of parts: each part's worst, with a small chart of the share used over that trial.
func (t *Tried) parts(d *document) {
	s := d.section("parts", "Parts", "The small chart shows the share of the limit used over the trial; the line is the limit.")
	if len(t.side().Trials) > 1 {
		s.Intro = "Each part's worst over the trials. The small chart shows the share of the limit used over that trial; the line is the limit."
	}
	parts, trials := t.side().Worst()
	before, _ := t.Present.Worst()
	both := t.Proposed != nil
	several := len(t.side().Trials) > 1
	tab := &table{Columns: []column{{Title: "part", Wide: 1.7}, {Title: "current", Wide: 0.8}, {Title: "limit", Right: true}}}
	if both {
		tab.Columns = append(tab.Columns, column{Title: "present: used", Right: true, Wide: 0.8})
	}
	tab.Columns = append(tab.Columns, column{Title: "peak", Right: true}, column{Title: "after", Right: true}, column{Title: "margin", Right: true}, column{Title: "used", Right: true, Wide: 0.7}, column{Title: "verdict", Wide: 0.9})
	if several {
		tab.Columns = append(tab.Columns, column{Title: "in", Wide: 1.4})
	}
	tab.Columns = append(tab.Columns, column{Title: "share used over time", Wide: 1.3})
	var after []string
	for i, p := range parts {
		cells := words(p.Name, p.Current, shown(p.Limit, p.Unit))
		if both {
			was := "–"
			for _, b := range before {
				if b.Name == p.Name {
					was = shownShare(b.Used)
				}
			}
			cells = append(cells, cell{Text: was})
		}
		cells = append(cells, words(shown(p.Peak, p.Unit), shownTime(p.At), shownMargin(p.Margin, p.Unit), shownShare(p.Used))...)
		cells = append(cells, judged(p.Level))
		if several {
			cells = append(cells, cell{Text: trials[i]})
		}
		cells = append(cells, cell{Spark: sparkOf(t.side(), trials[i], p)})
		if p.Level != verdict.Clear {
			for k := range cells {
				cells[k].Bold = true
			}
			after = append(after, fmt.Sprintf("%s: %s", p.Name, p.Consequence))
		}
		tab.Rows = append(tab.Rows, row{Cells: cells})
	}
	s.add(block{Table: tab})
	if after != nil {
		s.add(block{Text: "What happens beyond the limit:"}, block{List: after})
	}
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
		k := &spark{X: r.Time, Words: fmt.Sprintf("%s in %s: at most %s of its limit", p.Name, trial, shownShare(p.Used))}
		for _, v := range tr.Values {
			k.Y = append(k.Y, min(p.Part.Used(v), 10))
		}
		return k
	}
	return nil
}

func (t *Tried) change(d *document) {
	s := t.side()
	if s.Level != verdict.Over {
		return
	}
	sec := d.section("change", "What to change", "")
	if len(t.Change) == 0 {
		sec.Intro = "No single limit makes it clear; look at what is over."
		return
	}
	var list []string
	for _, c := range t.Change {
		list = append(list, changeWords(c))
	}
	sec.add(block{List: list})
}

func changeWords(c verdict.Change) string {
	return fmt.Sprintf("%s from %s to %s (%s)", c.Key, c.From, c.To, c.Why)
}

func (t *Tried) findings(d *document) {
	list := t.side().Findings
	if len(list) == 0 {
		return
	}
	s := d.section("rules", "Rules that need no simulation", "")
	tab := &table{Columns: []column{{Title: "verdict", Wide: 0.6}, {Title: "rule", Wide: 1.2}, {Title: "what was found", Wide: 4}, {Title: "source", Wide: 2.4}}}
	for _, f := range list {
		text := f.Text
		if f.Change != nil {
			text += ". Change " + changeWords(*f.Change)
		}
		tab.Rows = append(tab.Rows, row{Cells: []cell{judged(f.Level), {Text: f.Rule}, {Text: text}, {Text: f.Source}}})
	}
	s.add(block{Table: tab})
}

// trials is a line per trial.
func (t *Tried) trials(d *document) {
	s := t.side()
	if len(s.Trials) < 2 {
		return
	}
	sec := d.section("trials", "Trials", "")
	tab := &table{Columns: []column{{Title: "trial", Wide: 1.4}, {Title: "verdict", Wide: 0.8}, {Title: "uses most of its limit", Wide: 1.6}, {Title: "used", Right: true, Wide: 0.6}, {Title: "what acts", Wide: 3}}}
	for i := range s.Trials {
		k := &s.Trials[i]
		p := most(k)
		acts := "nothing"
		if k.First != nil {
			acts = fmt.Sprintf("%s, after %s", k.First.What, shownTime(k.First.At))
		}
		for _, m := range k.Missing {
			acts += "; " + m
		}
		tab.Rows = append(tab.Rows, row{Cells: []cell{{Text: k.Name}, judged(k.Level), {Text: p.Name}, {Text: shownShare(p.Used)}, {Text: acts}}})
	}
	sec.add(block{Table: tab})
}

// gained are the things a setting is raised for.
var gained = []struct {
	title, unit string
	of          func(record.Gain) *float64
}{
	{"top speed", "m/s", func(g record.Gain) *float64 { return g.TopSpeed }},
	{"thrust", "N", func(g record.Gain) *float64 { return g.Thrust }},
	{"endurance", "s", func(g record.Gain) *float64 { return g.Endurance }},
	{"distance", "m", func(g record.Gain) *float64 { return g.Distance }},
}

// gains tells what the settings bring, and what a proposal changes of it.
func (t *Tried) gains(d *document) {
	tab := &table{Columns: []column{{Title: "trial", Wide: 1}}}
	for _, g := range gained {
		tab.Columns = append(tab.Columns, column{Title: g.title, Wide: 1.5})
	}
	for i := range t.Present.Trials {
		a := &t.Present.Trials[i]
		cells, any := words(a.Name), false
		for _, g := range gained {
			text := "–"
			if from := g.of(a.Run.Gain); from != nil {
				text, any = quantity.FormatAuto(*from, g.unit), true
				if to := t.proposedGain(a.Name, g.of); to != nil {
					text += " → " + quantity.FormatAuto(*to, g.unit)
					if *from != 0 {
						text += fmt.Sprintf(" (%+.0f %%)", 100*(*to / *from - 1))
					}
				}
			}
			cells = append(cells, cell{Text: text})
		}
		if any {
			tab.Rows = append(tab.Rows, row{Cells: cells})
		}
	}
	if len(tab.Rows) == 0 {
		return
	}
	intro := ""
	if t.Proposed != nil {
		intro = "Present → proposed."
	}
	d.section("gain", "What it brings", intro).add(block{Table: tab})
}

// proposedGain is what the proposal brings in a trial; nil for none.
func (t *Tried) proposedGain(trial string, of func(record.Gain) *float64) *float64 {
	if t.Proposed == nil {
		return nil
	}
	for i := range t.Proposed.Trials {
		if k := &t.Proposed.Trials[i]; k.Name == trial {
			return of(k.Run.Gain)
		}
	}
	return nil
}

// charts is the section with the events and charts of one trial.
func (t *Tried) charts(p *Paper, d *document, k *verdict.Trial, i int) {
	s := d.section(fmt.Sprintf("trial-%d", i+1), "Trial "+k.Name, "")
	s.Break = true
	if len(k.Run.Events)+len(k.Missing) > 0 {
		s.add(block{Table: eventTable(k)})
	} else {
		s.add(block{Text: "No event: nothing acts in this trial."})
	}
	s.add(block{Figures: t.figures(p, k)})
	if e := k.Run.Energy; e.Throughput > 0 {
		s.add(block{Text: fmt.Sprintf("Energy: %s from the battery, %s to the shaft, %s heat; of what passed the battery a share of %.1g is unaccounted for. Solved in %d steps.",
			quantity.FormatAuto(e.Battery, "J"), quantity.FormatAuto(e.Shaft, "J"), quantity.FormatAuto(e.Heat, "J"), math.Abs(e.Residual)/e.Throughput, k.Run.Statistics.Steps)})
	}
}

// figures are all charts of a trial, the present run beside that of a proposal.
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
	return strings.TrimSpace("trial " + order[0].Name + ". " + p.proposed()), t.figures(p, order[0])
}
