package report

import (
	"fmt"
	"image/png"
	"io"
	"strings"
)

// Sheet is a stack of figures in one picture file.
type Sheet struct {
	Title   string
	Figures []Figure
}

const (
	sheetWidth = 760.0
	sheetEdge  = 16.0
)

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

// height of the whole sheet, px.
func (s *Sheet) height() float64 {
	h := 2*sheetEdge + 22
	for _, g := range s.Figures {
		h += g.height() + headingHeight(g, sheetWidth-2*sheetEdge) + 14
	}
	return h
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
	p.text(point{sheetEdge, sheetEdge + 10}, bold.fitted(s.Title, sheetWidth-2*sheetEdge), bold)
	y := sheetEdge + 22
	for _, g := range s.Figures {
		head := headingHeight(g, sheetWidth-2*sheetEdge)
		heading(shifted{p, point{sheetEdge, y}}, g, sheetWidth-2*sheetEdge)
		g.draw(shifted{p, point{sheetEdge, y + head}}, sheetWidth-2*sheetEdge, g.height(), false)
		y += head + g.height() + 14
	}
}

// SVG writes the sheet as an SVG file.
func (s *Sheet) SVG(w io.Writer) error {
	var p svgPen
	height := s.height()
	fmt.Fprintf(&p.out, `<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 %g %g" width="%g" height="%g"`, sheetWidth, height, sheetWidth, height)
	var words []string
	for _, g := range s.Figures {
		words = append(words, g.words())
	}
	p.attribute("aria-label", s.Title+". "+strings.Join(words, ". "))
	p.out.WriteString("><style>" + svgShapes + svgStyle(false) + "</style>")
	p.area([]point{{0, 0}, {sheetWidth, 0}, {sheetWidth, height}, {0, height}}, fill{ink: paper, opaque: true})
	s.draw(&p)
	p.out.WriteString("</svg>\n")
	_, err := w.Write(p.out.Bytes())
	return err
}

// PNG writes the sheet as a PNG file, two pixels for each px.
func (s *Sheet) PNG(w io.Writer) error {
	p := newPNGPen(sheetWidth, s.height(), 2)
	s.draw(p)
	return png.Encode(w, p.image())
}
