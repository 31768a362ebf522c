package report

import (
	"fmt"
	"math"
	"quaybench/bench/drive"
	"slices"

	"quaybench/bench/record"
	"quaybench/bench/study"
	"quaybench/bench/verdict"
)

// judgedSide is one set of settings in the table of parts: each part's worst, with the trial it came from.
type judgedSide struct {
	name   string
	side   *verdict.Side
	parts  map[string]verdict.Part
	trials map[string]string
}

func sideOf(name string, s *verdict.Side) (judgedSide, []verdict.Part) {
	j := judgedSide{name, s, map[string]verdict.Part{}, map[string]string{}}
	parts, trials := s.Worst()
	for i, p := range parts {
		j.parts[p.Name], j.trials[p.Name] = p, trials[i]
	}
	return j, parts
}

// sides returns the present settings and, where there are any, the proposed ones, with the parts of either.
func (t *Tried) sides() (sides []judgedSide, parts []verdict.Part) {
	side, parts := sideOf("present", &t.Present)
	sides = append(sides, side)
	if t.Proposed != nil {
		side, more := sideOf("proposed", t.Proposed)
		sides = append(sides, side)
		if len(more) > len(parts) { // the present settings were stopped before their first trial
			parts = more
		}
	}
	return sides, parts
}

// parts writes the table of parts: each part's worst, present and proposed. Beside each other where there is room, else below
// each other, as a page always has them, with a small chart of the share used over that trial.
func (t *Tried) parts(d *document) {
	s := d.section("parts", "Parts", "The small chart shows the share of the limit used over the trial; the line is the limit.")
	s.Bare = true
	if t.several() {
		s.Intro = "Each part's worst over the trials. The small chart shows the share of the limit used over that trial; the line is the limit."
	}
	sides, parts := t.sides()
	if len(parts) == 0 {
		s.Intro = ""
		s.add(block{Text: "no trial has run: nothing is judged"})
		return
	}
	k := partColumns{several: t.several(), spark: d.Paper, share: true}
	switch {
	case d.Paper && len(sides) > 1:
		s.add(block{Table: k.stacked(sides, parts)})
	case d.Paper:
		s.add(block{Table: k.beside(sides, parts)})
	default:
		tab, less := k.beside(sides, parts), k
		less.share = false
		tab.Narrower = less.beside(sides, parts)
		tab.Narrower.Narrower = k.stacked(sides, parts)
		folded := k
		folded.said = true
		tab.Narrower.Narrower.Folded = folded.stacked(sides, parts)
		s.add(block{Table: tab})
	}
	s.add(block{List: cuts(sides[len(sides)-1].side)})
	if !d.Paper {
		return
	}
	var after []string
	last := sides[len(sides)-1]
	for _, p := range parts {
		if p, ok := last.parts[p.Name]; ok && (p.Level == verdict.Close || p.Level == verdict.Over) {
			after = append(after, p.Name+": "+p.Consequence)
		}
	}
	if after != nil {
		s.add(block{Text: "What happens beyond the limit:"}, block{List: after})
	}
}

// cuts lists in which trials a device opens before the end, so that what comes after is not judged.
func cuts(s *verdict.Side) (list []string) {
	for i := range s.Trials {
		if k := &s.Trials[i]; k.Cut != "" {
			list = append(list, "in "+k.Name+" "+k.Cut)
		}
	}
	return list
}

// partColumns chooses the columns that a set of settings has in the table of parts. said: the verdict says when, and in which trial.
type partColumns struct{ share, several, spark, said bool }

func (k partColumns) columns() []column {
	out := []column{{Title: "peak", Right: true}, {Title: "when", Right: true}, {Title: "margin", Right: true}}
	if k.share {
		out = append(out, column{Title: "used", Right: true, Wide: 0.7})
	}
	if k.said {
		return append(slices.Delete(out, 1, 2), column{Title: "verdict"})
	}
	out = append(out, column{Title: "verdict", Wide: 0.9})
	if k.several {
		out = append(out, column{Title: "trial", Wide: 1.4})
	}
	if k.spark {
		out = append(out, column{Title: "share used over time", Wide: 1.3})
	}
	return out
}

// cells returns the columns for one part.
func (k partColumns) cells(side judgedSide, part string) []cell {
	p, ok := side.parts[part]
	if !ok {
		out := make([]cell, len(k.columns()))
		for i := range out {
			out[i].Text = "-"
		}
		return out
	}
	when := ShownTime(p.At)
	if math.IsNaN(p.Peak) {
		when = "-"
	}
	out := words(Shown(p.Peak, p.Unit), when, ShownBand(p.Margin, p.Band, p.Unit))
	if k.share {
		out = append(out, cell{Text: ShownShare(p.Used)})
	}
	level := judged(p.Level)
	switch {
	case k.said:
		level.Text += " at " + when
		if k.several {
			level.Text += " in " + side.trials[part]
		}
		out = append(slices.Delete(out, 1, 2), level)
	case k.several:
		out = append(out, level, cell{Text: side.trials[part]})
	default:
		out = append(out, level)
	}
	if k.spark {
		out = append(out, cell{Spark: sparkOf(side.side, side.trials[part], p)})
	}
	for i := range out {
		out[i].Bold = p.Level != verdict.Clear
	}
	return out
}

// beside returns a line per part.
func (k partColumns) beside(sides []judgedSide, parts []verdict.Part) *table {
	tab := &table{Columns: []column{{Title: "part", Wide: 1.7}, {Over: "current", Title: "of", Wide: 0.8}, {Title: "limit", Right: true}}}
	for _, side := range sides {
		columns := k.columns()
		if !k.spark { // a page has one set of settings beside each other
			columns[0].Group = side.name
		}
		tab.Columns = append(tab.Columns, columns...)
	}
	for _, p := range parts {
		cells := words(p.Name, orDash(p.Current), Shown(p.Limit, p.Unit))
		for _, side := range sides {
			cells = append(cells, k.cells(side, p.Name)...)
		}
		tab.Rows = append(tab.Rows, row{Cells: cells})
	}
	return tab
}

// stacked returns a heading per part, and a line for each set of settings below it.
func (k partColumns) stacked(sides []judgedSide, parts []verdict.Part) *table {
	tab := &table{Indent: true, Columns: append([]column{{Wide: 1.2}}, k.columns()...)}
	for _, p := range parts {
		heading := p.Name
		if p.Current != "" {
			heading += ", by " + p.Current + " current"
		}
		tab.Rows = append(tab.Rows, row{Cells: words(heading + ", limit " + Shown(p.Limit, p.Unit)), Group: true})
		for _, side := range sides {
			tab.Rows = append(tab.Rows, row{Cells: append(words(side.name), k.cells(side, p.Name)...)})
		}
	}
	return tab
}

func orDash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}

// endurance names it with the state of charge that it goes down to.
var endurance = fmt.Sprintf("endurance, to %.0f %% charge", 100*drive.LowestCharge)

// gained are the things a setting is raised for.
var gained = []struct {
	title, unit string
	of          func(*record.Run) *float64
}{
	{"top speed", "m/s", func(r *record.Run) *float64 { return r.Gain.TopSpeed }},
	{"thrust", "N", func(r *record.Run) *float64 { return r.Gain.Thrust }},
	{endurance, "s", func(r *record.Run) *float64 { return r.Gain.Endurance }},
	{"distance", "m", func(r *record.Run) *float64 { return r.Gain.Distance }},
}

// holding returns the title of the distance with a fuse that holds: to the end, or until a slow one opens, from where the boat only coasts.
func holding(runs []*record.Run) string {
	for _, r := range runs {
		if r == nil {
			continue
		}
		if until, may := r.MayOpen(); may && !math.IsInf(until, 1) {
			return "distance, if the fuse holds as long as a slow one does"
		}
	}
	return "distance, if the fuse holds"
}

// mayOpen reports whether a fuse may open in a run that goes on if it does not.
func mayOpen(r *record.Run) bool {
	if r == nil {
		return false
	}
	_, may := r.MayOpen()
	return may
}

// gainTrials are the built-in trials whose gain is worth a line of a screen when all have run.
var gainTrials = []string{"full-throttle", "two-hour-outing"}

// gains compares what the proposal brings with what the present settings do; a page also has what the present ones bring alone.
func (t *Tried) gains(d *document) {
	if t.Proposed == nil && !d.Paper {
		return
	}
	tab := &table{Indent: true, Columns: []column{{Wide: 1.2}, {}, {Title: "present", Right: true}}}
	if t.Proposed != nil {
		tab.Columns = append(tab.Columns, column{Title: "proposed", Right: true}, column{Title: "change", Right: true})
	}
	sides := 1
	if t.Proposed != nil {
		sides = 2
	}
	for i := range t.Present.Trials {
		a := &t.Present.Trials[i]
		if !d.Paper && t.Asked == nil && !slices.Contains(gainTrials, a.Name) {
			continue
		}
		runs := []*record.Run{a.Run, t.proposedRun(a.Name)}[:sides]
		list := gained
		if slices.ContainsFunc(runs, mayOpen) {
			list = slices.Clone(gained)
			list[len(list)-1].title = "distance until a fuse may open"
			list = append(list, gained[len(gained)-1])
			list[len(list)-1].title, list[len(list)-1].of = holding(runs), (*record.Run).DistanceHeld
		}
		for _, g := range list {
			var values []float64
			missing := -1 // the side that has no figure
			for i, r := range runs {
				if r == nil {
					continue
				}
				if v := g.of(r); v != nil {
					values = append(values, *v)
				} else {
					missing = i
				}
			}
			if len(values) == 0 || slices.Contains(runs, nil) {
				continue
			}
			shown := func(unit string) []string {
				texts := shownPair(unit, values...)
				if missing >= 0 {
					texts = slices.Insert(texts, missing, "-")
				}
				return texts
			}
			cells := append([]string{a.Name, g.title}, shown(g.unit)...)
			if t.Proposed != nil {
				change := "-"
				if missing < 0 && values[0] != 0 {
					change = fmt.Sprintf("%+.0f %%", 100*(values[1]/values[0]-1))
				}
				cells = append(cells, change)
			}
			tab.row(cells...)
			if g.unit == "m/s" {
				tab.row(append([]string{"", ""}, shown("km/h")...)...)
			}
		}
	}
	if len(tab.Rows) == 0 {
		return
	}
	title := "What it brings"
	if t.Proposed != nil {
		title = "Gained and given up"
	}
	s := d.section("gain", title, "")
	s.Corner = true
	s.add(block{Table: tab})
}

// proposedRun returns the run of a trial with the proposal; nil for none.
func (t *Tried) proposedRun(trial string) *record.Run {
	if t.Proposed == nil {
		return nil
	}
	for i := range t.Proposed.Trials {
		if k := &t.Proposed.Trials[i]; k.Name == trial {
			return k.Run
		}
	}
	return nil
}

// spent adds the section on how much more of the limits a proposal uses, and what heat costs in life.
func (t *Tried) spent(d *document) {
	if t.Proposed == nil {
		return
	}
	before, _ := sideOf("present", &t.Present)
	after, parts := sideOf("proposed", t.Proposed)
	var list []string
	for _, p := range parts {
		was, ok := before.parts[p.Name]
		if !ok || p.Level == verdict.NotJudged || p.Name != "winding" && p.Level == verdict.Clear {
			continue
		}
		text := fmt.Sprintf("%s: %s of its limit used instead of %s", p.Name, ShownShare(p.Used), ShownShare(was.Used))
		if len(t.Proposed.Trials) > 1 {
			text += " (" + after.trials[p.Name] + ")"
		}
		if p.Name == "winding" {
			text += fmt.Sprintf("; at its peak the insulation ages %s as fast (10 K rule, Montsinger)", multiple(math.Exp2((p.Peak-was.Peak)/10)))
		}
		list = append(list, text)
	}
	if list != nil {
		d.section("spent", "Spent", "").add(block{List: list})
	}
}

// sure adds to the document what the verdict rests on.
func (t *Tried) sure(p *Paper, d *document) {
	text := "Every value is taken as it stands; the margins show no band"
	switch bd := t.Bands; {
	case bd != nil && bd.None != "":
		text = "The margins show no band: " + bd.None
	case bd != nil:
		text = fmt.Sprintf("± beside a margin is half of its 95 %% interval in that trial, from %d draws over all that is not known of the boat: %s. Clear, close and over are of the boat as written", bd.Draws, study.Usual)
	}
	var residual float64
	for _, tr := range t.side().Trials {
		if e := tr.Run.Energy; e.Throughput > 0 {
			residual = max(residual, math.Abs(e.Residual)/e.Throughput)
		}
	}
	balance := "Energy balances to the last digit."
	if residual > 0 {
		balance = fmt.Sprintf("Energy balances to 1 part in %s of what passed the battery.", grouped(1/residual))
	}
	s := d.section("sure", "How sure", "")
	s.Late = true
	list := append(slices.Clone(p.Basis), text+".")
	if t.Bands != nil {
		list = append(list, t.Bands.LeftOut.Lines()...)
	}
	s.add(block{List: slices.Concat(list, []string{balance}, p.Boat.Estimates(), p.Boat.Unlimited())})
}
