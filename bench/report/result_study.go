package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/study"
)

// Highest is the highest value of a setting that stays clear.
type Highest struct {
	study.Highest
	Trials []string
	Odds   float64 // share of draws that must be clear; 0: the boat as written
	Draws  int
}

func (h *Highest) sure() string {
	if h.Odds > 0 {
		return fmt.Sprintf("%s of %d draws over the boat file's tolerances (%s)", percent(h.Odds), h.Draws, study.Distribution)
	}
	return "the boat file at its face value"
}

func (h *Highest) write(p *Paper, d *document) {
	unit := settings.Unit(h.Key)
	show := func(si float64) string { return quantity.Format(si, unit, 4) }
	d.Title += ": highest clear value of " + h.Key
	switch {
	case math.IsNaN(h.Value):
		d.Sentence = fmt.Sprintf("No value of %s between %s and %s is clear.", h.Key, show(h.Low), show(h.High))
	case !h.PresentClear:
		d.Sentence = fmt.Sprintf("The present %s is not clear; the highest clear value below it is %s.", show(h.Present), show(h.Value))
	default:
		d.Sentence = fmt.Sprintf("The highest clear value of %s is %s (now %s).", h.Key, show(h.Value), show(h.Present))
	}
	if h.Gives != nil {
		at := show(h.Next)
		if math.IsNaN(h.Next) {
			at = "the present value"
		}
		d.Acts, d.First = "Gives next:", fmt.Sprintf("%s%s, at %s.", h.Gives.What, inTrial(h.Gives.Trial), at)
	}
	s := d.section("result", "The range that was searched", "")
	s.add(block{Figures: []Figure{h.strip()}})
	var list []string
	for _, g := range h.Gaps {
		word := "not clear"
		if g.Clear {
			word = "clear again"
		}
		list = append(list, fmt.Sprintf("Mind: between %s and %s it is %s.", show(g.From), show(g.To), word))
	}
	list = append(list, h.LeftOut.Lines()...)
	if h.Made != nil {
		list = append(list, h.Made.String()+".")
	}
	s.add(block{List: append(list,
		"Judged in: "+strings.Join(h.Trials, ", ")+".",
		fmt.Sprintf("How sure: certain to 0.5 %% of the value, by %s; %d values were tried.", h.sure(), h.Tried))})
}

func inTrial(trial string) string {
	if trial == "" {
		return ""
	}
	return " in " + trial
}

func (h *Highest) strip() *Strip {
	unit := settings.Unit(h.Key)
	in := func(si float64) float64 { return shownIn(unit, si) }
	high := h.High
	if !finite(high) {
		high = 2 * max(h.Present, h.Value)
	}
	s := &Strip{Title: h.Key, Label: h.Key, Unit: unit, Low: in(h.Low), High: in(high)}
	if finite(h.Value) {
		from := h.Low
		for _, g := range h.Gaps { // what lies below and is not clear
			if !g.Clear && g.To < h.Value {
				s.Clear = append(s.Clear, [2]float64{in(from), in(g.From)})
				from = g.To
			}
		}
		s.Clear = append(s.Clear, [2]float64{in(from), in(h.Value)})
		s.Notes = append(s.Notes, Limit{At: in(h.Value), Name: "highest clear", Value: quantity.Format(h.Value, unit, 4)})
	}
	for _, g := range h.Gaps {
		if g.Clear {
			s.Clear = append(s.Clear, [2]float64{in(g.From), in(g.To)})
		}
	}
	s.Notes = append(s.Notes, Limit{At: in(h.Present), Name: "present", Value: quantity.Format(h.Present, unit, 4)})
	return s
}

func (h *Highest) pictures(*Paper) (string, []Figure) {
	return "highest clear value of " + h.Key, []Figure{h.strip()}
}

// Front is the highest clear value of one setting over another.
type Front struct {
	study.Front
	Trials []string
}

func (f *Front) write(_ *Paper, d *document) {
	d.Title += fmt.Sprintf(": highest clear %s over %s", f.Keys[1], f.Keys[0])
	d.Sentence = fmt.Sprintf("For each value of %s, the highest value of %s that stays clear.", f.Keys[0], f.Keys[1])
	s := d.section("result", "The front", "Below the line is clear.")
	s.add(block{Figures: []Figure{f.chart()}})
	t := &table{Columns: []column{{Title: f.Keys[0], Right: true}, {Title: "highest " + f.Keys[1], Right: true}, {Title: "what gives next", Wide: 3}}}
	for _, p := range f.Points {
		highest, gives := "none is clear", ""
		if finite(p.Second) {
			highest = quantity.Format(p.Second, settings.Unit(f.Keys[1]), 4)
		}
		if p.Gives != nil {
			gives = p.Gives.What + inTrial(p.Gives.Trial)
		}
		t.row(quantity.Format(p.First, settings.Unit(f.Keys[0]), 4), highest, gives)
	}
	s.add(block{Table: t}, block{Text: "Judged in: " + strings.Join(f.Trials, ", ") + "."})
}

func (f *Front) chart() *Chart {
	a, b := settings.Unit(f.Keys[0]), settings.Unit(f.Keys[1])
	c := &Chart{Title: "Highest clear " + f.Keys[1], X: Axis{Label: f.Keys[0], Unit: a}, Y: Axis{Label: f.Keys[1], Unit: b, Low: 0, High: 1e-9}}
	s := Series{Name: "highest clear"}
	low := []float64{}
	for _, p := range f.Points {
		s.X, s.Y, low = append(s.X, shownIn(a, p.First)), append(s.Y, shownIn(b, p.Second)), append(low, 0)
	}
	c.Series = []Series{s}
	c.Bands = []Band{{X: s.X, Low: low, High: s.Y}}
	return c
}

func (f *Front) pictures(*Paper) (string, []Figure) {
	return fmt.Sprintf("highest clear %s over %s", f.Keys[1], f.Keys[0]), []Figure{f.chart()}
}

// Envelope is how long which motor current may be held.
type Envelope struct {
	study.Envelope
	Air  float64 // K
	Note string  // ", the shaft held"
}

func (e *Envelope) write(p *Paper, d *document) {
	d.Title += ": how long which motor current may be held"
	d.Sentence = fmt.Sprintf("From cold, in air of %s%s. %s", shown(e.Air, "°C"), e.Note, e.summary())
	s := d.section("result", "Envelope", "Derating, boost, battery current limit and stall timer are left out: this is what the parts bear, not what the controller allows.")
	s.add(block{Figures: []Figure{e.chart(p)}})
	seconds := func(s float64) string { return quantity.FormatAuto(s, "s") }
	t := &table{Columns: []column{{Title: "motor current", Right: true}, {Title: "may be held", Right: true}, {Title: "what ends it", Wide: 1.6}, {Title: "most of their limits is used by, at the end", Wide: 3}}}
	for _, h := range e.Points {
		var peaks []string
		for _, k := range h.Peaks {
			peaks = append(peaks, k.Part+" "+shownShare(k.Used))
		}
		t.row(shown(h.Current, "A"), h.Held(e.Longest, seconds), h.Ends(seconds), strings.Join(peaks, ", "))
	}
	s.add(block{Table: t})
}

// summary says how much may be held for how long.
func (e *Envelope) summary() string {
	for i := len(e.Points) - 1; i >= 0; i-- {
		if !finite(e.Points[i].Time) && !e.Points[i].Falls() {
			return fmt.Sprintf("A motor current of %s may be held for all of %s.", shown(e.Points[i].Current, "A"), quantity.FormatAuto(e.Longest, "s"))
		}
	}
	return fmt.Sprintf("None of the motor currents may be held for %s.", quantity.FormatAuto(e.Longest, "s"))
}

func (e *Envelope) chart(p *Paper) *Chart {
	c := &Chart{
		Title: "How long which motor current may be held",
		About: "Times below the line may be held. A mark stands for each current, by what ends it.",
		X:     Axis{Label: "motor current", Unit: "A"},
		Y:     Axis{Label: "time until something passes its limit", Time: true, Log: true, Fixed: true, Low: 1, High: e.Longest},
	}
	line := Series{Name: "may be held", Drawn: Edge, Ink: 1}
	byPart := map[string]*Series{}
	var order []string
	var low []float64
	for _, h := range e.Points {
		t, name := h.Time, h.Part
		if !finite(t) {
			t, name = e.Longest, "nothing in "+quantity.FormatAuto(e.Longest, "s")
		}
		c.Y.Low = min(c.Y.Low, math.Pow(10, math.Floor(math.Log10(max(t, 1e-3)))))
		if h.Falls() {
			name += ", the current having fallen"
		} else {
			line.X, line.Y, low = append(line.X, h.Current), append(line.Y, t), append(low, 1e-6)
		}
		if byPart[name] == nil {
			byPart[name] = &Series{Name: name, Drawn: Points}
			order = append(order, name)
		}
		s := byPart[name]
		s.X, s.Y = append(s.X, h.Current), append(s.Y, t)
	}
	c.Series = []Series{line}
	for _, name := range order {
		c.Series = append(c.Series, *byPart[name])
	}
	c.Bands = []Band{{X: line.X, Low: low, High: line.Y}}
	if limit := p.Settings.Limits.MotorCurrent; limit > 0 {
		c.Uprights = []Limit{{At: limit, Name: "motor current limit", Value: fmt.Sprintf("%.0f A", limit), Far: true}}
	}
	return c
}

func (e *Envelope) pictures(p *Paper) (string, []Figure) {
	return "how long which motor current may be held", []Figure{e.chart(p)}
}

// Odds is how likely each part passes its limit, over the tolerances of the boat file.
type Odds struct {
	study.Odds
	Trials []string
	Seed   uint64
}

func (o *Odds) write(p *Paper, d *document) {
	d.Title += ": how likely a part passes its limit"
	d.Sentence = fmt.Sprintf("Over the tolerances of the boat file, something is over in %s of %d draws (95 %% interval %s to %s).", percent(o.Over.Value), o.Runs, percent(o.Over.Low), percent(o.Over.High))
	s := d.section("result", "Odds", "Tolerances are taken as "+study.Distribution+"; values without a tolerance are taken as exact. Judged in: "+strings.Join(o.Trials, ", ")+fmt.Sprintf(". Seed %d.", o.Seed))
	for _, line := range append(o.LeftOut.Lines(), o.Made.String()+".") {
		s.add(block{Text: line})
	}
	_, figures := o.pictures(p)
	s.add(block{Figures: figures})
	t := &table{Columns: []column{{Title: "part", Wide: 1.6}, {Title: "current"}, {Title: "over", Right: true}, {Title: "95 % interval", Right: true, Wide: 1.4}, {Title: "used: median", Right: true}, {Title: "used: 97.5 %", Right: true}, {Title: "worst in", Wide: 1.4}}}
	for _, k := range o.Parts {
		t.row(k.Part, k.Current, percent(k.Over.Value), interval(k.Over), shownShare(k.Median), shownShare(k.High), k.Trial)
	}
	for _, k := range o.Devices {
		t.row(k.Device+" opens", "battery", percent(k.Opens.Value), interval(k.Opens), "", "", "")
	}
	t.row("anything over", "", percent(o.Over.Value), interval(o.Over), "", "", "")
	s.add(block{Table: t})
	if o.Withheld != "" {
		s.add(block{Text: "What to measure first is not told: " + o.Withheld + "."})
	}
	if len(o.Unknowns) == 0 {
		return
	}
	s = d.section("unknowns", "What to measure first", "Where the spread of what the "+o.Target+" uses in "+o.In+" comes from: the share of its variance that each tolerance explains (Sobol indices), ± half of the 95 % interval. What is not listed explains next to nothing.")
	t = &table{Columns: []column{{Title: "value of the boat file", Wide: 3}, {Title: "tolerance", Right: true}, {Title: "alone", Right: true}, {Title: "with interactions", Right: true}}}
	for _, u := range telling(o.Unknowns) {
		t.row(u.Key, "± "+percent(u.Tolerance), study.Shown(u.First, u.FirstError), study.Shown(u.Total, u.TotalError))
	}
	s.add(block{Table: t})
}

// telling are the unknowns that explain something.
func telling(list []study.Unknown) []study.Unknown {
	n := 0
	for n < len(list) && n < 8 && (n == 0 || list[n].Total >= 0.005) {
		n++
	}
	return list[:n]
}

func interval(p study.Probability) string { return percent(p.Low) + " to " + percent(p.High) }

func (o *Odds) pictures(*Paper) (string, []Figure) {
	over := &Bars{Title: "How likely each part passes its limit", About: "Share of the draws, with its 95 % interval.", Label: "probability", Unit: "%", High: 1}
	used := &Bars{Title: "Share of each limit that is used", About: "Bar to the median; line from there to the 97.5 % quantile, each part's worst trial. The dotted line is the limit.", Label: "share used", Unit: "%", High: 110, Limits: []Limit{{At: 100}}}
	add := func(name string, p study.Probability) {
		over.Rows = append(over.Rows, Bar{Name: name, Value: 100 * p.Value, Low: 100 * p.Low, High: 100 * p.High, Text: percent(p.Value)})
	}
	parts := slices.Clone(o.Parts) // the likeliest first, then what uses most
	slices.SortStableFunc(parts, func(a, b study.PartOdds) int {
		return cmp.Or(cmp.Compare(b.Over.Value, a.Over.Value), cmp.Compare(b.High, a.High))
	})
	for _, k := range parts {
		add(k.Part, k.Over)
		used.Rows = append(used.Rows, Bar{Name: k.Part, Value: min(100*max(k.Median, 0), 300), Low: min(100*max(k.Median, 0), 300), High: min(100*max(k.High, 0), 300), Text: shownShare(k.High)})
	}
	for _, k := range o.Devices {
		add(k.Device+" opens", k.Opens)
	}
	add("anything over", o.Over)
	figures := []Figure{over, used}
	if len(o.Unknowns) > 0 {
		from := &Bars{Title: "Measure this first", About: "Share of the variance of what the " + o.Target + " uses in " + o.In + ", with interactions. The line is its 95 % interval.", Label: "share of the variance", Unit: "%", High: 20}
		for _, u := range telling(o.Unknowns) {
			from.Rows = append(from.Rows, Bar{Name: u.Key, Value: 100 * clamp(u.Total, 0, 1), Low: 100 * clamp(u.Total-u.TotalError, 0, 1), High: 100 * clamp(u.Total+u.TotalError, 0, 1), Text: percent(clamp(u.Total, 0, 1))})
		}
		figures = append(figures, from)
	}
	return fmt.Sprintf("odds over %d draws", o.Runs), figures
}
