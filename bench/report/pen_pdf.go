package report

import (
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

// pdfPen draws on the page of a document whose unit is the point; from is the picture's top left corner.
type pdfPen struct {
	doc  *fpdf.Fpdf
	from point
	// scale is points for each px; 0.75 is true size.
	scale float64
}

func (p *pdfPen) place(q point) (x, y float64) { return p.from.x + q.x*p.scale, p.from.y + q.y*p.scale }

func (p *pdfPen) path(points []point) {
	for i, q := range points {
		x, y := p.place(q)
		if i == 0 {
			p.doc.MoveTo(x, y)
		} else {
			p.doc.LineTo(x, y)
		}
	}
}

func (p *pdfPen) line(points []point, s stroke) {
	r, g, b := rgb(palette[s.ink].light)
	p.doc.SetDrawColor(int(r), int(g), int(b))
	p.doc.SetLineWidth(s.wide * p.scale)
	var on []float64
	for _, x := range dashes[s.dash] {
		on = append(on, x*p.scale)
	}
	p.doc.SetDashPattern(on, 0)
	p.doc.SetLineJoinStyle("round")
	p.path(points)
	p.doc.DrawPath("D")
	p.doc.SetDashPattern(nil, 0)
}

func (p *pdfPen) area(points []point, f fill) {
	r, g, b := rgb(palette[f.ink].light)
	p.doc.SetFillColor(int(r), int(g), int(b))
	if !f.opaque {
		p.doc.SetAlpha(0.18, "Normal")
	}
	p.path(points)
	p.doc.ClosePath()
	p.doc.DrawPath("F")
	if !f.opaque {
		p.doc.SetAlpha(1, "Normal")
	}
}

func (p *pdfPen) text(at point, s string, w writing) {
	r, g, b := rgb(palette[w.ink].light)
	p.doc.SetTextColor(int(r), int(g), int(b))
	style := ""
	if w.bold {
		style = "B"
	}
	p.doc.SetFont(pdfFont, style, w.size()*p.scale)
	s = pdfText(s)
	x, y := p.place(at)
	p.doc.Text(x-p.doc.GetStringWidth(s)*float64(w.align)/2, y, s)
}

// pdfFont is the family under which the Go fonts are known in a document.
const pdfFont = "go"

// pdfText keeps what the font and the format can show: a character beyond the basic plane becomes a box.
func pdfText(s string) string {
	return strings.Map(func(r rune) rune {
		if r > 0xFFFF {
			return '□'
		}
		return r
	}, plain(s))
}
