package report

import (
	"bytes"
	_ "embed"
	"html/template"
	"io"
	"strings"
	"sync"

	"quaybench/bench/quantity"
)

//go:embed page.html.tmpl
var pageText string

//go:embed page.css
var pageCSS string

//go:embed page.js
var pageJS string

// page is parsed when it is first written, so that a command that writes no report does not wait for it.
var page = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Funcs(template.FuncMap{
		// Pictures escape their own texts.
		"wide":   func(g Figure) template.HTML { return template.HTML(svg(g, wide, "wide", "")) },
		"narrow": func(g Figure) template.HTML { return template.HTML(svg(g, narrow, "narrow", "")) },
		"spark":  func(s *spark) template.HTML { return template.HTML(s.svg()) },
		"heading": func(g Figure) (h struct{ Title, About string }) {
			h.Title, h.About = g.heading()
			return h
		},
		"title": title, "join": quantity.List, "findingTable": findingTable,
		"titled": func(title string, t *table) any {
			return struct {
				Title string
				Table *table
			}{title, t}
		},
		"class": func(c column, k cell) string {
			switch {
			case c.Right && len(k.Text) > longText:
				return "long"
			case c.Right:
				return "r"
			case c.Mono:
				return "mono"
			case k.Level != nil:
				return "nowrap"
			}
			return ""
		},
	}).Parse(pageText))
})

// longText is how long (bytes) what stands in a column of numbers may be to stay on one line.
const longText = 28

// style is the style of the page with that of its pictures, on white and on dark screens.
var style = sync.OnceValue(func() template.CSS {
	dark := ":root{--ground:#16191d;--ink:#e8e8e8;--soft:#b4b4b4;--rule:#3a3f45;--shade:#22262b;--link:#8fc7f0;--clear:#5fd6ad;--close:#f0a860;--over:#a00d0d}"
	return template.CSS(squeezed(pageCSS) + svgShapes + svgStyle(false) + "@media screen and (prefers-color-scheme:dark){" + dark + svgStyle(true) + "}")
})

// squeezed returns the page without line breaks.
func squeezed(css string) string { return strings.ReplaceAll(css, "\n", "") }

// HTML writes the report as one HTML file that needs nothing else.
func (p *Paper) HTML(w io.Writer) error {
	var out bytes.Buffer
	err := page().Execute(&out, map[string]any{
		"Doc": p.document(), "Tool": "quaybench " + p.Made.Tool, "Style": style(), "Script": template.JS(pageJS),
	})
	if err != nil {
		return err
	}
	_, err = w.Write(out.Bytes())
	return err
}

// svg draws a spark: the share over time, its limit as a line.
func (s *spark) svg() string {
	const width, height = 90.0, 20.0
	var p svgPen
	p.out.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" role="img" class="spark" viewBox="0 0 90 20" width="90" height="20"`)
	p.attribute("aria-label", s.Words)
	p.out.WriteByte('>')
	s.draw(&p, width, height)
	p.out.WriteString("</svg>")
	return p.out.String()
}

func (s *spark) draw(p pen, width, height float64) {
	x := span(Axis{}, s.X)
	y := span(Axis{Low: 0, High: 1.15}, s.Y)
	f := frame{left: 1, right: width - 1, top: 1, bottom: height - 1, x: x, y: y}
	limit := f.py(1)
	p.line([]point{{f.left, limit}, {f.right, limit}}, stroke{ink: text, dash: limitDash, wide: fine})
	for _, stretch := range thin(s.X, s.Y, x.Low, x.High, int(width)) {
		var line []point
		for _, i := range stretch {
			line = append(line, point{f.px(s.X[i]), f.py(s.Y[i])})
		}
		if len(line) > 1 {
			p.line(straighten(line, 0.3), stroke{ink: series0, wide: bold})
		}
	}
}
