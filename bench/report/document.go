package report

import (
	"strings"

	"quaybench/bench/verdict"
)

// document is a report before it becomes HTML or PDF: what is said, in order. Both writers show all of it.
type document struct {
	Title    string // of the boat and what was done
	About    string
	Verdict  *level // nil: the result is no verdict
	Sentence string // the result in a sentence
	Acts     string // "First limit to act:"
	First    string // what does; "" where that is not asked
	Caution  string
	Sections []section
}

// level is a verdict as it is shown: a word and a sign, never colour alone.
type level verdict.Level

func (l level) Word() string { return verdict.Level(l).String() }

// Class is the word as a style sheet has it.
func (l level) Class() string { return strings.ReplaceAll(l.Word(), " ", "-") }

// Sign is a shape for each verdict.
func (l level) Sign() string { return [...]string{"●", "▲", "○", "■"}[l] }

// section is a heading with what stands below it.
type section struct {
	Name   string // for links, made by us
	Title  string
	Intro  string
	Blocks []block
	// Break asks for a new sheet before it.
	Break bool
}

// block is one of its fields.
type block struct {
	Text    string
	List    []string
	Table   *table
	Figures []Figure
}

func (s *section) add(b ...block) { s.Blocks = append(s.Blocks, b...) }

// table is a table; the first column heads its rows.
type table struct {
	Caption string
	Columns []column
	Rows    []row
}

type column struct {
	Title string
	Right bool    // numbers
	Wide  float64 // share of the width on paper; 0: 1
	Mono  bool
}

type row struct {
	Cells []cell
	Quiet bool // of less weight
	Group bool // a heading within the table: its first cell alone
}

type cell struct {
	Text  string
	Level *level // a verdict
	Spark *spark // a small chart
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
