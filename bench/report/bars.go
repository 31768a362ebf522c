package report

import "fmt"

// Bars is a value for each of several things, with an interval, as a bar across.
type Bars struct {
	Title, About string
	Label, Unit  string // of the axis
	High         float64
	Rows         []Bar
	Limits       []Limit // upright
}

// Bar is one thing. Where Low < High they are the ends of its interval.
type Bar struct {
	Name             string
	Value, Low, High float64
	Text             string // beside the bar: the value in words
}

const barHeight = 18.0

// height returns the height of the picture, which follows from the rows.
func (b *Bars) height() float64 { return float64(len(b.Rows))*barHeight + 2*lineHeight + 14 }

func (b *Bars) draw(p pen, width, _ float64, narrow bool) frame {
	small := writing{ink: text, small: true}
	names, values := 0.0, 0.0
	for _, r := range b.Rows {
		names = max(names, small.width(plain(r.Name)))
		values = max(values, small.width(r.Text))
	}
	share := 0.34
	if narrow {
		share = 0.38
	}
	f := frame{width: width, height: b.height(), left: min(names, width*share) + 6, top: 4, right: width - values - 12}
	f.bottom = f.top + float64(len(b.Rows))*barHeight
	high := b.High
	for _, r := range b.Rows {
		high = max(high, r.Value, r.High)
	}
	f.x = Axis{Label: b.Label, Unit: b.Unit, Low: 0, High: high}
	t := linearTicks(0, high, int(max(3, (f.right-f.left)/60)))
	for i, v := range t.at {
		x := f.px(v)
		p.line([]point{{x, f.top}, {x, f.bottom}}, stroke{ink: grid, wide: fine})
		p.text(point{x, f.bottom + lineHeight}, t.label[i], writing{ink: text, small: true, align: middle})
	}
	label := b.Label
	if b.Unit != "" {
		label += ", " + b.Unit
	}
	p.text(point{f.right, f.bottom + 2*lineHeight}, label, writing{ink: text, small: true, align: right})
	for i, r := range b.Rows {
		y := f.top + (float64(i)+0.5)*barHeight
		p.text(point{f.left - 6, y + 4}, small.fitted(r.Name, f.left-6), writing{ink: text, small: true, align: right})
		if r.Value > 0 {
			x := f.px(r.Value)
			p.area([]point{{f.left, y - 5}, {x, y - 5}, {x, y + 5}, {f.left, y + 5}}, fill{ink: series0})
			p.line([]point{{x, y - 5}, {x, y + 5}}, stroke{ink: series0, wide: heavy})
		} else {
			p.line([]point{{f.left, y - 5}, {f.left, y + 5}}, stroke{ink: series0, wide: heavy})
		}
		if r.High > r.Low {
			a, z := f.px(r.Low), f.px(r.High)
			k := stroke{ink: text, wide: fine}
			p.line([]point{{a, y}, {z, y}}, k)
			p.line([]point{{a, y - 3}, {a, y + 3}}, k)
			p.line([]point{{z, y - 3}, {z, y + 3}}, k)
		}
		p.text(point{f.right + 8, y + 4}, r.Text, small)
	}
	for _, l := range b.Limits {
		if x := f.px(l.At); x <= f.right+1 {
			p.line([]point{{x, f.top - 2}, {x, f.bottom + 2}}, stroke{ink: text, dash: limitDash, wide: fine})
		}
	}
	p.line([]point{{f.left, f.top}, {f.left, f.bottom}}, stroke{ink: faint, wide: fine})
	return f
}

// altText describes the bars for readers who cannot see them.
func (b *Bars) altText() string {
	out := b.Title + ":"
	for i, r := range b.Rows {
		if i == 12 {
			out += " and more, see the table"
			break
		}
		out += fmt.Sprintf(" %s %s;", plain(r.Name), r.Text)
	}
	return out
}

func (b *Bars) heading() (title, about string) { return b.Title, b.About }
