package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Figure is a picture in a report: a *Chart or *Bars.
type Figure interface {
	draw(p pen, width, height float64, narrow bool) frame
	height() float64
	heading() (title, about string)
	altText() string
}

// Widths of the two sizes that a figure is drawn in: for a column of a screen, and for a phone or half a sheet of A4.
const (
	wide   = 560.0
	narrow = 340.0
)

func (c *Chart) height() float64 { return 262 }

func (c *Chart) heading() (title, about string) { return c.Title, c.About }

// altText describes the chart for readers who cannot see it: what its series reach, and the limits.
func (c *Chart) altText() string {
	var out []string
	for i := range c.Series {
		s := &c.Series[i]
		if !s.keyed() {
			continue
		}
		low, high := math.Inf(1), math.Inf(-1)
		for _, v := range s.Y {
			if finite(v) {
				low, high = min(low, v), max(high, v)
			}
		}
		if low <= high {
			out = append(out, fmt.Sprintf("%s from %s to %s", plain(s.Name), short(low), withUnit(short(high), c.Y.Unit)))
		}
	}
	for _, l := range c.Limits {
		out = append(out, "limit: "+plain(l.label()))
	}
	return c.Title + ": " + strings.Join(out, "; ")
}

func withUnit(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + " " + unit
}

// svg draws a figure as one SVG element. style, if not "", goes into it.
func svg(g Figure, width float64, class, style string) string {
	var s svgPen
	height := g.height()
	title, _ := g.heading()
	body := svgPen{}
	f := g.draw(&body, width, height, width < 480)
	s.out.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" role="img"`)
	if class != "" {
		s.attribute("class", class)
	}
	s.attribute("viewBox", fmt.Sprintf("0 0 %g %g", width, height))
	s.attribute("width", fmt.Sprint(width))
	s.attribute("height", fmt.Sprint(height))
	if words := g.altText(); words != "" {
		s.attribute("aria-label", words)
	} else {
		s.attribute("aria-label", title)
	}
	if c, ok := g.(*Chart); ok { // what a read-out needs: how pixels map to values
		s.attribute("data-x", mapping(f.x, f.left, f.right))
		s.attribute("data-y", mapping(f.y, f.bottom, f.top))
		label, unit := c.X.Label, c.X.Unit
		if c.X.Time && !c.X.Log {
			var scale float64
			_, unit, scale = timeTicks(f.x.Low, f.x.High, 5)
			s.attribute("data-per", strconv.FormatFloat(scale, 'g', -1, 64))
		} else if c.X.Time {
			unit = "s"
		}
		s.attribute("data-label", label)
		s.attribute("data-unit", unit)
	}
	s.out.WriteByte('>')
	if style != "" {
		s.out.WriteString("<style>" + style + "</style>")
	}
	s.out.Write(body.out.Bytes())
	s.out.WriteString("</svg>")
	return s.out.String()
}

// mapping returns "from to low high lin|log": pixels, and the values there.
func mapping(a Axis, from, to float64) string {
	kind := "lin"
	if a.Log {
		kind = "log"
	}
	return fmt.Sprintf("%.4g %.4g %.6g %.6g %s", from, to, a.Low, a.High, kind)
}
