package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"strconv"
	"strings"
)

// svgPen writes SVG elements. Colours and dashes are classes, so that a page can change them for paper and dark screens;
// svgStyle says what they mean.
type svgPen struct{ out bytes.Buffer }

func (s *svgPen) points(p []point) {
	s.out.WriteString(` points="`)
	for i, q := range p {
		if i > 0 {
			s.out.WriteByte(' ')
		}
		s.number(q.x)
		s.out.WriteByte(',')
		s.number(q.y)
	}
	s.out.WriteByte('"')
}

// number writes a coordinate to a tenth of a pixel.
func (s *svgPen) number(x float64) {
	b := strconv.AppendFloat(s.out.AvailableBuffer(), x, 'f', 1, 64)
	if bytes.HasSuffix(b, []byte(".0")) {
		b = b[:len(b)-2]
	}
	s.out.Write(b)
}

func (s *svgPen) attribute(name, value string) {
	s.out.WriteString(" " + name + `="`)
	s.escape(value)
	s.out.WriteByte('"')
}

func (s *svgPen) escape(text string) { _ = xml.EscapeText(&s.out, []byte(plain(text))) } // a buffer takes everything

func (s *svgPen) line(p []point, k stroke) {
	s.out.WriteString("<polyline")
	class := "l " + palette[k.ink].class
	if k.dash > 0 {
		class += " d" + strconv.Itoa(k.dash)
	}
	switch k.wide {
	case bold:
		class += " w"
	case heavy:
		class += " v"
	}
	s.attribute("class", class)
	if k.name != "" {
		s.attribute("data-n", k.name)
		s.attribute("data-u", k.unit)
	}
	s.points(p)
	s.out.WriteString("/>")
}

func (s *svgPen) area(p []point, f fill) {
	s.out.WriteString("<polygon")
	class := "f " + palette[f.ink].class
	if !f.opaque {
		class += " b"
	}
	s.attribute("class", class)
	s.points(p)
	s.out.WriteString("/>")
}

func (s *svgPen) text(at point, text string, w writing) {
	s.out.WriteString("<text")
	class := "x " + palette[w.ink].class
	switch w.align {
	case middle:
		class += " m"
	case right:
		class += " e"
	}
	if w.small {
		class += " y"
	}
	if w.bold {
		class += " h"
	}
	s.attribute("class", class)
	s.out.WriteString(` x="`)
	s.number(at.x)
	s.out.WriteString(`" y="`)
	s.number(at.y)
	s.out.WriteString(`">`)
	s.escape(text)
	s.out.WriteString("</text>")
}

// svgStyle returns the meaning of the classes; dark takes the palette for dark grounds.
func svgStyle(dark bool) string {
	var b strings.Builder
	for _, k := range palette {
		colour := k.light
		if dark {
			colour = k.dark
		}
		fmt.Fprintf(&b, ".l.%s{stroke:%s}.f.%s,.x.%s{fill:%s}", k.class, colour, k.class, k.class, colour)
	}
	return b.String()
}

// svgShapes is the part of the style that no ground changes.
var svgShapes = func() string {
	var b strings.Builder
	fmt.Fprintf(&b, ".l{fill:none;stroke-width:%g;stroke-linejoin:round}.l.w{stroke-width:%g}.l.v{stroke-width:%g}.f.b{opacity:.18}", fine, bold, heavy)
	for i, d := range dashes {
		if d == nil {
			continue
		}
		var on []string
		for _, x := range d {
			on = append(on, strconv.FormatFloat(x, 'f', -1, 64))
		}
		fmt.Fprintf(&b, ".d%d{stroke-dasharray:%s}", i, strings.Join(on, " "))
	}
	b.WriteString(".x{font:12px Arial,Helvetica,'Liberation Sans',sans-serif}.x.y{font-size:11px}.x.h{font-weight:bold}.x.m{text-anchor:middle}.x.e{text-anchor:end}")
	return b.String()
}()
