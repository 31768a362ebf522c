package report

import (
	"fmt"
	"time"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
)

// Paper is what a report is about. Boat, Result, Caution and Made are wanted; the rest may be left out.
type Paper struct {
	Boat     *boat.Boat
	Settings settings.Set
	Proposal *settings.Set // nil: none was made
	Approved *Approved     // nil: none; NoApproval says why
	// NoApproval says why there is no approved version to compare with, in a sentence.
	NoApproval string
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

// effective are the settings that the verdict is about.
func (p *Paper) effective() settings.Set {
	if p.Proposal != nil {
		return *p.Proposal
	}
	return p.Settings
}

// document puts the report together.
func (p *Paper) document() *document {
	d := &document{Title: p.Boat.Name, About: p.Boat.About, Caution: p.Caution}
	p.Result.write(p, d)
	p.settings(d)
	p.boat(d)
	p.made(d)
	return d
}

// Sheet is the charts of the result alone.
func (p *Paper) Sheet() *Sheet {
	title, figures := p.Result.pictures(p)
	return &Sheet{Title: p.Boat.Name + ": " + title, Figures: figures}
}

// Numbers are shown to three digits; a difference of temperatures is in kelvin.

func shown(si float64, unit string) string { return quantity.Format(si, orOne(unit), 3) }

func shownMargin(si float64, unit string) string {
	if unit == "°C" {
		unit = "K"
	}
	return quantity.Format(si, orOne(unit), 2)
}

func shownShare(x float64) string {
	switch {
	case !finite(x):
		return "–"
	case x >= 10:
		return "> 999 %"
	}
	return fmt.Sprintf("%.0f %%", 100*max(0, x))
}

func shownTime(s float64) string {
	if s == 0 {
		return "0 s"
	}
	return quantity.FormatAuto(s, "s")
}

func percent(x float64) string { return short(100*x) + " %" }

// made is the section that lets somebody make the report again.
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
	out := &table{Columns: []column{{Title: "no.", Right: true, Wide: 0.4}, {Title: "after", Right: true, Wide: 0.7}, {Title: "what", Wide: 4.5}, {Title: "lasts", Wide: 1}}}
	for i, e := range t.Run.Events {
		out.Rows = append(out.Rows, row{Cells: words(fmt.Sprint(i+1), shownTime(e.At), eventWords(e), lasting(e)), Quiet: e.Kind == record.Note})
	}
	for _, m := range t.Missing {
		out.Rows = append(out.Rows, row{Cells: []cell{{}, {Text: "never"}, {Text: m, Bold: true}, {}}})
	}
	return out
}

func eventWords(e record.Event) string {
	text := e.What
	if e.Count > 1 {
		text += fmt.Sprintf(" (came %d times)", e.Count)
	}
	switch {
	case e.Latest > 0 && !finite(e.Latest):
		text += "; a slow one not in this trial"
	case e.Latest > 0:
		text += "; a slow one at " + shownTime(e.Latest)
	}
	return text
}

func lasting(e record.Event) string {
	switch {
	case e.Until > e.At:
		return shownTime(e.Until - e.At)
	case e.Kind == record.Limiting:
		return "to the end"
	}
	return ""
}
