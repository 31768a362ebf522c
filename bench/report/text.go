package report

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"

	"quaybench/bench/layout"
	"quaybench/bench/verdict"
)

// Screen is what text is written for.
type Screen struct {
	Width  int // columns of running text, 60 or more
	Table  int // columns of a table: more than Width where nobody minds long lines
	Colour bool
}

// Text writes the result as text: what a terminal shows. The files behind it, charts and how it was made are left to HTML and PDF.
func (p *Paper) Text(w io.Writer, s Screen) error {
	t := &textSetter{out: bufio.NewWriter(w), Screen: s}
	t.document(p.result(false))
	return t.out.Flush()
}

// textSetter sets a document from the top down.
type textSetter struct {
	out *bufio.Writer
	Screen
	below bool // something stands above
}

func (t *textSetter) print(text string) {
	fmt.Fprintln(t.out, text)
	t.below = true
}

// gap leaves a line free below what stands above.
func (t *textSetter) gap() {
	if t.below {
		fmt.Fprintln(t.out)
	}
}

// set sets text behind a prefix.
func (t *textSetter) set(prefix, text string) { t.print(layout.Hang(prefix, text, t.Width)) }

// line sets a line behind its name.
func (t *textSetter) line(l line) {
	if l.Name == "" {
		t.set("", l.Text)
		return
	}
	text := l.Text
	if l.Level != nil {
		text = t.painted(*l.Level, text)
	}
	t.set(l.Name+": ", text)
}

func (t *textSetter) document(d *document) {
	if d.Name != "" {
		about := d.About
		if about == "" {
			about = "no description"
		}
		t.set(d.Name+": ", about)
	}
	for _, l := range d.Plain {
		t.set(l.Name, l.Text)
	}
	for _, l := range d.Lead {
		t.line(l)
	}
	for _, late := range []bool{false, true} {
		for i := range d.Sections {
			if d.Sections[i].Late == late {
				t.section(&d.Sections[i])
			}
		}
	}
	t.verdict(d)
	if d.Caution != "" {
		t.set("", d.Caution)
	}
}

func (t *textSetter) verdict(d *document) {
	switch {
	case d.Blank != "":
		t.gap()
		t.set("", "verdict: "+verdict.NotJudged.String()+": "+d.Blank)
	case d.Verdict != nil:
		t.gap()
		text := "verdict: " + t.painted(*d.Verdict, d.Verdict.Word())
		if d.Stopped {
			text += ", for it was stopped early"
		}
		t.print(text)
		const long = 60 // characters: sentences, not names
		switch {
		case slices.ContainsFunc(d.Reasons, func(r string) bool { return len(r) > long }):
			for _, r := range d.Reasons {
				t.set("  ", r)
			}
		case len(d.Reasons) > 0:
			t.set("  ", strings.Join(d.Reasons, ", "))
		}
	}
}

func (t *textSetter) section(k *section) {
	if !k.Tight {
		t.gap()
	}
	if !k.Bare && !k.Corner {
		end := ""
		if len(k.Blocks) > 0 && k.Blocks[0].within() {
			end = ":"
		}
		t.print(untitled(k.Title) + end)
	}
	for _, b := range k.Blocks {
		if b.Line != nil {
			t.line(*b.Line)
		}
		if b.Text != "" {
			t.set("", b.Text)
		}
		for _, item := range b.List {
			t.set("  ", item)
		}
		for _, command := range b.Shell {
			t.print(layout.Command(command, t.Width))
		}
		for _, f := range b.Findings {
			t.finding(f)
		}
		if b.Table != nil {
			t.table(b.Table, k)
		}
	}
}

// untitled returns a title as it stands within running text.
func untitled(title string) string {
	r := []rune(title)
	if len(r) > 1 && unicode.IsLower(r[1]) {
		r[0] = unicode.ToLower(r[0])
	}
	return string(r)
}

func (t *textSetter) finding(f finding) {
	const indent = "         "
	t.set("  "+t.painted(level(f.Level), fmt.Sprintf("%-5s", f.Level))+"  ", f.Rule+": "+f.Text)
	if f.Change != "" {
		t.set(indent, "change "+f.Change)
	}
	if f.From != "" {
		t.set(indent, "source: "+f.From)
	}
	if f.Mind != "" {
		t.set(indent, "mind: "+f.Mind)
	}
}

// table sets the widest form of a table that fits; the last is folded.
func (t *textSetter) table(k *table, in *section) {
	tab := t.columns(k, in)
	for k.Narrower != nil && layout.Widest(tab.Lines()) > t.Table {
		k = k.Narrower
		tab = t.columns(k, in)
	}
	for k.Folded != nil && layout.Widest(tab.Fitted(t.Table)) > t.Table {
		k = k.Folded
		tab = t.columns(k, in)
	}
	if last := len(k.Columns) - 1; last >= 0 && k.Columns[last].Run {
		lines := tab.Lines()
		wide := layout.Widest(lines) + 2
		running := []string{k.Columns[last].Title}[len(k.Rows)+1-len(lines):] // a table without titles has no line of them
		for _, r := range k.Rows {
			running = append(running, r.Cells[last].Text)
		}
		for i, l := range lines {
			t.set(l+strings.Repeat(" ", wide-layout.Visible(l)), running[i])
		}
		return
	}
	for _, l := range tab.Fitted(t.Table) {
		t.print(l)
	}
	if k.Under != "" {
		t.set("", k.Under)
	}
}

// columns returns a table in text, without small charts and without a last column of running text.
func (t *textSetter) columns(k *table, in *section) *layout.Table {
	tab := &layout.Table{Right: map[int]bool{}}
	var over, head []string
	var shown []int // columns; −1: a line between groups
	for i, c := range k.Columns {
		if c.Run || slices.ContainsFunc(k.Rows, func(r row) bool { return i < len(r.Cells) && r.Cells[i].Spark != nil }) {
			continue
		}
		if c.Group != "" {
			over, head, shown = append(over, layout.Parting), append(head, layout.Parting), append(shown, -1)
		}
		tab.Right[len(shown)] = c.Right
		over, head, shown = append(over, c.Over+c.Group), append(head, c.Title), append(shown, i)
	}
	switch {
	case in.Corner:
		head[0] = untitled(in.Title)
	case k.Indent && head[0] != "":
		head[0] = "  " + head[0]
	}
	filled := func(text string) bool { return text != "" && text != layout.Parting }
	if slices.ContainsFunc(over, filled) {
		tab.Add(over...)
	}
	if slices.ContainsFunc(head, filled) {
		tab.Add(head...)
	}
	for _, r := range k.Rows {
		if r.Group {
			tab.Add(r.Cells[0].Text)
			continue
		}
		var cells []string
		for n, i := range shown {
			switch {
			case i < 0:
				cells = append(cells, layout.Parting)
				continue
			case i >= len(r.Cells):
				cells = append(cells, "")
				continue
			}
			text := r.Cells[i].Text
			if l := r.Cells[i].Level; l != nil {
				text = t.painted(*l, text)
			}
			if n == 0 && k.Indent {
				text = "  " + text
			}
			cells = append(cells, text)
		}
		tab.Add(cells...)
	}
	return tab
}

// painted colours a verdict; the word always stands there too.
func (t *textSetter) painted(l level, text string) string {
	if !t.Colour {
		return text
	}
	return Paint(verdict.Level(l), text)
}

// Paint returns a text in the colour that a verdict has on a terminal.
func Paint(l verdict.Level, text string) string {
	return [...]string{"\x1b[32m", "\x1b[33m", "\x1b[35m", "\x1b[1;31m"}[l] + text + "\x1b[0m"
}
