package report

import (
	"fmt"
	"image/png"
	"io"
	"strings"
)

// Sheet is several figures in one picture file, two beside each other.
type Sheet struct {
	Title   string
	Figures []Figure
}

const (
	sheetEdge = 16.0
	sheetGap  = 28.0 // between columns
)

// columns returns the columns of the sheet.
func (s *Sheet) columns() int { return min(2, max(1, len(s.Figures))) }

func (s *Sheet) width() float64 {
	n := float64(s.columns())
	return n*wide + (n-1)*sheetGap + 2*sheetEdge
}

// shifted draws with a pen at another place.
type shifted struct {
	pen
	by point
}

func (s shifted) move(p []point) []point {
	out := make([]point, len(p))
	for i, q := range p {
		out[i] = point{q.x + s.by.x, q.y + s.by.y}
	}
	return out
}

func (s shifted) line(p []point, k stroke) { s.pen.line(s.move(p), k) }
func (s shifted) area(p []point, f fill)   { s.pen.area(s.move(p), f) }
func (s shifted) text(at point, text string, w writing) {
	s.pen.text(point{at.x + s.by.x, at.y + s.by.y}, text, w)
}

// height returns the height of the whole sheet, px.
func (s *Sheet) height() float64 { return s.each(func(Figure, point) {}) }

// each visits the figures with their places, and returns the height of the sheet.
func (s *Sheet) each(visit func(g Figure, at point)) (height float64) {
	y := sheetEdge + 24
	n := s.columns()
	for i := 0; i < len(s.Figures); i += n {
		tall := 0.0
		for k, g := range s.Figures[i:min(i+n, len(s.Figures))] {
			visit(g, point{sheetEdge + float64(k)*(wide+sheetGap), y})
			tall = max(tall, headingHeight(g, wide)+g.height())
		}
		y += tall + 16
	}
	return y + sheetEdge
}

// headingLines breaks the title of a figure and what it is about.
func headingLines(g Figure, width float64) (titles, abouts []string) {
	title, about := g.heading()
	return wrap(title, writing{bold: true}, width), wrap(about, writing{small: true}, width)
}

func headingHeight(g Figure, width float64) float64 {
	titles, abouts := headingLines(g, width)
	return 15*float64(len(titles)) + lineHeight*float64(len(abouts)) + 3
}

// heading writes the title of a figure and what it is about.
func heading(p pen, g Figure, width float64) {
	titles, abouts := headingLines(g, width)
	y := -3.0
	for _, line := range titles {
		y += 15
		p.text(point{0, y}, line, writing{ink: text, bold: true})
	}
	for _, line := range abouts {
		y += lineHeight
		p.text(point{0, y}, line, writing{ink: faint, small: true})
	}
}

func (s *Sheet) draw(p pen) {
	bold := writing{ink: text, bold: true}
	p.text(point{sheetEdge, sheetEdge + 10}, bold.fitted(s.Title, s.width()-2*sheetEdge), bold)
	s.each(func(g Figure, at point) {
		heading(shifted{p, at}, g, wide)
		g.draw(shifted{p, point{at.x, at.y + headingHeight(g, wide)}}, wide, g.height(), false)
	})
}

// SVG writes the sheet as an SVG file.
func (s *Sheet) SVG(w io.Writer) error {
	var p svgPen
	width, height := s.width(), s.height()
	fmt.Fprintf(&p.out, `<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 %g %g" width="%g" height="%g"`, width, height, width, height)
	var words []string
	for _, g := range s.Figures {
		words = append(words, g.altText())
	}
	p.attribute("aria-label", s.Title+". "+strings.Join(words, ". "))
	p.out.WriteString("><style>" + svgShapes + svgStyle(false) + "</style>")
	p.area(box(0, 0, width, height), fill{ink: paper, opaque: true})
	s.draw(&p)
	p.out.WriteString("</svg>\n")
	_, err := w.Write(p.out.Bytes())
	return err
}

// PNG writes the sheet as a PNG file, two pixels for each px.
func (s *Sheet) PNG(w io.Writer) error {
	p := newPNGPen(s.width(), s.height(), 2)
	s.draw(p)
	return png.Encode(w, p.image())
}
