package report

import (
	"slices"
	"strings"

	"quaybench/bench/settings"
	"quaybench/bench/verdict"
)

// document is a result in words, tables and charts: what is said, in order. Text, HTML and PDF are its three writers. A
// result asks Paper only for what one of the two has room for: a page has charts and all the data behind them, a screen has
// the events of every trial.
type document struct {
	Paper    bool   // a page is written, HTML or PDF; else text
	Name     string // of the boat
	About    string
	Title    string   // what was done, on a page
	Plain    []line   // what stands in the head of a text, behind its prefix
	Lead     []line   // what was asked
	Verdict  *level   // nil: the result is no verdict
	Blank    string   // why there is no verdict, where one was asked for
	Stopped  bool     // before its end
	Reasons  []string // for the verdict
	Sentence string   // the result in a sentence, on a page
	First    *line    // what acts first, on a page
	Caution  string
	Sections []section
}

// line is one thing under its name: "proposed: limits.motor_current 240 A instead of 140 A".
type line struct {
	Name, Text string
	Level      *level // the text is a verdict's word
}

// String returns the line with its name, if it has one.
func (l line) String() string {
	if l.Name == "" {
		return l.Text
	}
	return l.Name + ": " + l.Text
}

// level is a verdict as it is shown: a word and a sign, never colour alone.
type level verdict.Level

func (l level) Word() string { return verdict.Level(l).String() }

// Class returns the word as a style sheet has it.
func (l level) Class() string { return strings.ReplaceAll(l.Word(), " ", "-") }

// Sign returns a shape for each verdict.
func (l level) Sign() string { return [...]string{"●", "▲", "○", "■"}[l] }

// section is a heading with what stands below it.
type section struct {
	Name   string // for links, made by us
	Title  string
	Intro  string // on a page
	Blocks []block
	Break  bool // a new sheet before it
	Bare   bool // text shows no title
	Corner bool // text shows the title in the corner of the table
	Tight  bool // text leaves no line free above it
	Late   bool // text, which is read from its end, shows it last
}

// block is one of its fields.
type block struct {
	Line     *line // text sets it behind its name
	Text     string
	List     []string
	Shell    []string // commands, which can be copied: a text breaks long ones as a shell takes it
	Findings []finding
	Table    *table
	Figures  []Figure // on a page
}

// subject sets what a text shows behind the boat's name: what was asked.
func (d *document) subject(text string) {
	if !d.Paper {
		d.About = text
	}
}

// lead adds a line to the head.
func (d *document) lead(name, text string) { d.Lead = append(d.Lead, line{Name: name, Text: text}) }

// say adds a line.
func (s *section) say(name, text string) { s.add(block{Line: &line{Name: name, Text: text}}) }

// sentences adds a paragraph for each text.
func (s *section) sentences(texts []string) {
	for _, text := range texts {
		s.add(block{Text: text})
	}
}

func (s *section) add(b ...block) { s.Blocks = append(s.Blocks, b...) }

// within reports whether a block stands in from the left of a text, below a title with a colon.
func (b block) within() bool {
	return b.List != nil || b.Shell != nil || b.Table != nil && b.Table.Indent && !b.Table.Columns[len(b.Table.Columns)-1].Run
}

// finding is what a rule found.
type finding struct {
	Level              verdict.Level
	Rule, Text         string
	Change, Mind, From string // what to change, what to bear in mind, the source; "" for none
}

// table is a table; the first column heads its rows.
type table struct {
	Columns  []column
	Rows     []row
	Indent   bool   // text sets the rows in from the left
	Under    string // a sentence that belongs to this form of it
	Narrower *table // the same for less width; nil: there is none
	Folded   *table // the same for less width than this takes when it is folded; nil: there is none
}

// without returns the table with a column left out.
func (t *table) without(column int) *table {
	out := &table{Indent: t.Indent, Columns: slices.Delete(slices.Clone(t.Columns), column, column+1)}
	for _, r := range t.Rows {
		r.Cells = slices.Delete(slices.Clone(r.Cells), column, column+1)
		out.Rows = append(out.Rows, r)
	}
	return out
}

// headed returns the table with its first column as a line above each row, which takes less width.
func (t *table) headed() *table {
	out := &table{Indent: true, Columns: slices.Clone(t.Columns[1:])}
	for _, r := range t.Rows {
		out.Rows = append(out.Rows, row{Group: true, Cells: r.Cells[:1]}, row{Quiet: r.Quiet, Cells: r.Cells[1:]})
	}
	return out
}

type column struct {
	Title string
	Over  string  // a first line of the title
	Group string  // begins a group of columns with this title
	Right bool    // numbers
	Wide  float64 // share of the width on a page; 0: 1
	Mono  bool
	Run   bool // the last column is running text
}

// heading is the column's title on one line.
func (c column) Heading() string {
	title := strings.TrimSpace(c.Over + " " + c.Title)
	if c.Group != "" {
		title = c.Group + ": " + title
	}
	return title
}

type row struct {
	Cells []cell
	Quiet bool // of less weight
	Group bool // a heading within the table: its first cell alone
}

type cell struct {
	Text  string
	Level *level // a verdict
	Spark *spark // a small chart, on a page
	Bold  bool
}

// spark is a small chart in a table: a share over time, with the line at 1.
type spark struct {
	X, Y  []float64
	Words string
}

func words(texts ...string) (out []cell) {
	for _, t := range texts {
		out = append(out, cell{Text: t})
	}
	return out
}

func (t *table) row(texts ...string) { t.Rows = append(t.Rows, row{Cells: words(texts...)}) }

func judged(l verdict.Level) cell {
	k := level(l)
	return cell{Text: l.String(), Level: &k}
}

// section returns the document's newest section.
func (d *document) section(name, title, intro string) *section {
	d.Sections = append(d.Sections, section{Name: name, Title: title, Intro: intro})
	return &d.Sections[len(d.Sections)-1]
}

// judge adds a verdict to the document, or why there is none.
func (d *document) judge(s *verdict.Side, blank string) {
	l := level(s.Level)
	if d.Stopped {
		l = max(l, level(verdict.NotJudged))
	}
	if d.Blank = blank; blank == "" {
		d.Verdict, d.Reasons = &l, s.Reasons()
	}
}

// findingsOf returns the findings of rules as a document shows them.
func findingsOf(list []verdict.Finding) (out []finding) {
	for _, f := range list {
		k := finding{Level: f.Level, Rule: f.Rule, Text: f.Text, Mind: f.Mind, From: f.Source}
		if f.Level == verdict.Clear {
			k.From = "" // nothing found that a source would have to back
		}
		if f.Change != nil {
			k.Change = changeWords(*f.Change)
		}
		out = append(out, k)
	}
	return out
}

// changeWords returns a change in words: the key, from what, to what, and why.
func changeWords(c verdict.Change) string {
	return c.Key + " from " + c.From + " to " + c.To + " (" + c.Why + ")"
}

// Changes returns how one set of settings differs from another, a setting each: "ramp.rise 4 s instead of 2.5 s".
func Changes(from, to settings.Set) (out []string) {
	for _, f := range settings.Fields() {
		was, _ := from.Get(f.Key)
		if now, _ := to.Get(f.Key); now != was {
			out = append(out, f.Key+" "+settingText(to, f)+" instead of "+settingText(from, f))
		}
	}
	if out == nil {
		out = []string{"nothing differs from the settings as they stand"}
	}
	return out
}

// findingTable returns findings as a page shows them.
func findingTable(list []finding) *table {
	t := &table{Columns: []column{{Title: "verdict", Wide: 0.6}, {Title: "rule", Wide: 1.2}, {Title: "what was found", Wide: 4}, {Title: "source", Wide: 2.4}}}
	for _, f := range list {
		text := f.Text
		if f.Change != "" {
			text += ". Change " + f.Change
		}
		if f.Mind != "" {
			text += ". Mind: " + f.Mind
		}
		t.Rows = append(t.Rows, row{Cells: []cell{judged(f.Level), {Text: f.Rule}, {Text: text}, {Text: f.From}}})
	}
	return t
}
