package report

import (
	"fmt"
	"slices"

	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// Checked is what the rules that need no simulation found.
type Checked struct {
	Side      verdict.Side
	NotJudged string // why there is no verdict; "": there is one
}

func (c *Checked) write(p *Paper, d *document) {
	rules := verdict.Rules()
	d.judge(&c.Side, c.NotJudged)
	d.Title += ": settings checked by rules"
	d.About = fmt.Sprintf("%d rules that need no simulation", len(rules))
	var list []finding
	for _, rule := range rules {
		at := len(list)
		for _, f := range findingsOf(c.Side.Findings) {
			if f.Rule == rule.Name {
				list = append(list, f)
			}
		}
		if len(list) == at {
			list = append(list, finding{Level: verdict.Clear, Rule: rule.Name, Text: rule.Clear(p.Boat, p.Settings)})
		}
	}
	s := d.section("rules", "Rules", "")
	s.Bare, s.Tight = true, true
	s.add(block{Findings: list})
	s = d.section("sure", "How sure", "")
	s.Bare = true
	for _, text := range p.Basis {
		s.add(block{Text: text})
	}
	if list := slices.Concat(p.Boat.Estimates(), p.Boat.Unlimited()); len(list) > 0 {
		s.add(block{List: list})
	}
}

func (c *Checked) pictures(*Paper) (string, []Figure) { return "settings checked by rules", nil }

// Findings are what rules found, without a verdict.
type Findings []verdict.Finding

func (f Findings) write(_ *Paper, d *document) {
	s := d.section("rules", "Rules", "")
	s.Bare = true
	s.add(block{Findings: findingsOf(f)})
}

func (f Findings) pictures(*Paper) (string, []Figure) { return "rules", nil }

// Judged is the judgement of one run, by itself.
type Judged struct {
	Trial verdict.Trial
	Blank string // why there is no verdict, whatever was measured; "": there is one
	// Read is what was understood of each file: its name, then line by line. Paper alone has it; the screen says it before anything is kept.
	Read [][]string
}

func (j *Judged) write(p *Paper, d *document) {
	j.judge(d)
	if !d.Paper {
		return
	}
	for i, file := range j.Read {
		d.section(fmt.Sprintf("read-%d", i+1), "What was understood of "+file[0], "").add(block{List: file[1:]})
	}
	if _, figures := j.pictures(p); len(figures) > 0 {
		d.section("charts", "Charts", "").add(block{Figures: figures})
	}
}

func (j *Judged) judge(d *document) {
	t := Tried{Asked: []*trial.Trial{{Name: j.Trial.Name}}, Present: verdict.Join(nil, []verdict.Trial{j.Trial})}
	d.judge(&t.Present, j.Blank)
	if !slices.ContainsFunc(j.Trial.Run.Traces, func(tr record.Trace) bool { return tr.Inferred }) {
		t.parts(d)
		return
	}
	inferred(d, j.Trial.Run, j.Trial.Parts)
	if t.Present.Level == verdict.NotJudged {
		d.Reasons = nil
	}
	if j.Blank == "" {
		d.Reasons = append(d.Reasons, j.Trial.Unjudged...)
	}
}

func (j *Judged) pictures(p *Paper) (string, []Figure) {
	return "trial " + j.Trial.Name, newRunView(j.Trial.Run, nil, &p.Settings).charts()
}
