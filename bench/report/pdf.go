package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"

	"quaybench/bench/layout"
	"quaybench/bench/quantity"
	"quaybench/bench/verdict"
)

const (
	pdfMono   = "gomono"
	pdfMargin = 40.0 // pt
	pdfGap    = 14.0 // between figures
)

// PDF writes the report as a PDF file of A4 sheets, fonts included. It says the same as the HTML.
func (p *Paper) PDF(w io.Writer) error {
	d := p.document()
	doc := fpdf.New("P", "pt", "A4", "")
	doc.AddUTF8FontFromBytes(pdfFont, "", goregular.TTF)
	doc.AddUTF8FontFromBytes(pdfFont, "B", gobold.TTF)
	doc.AddUTF8FontFromBytes(pdfMono, "", gomono.TTF)
	doc.SetTitle(pdfText(d.Title), true)
	doc.SetCreator("quaybench "+pdfText(p.Made.Tool), true)
	doc.SetLang("en")
	doc.SetCreationDate(p.Made.When)
	doc.SetModificationDate(p.Made.When)
	doc.SetMargins(pdfMargin, pdfMargin, pdfMargin)
	doc.SetAutoPageBreak(false, pdfMargin)
	doc.SetCellMargin(0)
	s := &pdfSetter{doc: doc}
	doc.SetFooterFunc(func() {
		doc.SetY(-26)
		s.font("", 7.5, faint)
		doc.CellFormat(0, 10, s.fitted(d.Title, s.width()-60), "", 0, "L", false, 0, "")
		doc.SetX(pdfMargin)
		doc.CellFormat(0, 10, fmt.Sprint(doc.PageNo()), "", 0, "R", false, 0, "")
	})
	doc.AddPage()
	s.head(d)
	for i := range d.Sections {
		s.section(&d.Sections[i])
	}
	return doc.Output(w)
}

// pdfSetter sets a document from the top down.
type pdfSetter struct{ doc *fpdf.Fpdf }

func (s *pdfSetter) width() float64 {
	w, _ := s.doc.GetPageSize()
	return w - 2*pdfMargin
}

// room starts a new page where less height than asked for is left.
func (s *pdfSetter) room(height float64) {
	_, h := s.doc.GetPageSize()
	if s.doc.GetY()+height > h-pdfMargin {
		s.doc.AddPage()
	}
}

func (s *pdfSetter) font(style string, size float64, k ink) {
	s.doc.SetFont(pdfFont, style, size)
	r, g, b := rgb(palette[k].light)
	s.doc.SetTextColor(int(r), int(g), int(b))
}

func (s *pdfSetter) fitted(text string, width float64) string {
	runes := []rune(pdfText(text))
	for len(runes) > 1 && s.doc.GetStringWidth(string(runes)) > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes)
}

// lines breaks a text in the font that is set, and a word that is too wide for a line.
func (s *pdfSetter) lines(text string, width float64) []string {
	var words []string
	for _, word := range strings.Fields(pdfText(text)) {
		for s.doc.GetStringWidth(word) > width && len([]rune(word)) > 1 {
			part := s.fitted(word, width)
			words, word = append(words, part), word[len(part):]
		}
		words = append(words, word)
	}
	if len(words) == 0 {
		return []string{""}
	}
	return layout.Fill(words, width, s.doc.GetStringWidth)
}

// paragraph sets running text.
func (s *pdfSetter) paragraph(text, style string, size float64, k ink) {
	if text == "" {
		return
	}
	s.font(style, size, k)
	for _, line := range s.lines(text, s.width()) {
		s.room(size * 1.35)
		s.font(style, size, k)
		s.doc.SetX(pdfMargin)
		s.doc.CellFormat(s.width(), size*1.35, line, "", 1, "L", false, 0, "")
	}
	s.doc.SetY(s.doc.GetY() + 3)
}

func (s *pdfSetter) head(d *document) {
	s.paragraph(d.Title, "B", 16, text)
	s.paragraph(d.About, "", 9, faint)
	for _, l := range d.Lead {
		s.paragraph(title(l.String()), "", 10, text)
	}
	if d.Blank != "" {
		s.paragraph("verdict: not judged", "B", 13, text)
		s.paragraph(d.Blank, "", 10, text)
	}
	if d.Verdict != nil {
		s.font("B", 13, text)
		word := d.Verdict.Sign() + "  verdict: " + d.Verdict.Word()
		wide := s.doc.GetStringWidth(word) + 24
		s.doc.SetDrawColor(0, 0, 0)
		s.doc.SetLineWidth(2)
		y := s.doc.GetY() + 4
		if *d.Verdict == level(verdict.Over) {
			s.doc.SetFillColor(160, 13, 13)
			s.doc.SetTextColor(255, 255, 255)
			s.doc.Rect(pdfMargin, y, wide, 24, "F")
		} else {
			s.doc.Rect(pdfMargin, y, wide, 24, "D")
		}
		s.doc.Text(pdfMargin+12, y+17, word)
		s.doc.SetY(y + 32)
	}
	s.paragraph(d.Sentence, "", 11, text)
	if len(d.Reasons) > 0 {
		s.paragraph("The verdict comes from: "+quantity.List(d.Reasons)+".", "", 10, text)
	}
	if d.First != nil {
		s.paragraph(title(d.First.String())+".", "", 10, text)
	}
	s.paragraph("Caution. "+d.Caution, "B", 8.5, text)
}

func (s *pdfSetter) section(k *section) {
	if k.Break {
		s.doc.AddPage()
	} else {
		s.room(70)
		s.doc.SetY(s.doc.GetY() + 10)
	}
	s.doc.SetDrawColor(26, 26, 26)
	s.doc.SetLineWidth(1)
	s.doc.Line(pdfMargin, s.doc.GetY(), pdfMargin+s.width(), s.doc.GetY())
	s.doc.SetY(s.doc.GetY() + 4)
	s.doc.Bookmark(pdfText(k.Title), 0, -1)
	s.paragraph(k.Title, "B", 12, text)
	s.paragraph(k.Intro, "", 8.5, faint)
	for _, b := range k.Blocks {
		if b.Line != nil {
			s.paragraph(title(b.Line.String()), "", 9, text)
		}
		s.paragraph(b.Text, "", 9, text)
		for _, item := range b.List {
			s.paragraph("– "+item, "", 9, text)
		}
		for _, command := range b.Shell {
			s.paragraph(command, "", 9, text)
		}
		if b.Findings != nil {
			s.table(findingTable(b.Findings))
		}
		if b.Table != nil {
			s.table(b.Table)
		}
		s.figures(b.Figures)
	}
}

const (
	pdfRow  = 9.6 // height of a line in a table
	pdfSize = 7.4
)

func (s *pdfSetter) table(t *table) {
	widths := make([]float64, len(t.Columns))
	sum := 0.0
	for i, c := range t.Columns {
		if widths[i] = c.Wide; c.Wide == 0 {
			widths[i] = 1
		}
		sum += widths[i]
	}
	for i := range widths {
		widths[i] *= s.width() / sum
	}
	head := func() {
		cells := make([]cell, len(t.Columns))
		for i, c := range t.Columns {
			cells[i] = cell{Text: c.Heading(), Bold: true}
		}
		s.row(t, widths, row{Cells: cells}, 0.9, nil)
	}
	head()
	for _, r := range t.Rows {
		s.row(t, widths, r, 0.3, head)
	}
	s.doc.SetY(s.doc.GetY() + 6)
}

// row sets a row of a table; again sets the heads once more where it begins a new page.
func (s *pdfSetter) row(t *table, widths []float64, r row, rule float64, again func()) {
	const gap = 5.0
	k := text
	if r.Quiet {
		k = faint
	}
	set := func(i int) {
		c := r.Cells[i]
		style := ""
		if c.Bold || r.Group {
			style = "B"
		}
		s.font(style, pdfSize, k)
		if t.Columns[i].Mono && rule < 0.5 {
			s.doc.SetFont(pdfMono, "", pdfSize)
		}
	}
	lines := make([][]string, len(r.Cells))
	height := 1
	for i, c := range r.Cells {
		set(i)
		words := c.Text
		if c.Level != nil {
			words = c.Level.Sign() + " " + words
		}
		width := widths[i] - gap
		if r.Group {
			width = s.width()
		}
		lines[i] = s.lines(words, width)
		height = max(height, len(lines[i]))
	}
	const most = 60 // lines that fit on a page
	height = min(height, most)
	tall := float64(height)*pdfRow + 3
	if _, h := s.doc.GetPageSize(); again != nil && s.doc.GetY()+tall > h-pdfMargin {
		s.doc.AddPage()
		again()
	}
	top := s.doc.GetY()
	x := pdfMargin
	for i, c := range r.Cells {
		set(i)
		if c.Spark != nil {
			c.Spark.draw(&pdfPen{s.doc, point{x, top + 1}, 0.75}, min(90, (widths[i]-2)/0.75), 13)
		}
		for n, line := range lines[i] {
			if n == most {
				break
			}
			at := x
			if t.Columns[i].Right {
				at = x + widths[i] - gap - s.doc.GetStringWidth(line)
			}
			s.doc.Text(at, top+pdfSize+float64(n)*pdfRow+0.5, line)
		}
		x += widths[i]
	}
	s.doc.SetY(top + tall)
	r2, g2, b2 := rgb(palette[faint].light)
	s.doc.SetDrawColor(int(r2), int(g2), int(b2))
	s.doc.SetLineWidth(rule)
	s.doc.Line(pdfMargin, top+tall-1, pdfMargin+s.width(), top+tall-1)
}

// figures sets pictures two beside each other.
func (s *pdfSetter) figures(list []Figure) {
	const columns = 2
	column := (s.width() - pdfGap) / columns
	scale := column / narrow
	for i := 0; i < len(list); i += columns {
		tall := 0.0
		pair := list[i:min(i+columns, len(list))]
		for _, g := range pair {
			tall = math.Max(tall, (headingHeight(g, narrow)+g.height())*scale)
		}
		s.room(tall + pdfGap)
		top := s.doc.GetY()
		for k, g := range pair {
			p := &pdfPen{s.doc, point{pdfMargin + float64(k)*(column+pdfGap), top}, scale}
			heading(p, g, narrow)
			g.draw(shifted{p, point{0, headingHeight(g, narrow)}}, narrow, g.height(), true)
		}
		s.doc.SetY(top + tall + pdfGap)
	}
}
