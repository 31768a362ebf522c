package report

import (
	"fmt"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/verdict"
)

// Plan is a staircase from the present value of a setting to a new one.
type Plan struct {
	Key, From string
	Moored    bool
	Read      float64 // when the meters are read, s
	Trials    int     // built-in ones that each value was judged in
	NoBands   string  // why the target's margins have no bands; "": they have
	Despite   string  // why a target that is over is planned
	Stops     []string
	Steps     []PlanStep
	File      string   // of the throttle programme; "": not written
	After     []string // commands after the last step
}

// PlanStep is a value on the way.
type PlanStep struct {
	Value    string
	Side     verdict.Side  // rules and all built-in trials
	Untested string        // why the step's own programme says nothing about the value; "": it reaches it
	Own      *verdict.Side // of the step's own programme; nil: not planned
	Readings []PlanReading
	LeftOut  []string // draws that no band counts, in words
	Shell    []string // commands that write the setting and run the test
}

// PlanReading is what a meter is predicted to show, SI.
type PlanReading struct {
	Meter, Unit          string
	Predicted, Low, High float64 // the band holds 99 of 100 readings
}

// Target returns the last step.
func (p *Plan) Target() *PlanStep { return &p.Steps[len(p.Steps)-1] }

// Planned reports whether there is a plan: the target is not over, or is wanted despite that.
func (p *Plan) Planned() bool { return p.Steps[0].Own != nil }

// Level returns what ends the plan: the target's level where there is none, over where a step's own programme is, else clear.
func (p *Plan) Level() verdict.Level {
	if !p.Planned() {
		return p.Target().Side.Level
	}
	if slices.ContainsFunc(p.Steps, func(k PlanStep) bool { return k.Own != nil && k.Own.Level == verdict.Over }) {
		return verdict.Over
	}
	return verdict.Clear
}

// Because lists what keeps a step from clear, at most three things.
func (k *PlanStep) Because() string {
	why := k.Side.ReasonsWhere()
	if len(why) > 3 {
		why = append(slices.Clone(why[:3]), "...")
	}
	return strings.Join(why, ", ")
}

func (p *Plan) write(_ *Paper, d *document) {
	d.Title += ": plan for " + p.Key
	if !p.Planned() {
		t := p.Target()
		d.subject("no plan")
		d.lead("no plan", fmt.Sprintf("%s = %s is %s in the built-in trials: %s", p.Key, t.Value, t.Side.Level, t.Because()))
		d.lead("to go on", strings.Join(p.After, "; "))
		return
	}
	held := map[bool]string{true: "moored", false: "under way"}[p.Moored]
	d.subject(fmt.Sprintf("plan for %s from %s to %s in %d steps, %s", p.Key, p.From, p.Target().Value, len(p.Steps), held))
	if d.Paper {
		d.Sentence = d.Name + ": " + fmt.Sprintf("%s from %s to %s in %d steps, %s.", p.Key, p.From, p.Target().Value, len(p.Steps), held)
	}
	d.lead("each step", fmt.Sprintf("lever to full over 1 s, held for %s, back to neutral; the meters are read just before %s.", ShownTime(p.Read-1), ShownTime(p.Read)))
	d.lead("before each step", "heat sink, motor and battery back to within 5 K of the air, or note what they read and say so in the programme's [start].")
	d.lead("go back one step when", "a part is close or over, a reading lies outside its band, or at the first smell, noise or discoloured joint.")
	s := d.section("stop", "The test stops at once when", "")
	s.Tight = true
	s.add(block{List: p.Stops})
	s = d.section("judged", fmt.Sprintf("Judged first, each in all %d built-in trials", p.Trials), "")
	s.Tight = true
	var list []string
	for i := range p.Steps {
		list = append(list, fmt.Sprintf("%s = %s: %s", p.Key, p.Steps[i].Value, p.Steps[i].judged()))
	}
	s.add(block{List: list})
	if p.NoBands != "" {
		s.say("the margins show no band", p.NoBands)
	}
	if p.Despite != "" && p.Target().Side.Level >= verdict.NotJudged {
		s.say("planned despite that", p.Despite)
	}
	for i := range p.Steps {
		if p.Steps[i].Own == nil {
			break
		}
		p.step(d, i)
	}
	s = d.section("after", "After the last step", "")
	switch {
	case p.Level() == verdict.Over:
		s.Bare = true
		s.add(block{Text: "The plan ends here: this step is over a limit in simulation; do not go on."})
	case p.File == "":
		s.Bare = true
		s.add(block{Text: "--out FOLDER writes the throttle programme, and each step then says how to run it."})
	case p.After == nil:
		d.Sections = d.Sections[:len(d.Sections)-1]
	default:
		s.add(block{Shell: p.After})
	}
}

// judged returns in words the verdict on a step's value in all built-in trials.
func (k *PlanStep) judged() string {
	text := k.Side.Level.String()
	if k.Side.Level != verdict.Clear {
		text += " by " + k.Because()
	}
	if part, in, ok := k.Side.Tightest(); ok {
		text += fmt.Sprintf("; tightest margin: %s %s in %s", part.Name, ShownBand(part.Margin, part.Band, part.Unit), in)
	}
	return text
}

// step writes a step, with what it is predicted to read; a page has a blank for what was read.
func (p *Plan) step(d *document, i int) {
	k := &p.Steps[i]
	s := d.section(fmt.Sprintf("step-%d", i+1), fmt.Sprintf("Step %d: %s = %s", i+1, p.Key, k.Value), "")
	t := &table{Indent: true, Columns: []column{{Title: "read"}, {Title: "predicted", Right: true}, {Title: "band", Right: true}}}
	if d.Paper {
		t.Columns = append(t.Columns, column{Title: "shown", Right: true})
	}
	for _, r := range k.Readings {
		cells := []string{quantity.Spoken(r.Meter), quantity.Format(r.Predicted, r.Unit, 3), quantity.Format(r.Low, r.Unit, 3) + " to " + quantity.Format(r.High, r.Unit, 3)}
		if d.Paper {
			cells = append(cells, "________")
		}
		t.row(cells...)
	}
	s.add(block{Table: t})
	s.sentences(k.LeftOut)
	text := k.Own.Level.String()
	if part, _, ok := k.Own.Tightest(); ok {
		text += fmt.Sprintf("; tightest margin: %s %s", part.Name, ShownBand(part.Margin, part.Band, part.Unit))
	}
	s.say("this step's programme", text)
	if k.Untested != "" {
		s.say("not tested by this step", fmt.Sprintf("%s never reaches %s (%s)", p.Key, k.Value, k.Untested))
	}
	found := findingsOf(k.Own.Findings)
	if i > 0 && !d.Paper && len(found) > 0 && slices.Equal(found, findingsOf(p.Steps[i-1].Own.Findings)) {
		s.say("rules that need no simulation", "as in the step before")
		found = nil
	}
	s.add(block{Findings: found})
	s.add(block{Shell: k.Shell})
}

func (p *Plan) pictures(*Paper) (string, []Figure) { return "plan for " + p.Key, nil }
