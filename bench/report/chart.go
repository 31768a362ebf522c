package report

import (
	"fmt"
	"math"
	"quaybench/bench/layout"
	"slices"
	"strings"
)

// Chart is quantities over one axis. Values are in the units of the axes; a time is in seconds.
type Chart struct {
	Title    string
	About    string // below the title: what to look for
	X, Y     Axis
	Series   []Series
	Bands    []Band
	Limits   []Limit // across, at a value of Y
	Uprights []Limit // upright, at a value of X
	Marks    []Mark  // events, where X is time
}

// Axis is one axis. Low and High widen what the data span; where Fixed, they are the ends whatever the data.
type Axis struct {
	Label     string // the quantity, "motor current"
	Unit      string // "" where it is time: the unit is chosen to suit
	Time      bool
	Log       bool
	Fixed     bool
	Low, High float64
}

// Series is a line. X rises; what is not finite is a gap.
type Series struct {
	Name  string
	X, Y  []float64
	Drawn Manner
	Ink   int // 0: by its place in the chart; n: that of the series numbered n from 1
}

// Manner is how a series is drawn.
type Manner int

const (
	Firm   Manner = iota // a line
	Aside                // a thin line, to compare with
	Points               // marks only
	Edge                 // a thin line without label: the edge of a band, for the read-out
)

// Band is the range between two curves over X.
type Band struct {
	X, Low, High []float64
	Series       int // of Series: whose colour it has
}

// Limit is a labelled line. Limits at the same place share a line and its label.
type Limit struct {
	At          float64
	Name, Value string // "winding", "155 °C"
	// Far says that the line may lie outside the chart, which then says so; else the chart reaches to it.
	Far bool
}

func (l Limit) label() string { return strings.TrimSpace(l.Name + " " + l.Value) }

// Mark is an event: its number in the table of events, its instant and, if it lasts, its end.
type Mark struct {
	Number    int
	At, Until float64
}

// frame is where a chart's plot lies in its picture, and how values map to it.
type frame struct {
	width, height            float64
	left, top, right, bottom float64 // of the plot, px
	x, y                     Axis    // with the ends of the plot

	drawn   [][]point // lines
	taken   []frame   // places of labels
	crowded []Limit   // limits in the plot whose label finds no free place
}

func position(a Axis, v, from, to float64) float64 {
	low, high := a.Low, a.High
	if a.Log {
		if v <= 0 {
			return math.Inf(-1) * (to - from)
		}
		low, high, v = math.Log(low), math.Log(high), math.Log(v)
	}
	return from + (v-low)/(high-low)*(to-from)
}

func (f *frame) px(x float64) float64 { return position(f.x, x, f.left, f.right) }
func (f *frame) py(y float64) float64 { return position(f.y, y, f.bottom, f.top) }

// span returns the range of values, of those that a logarithmic axis can show.
func span(a Axis, lists ...[]float64) Axis {
	low, high := math.Inf(1), math.Inf(-1)
	if a.Fixed {
		return a
	}
	if a.High > a.Low {
		low, high = a.Low, a.High
	}
	for _, list := range lists {
		for _, v := range list {
			if finite(v) && (!a.Log || v > 0) {
				low, high = min(low, v), max(high, v)
			}
		}
	}
	switch {
	case low > high:
		low, high = 0, 1
		if a.Log {
			low = 0.1
		}
	case low == high && a.Log:
		low, high = low/2, high*2
	case high-low < 1e-9*math.Max(math.Abs(low), math.Abs(high)), low == high:
		room := math.Max(math.Abs(low)*0.05, 0.5)
		low, high = low-room, high+room
	}
	a.Low, a.High = low, high
	return a
}

// axes returns the axes with the range of all that is to be seen; y with round ends, for so many ticks at most.
func (c *Chart) axes(most int) (x, y Axis) {
	var xs, ys [][]float64
	for _, s := range c.Series {
		xs, ys = append(xs, s.X), append(ys, s.Y)
	}
	for _, b := range c.Bands {
		xs, ys = append(xs, b.X), append(ys, b.Low, b.High)
	}
	for _, l := range c.Limits {
		if !l.Far && finite(l.At) {
			ys = append(ys, []float64{l.At})
		}
	}
	for _, l := range c.Uprights {
		if !l.Far && finite(l.At) {
			xs = append(xs, []float64{l.At})
		}
	}
	x, y = span(c.X, xs...), span(c.Y, ys...)
	if !y.Fixed && !y.Log {
		const hair = 0.003 // of a step: what sticks out so little is no reason for another step
		step := niceStep((y.High - y.Low) / float64(most-1))
		y.Low, y.High = math.Floor(y.Low/step+hair)*step, math.Ceil(y.High/step-hair)*step
	}
	return x, y
}

// keyed reports whether a series is named in the chart.
func (s *Series) keyed() bool { return s.Drawn != Edge && s.Name != "" }

// style returns the line style of series i.
func (c *Chart) style(i int) (stroke, int) {
	s := &c.Series[i]
	n := i
	if s.Ink > 0 {
		n = s.Ink - 1
	}
	k := stroke{ink: seriesInk(n), dash: n % seriesDashes, wide: bold, name: s.Name, unit: c.Y.Unit}
	switch s.Drawn {
	case Aside:
		k.wide, k.dash = fine, asideDash
	case Edge:
		k.wide, k.dash = fine, 0
	}
	return k, n
}

const (
	lineHeight = 13.0 // of small writing, px
	sample     = 24.0 // length of a line sample
)

// draw draws the chart without its title. narrow puts the names of the series above the plot instead of beside it. It is
// first drawn with a pen that leaves no trace: limits whose label finds no free place are then named above the plot.
func (c *Chart) draw(p pen, width, height float64, narrow bool) frame {
	var crowded []Limit
	for { // a name above the plot leaves less room in it, so look again; each time more are above, all of them at last
		f := c.drawWith(noPen{}, width, height, narrow, crowded)
		if len(f.crowded) == len(crowded) {
			return c.drawWith(p, width, height, narrow, crowded)
		}
		crowded = f.crowded
	}
}

type noPen struct{}

func (noPen) line([]point, stroke)        {}
func (noPen) area([]point, fill)          {}
func (noPen) text(point, string, writing) {}

// drawWith draws the chart, the crowded limits without a label in the plot.
func (c *Chart) drawWith(p pen, width, height float64, narrow bool, crowded []Limit) frame {
	f := frame{width: width, height: height, crowded: slices.Clip(crowded)}
	most := int(max(3, (height-90)/26))
	f.x, f.y = c.axes(most)
	small := writing{ink: text, small: true}

	top := c.notes(p, &f)
	head := top + lineHeight - 2
	label := c.Y.Label
	if c.Y.Unit != "" {
		label += ", " + c.Y.Unit
	}
	p.text(point{0, head}, small.fitted(label, width), small)
	top += lineHeight + 3
	if narrow {
		top = c.key(p, width, top)
	}
	if len(c.Marks) > 0 {
		top += lineHeight + 3
	}
	f.top, f.bottom = top+4, height-2*lineHeight-6
	f.right = width - 6
	if !narrow {
		f.right = width - c.keyWidth(width*0.36)
	}

	var yTicks ticks
	switch {
	case f.y.Log && f.y.Time:
		yTicks = logTimeTicks(f.y.Low, f.y.High)
	case f.y.Log:
		yTicks = logTicks(f.y.Low, f.y.High, most)
	default:
		yTicks = linearTicks(f.y.Low, f.y.High, most+1)
	}
	widest := 0.0
	for _, l := range yTicks.label {
		widest = max(widest, small.width(l))
	}
	f.left = widest + 8

	c.grid(p, &f, yTicks)
	c.bands(p, &f)
	ends := make([]point, len(c.Series))
	for i := range c.Series {
		ends[i] = c.series(p, &f, i)
	}
	c.marks(p, &f)
	c.limits(p, &f)
	c.uprights(p, &f)
	if !narrow {
		c.names(p, &f, ends)
	}
	return f
}

// notes writes above the chart which limits lie outside it; it returns how much room that took.
func (c *Chart) notes(p pen, f *frame) float64 {
	var above, below []Limit
	for _, l := range c.Limits {
		switch {
		case finite(l.At) && l.At > f.y.High:
			above = append(above, l)
		case finite(l.At) && l.At < f.y.Low:
			below = append(below, l)
		}
	}
	var out []string
	if above != nil {
		out = append(out, "above the chart: "+joined(above))
	}
	if below != nil {
		out = append(out, "below the chart: "+joined(below))
	}
	if f.crowded != nil {
		out = append(out, "dotted: "+joined(f.crowded))
	}
	w := writing{ink: faint, small: true}
	at := 0.0
	for _, line := range wrap(strings.Join(out, "; "), w, f.width) {
		at += lineHeight
		p.text(point{0, at - 2}, line, w)
	}
	return at
}

// wrap breaks a text into lines of a width. A number stays on a line with its unit.
func wrap(text string, w writing, width float64) []string {
	lines := layout.Fill(layout.Words(plain(text)), width, w.width)
	for i := range lines {
		lines[i] = w.fitted(lines[i], width)
	}
	return lines
}

// key writes the names of the series, each behind a sample of its line, in rows above the plot.
func (c *Chart) key(p pen, width, top float64) float64 {
	w := writing{ink: text, small: true}
	x, y := 0.0, top+lineHeight-2
	any := false
	for i := range c.Series {
		if !c.Series[i].keyed() {
			continue
		}
		name := w.fitted(c.Series[i].Name, width-sample-4)
		if wide := sample + 4 + w.width(name); x > 0 && x+wide > width {
			x, y = 0, y+lineHeight+2
		}
		c.sample(p, i, point{x, y - 4})
		p.text(point{x + sample + 4, y}, name, w)
		x += sample + 4 + w.width(name) + 12
		any = true
	}
	if !any {
		return top
	}
	return y + 5
}

// sample draws a piece of the line of series i, with its mark.
func (c *Chart) sample(p pen, i int, at point) {
	k, n := c.style(i)
	k.name = ""
	if c.Series[i].Drawn != Points {
		p.line([]point{at, {at.x + sample, at.y}}, k)
	}
	if c.Series[i].Drawn != Aside {
		symbol(p, n, point{at.x + sample/2, at.y}, k.ink)
	}
}

// keyWidth returns the room that the names beside the plot take, most at most.
func (c *Chart) keyWidth(most float64) float64 {
	w := writing{small: true}
	wide := 0.0
	for i := range c.Series {
		if c.Series[i].keyed() {
			wide = max(wide, w.width(plain(c.Series[i].Name)))
		}
	}
	if wide == 0 {
		return 6
	}
	return min(wide+sample+14, most)
}

// names writes the names of the series beside where their lines end.
func (c *Chart) names(p pen, f *frame, ends []point) {
	w := writing{ink: text, small: true}
	var which []int
	var wanted []float64
	for i := range c.Series {
		if c.Series[i].keyed() {
			at := ends[i].y
			if !finite(at) {
				at = f.top
			}
			which, wanted = append(which, i), append(wanted, at)
		}
	}
	places := spaceLabels(wanted, lineHeight+1, f.top+2, f.bottom)
	for k, i := range which {
		x, y := f.right+8, places[k]
		if math.Abs(y-wanted[k]) > 2 || f.right-ends[i].x > 3 { // not beside its end: a thin line leads there
			if finite(ends[i].x) && f.right-ends[i].x <= 3 {
				p.line([]point{{f.right, wanted[k]}, {x - 1, y}}, stroke{ink: faint, wide: fine})
			}
		}
		c.sample(p, i, point{x, y})
		p.text(point{x + sample + 4, y + 4}, w.fitted(c.Series[i].Name, f.width-x-sample-4), w)
	}
}

func (c *Chart) grid(p pen, f *frame, yTicks ticks) {
	w := writing{ink: text, small: true}
	thin := stroke{ink: grid, wide: fine}
	for _, v := range yTicks.minor {
		y := f.py(v)
		p.line([]point{{f.left - 3, y}, {f.left, y}}, stroke{ink: faint, wide: fine})
	}
	for i, v := range yTicks.at {
		y := f.py(v)
		p.line([]point{{f.left, y}, {f.right, y}}, thin)
		p.text(point{f.left - 5, y + 4}, yTicks.label[i], writing{ink: text, small: true, align: right})
	}
	var t ticks
	unit := c.X.Unit
	most := int(max(3, (f.right-f.left)/64))
	switch {
	case f.x.Log && f.x.Time:
		t = logTimeTicks(f.x.Low, f.x.High)
	case f.x.Log:
		t = logTicks(f.x.Low, f.x.High, most+2)
	case f.x.Time:
		t, unit, _ = timeTicks(f.x.Low, f.x.High, most)
	default:
		t = linearTicks(f.x.Low, f.x.High, most)
	}
	for _, v := range t.minor {
		x := f.px(v)
		p.line([]point{{x, f.bottom}, {x, f.bottom + 3}}, stroke{ink: faint, wide: fine})
	}
	for i, v := range t.at {
		x := f.px(v)
		p.line([]point{{x, f.top}, {x, f.bottom}}, thin)
		half := w.width(t.label[i]) / 2
		p.text(point{min(max(x, half), f.width-half), f.bottom + lineHeight + 1}, t.label[i], writing{ink: text, small: true, align: middle})
	}
	p.line([]point{{f.left, f.top}, {f.left, f.bottom}, {f.right, f.bottom}}, stroke{ink: faint, wide: fine})
	label := c.X.Label
	if unit != "" {
		label += ", " + unit
	}
	p.text(point{f.right, f.bottom + 2*lineHeight + 3}, label, writing{ink: text, small: true, align: right})
}

func (c *Chart) bands(p pen, f *frame) {
	for _, b := range c.Bands {
		for _, stretch := range thin(b.X, b.Low, f.x.Low, f.x.High, int(f.right-f.left)) {
			var up, down []point
			for _, i := range stretch {
				if !finite(b.High[i]) {
					continue
				}
				x := f.px(b.X[i])
				down = append(down, point{x, clamp(f.py(b.Low[i]), f.top, f.bottom)})
			}
			for _, other := range thin(b.X, b.High, f.x.Low, f.x.High, int(f.right-f.left)) {
				for _, i := range other {
					if b.X[i] >= b.X[stretch[0]] && b.X[i] <= b.X[stretch[len(stretch)-1]] {
						up = append(up, point{f.px(b.X[i]), clamp(f.py(b.High[i]), f.top, f.bottom)})
					}
				}
			}
			outline := straighten(up, 0.2)
			back := straighten(down, 0.2)
			for i := len(back) - 1; i >= 0; i-- {
				outline = append(outline, back[i])
			}
			if len(outline) > 2 {
				p.area(outline, fill{ink: seriesInk(c.inkOf(b.Series))})
			}
		}
	}
}

func (c *Chart) inkOf(series int) int {
	if series < len(c.Series) && c.Series[series].Ink > 0 {
		return c.Series[series].Ink - 1
	}
	return series
}

func clamp(v, low, high float64) float64 { return max(low, min(high, v)) }

// limits draws the limits that lie within the chart, each with its label where it hides least. Limits at the same place
// share a line and a label.
func (c *Chart) limits(p pen, f *frame) {
	type shared struct {
		y    float64
		same []Limit
	}
	var all []shared
next:
	for _, l := range c.Limits {
		y := f.py(l.At)
		if !finite(l.At) || y < f.top-1 || y > f.bottom+1 {
			continue
		}
		across := []point{{f.left, y}, {f.right, y}}
		p.line(across, stroke{ink: text, dash: limitDash, wide: fine})
		f.drawn = append(f.drawn, across)
		if slices.Contains(f.crowded, l) { // named above the plot
			continue
		}
		for i := range all {
			if math.Abs(all[i].y-y) < 1.5 {
				all[i].same = append(all[i].same, l)
				continue next
			}
		}
		all = append(all, shared{y, []Limit{l}})
	}
	w := writing{ink: text, small: true}
	for _, l := range all {
		label := w.fitted(joined(l.same), f.right-f.left-8)
		at, clear := c.free(f, w.width(label), l.y)
		if !clear { // a label hides no data
			f.crowded = append(f.crowded, l.same...)
			continue
		}
		ground(p, at.x-1, at.y-9, w.width(label)+2)
		p.text(at, label, w)
		f.taken = append(f.taken, frame{left: at.x, right: at.x + w.width(label), top: at.y - 10, bottom: at.y + 3})
	}
}

// free finds the place for a label on a line across at y, above it or below, that hides least; clear says that it hides
// nothing.
func (c *Chart) free(f *frame, wide, y float64) (at point, clear bool) {
	best, least := point{}, math.Inf(1)
	for _, base := range []float64{y - 4, y + lineHeight - 2} {
		if base-10 < f.top || base > f.bottom {
			continue
		}
		for k := range 17 {
			x := f.right - 5 - wide - float64(k)/16*(f.right-f.left-10-wide)
			place := frame{left: x - 2, right: x + wide + 2, top: base - 10, bottom: base + 3}
			hidden := 0.05 * float64(k) // else to the right
			for _, line := range f.drawn {
				for i := 1; i < len(line); i++ {
					if a, b, ok := cut(line[i-1], line[i], &place); ok {
						hidden += 1 + math.Hypot(b.x-a.x, b.y-a.y)
					}
				}
			}
			for _, t := range f.taken {
				if t.left < place.right && place.left < t.right && t.top < place.bottom && place.top < t.bottom {
					hidden += 1000
				}
			}
			if hidden < least {
				best, least = point{x, base}, hidden
			}
		}
	}
	if math.IsInf(least, 1) { // a plot too low for any
		return best, false
	}
	return best, least < 1
}

// joined returns one label for limits at the same place: their names, and what is the same once.
func joined(limits []Limit) string {
	out := ""
	for i, l := range limits {
		if i > 0 {
			out += ", "
		}
		if i+1 < len(limits) && limits[i+1].Value == l.Value {
			out += l.Name
		} else {
			out += l.label()
		}
	}
	return out
}

// ground clears the ground behind a line of small writing.
func ground(p pen, x, y, wide float64) {
	p.area([]point{{x, y}, {x + wide, y}, {x + wide, y + lineHeight}, {x, y + lineHeight}}, fill{ink: paper, opaque: true})
}

func (c *Chart) uprights(p pen, f *frame) {
	w := writing{ink: text, small: true}
	y := f.bottom - 4 // at the foot, where an envelope has no line
	for _, l := range c.Uprights {
		x := f.px(l.At)
		if !finite(l.At) || x < f.left-1 || x > f.right+1 {
			continue
		}
		p.line([]point{{x, f.top}, {x, f.bottom}}, stroke{ink: text, dash: limitDash, wide: fine})
		label := w.fitted(l.label(), f.right-f.left-8)
		wide := w.width(label)
		at := x + 4
		if at+wide > f.right {
			at = x - 4 - wide
		}
		at = clamp(at, f.left+2, f.right-wide)
		p.text(point{at, y}, label, w)
		y -= lineHeight + 1
	}
}

// marks draws the events: a thin line with the event's number above the plot, and a bar while it lasts.
func (c *Chart) marks(p pen, f *frame) {
	w := writing{ink: text, small: true, align: middle}
	type shown struct {
		x           float64
		first, last int
	}
	var row []shown
	for _, m := range c.Marks {
		x := f.px(m.At)
		if !(x >= f.left-1 && x <= f.right+1) {
			continue
		}
		p.line([]point{{x, f.top - 6}, {x, f.bottom}}, stroke{ink: faint, dash: limitDash, wide: fine})
		if m.Until > m.At {
			p.line([]point{{x, f.top - 6}, {max(min(f.px(m.Until), f.right), x+1.5), f.top - 6}}, stroke{ink: faint, wide: heavy})
		}
		if n := len(row); n > 0 && x-row[n-1].x < 16 {
			row[n-1].last = m.Number
		} else {
			row = append(row, shown{x, m.Number, m.Number})
		}
	}
	free := 0.0
	for _, s := range row {
		label := fmt.Sprint(s.first)
		if s.last > s.first {
			label = fmt.Sprintf("%d–%d", s.first, s.last)
		}
		half := w.width(label) / 2
		x := clamp(s.x, half, f.right-half)
		if x-half < free {
			continue
		}
		free = x + half + 2
		p.text(point{x, f.top - 10}, label, w)
	}
}

// series draws the line of series i, and returns where it ends.
func (c *Chart) series(p pen, f *frame, i int) (end point) {
	s := &c.Series[i]
	k, n := c.style(i)
	end = point{math.NaN(), math.NaN()}
	for _, stretch := range c.stretches(f, s) {
		var line []point
		for _, j := range stretch {
			line = append(line, point{f.px(s.X[j]), f.py(s.Y[j])})
		}
		if len(line) == 0 {
			continue
		}
		for _, piece := range clip(line, f) {
			end = piece[len(piece)-1]
			switch {
			case s.Drawn == Points:
				for _, q := range piece {
					symbol(p, n, q, k.ink)
				}
			case len(piece) == 1:
				symbol(p, n, piece[0], k.ink)
			default:
				line := straighten(piece, 0.1)
				p.line(line, k)
				f.drawn = append(f.drawn, line)
				if s.Drawn == Firm {
					c.signs(p, f, piece, n, k.ink)
				}
			}
		}
	}
	return end
}

// stretches returns the samples to draw: all of a short series, else those that matter.
func (c *Chart) stretches(f *frame, s *Series) [][]int {
	if !f.x.Log && s.Drawn != Points {
		return thin(s.X, s.Y, f.x.Low, f.x.High, int(f.right-f.left))
	}
	var out [][]int
	var now []int
	for i := range s.X {
		if finite(s.X[i]) && finite(s.Y[i]) && !(f.x.Log && s.X[i] <= 0) && !(f.y.Log && s.Y[i] <= 0) {
			now = append(now, i)
			continue
		}
		if now != nil {
			out, now = append(out, now), nil
		}
	}
	if now != nil {
		out = append(out, now)
	}
	return out
}

// signs draws the series' mark on its line a few times, so that lines can be told apart in grey.
func (c *Chart) signs(p pen, f *frame, line []point, n int, k ink) {
	if len(c.Series) == 1 {
		return
	}
	every := (f.right - f.left) / 4
	next := f.left + every*(0.35+0.13*float64(n%5))
	for i := 1; i < len(line); i++ {
		for next <= line[i].x {
			a, b := line[i-1], line[i]
			if next >= a.x && b.x > a.x {
				symbol(p, n, point{next, a.y + (b.y-a.y)*(next-a.x)/(b.x-a.x)}, k)
			}
			next += every
		}
	}
}

// symbol draws the mark of the series numbered n.
func symbol(p pen, n int, at point, k ink) {
	const r = 3.3
	var shape []point
	add := func(x, y float64) { shape = append(shape, point{at.x + x*r, at.y + y*r}) }
	switch n % 6 {
	case 0: // disc
		for i := range 10 {
			a := float64(i) * math.Pi / 5
			add(0.95*math.Cos(a), 0.95*math.Sin(a))
		}
	case 1: // square
		add(-0.9, -0.9)
		add(0.9, -0.9)
		add(0.9, 0.9)
		add(-0.9, 0.9)
	case 2: // triangle
		add(0, -1.2)
		add(1.1, 0.9)
		add(-1.1, 0.9)
	case 3: // diamond
		add(0, -1.35)
		add(1.2, 0)
		add(0, 1.35)
		add(-1.2, 0)
	case 4: // triangle on its head
		add(0, 1.2)
		add(1.1, -0.9)
		add(-1.1, -0.9)
	default: // bow
		add(-1.2, -1)
		add(1.2, 1)
		add(1.2, -1)
		add(-1.2, 1)
	}
	p.area(shape, fill{ink: k, opaque: true})
}

// clip cuts a line at the edges of the plot.
func clip(line []point, f *frame) (pieces [][]point) {
	inside := func(q point) bool {
		return q.x >= f.left-0.5 && q.x <= f.right+0.5 && q.y >= f.top-0.5 && q.y <= f.bottom+0.5
	}
	var now []point
	end := func() {
		if len(now) > 0 {
			pieces = append(pieces, now)
		}
		now = nil
	}
	for i, q := range line {
		if i > 0 && !(inside(line[i-1]) && inside(q)) {
			a, b, ok := cut(line[i-1], q, f)
			if ok {
				if len(now) == 0 {
					now = append(now, a)
				}
				now = append(now, b)
			}
			if !inside(q) {
				end()
			}
			continue
		}
		if inside(q) {
			now = append(now, q)
		}
	}
	end()
	return pieces
}

// cut returns the part of a segment within the plot (Liang and Barsky 1984).
func cut(a, b point, f *frame) (from, to point, ok bool) {
	t0, t1 := 0.0, 1.0
	dx, dy := b.x-a.x, b.y-a.y
	for _, e := range [...][2]float64{{-dx, a.x - f.left}, {dx, f.right - a.x}, {-dy, a.y - f.top}, {dy, f.bottom - a.y}} {
		switch slope, room := e[0], e[1]; {
		case slope == 0 && room < 0:
			return a, b, false
		case slope < 0:
			t0 = max(t0, room/slope)
		case slope > 0:
			t1 = min(t1, room/slope)
		}
	}
	if !(t0 <= t1) {
		return a, b, false
	}
	return point{a.x + t0*dx, a.y + t0*dy}, point{a.x + t1*dx, a.y + t1*dy}, true
}
