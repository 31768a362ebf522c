package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// Step is a step test: what was measured, what the drive's heat networks inferred from it, and what was predicted.
type Step struct {
	Measured    *record.Run
	Verdict     verdict.Trial // of what was measured
	Side        verdict.Side  // the same with the rules that need no simulation
	NotJudged   string        // why there is no verdict; "": there is one
	Predicted   *record.Run
	Bands       []PredictedBand
	Draws       int // over the tolerances, behind the bands
	Differences []record.Difference
	Finished    bool
	Ended       string // how, where it was stopped, in words
	EndedAt     float64
	Notes       []string // what was not used of what was read, in words
	Flags       []string // parts that are close or over, in words
	Forecast    *Forecast
}

// Forecast is what a step test is expected to show, before it begins.
type Forecast struct {
	Draws     int    // over the tolerances, behind the bands
	Beside    string // what else widens the bands, in words
	Readings  []ForecastReading
	LeftOut   []string     // of the draws, in sentences
	Side      verdict.Side // of the simulation, with the rules that need none
	NotJudged string       // why there is no verdict; "": there is one
}

// ForecastReading is the band of a channel over the whole test, SI.
type ForecastReading struct {
	Channel, Unit string
	Low, High     float64
}

func (f *Forecast) write(_ *Paper, d *document) { f.section(d) }

func (f *Forecast) pictures(*Paper) (string, []Figure) { return "prediction of a step test", nil }

// section writes what is predicted.
func (f *Forecast) section(d *document) {
	band := fmt.Sprintf("band: 0.5 to 99.5 %% of %d draws over the tolerances, and the instrument's error%s", f.Draws, f.Beside)
	s := d.section("forecast", "Predicted ("+band+"):", "")
	if d.Paper {
		s.Title, s.Intro = "Predicted before the test", title(band)+"."
	} else {
		s.Bare = true
		s.add(block{Text: untitled(s.Title)})
	}
	tab := &table{Indent: true, Columns: []column{{Title: "reading", Wide: 2}, {Title: "lowest", Right: true}, {Title: "highest", Right: true}}}
	for _, r := range f.Readings {
		tab.row(quantity.Spoken(r.Channel), quantity.Format(r.Low, r.Unit, 3), quantity.Format(r.High, r.Unit, 3))
	}
	s.add(block{Table: tab})
	s.sentences(f.LeftOut)
	const of = "verdict of the simulation"
	if f.NotJudged != "" {
		s.say(of, verdict.NotJudged.String()+": "+f.NotJudged)
		return
	}
	l := level(f.Side.Level)
	s.add(block{Line: &line{Name: of, Text: l.Word(), Level: &l}})
	if why := f.Side.Reasons(); len(why) > 0 {
		s.add(block{List: []string{strings.Join(why, ", ")}})
	}
}

// PredictedBand is the band in which a measured trace was expected, as the test held it: SI, one for each sample.
type PredictedBand struct {
	Trace     string // of Measured
	Predicted string // its name in Predicted
	Low, High []float64
}

func (t *Step) write(p *Paper, d *document) {
	d.judge(&t.Side, t.NotJudged)
	if t.Side.Level == verdict.NotJudged {
		d.Reasons = nil
	}
	d.Reasons = append(d.Reasons, t.Verdict.Unjudged...)
	if d.Paper && len(t.Verdict.Parts) > 0 {
		first(d, t.Verdict.First)
	}
	d.Title += ": step test " + t.Measured.Trial
	how := "STOPPED after " + ShownTime(t.EndedAt) + ": " + t.Ended
	if t.Finished {
		how = "ran to its end, " + ShownTime(t.EndedAt)
	}
	if d.Paper {
		d.lead("", "the test "+how)
	} else {
		d.Name, d.About = "", ""
		d.Plain = append(d.Plain, line{Name: "the test ", Text: how})
		for _, note := range t.Notes {
			d.Plain = append(d.Plain, line{Name: "  ", Text: note})
		}
	}
	if d.Paper && t.Forecast != nil {
		t.Forecast.section(d)
	}
	t.differences(d)
	t.parts(d)
	if len(t.Flags) > 0 {
		d.section("flags", "Likely to overheat or to open", "").add(block{List: t.Flags})
	}
	if !d.Paper {
		return
	}
	s := d.section("charts", "Charts", "")
	s.Break = true
	if len(t.Measured.Events) > 0 {
		s.add(block{Table: eventTable(&verdict.Trial{Run: t.Measured})})
	}
	_, figures := t.pictures(p)
	s.add(block{Figures: figures})
}

// differences adds to the document where a measurement leaves its prediction, and by how much.
func (t *Step) differences(d *document) {
	if len(t.Differences) == 0 {
		return
	}
	s := d.section("differences", "Measured less predicted", "")
	tab := &table{Indent: true, Columns: []column{{Title: "trace", Wide: 2}, {Title: "largest", Right: true}, {Title: "at", Right: true}, {Title: "rms", Right: true}, {Title: "outside the predicted band", Wide: 1.6}}}
	parted, when, within := "", 0.0, 0
	for i := range t.Differences {
		k := &t.Differences[i]
		at, left := k.LeftBand()
		if tr, ok := t.Measured.Trace(k.Trace); ok && tr.Inferred && !left {
			within++
			continue
		}
		outside := "never"
		if left {
			outside = "from " + ShownTime(at)
			if parted == "" || at < when {
				parted, when = k.Trace, at
			}
		}
		if share := t.outside(k.Trace); share > 0 {
			outside += fmt.Sprintf(" (%s of the samples)", ShownShare(share))
		}
		tab.row(quantity.Spoken(k.Trace), shownDifference(k.Largest, k.Unit), ShownTime(k.At), shownDifference(k.RMS, k.Unit), outside)
	}
	s.add(block{Table: tab})
	if within > 0 {
		s.add(block{List: []string{fmt.Sprintf("and the temperatures of %d parts that nobody measured: within their predicted bands", within)}})
	}
	switch {
	case parted == "" && within == 0 && len(t.Verdict.Parts) == 0:
		s.say("", "every measurement lies within its predicted band; no part could be inferred from them")
	case parted == "" && within == 0:
		s.say("", "every measurement lies within its predicted band")
	case parted == "":
		s.say("", "every measurement, and every part that follows from them, lies within its predicted band")
	default:
		s.say("", fmt.Sprintf("measured and predicted part at %s: %s leaves its band first", ShownTime(when), quantity.Spoken(parted)))
	}
}

// shownDifference returns a difference of two values; between temperatures it is in kelvin.
func shownDifference(si float64, unit string) string {
	unit = quantity.Difference(quantity.ReaderUnit(unit))
	if math.Abs(quantity.MustUnit(unit).FromSI(si)) < 0.0005 { // no meter tells it, and no prefix is to make it look as if one did
		return "0 " + unit
	}
	return quantity.Format(si, unit, 2)
}

// parts writes the table of what nobody measured.
func (t *Step) parts(d *document) { inferred(d, t.Measured, t.Verdict.Parts) }

// inferred writes the table of the parts of a measured run, and what it takes for granted.
func inferred(d *document, run *record.Run, parts []verdict.Part) {
	if len(parts) == 0 {
		if d.Paper {
			d.section("parts", "Parts", "Too little was measured for parts to be inferred.")
		}
		return
	}
	s := d.section("parts", "Parts, inferred from what was measured", "")
	s.Bare = true
	s.add(block{Text: "parts, inferred from what was measured by the drive's own equations (band: 95 % of draws over the tolerances)"})
	tab := &table{Columns: []column{{Title: "part", Wide: 1.6}, {Title: "current of"}, {Title: "limit", Right: true}, {Title: "peak", Right: true}, {Title: "band", Right: true, Wide: 1.6}, {Title: "when", Right: true}, {Title: "margin", Right: true}, {Title: "used", Right: true}, {Title: "verdict"}}}
	for _, k := range parts {
		when := ShownTime(k.At)
		if math.IsNaN(k.Peak) {
			when = "-"
		}
		cells := words(k.Name, orDash(k.Current), Shown(k.Limit, k.Unit), Shown(k.Peak, k.Unit), bandOf(run, k), when, ShownMargin(k.Margin, k.Unit), ShownShare(k.Used))
		tab.Rows = append(tab.Rows, row{Cells: append(cells, judged(k.Level))})
	}
	tab.Folded = tab.without(2)                             // peak and margin tell the limit
	tab.Folded.Folded = tab.Folded.without(1)               // the part tells whose current
	tab.Folded.Folded.Folded = tab.Folded.Folded.without(3) // the charts tell when
	s.add(block{Table: tab})
	var assumed []string
	for _, text := range run.Assumed {
		assumed = append(assumed, "assumed: "+text)
	}
	if assumed != nil {
		s.add(block{List: assumed})
	}
}

// outside returns the share of a trace's samples that lay outside the band the test held.
func (t *Step) outside(trace string) float64 {
	i := slices.IndexFunc(t.Bands, func(b PredictedBand) bool { return b.Trace == trace })
	tr, found := t.Measured.Trace(trace)
	if i < 0 || !found || len(tr.Values) == 0 {
		return 0
	}
	n, b := 0, t.Bands[i]
	for i, v := range tr.Values {
		if i < len(b.Low) && (v < b.Low[i] || v > b.High[i]) {
			n++
		}
	}
	return float64(n) / float64(len(tr.Values))
}

// bandOf returns the range of a part's peak.
func bandOf(r *record.Run, p verdict.Part) string {
	tr, ok := r.Trace(p.Trace)
	if !ok || len(tr.Low) == 0 || math.IsNaN(p.Peak) {
		return "-"
	}
	low, high := math.NaN(), math.NaN()
	for i := range tr.Low {
		if p.Worse(tr.Low[i], low) || math.IsNaN(low) {
			low = tr.Low[i]
		}
		if p.Worse(tr.High[i], high) || math.IsNaN(high) {
			high = tr.High[i]
		}
	}
	from, to := Shown(low, p.Unit), Shown(high, p.Unit)
	if from == to { // closer than the digits shown
		return from
	}
	return from + " to " + to
}

func (t *Step) pictures(p *Paper) (string, []Figure) {
	v := newRunView(t.Measured, nil, &p.Settings)
	var out []Figure
	for _, b := range t.Bands {
		tr, ok := t.Measured.Trace(b.Trace)
		if !ok {
			continue
		}
		c := &Chart{
			Title: title(quantity.Spoken(b.Trace)), X: Axis{Label: "time", Time: true}, Y: Axis{Label: quantity.Spoken(b.Trace), Unit: tr.Unit}, Marks: v.marks,
			About: "Measured, over the band in which it was expected.",
		}
		v.add(c, b.Trace, "measured")
		if t.Predicted != nil {
			if was, ok := t.Predicted.Trace(b.Predicted); ok {
				c.Series = append(c.Series, Series{Name: "predicted", X: t.Predicted.Time, Y: convert(was.Values, tr.Unit), Drawn: Aside})
			}
		}
		low, high := convert(b.Low, tr.Unit), convert(b.High, tr.Unit)
		at := len(c.Series)
		c.Series = append(c.Series,
			Series{Name: "band, lowest", X: t.Measured.Time, Y: low, Drawn: Edge, Ink: 2}, Series{Name: "band, highest", X: t.Measured.Time, Y: high, Drawn: Edge, Ink: 2})
		c.Bands = append(c.Bands, Band{X: t.Measured.Time, Low: low, High: high, Series: at})
		out = append(out, c)
	}
	for _, g := range v.charts() { // what was inferred, and what had no band
		if c, ok := g.(*Chart); ok && t.fresh(c) {
			out = append(out, c)
		}
	}
	curves := curvesOf(p.Boat)
	for _, circuit := range []string{"battery", "motor"} {
		if c := timeCurrent(curves, circuit, exposed{"this test", t.Measured}); c != nil {
			out = append(out, c)
		}
	}
	return "step test " + t.Measured.Trial, out
}

// spoken returns the name of a channel in words.

// fresh reports whether a chart shows something that has no chart with a band.
func (t *Step) fresh(c *Chart) bool {
	for _, s := range c.Series {
		if !slices.ContainsFunc(t.Bands, func(b PredictedBand) bool { return b.Trace == s.Name }) {
			return true
		}
	}
	return false
}
