package report

import (
	"math"

	"quaybench/bench/quantity"
)

// Strip shows a range of values of one setting: where it is clear, where not, and values of note.
type Strip struct {
	Title, About string
	Label, Unit  string
	Low, High    float64 // of the axis
	Clear        [][2]float64
	Notes        []Limit
}

func (s *Strip) height() float64 { return 74 + (lineHeight+2)*float64(len(s.Notes)) }

func (s *Strip) heading() (title, about string) { return s.Title, s.About }

func (s *Strip) altText() string {
	out := s.Title + ":"
	for _, c := range s.Clear {
		out += " clear from " + short(c[0]) + " to " + withUnit(short(c[1]), s.Unit) + ";"
	}
	for _, n := range s.Notes {
		out += " " + plain(n.label()) + ";"
	}
	return out
}

func (s *Strip) draw(p pen, width, _ float64, narrow bool) frame {
	f := frame{width: width, height: s.height(), left: 8, right: width - 12, top: 6 + (lineHeight+2)*float64(len(s.Notes))}
	f.bottom = f.top + 26
	f.x = Axis{Low: s.Low, High: s.High}
	p.area(box(f.left, f.top, f.right, f.bottom), fill{ink: series0 + 1})
	w := writing{ink: text, small: true}
	for x := f.left + 4; x < f.right; x += 9 { // hatched: not clear
		p.line([]point{{x, f.bottom}, {min(x+10, f.right), f.top}}, stroke{ink: series0 + 1, wide: fine})
	}
	for _, c := range s.Clear {
		a, z := f.px(c[0]), f.px(c[1])
		z = max(z, a+2)
		p.area(box(a, f.top, z, f.bottom), fill{ink: paper, opaque: true})
		p.area(box(a, f.top, z, f.bottom), fill{ink: series0})
		p.line([]point{{a, f.top}, {z, f.top}, {z, f.bottom}, {a, f.bottom}, {a, f.top}}, stroke{ink: series0, wide: bold})
		if word := "clear"; z-a > w.width(word)+6 {
			p.text(point{(a + z) / 2, f.top + 17}, word, writing{ink: text, small: true, align: middle})
		}
	}
	t := linearTicks(s.Low, s.High, int(max(3, (f.right-f.left)/70)))
	for i, v := range t.at {
		x := f.px(v)
		p.line([]point{{x, f.bottom}, {x, f.bottom + 4}}, stroke{ink: faint, wide: fine})
		p.text(point{clamp(x, w.width(t.label[i])/2, width-w.width(t.label[i])/2), f.bottom + lineHeight + 3}, t.label[i], writing{ink: text, small: true, align: middle})
	}
	p.text(point{f.right, f.bottom + 2*lineHeight + 4}, withComma(s.Label, s.Unit), writing{ink: text, small: true, align: right})
	for i, n := range s.Notes {
		x := f.px(n.At)
		y := 10 + float64(i)*(lineHeight+2)
		p.line([]point{{x, y + 3}, {x, f.bottom}}, stroke{ink: text, wide: fine, dash: i % 2})
		label := w.fitted(n.label(), width-4)
		p.text(point{clamp(x-w.width(label)/2, 0, width-w.width(label)), y}, label, w)
	}
	return f
}

func box(left, top, right, bottom float64) []point {
	return []point{{left, top}, {right, top}, {right, bottom}, {left, bottom}}
}

func withComma(label, unit string) string {
	if unit == "" {
		return label
	}
	return label + ", " + unit
}

// shownIn converts an SI value to a unit.
func shownIn(unit string, si float64) float64 {
	if unit == "" || math.IsNaN(si) {
		return si
	}
	return quantity.MustUnit(unit).FromSI(si)
}
