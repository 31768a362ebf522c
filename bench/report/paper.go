package report

import (
	"fmt"
	"time"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
)

// Paper is a result with what it rests on. Text, HTML and PDF write it. HTML and PDF want Boat, Result, Caution and Made, the
// text of a result that is about no boat wants the Result alone; the rest may be left out.
type Paper struct {
	Boat     *boat.Boat
	Settings settings.Set
	Proposal *settings.Set // nil: none was made
	Approved *Approved     // nil: none; NoApproval says why
	// NoApproval says why there is no approved version to compare with, in a sentence.
	NoApproval string
	Assumed    []string // what is not as the files have it, in words
	Basis      []string // what a verdict rests on, in sentences
	Result     Result
	Caution    string
	Made       Made
}

// Approved is the version of the profile that was approved last.
type Approved struct {
	Settings settings.Set
	Version  string // as the book calls it
	By       string
	When     time.Time
	Despite  string // the reason to approve it although its verdict was over
}

// Made says what made the report, so that it can be made again.
type Made struct {
	Tool         string // version
	Command      string // the command line
	When         time.Time
	BoatFile     string // name
	BoatHash     string
	SettingsFile string
	Extra        [][2]string // what else is needed: name and value
}

// Result is what a report shows: *Tried, *Highest, *Front, *Envelope, *Odds or *Step.
type Result interface {
	// write puts the result at the head and into sections of the document.
	write(p *Paper, d *document)
	// pictures are the figures of a sheet.
	pictures(p *Paper) (title string, figures []Figure)
}

// effective returns the settings that the verdict is about.
func (p *Paper) effective() settings.Set {
	if p.Proposal != nil {
		return *p.Proposal
	}
	return p.Settings
}

// result returns the result as a document: for a page or for text.
func (p *Paper) result(page bool) *document {
	d := &document{Paper: page, Caution: p.Caution}
	if p.Boat != nil {
		d.Name, d.Title, d.About = p.Boat.Name, p.Boat.Name, p.Boat.About
	}
	for _, a := range p.Assumed {
		d.lead("assumed", a)
	}
	p.Result.write(p, d)
	return d
}

// document returns the whole report: the result and all it rests on.
func (p *Paper) document() *document {
	d := p.result(true)
	switch p.Result.(type) {
	case *Clipboard, *TypeIn: // a form to fill in is short
	default:
		p.settings(d)
		p.boat(d)
	}
	p.made(d)
	return d
}

// Sheet returns the charts of the result alone.
func (p *Paper) Sheet() *Sheet {
	title, figures := p.Result.pictures(p)
	return &Sheet{Title: p.Boat.Name + ": " + title, Figures: figures}
}

// made writes the section that lets somebody make the report again.
func (p *Paper) made(d *document) {
	s := d.section("made", "How this was made", "With the same files and the same version of the tool, the same command gives the same figures.")
	t := &table{Columns: []column{{Title: "what", Wide: 1}, {Title: "value", Wide: 3, Mono: true}}}
	add := func(name, value string) {
		if value != "" {
			t.row(name, value)
		}
	}
	m := &p.Made
	add("tool", "quaybench "+m.Tool)
	add("command", m.Command)
	if !m.When.IsZero() {
		add("made", m.When.Format("2006-01-02 15:04:05 -0700"))
	}
	add("boat file", m.BoatFile)
	add("boat file, start of its SHA-256", m.BoatHash)
	add("settings file", m.SettingsFile)
	add("settings, hash of the values", p.Settings.Hash())
	if p.Proposal != nil {
		add("proposed settings, hash", p.Proposal.Hash())
	}
	for _, x := range m.Extra {
		add(x[0], x[1])
	}
	s.add(block{Table: t})
}

// eventTable lists the events of a run, numbered as in its charts.
func eventTable(t *verdict.Trial) *table {
	out := &table{Columns: []column{{Title: "no.", Right: true, Wide: 0.4}, {Title: "after", Right: true, Wide: 0.7}, {Title: "what", Wide: 5.5}}}
	for i, e := range t.Run.Events {
		out.Rows = append(out.Rows, row{Cells: words(fmt.Sprint(i+1), ShownTime(e.At), eventText(e)), Quiet: e.Kind == record.Note})
	}
	for _, m := range t.Missing {
		out.Rows = append(out.Rows, row{Cells: []cell{{}, {Text: "never"}, {Text: m, Bold: true}}})
	}
	return out
}

// eventText returns an event in words: what, for how long, how often, and the latest instant of a device with a spread.
func eventText(e record.Event) string {
	text := e.What
	switch lasting := e.Until - e.At; {
	case e.Until > 0 && e.Hunts():
		text += fmt.Sprintf(" (hunts: %d times in %s)", e.Count, ShownTime(lasting))
	case e.Until > 0 && lasting < 0.05:
		text += " (for a moment)"
	case e.Until > 0:
		text += fmt.Sprintf(" (for %s)", ShownTime(lasting))
	case e.Hunts():
		text += fmt.Sprintf(" (hunts: %d times)", e.Count)
	}
	return text + e.Interval(ShownTime)
}
