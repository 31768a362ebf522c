package report

import (
	"fmt"
	"slices"
	"strings"

	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// Step is a step test: what was measured, what the drive's heat networks inferred from it, and what was predicted.
type Step struct {
	Measured    *record.Run
	Verdict     verdict.Trial
	Rules       []string // in words, those that bring the verdict where what was measured does not
	Predicted   *record.Run
	Bands       []PredictedBand
	Draws       int // over the tolerances, behind the bands
	Differences []record.Difference
	Finished    bool
	Ended       string // how, in words: "the programme ran to its end"
	EndedAt     float64
}

// PredictedBand is the band in which a measured trace was expected, as the test held it: SI, one for each sample.
type PredictedBand struct {
	Trace     string // of Measured
	Predicted string // its name in Predicted
	Low, High []float64
}

func (t *Step) write(p *Paper, d *document) {
	l := level(t.Verdict.Level)
	d.Verdict = &l
	if len(t.Verdict.Parts) > 0 {
		d.Acts, d.First = title(t.Verdict.First.Heading())+":", firstWords(t.Verdict.First)
	}
	d.Title += ": step test " + t.Measured.Trial
	word := "ran to its end"
	if !t.Finished {
		word = "was STOPPED"
	}
	d.Sentence = fmt.Sprintf("The test %s after %s: %s. %s", word, shownTime(t.EndedAt), t.Ended, t.agreement())
	for _, why := range t.Verdict.Unjudged {
		d.Sentence += " Not judged: " + why + "."
	}
	if len(t.Rules) > 0 {
		d.Sentence += " The verdict comes from " + list(t.Rules) + ", not from what was measured."
	}
	s := d.section("parts", "Parts, inferred from what was measured", "The drive's own equations, driven by what was measured, give what nobody measured. The band holds 95 % of draws over the tolerances.")
	tab := &table{Columns: []column{{Title: "part", Wide: 1.6}, {Title: "current"}, {Title: "limit", Right: true}, {Title: "peak", Right: true}, {Title: "band", Right: true, Wide: 1.6}, {Title: "after", Right: true}, {Title: "used", Right: true}, {Title: "verdict"}}}
	for _, k := range t.Verdict.Parts {
		tab.Rows = append(tab.Rows, row{Cells: append(words(k.Name, k.Current, shown(k.Limit, k.Unit), shown(k.Peak, k.Unit), t.band(k), shownTime(k.At), shownShare(k.Used)), judged(k.Level))})
	}
	if len(tab.Rows) == 0 {
		s.Intro = "Too little was measured for parts to be inferred."
	} else {
		s.add(block{Table: tab})
	}
	if len(t.Measured.Assumed) > 0 {
		s.add(block{Text: "What was not measured takes for granted:", List: t.Measured.Assumed})
	}
	if len(t.Differences) > 0 {
		s := d.section("differences", "Measured less predicted", "")
		tab := &table{Columns: []column{{Title: "trace", Wide: 2}, {Title: "largest", Right: true}, {Title: "at", Right: true}, {Title: "rms", Right: true}}}
		for _, k := range t.Differences {
			tab.row(k.Trace, shownMargin(k.Largest, k.Unit), shownTime(k.At), shownMargin(k.RMS, k.Unit))
		}
		s.add(block{Table: tab})
	}
	s = d.section("charts", "Charts", "")
	s.Break = true
	if len(t.Measured.Events) > 0 {
		s.add(block{Table: eventTable(&verdict.Trial{Run: t.Measured})})
	}
	_, figures := t.pictures(p)
	s.add(block{Figures: figures})
}

// agreement says whether what was measured lay in the band.
func (t *Step) agreement() string {
	if len(t.Bands) == 0 {
		return "Nothing measured has a predicted band."
	}
	var out []string
	for _, b := range t.Bands {
		if share, ok := t.outside(b); ok && share > 0 {
			out = append(out, fmt.Sprintf("%s (%s of the samples)", spoken(b.Trace), percent(share)))
		}
	}
	for i := range t.Differences {
		d := &t.Differences[i]
		known := slices.ContainsFunc(t.Bands, func(b PredictedBand) bool { return b.Trace == d.Trace })
		if at, ok := d.LeftBand(); ok && !known {
			out = append(out, fmt.Sprintf("%s (from %s)", spoken(d.Trace), shownTime(at)))
		}
	}
	if out == nil && len(t.Verdict.Parts) == 0 {
		return fmt.Sprintf("All that was measured lies in the band predicted by %d draws over the tolerances.", t.Draws)
	}
	if out == nil {
		return fmt.Sprintf("All that was measured, and what follows from it, lies in the band predicted by %d draws over the tolerances.", t.Draws)
	}
	return "Outside the predicted band: " + list(out) + "."
}

func list(words []string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		out := words[0]
		for _, w := range words[1 : n-1] {
			out += ", " + w
		}
		return out + " and " + words[n-1]
	}
}

// outside is the share of samples outside a band.
func (t *Step) outside(b PredictedBand) (share float64, ok bool) {
	tr, found := t.Measured.Trace(b.Trace)
	if !found || len(tr.Values) == 0 {
		return 0, false
	}
	n := 0
	for i, v := range tr.Values {
		if i < len(b.Low) && (v < b.Low[i] || v > b.High[i]) {
			n++
		}
	}
	return float64(n) / float64(len(tr.Values)), true
}

// band is the range of a part's peak.
func (t *Step) band(p verdict.Part) string {
	tr, ok := t.Measured.Trace(p.Trace)
	if !ok || len(tr.Low) == 0 || p.Measure == record.Floor {
		return ""
	}
	return shown(slices.Max(tr.Low), p.Unit) + " to " + shown(slices.Max(tr.High), p.Unit)
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
			Title: title(spoken(b.Trace)), X: Axis{Label: "time", Time: true}, Y: Axis{Label: spoken(b.Trace), Unit: tr.Unit}, Marks: v.marks,
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

// spoken is the name of a channel in words.
func spoken(channel string) string { return strings.ReplaceAll(channel, "_", " ") }

// fresh says whether a chart shows something that has no chart with a band.
func (t *Step) fresh(c *Chart) bool {
	for _, s := range c.Series {
		if !slices.ContainsFunc(t.Bands, func(b PredictedBand) bool { return b.Trace == s.Name }) {
			return true
		}
	}
	return false
}
