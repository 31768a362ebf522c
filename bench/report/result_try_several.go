package report

import (
	"fmt"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// Compared is several proposals tried side by side, the settings as they stand first.
type Compared struct {
	Asked []*trial.Trial // nil: all built-in ones
	Sides []ComparedSide

	NotJudged string // why there is no verdict; "": there is one
	Stopped   bool   // before its end: what there is so far, and no verdict
}

// ComparedSide is one of them.
type ComparedSide struct {
	Name     string
	Side     *verdict.Side
	Words    []string // what it changes; nil: nothing
	Follows  []string // what follows from that, in sentences
	Untested []string // of it, in sentences
}

func (c *Compared) write(_ *Paper, d *document) {
	gravest := c.gravest()
	d.Stopped = c.Stopped
	d.judge(gravest.Side, c.NotJudged)
	d.Title += ": proposals side by side"
	d.Reasons = nil
	if len(c.Asked) == 1 {
		d.lead("trial", c.Asked[0].Name+": "+c.Asked[0].About)
	}
	for i := range c.Sides {
		k := &c.Sides[i]
		if i > 0 {
			d.lead(k.Name, strings.Join(k.Words, ", "))
		}
		for _, text := range k.Follows {
			d.lead("what follows of "+k.Name, text)
		}
		for _, text := range k.Untested {
			d.lead("not tested of "+k.Name, text)
		}
		if k.Side.Level != verdict.Clear && i > 0 {
			d.Reasons = append(d.Reasons, k.Name+" is "+k.Side.Level.String())
		}
	}
	d.Sentence = c.sentence()
	c.parts(d)
	c.gains(d)
	c.rules(d)
	c.verdicts(d)
	s := d.section("alone", "", "")
	s.Bare = true
	s.add(block{Text: "The events of one, how sure its margins are and what would make it clear: try it alone, with --set."})
}

// gravest returns the proposal with the gravest verdict.
func (c *Compared) gravest() *ComparedSide {
	worst := &c.Sides[min(1, len(c.Sides)-1)]
	for i := 1; i < len(c.Sides); i++ {
		if k := &c.Sides[i]; k.Side.Level > worst.Side.Level {
			worst = k
		}
	}
	return worst
}

// sentence returns a sentence with the proposals that are clear.
func (c *Compared) sentence() string {
	var clear []string
	for _, k := range c.Sides[1:] {
		if k.Side.Level == verdict.Clear {
			clear = append(clear, k.Name)
		}
	}
	switch len(clear) {
	case 0:
		return "None of the proposals is clear."
	case 1:
		return "One proposal is clear: " + clear[0] + "."
	}
	return "These proposals are clear: " + quantity.List(clear) + "."
}

// names returns what columns are headed by: the proposals' own names, or letters where the names are too wide.
func (c *Compared) names(most int) []string {
	var own, letters []string
	wide := 0
	for i, k := range c.Sides {
		own, letters = append(own, k.Name), append(letters, string(rune('a'+i-1)))
		wide = max(wide, len([]rune(k.Name)))
	}
	letters[0] = "now"
	if wide > most {
		return letters
	}
	return own
}

// The widest name that heads a column of a screen, and a part's name in the narrowest form: five proposals fit into 80 columns.
const (
	mostHeading = 8
	mostPart    = 30
)

// legend returns which letter stands for which proposal, where letters do; "" where none does.
func (c *Compared) legend() string {
	names := c.names(mostHeading)
	if names[0] == c.Sides[0].Name {
		return ""
	}
	out := []string{"now: as it stands"}
	for i := 1; i < len(names); i++ {
		out = append(out, names[i]+": "+c.Sides[i].Name)
	}
	return strings.Join(out, ", ")
}

// parts adds to the document the table of parts: of each side the share of the limit used, in the trial that uses most. The widest form has the margin too.
func (c *Compared) parts(d *document) {
	s := d.section("parts", "Parts", "The share of its limit that each part uses, at its worst over the trials.")
	s.Bare = true
	var sides []judgedSide
	var parts []verdict.Part
	for _, k := range c.Sides {
		side, list := sideOf(k.Name, k.Side)
		sides = append(sides, side)
		for _, p := range list {
			if !slices.ContainsFunc(parts, func(o verdict.Part) bool { return o.Name == p.Name }) {
				parts = append(parts, p)
			}
		}
	}
	if len(parts) == 0 {
		s.Intro = ""
		s.add(block{Text: "no trial has begun"})
		return
	}
	if !d.Paper {
		s.add(block{Text: "share of the limit used, each part at its worst over the trials"})
	}
	wide := c.partTable(sides, parts, c.names(100), true, func(p verdict.Part) string {
		return shareAndLevel(p) + ", " + ShownMargin(p.Margin, p.Unit) + " left"
	})
	words := c.partTable(sides, parts, c.names(100), false, shareAndLevel)
	if d.Paper {
		s.add(block{Table: words})
		return
	}
	marks := c.partTable(sides, parts, c.names(mostHeading), false, func(p verdict.Part) string { return ShownShare(p.Used) + levelMark[p.Level] })
	marks.Under = "! over, ~ close, ? not judged"
	if text := c.legend(); text != "" {
		marks.Under += "; " + text
	}
	short := &table{Columns: marks.Columns, Under: marks.Under}
	for _, r := range marks.Rows {
		r.Cells = slices.Clone(r.Cells)
		if name := []rune(r.Cells[0].Text); len(name) > mostPart {
			r.Cells[0].Text = string(name[:mostPart-1]) + "…"
		}
		short.Rows = append(short.Rows, r)
	}
	wide.Narrower, words.Narrower, marks.Narrower = words, marks, short
	s.add(block{Table: wide})
}

// shareAndLevel returns the share of a limit that is used, and the verdict where it is not clear.
func shareAndLevel(p verdict.Part) string {
	if p.Level == verdict.Clear {
		return ShownShare(p.Used)
	}
	return ShownShare(p.Used) + " " + p.Level.String()
}

// levelMark stands for a verdict where there is no room for its word.
var levelMark = [...]string{verdict.Clear: " ", verdict.Close: "~", verdict.NotJudged: "?", verdict.Over: "!"}

// partTable returns a table with a row for each part and a column for each side.
func (c *Compared) partTable(sides []judgedSide, parts []verdict.Part, names []string, current bool, cellOf func(verdict.Part) string) *table {
	tab := &table{Columns: []column{{Title: "part", Wide: 1.7}}}
	if current {
		tab.Columns = append(tab.Columns, column{Over: "current", Title: "of", Wide: 0.8}, column{Title: "limit", Right: true})
	}
	for _, name := range names {
		tab.Columns = append(tab.Columns, column{Title: name, Right: true})
	}
	for _, p := range parts {
		cells := words(p.Name)
		if current {
			cells = words(p.Name, orDash(p.Current), Shown(p.Limit, p.Unit))
		}
		for _, side := range sides {
			k, ok := side.parts[p.Name]
			if !ok {
				cells = append(cells, cell{Text: "-"})
				continue
			}
			cells = append(cells, cell{Text: cellOf(k), Bold: k.Level != verdict.Clear})
		}
		tab.Rows = append(tab.Rows, row{Cells: cells})
	}
	return tab
}

// compared are the gains of a screen: short titles, and units that all sides share.
var compared = []struct {
	title, unit string
	of          func(*record.Run) *float64
}{
	{"top speed", "km/h", func(r *record.Run) *float64 { return r.Gain.TopSpeed }},
	{"thrust", "N", func(r *record.Run) *float64 { return r.Gain.Thrust }},
	{"endurance", "h", func(r *record.Run) *float64 { return r.Gain.Endurance }},
	{"distance", "km", func(r *record.Run) *float64 { return r.Gain.Distance }},
}

// gains adds to the document the table of what each side brings.
func (c *Compared) gains(d *document) {
	tab := &table{Indent: true, Columns: []column{{Title: "", Wide: 1.4}}}
	names := c.names(mostHeading)
	if d.Paper {
		names = c.names(100)
	} else {
		tab.Under = c.legend()
	}
	for _, name := range names {
		tab.Columns = append(tab.Columns, column{Title: name, Right: true})
	}
	for i := range c.Sides[0].Side.Trials {
		name := c.Sides[0].Side.Trials[i].Name
		if c.Asked == nil && !slices.Contains(gainTrials, name) {
			continue
		}
		var rows []row
		for _, g := range compared {
			cells, any := words(g.title+", "+g.unit), false
			for _, k := range c.Sides {
				text := "-"
				if t := trialOf(k.Side, name); t != nil {
					if x := g.of(t.Run); x != nil {
						text, _, _ = strings.Cut(quantity.Format(*x, g.unit, 3), " ")
						any = true
					}
				}
				cells = append(cells, cell{Text: text})
			}
			if any {
				rows = append(rows, row{Cells: cells})
			}
		}
		if rows != nil {
			tab.Rows = append(append(tab.Rows, row{Cells: words(name), Group: true}), rows...)
		}
	}
	if len(tab.Rows) > 0 {
		d.section("gain", "What it brings", "").add(block{Table: tab})
	}
}

// trialOf returns a trial of a side; nil where it has not run.
func trialOf(s *verdict.Side, name string) *verdict.Trial {
	for i := range s.Trials {
		if s.Trials[i].Name == name {
			return &s.Trials[i]
		}
	}
	return nil
}

// rules lists what rules found, side by side where the finding is the same.
func (c *Compared) rules(d *document) {
	type found struct {
		verdict.Finding
		names []string
	}
	var list []found
	for _, k := range c.Sides {
		for _, f := range k.Side.Findings {
			if f.Level == verdict.Clear {
				continue
			}
			i := slices.IndexFunc(list, func(o found) bool { return o.Rule == f.Rule && o.Text == f.Text })
			if i < 0 {
				list, i = append(list, found{Finding: f}), len(list)
			}
			list[i].names = append(list[i].names, k.Name)
		}
	}
	if list == nil {
		return
	}
	var findings []verdict.Finding
	for _, f := range list {
		f.Text = strings.Join(f.names, ", ") + ": " + f.Text
		findings = append(findings, f.Finding)
	}
	d.section("rules", "Rules that need no simulation", "").add(block{Findings: findingsOf(findings)})
}

// verdicts adds to the document a table with a row for each side: what acts first, and why it is not clear.
func (c *Compared) verdicts(d *document) {
	s := d.section("verdicts", "Each of them", "")
	for _, k := range c.Sides {
		text := k.Side.Level.String()
		if why := k.Side.Reasons(); len(why) > 0 {
			text += ": " + strings.Join(why, ", ")
		}
		if c.NotJudged != "" {
			text = "not judged"
		}
		if f := k.Side.First; f != nil {
			text += fmt.Sprintf("; %s: %s", f.Heading(), firstWords(f))
		}
		s.say(k.Name, text)
	}
}

func (c *Compared) pictures(p *Paper) (string, []Figure) {
	worst := c.gravest()
	title, figures := (&Tried{Asked: c.Asked, Present: *c.Sides[0].Side, Proposed: worst.Side}).pictures(p)
	return title + ", proposal " + worst.Name + " (the gravest) beside the present", figures
}
