package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/study"
	"quaybench/bench/verdict"
)

// Highest is the highest value that stays clear, or the lowest.
type Highest struct {
	study.Highest
	Trials []string
	Odds   float64 // share of draws that must be clear; 0: the boat as written
	Draws  int
}

// unit returns the one in which a person reads the value.
func (h *Highest) unit() string { return cmp.Or(h.Reader, h.Unit) }

func (h *Highest) write(p *Paper, d *document) {
	show := func(si float64) string { return quantity.FormatStated(si, h.unit()) }
	most, beyond := h.searchWords()
	d.Title += ": " + most + " clear value of " + h.Key
	now, at, unclear := show(h.Present), "the present value", "the present value is not clear"
	if h.Own {
		now, at, unclear = "each trial's own", now, now+" in every trial is not clear"
	}
	if other, is := h.otherSide(); is {
		unclear += ", nor is any value tried " + beyond + " it"
		beyond = other
	}
	d.subject(fmt.Sprintf("%s (now %s)", h.Key, now))
	switch {
	case math.IsNaN(h.Value):
		d.lead("", fmt.Sprintf("no value between %s and %s is clear", show(h.Low), show(h.High)))
	case h.Idle:
		d.lead("", fmt.Sprintf("no value between %s and %s changes anything in these trials, and all are clear", show(h.Low), show(h.High)))
	case finite(h.TriedTo):
		d.lead("", fmt.Sprintf("tried and clear up to %s, the most that flows in these trials; a limit of up to %s changes nothing in them, and what lies between was not tried", show(h.TriedTo), show(h.Value)))
	case !h.PresentClear:
		d.lead("", unclear+"; the "+most+" clear value "+beyond+" it is "+show(h.Value))
	default:
		d.lead(most+" clear value", show(h.Value))
	}
	switch {
	case h.NextLimit != nil && math.IsNaN(h.Value):
		d.lead("limit reached at "+at, h.NextLimit.What+inTrial(h.NextLimit.Trial))
	case h.NextLimit != nil && math.IsNaN(h.Next):
		d.lead("next limit reached", h.NextLimit.What+inTrial(h.NextLimit.Trial))
	case h.NextLimit != nil:
		d.lead("next limit reached, at "+show(h.Next), h.NextLimit.What+inTrial(h.NextLimit.Trial))
	case !h.Idle && !math.IsNaN(h.Value) && math.IsNaN(h.Next):
		d.lead("next limit reached", "none up to the end of the range, "+show(h.end()))
	}
	s := d.section("result", "The range that was searched", "")
	s.Bare, s.Tight = true, true
	if d.Paper {
		s.add(block{Figures: []Figure{h.strip()}})
	}
	if t := h.Tightest; t != nil {
		text := fmt.Sprintf("%s in %s has %s", t.Part, t.Trial, ShownBand(t.Margin, t.Half, t.Unit))
		if t.Over > 0 {
			text += fmt.Sprintf("; %[2]s of %[1]d boats drawn over what is not known of this one are over there; --odds asks for a share of them", t.Draws, ShownShare(t.Over))
		}
		s.say("left at that value", text)
	}
	s.stillClose("at every value tried", h.Close)
	for _, g := range h.Gaps {
		word := "not clear"
		if g.Clear {
			word = "clear again"
		}
		from, to := show(min(g.From, g.To)), show(max(g.From, g.To))
		where := "between " + from + " and " + to
		if from == to {
			where = "at " + from
		}
		s.say("mind", where+" it is "+word)
	}
	s.sentences(h.LeftOut.Lines())
	if h.Made != nil {
		s.say("", h.Made.String())
		s.say("mind", fmt.Sprintf("so many draws show no more than that the share of such boats which are clear is above %.3g %% (95 %% interval); --draws takes more", 100*study.AtLeast(h.Odds, h.Made.Draws)))
	}
	certain := exactly
	if finite(h.Next) && finite(h.Value) {
		certain = quantity.Format(math.Abs(h.Next-h.Value), quantity.Difference(h.unit()), 2)
	}
	if h.Series != "" {
		s.say("searched", "the sizes of "+h.Series+", and the present one; what is not of the series was not tried")
		certain = "one size of that series"
	}
	s.searched(h.Trials, h.Odds, certain)
}

// exactly is how exactly a search finds a value, study.HighestOptions.Exact.
const exactly = "0.5 % of the value"

// otherSide returns where the value lies, and reports whether that is not where it is looked for first: below the present one, or above it
// where the lowest is asked for.
func (h *Highest) otherSide() (where string, is bool) {
	if h.PresentClear || math.IsNaN(h.Value) || h.Lowest == (h.Value > h.Present) {
		return "", false
	}
	if h.Lowest {
		return "below", true
	}
	return "above", true
}

// searchWords returns "highest" and where such a value lies when the present one is not clear: "below" it; of the lowest the other way round.
func (h *Highest) searchWords() (most, beyond string) {
	if h.Lowest {
		return "lowest", "above"
	}
	return "highest", "below"
}

// end returns the end of the range towards which was searched.
func (h *Highest) end() float64 {
	if h.Lowest {
		return h.Low
	}
	return h.High
}

// stillClose adds the rules that nothing searched mends; where says what was tried.
func (s *section) stillClose(where string, rules []string) {
	for _, text := range rules {
		s.say("close "+where, text)
	}
}

// searched adds what a search was judged in and how sure it is.
func (s *section) searched(trials []string, odds float64, certain string) {
	how := "the boat file at its face value"
	if odds > 0 {
		how = fmt.Sprintf("%.6g %% of the draws over the boat file's tolerances (%s)", 100*odds, study.Distribution)
	}
	s.say("judged in", strings.Join(trials, ", "))
	s.say("how sure", "certain to "+certain+", by "+how)
}

func inTrial(trial string) string {
	if trial == "" {
		return ""
	}
	return " in " + trial
}

func (h *Highest) strip() *Strip {
	in := func(si float64) float64 { return shownIn(h.unit(), si) }
	high := h.High
	if !finite(high) {
		high = 2 * max(h.Present, h.Value)
	}
	most, _ := h.searchWords()
	s := &Strip{Title: h.Key, Label: h.Key, Unit: h.unit(), Low: in(h.Low), High: in(high)}
	stretch := func(a, b float64) { s.Clear = append(s.Clear, [2]float64{in(min(a, b)), in(max(a, b))}) }
	if finite(h.Value) {
		from := h.Low // the other end than the one searched for
		if h.Lowest {
			from = high
		}
		for _, g := range h.Gaps { // what lies on this side of the value and is not clear
			if !g.Clear && (g.To < h.Value) != h.Lowest {
				stretch(from, g.From)
				from = g.To
			}
		}
		stretch(from, h.Value)
		s.Notes = append(s.Notes, Limit{At: in(h.Value), Name: most + " clear", Value: quantity.FormatStated(h.Value, h.unit())})
	}
	for _, g := range h.Gaps {
		if g.Clear {
			stretch(g.From, g.To)
		}
	}
	s.Notes = append(s.Notes, Limit{At: in(h.Present), Name: "present", Value: quantity.FormatStated(h.Present, h.unit())})
	return s
}

func (h *Highest) pictures(*Paper) (string, []Figure) {
	most, _ := h.searchWords()
	return most + " clear value of " + h.Key, []Figure{h.strip()}
}

// Front is the highest clear value over another value, or the lowest.
type Front struct {
	study.Front
	Trials []string
	Odds   float64 // share of draws that must be clear; 0: the boat as written
}

// unit returns the one in which a person reads one of the two values.
func (f *Front) unit(i int) string { return cmp.Or(f.Readers[i], f.Units[i]) }

func (f *Front) write(_ *Paper, d *document) {
	most, side := f.searchWords()
	d.Title += fmt.Sprintf(": %s clear %s over %s", most, f.Keys[1], f.Keys[0])
	d.subject("front of two values")
	d.Sentence = fmt.Sprintf("For each value of %s, the %s value of %s that stays clear.", f.Keys[0], most, f.Keys[1])
	s := d.section("result", "The front", side+" the line is clear.")
	s.Bare, s.Tight = true, true
	if d.Paper {
		s.add(block{Figures: []Figure{f.chart()}})
	}
	t := &table{Columns: []column{{Title: f.Keys[0], Right: true}, {Title: most + " " + f.Keys[1], Right: true}, {Title: "next limit reached", Wide: 3}}}
	for _, p := range f.Points {
		highest, gives := "none is clear", ""
		if finite(p.Second) {
			highest = quantity.FormatStated(p.Second, f.unit(1))
		}
		if p.NextLimit != nil {
			gives = p.NextLimit.What + inTrial(p.NextLimit.Trial)
		}
		t.row(quantity.FormatStated(p.First, f.unit(0)), highest, gives)
	}
	s.add(block{Table: t})
	s.stillClose("at every pair of values tried", f.Close)
	s.sentences(f.LeftOut.Lines())
	s.searched(f.Trials, f.Odds, exactly)
}

// searchWords returns "highest" and on which side of such values it is clear.
func (f *Front) searchWords() (most, side string) {
	if f.Lowest {
		return "lowest", "Above"
	}
	return "highest", "Below"
}

func (f *Front) chart() *Chart {
	most, _ := f.searchWords()
	a, b := f.unit(0), f.unit(1)
	c := &Chart{Title: strings.ToUpper(most[:1]) + most[1:] + " clear " + f.Keys[1], X: Axis{Label: f.Keys[0], Unit: a}, Y: Axis{Label: f.Keys[1], Unit: b, Low: 0, High: 1e-9}}
	s := Series{Name: most + " clear"}
	low := []float64{}
	for _, p := range f.Points {
		s.X, s.Y, low = append(s.X, shownIn(a, p.First)), append(s.Y, shownIn(b, p.Second)), append(low, 0)
	}
	c.Series = []Series{s}
	if !f.Lowest {
		c.Bands = []Band{{X: s.X, Low: low, High: s.Y}}
	}
	return c
}

func (f *Front) pictures(*Paper) (string, []Figure) {
	most, _ := f.searchWords()
	return fmt.Sprintf("%s clear %s over %s", most, f.Keys[1], f.Keys[0]), []Figure{f.chart()}
}

// Envelope is how long which motor current may be held.
type Envelope struct {
	study.Envelope
	Air      float64 // K
	Note     string  // ", the shaft held"
	Shortest float64 // of the times in a text's table, s; 0: 10 s
}

func (e *Envelope) write(p *Paper, d *document) {
	d.Title += ": how long which motor current may be held"
	d.subject(fmt.Sprintf("how long a motor current may be held from cold, in air of %s%s", quantity.FormatStated(e.Air, "°C"), e.Note))
	d.Sentence = fmt.Sprintf("From cold, in air of %s%s. %s", quantity.FormatStated(e.Air, "°C"), e.Note, e.summary())
	s := d.section("result", "Envelope", "")
	s.Bare = true
	if d.Paper {
		s.add(block{Figures: []Figure{e.chart(p)}}, block{Table: e.table(nil)})
	} else {
		s.add(block{Table: e.forms(holdTimes(cmp.Or(e.Shortest, 10), e.Longest))})
	}
	s = d.section("mind", "What is left out", "")
	s.Bare = true
	switch {
	case e.None != "":
		s.add(block{Text: "the times show no range: " + e.None + "."})
	case e.Draws > 0:
		text := fmt.Sprintf("range: 95 %% of %d boats over all that is not known of this one bear the current so long: %s. Clear and over are of the boat as written.", e.Draws, study.Usual)
		if slices.ContainsFunc(e.Points, func(h study.Hold) bool { return !h.Falls() && math.IsNaN(h.Low) }) {
			text += " None is told where more than a twentieth of these boats do not hold the current."
		}
		s.add(block{Text: text})
	}
	s.sentences(e.LeftOut.Lines())
	s.add(block{Text: "ramp, derating, boost, battery current limit and stall timer are left out: this is what the parts bear, not what the controller allows."})
	if slices.ContainsFunc(e.Points, study.Hold.Falls) {
		why := "as the boat gathers way the motor takes less than the limit allows"
		mend := "; --moored holds it"
		if e.Points[0].Moored {
			why, mend = "as the motor heats and the bank sags, full voltage no longer drives that current", ""
		}
		s.add(block{Text: "not held: " + why + ", so this run does not say how long that current may flow" + mend + "."})
	}
}

// forms returns the table with what may be held for each of the times, and narrower ones with fewer of them.
func (e *Envelope) forms(times []float64) *table {
	t := e.table(times)
	if len(times) > 1 {
		t.Narrower = e.forms(thinned(times))
	}
	return t
}

// table returns a row for each motor current. A text has its verdict for each of the times, a page, without times, the parts that
// use most of their limits.
func (e *Envelope) table(times []float64) *table {
	seconds := func(s float64) string { return quantity.FormatAuto(s, "s") }
	t := &table{Columns: []column{{Title: "motor current", Right: true}, {Title: "may be held", Right: true}}}
	if e.Draws > 0 {
		t.Columns = append(t.Columns, column{Title: "range", Right: true})
	}
	t.Columns = append(t.Columns, column{Title: "what ends it", Wide: 1.6})
	for _, at := range times {
		t.Columns = append(t.Columns, column{Title: seconds(at)})
	}
	if times == nil {
		t.Columns = append(t.Columns, column{Title: "most of their limits is used by, at the end", Wide: 3})
	}
	for _, h := range e.Points {
		cells := words(quantity.Format(h.Current, "A", 3), h.Held(e.Longest, seconds))
		if e.Draws > 0 {
			cells = append(cells, cell{Text: e.held(h)})
		}
		cells = append(cells, cell{Text: orDash(h.Ends(seconds))})
		for _, at := range times {
			switch {
			case h.Falls():
				cells = append(cells, cell{Text: "-"})
			case h.Time < at:
				cells = append(cells, judged(verdict.Over))
			default:
				cells = append(cells, judged(verdict.Clear))
			}
		}
		if times == nil {
			var peaks []string
			for _, k := range h.Peaks {
				peaks = append(peaks, k.Part+" "+ShownShare(k.Used))
			}
			cells = append(cells, cell{Text: strings.Join(peaks, ", ")})
		}
		t.Rows = append(t.Rows, row{Cells: cells})
	}
	return t
}

// held returns the range of how long boats like this one bear a current.
func (e *Envelope) held(h study.Hold) string {
	switch {
	case h.Falls() || math.IsNaN(h.Low):
		return "-"
	case !finite(h.Low):
		return "all of " + quantity.FormatAuto(e.Longest, "s")
	case !finite(h.High):
		return "from " + quantity.FormatAuto(h.Low, "s")
	}
	return quantity.FormatAuto(h.Low, "s") + " to " + quantity.FormatAuto(h.High, "s")
}

// thinned returns every second time, the longest among them.
func thinned(times []float64) (kept []float64) {
	for i, t := range times {
		if (len(times)-1-i)%2 == 0 {
			kept = append(kept, t)
		}
	}
	return kept
}

// holdTimes returns round times between two.
func holdTimes(from, to float64) (out []float64) {
	for _, t := range []float64{1, 2, 5, 10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400} {
		if t >= from*0.999 && t <= to*1.001 {
			out = append(out, t)
		}
	}
	return out
}

// summary returns how much may be held for how long.
func (e *Envelope) summary() string {
	for i := len(e.Points) - 1; i >= 0; i-- {
		if !finite(e.Points[i].Time) && !e.Points[i].Falls() {
			return fmt.Sprintf("A motor current of %s may be held for all of %s.", quantity.Format(e.Points[i].Current, "A", 3), quantity.FormatAuto(e.Longest, "s"))
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
	Trials   []string
	Added    []string          // of them, those asked only since the boat as written is close or over there, or a part of it uses most of its limit
	NotAsked []string          // why a trial that could not be simulated or judged with the boat as written was not asked
	Rules    []verdict.Finding // over for the boat as written: no trial of a draw counts them
	Seed     uint64
}

func (o *Odds) write(p *Paper, d *document) {
	d.Title += ": how likely a part passes its limit"
	d.subject(fmt.Sprintf("%s over the tolerances, in %s", study.Plural(o.Runs, "draw"), strings.Join(o.Trials, ", ")))
	d.Sentence = fmt.Sprintf("Over the tolerances of the boat file, something is over in %s of %s (95 %% interval %s).", percent(o.Over.Value), study.Plural(o.Runs, "draw"), interval(o.Over))
	s := d.section("result", "Odds", "")
	s.Bare = true
	if d.Paper {
		_, figures := o.pictures(p)
		s.add(block{Figures: figures})
	}
	t := &table{Columns: []column{{Title: "part", Wide: 1.6}, {Title: "current"}, {Title: "over", Right: true}, {Title: "95 % interval", Right: true, Wide: 1.4}, {Title: "used: median", Right: true}, {Title: "97.5 %", Right: true}, {Title: "worst in", Wide: 1.4}}}
	for _, k := range o.Parts {
		t.row(k.Part, orDash(k.Current), percent(k.Over.Value), interval(k.Over), ShownShare(k.Median), ShownShare(k.High), k.Trial)
	}
	for _, k := range o.Devices {
		t.row(k.Device+" opens", "battery", percent(k.Opens.Value), interval(k.Opens), "", "", "")
	}
	t.row("anything over", "", percent(o.Over.Value), interval(o.Over), "", "", "")
	t.Folded = t.headed()
	s.add(block{Table: t})
	if len(o.Added) > 0 {
		s.say("asked as well", strings.Join(o.Added, ", ")+", where the boat as written is close or over, or a part comes nearest to its limit")
	}
	for _, why := range o.NotAsked {
		s.say("not asked", why)
	}
	s.sentences(o.LeftOut.Lines())
	for _, f := range o.Rules {
		s.say("not counted above, whatever the draw", "rule "+f.Rule+" is over: "+f.Text)
	}
	s.say("", o.Made.String())
	if o.Withheld != "" {
		s = d.section("withheld", "What to measure first", "")
		s.Bare = true
		s.say("what to measure first is not told", o.Withheld)
	}
	if len(o.Unknowns) > 0 {
		s = d.section("unknowns", "What to measure first", "")
		s.Bare = true
		s.add(block{Text: fmt.Sprintf("what the spread of %s in %s comes from: the share of its variance that each tolerance explains (Sobol indices), ± half of the 95 %% interval.", o.Target, o.In)}, block{Text: "in order of importance: measure the first one first"})
		t = &table{Columns: []column{{Title: "value of the boat file", Wide: 3}, {Title: "known to", Right: true}, {Title: "alone", Right: true}, {Title: "with interactions", Right: true}}}
		for _, u := range telling(o.Unknowns) {
			t.row(u.Key, fmt.Sprintf("± %.0f %%", 100*u.Tolerance), study.Shown(u.First, u.FirstError), study.Shown(u.Total, u.TotalError))
		}
		s.add(block{Table: t})
	}
	s = d.section("sure", "How sure", "")
	s.Bare = true
	s.say("how sure", "tolerances are taken as "+study.Distribution+"; "+study.Usual+".")
	if d.Paper {
		s.say("seed of the draws", fmt.Sprint(o.Seed))
	}
}

// telling returns the unknowns that explain something.
func telling(list []study.Unknown) []study.Unknown {
	n := 0
	for n < len(list) && n < 8 && (n == 0 || list[n].Total >= 0.005) {
		n++
	}
	return list[:n]
}

func interval(p study.Probability) string {
	short := func(share float64) string { // two digits, and never 1e+02
		if share >= 0.095 {
			return fmt.Sprintf("%.0f", 100*share)
		}
		return fmt.Sprintf("%.2g", 100*share)
	}
	return short(p.Low) + " to " + short(p.High) + " %"
}

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
		used.Rows = append(used.Rows, Bar{Name: k.Part, Value: min(100*max(k.Median, 0), 300), Low: min(100*max(k.Median, 0), 300), High: min(100*max(k.High, 0), 300), Text: ShownShare(k.High)})
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
	return "odds over " + study.Plural(o.Runs, "draw"), figures
}
