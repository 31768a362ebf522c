package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
)

// Learned is what records tell of a boat's values.
type Learned struct {
	Records  []LearnedRecord
	Values   []LearnedValue
	Pairs    [][2]string // told only together
	Margins  []LearnedMargin
	Suspects []Suspected
	Warnings []string
	Written  []string // what was done with it
	Practice bool
}

// LearnedRecord is one record behind it.
type LearnedRecord struct {
	Name, Hash string
	Readings   int
	Channels   []string
	Driven     string
	Charge     float64 // 0..1
	Notes      []string
}

// LearnedValue is a value before and after, SI.
type LearnedValue struct {
	Name, Unit                    string
	Written                       string // the unit in which the boat file has it; "": Unit
	Before, BeforeLow, BeforeHigh float64
	After, Low, High              float64
	Width                         float64 // after over before
	Told, Little                  bool
	Note                          string // why it does not count; "": it does
}

// LearnedMargin is a margin before and after, SI, each with the half-width of its 95 % band.
type LearnedMargin struct {
	Part, Trial, Unit                string
	Before, Around, After, AroundNow float64
}

// Suspected is a cause as a record speaks for it.
type Suspected struct {
	Cause string
	Size  string
	Score float64
	Odds  float64
	Named bool
	Like  []string
}

// valueRange returns a value with its unit, and its interval in that unit: "14.0 mΩ", "12.6 to 15.4". The unit is the one in which a file has it; "": one that suits.
func valueRange(v, low, high float64, unit, written string) (middle, interval string) {
	shown := shownPair(unit, v, low, high)
	if written == "" && unit == "rad/s" {
		written = "rpm"
	}
	if written != "" {
		shown = []string{Shown(v, written), Shown(low, written), Shown(high, written)}
	} else if unit != "s" && unit != "m" && !strings.Contains(unit, "/") && unit != "%" && unit != "1" && unit != "°C" {
		suit := suitable(v, unit)
		shown = []string{Shown(v, suit), Shown(low, suit), Shown(high, suit)}
	}
	from, _, _ := strings.Cut(shown[1], " ")
	to, _, _ := strings.Cut(shown[2], " ")
	return shown[0], from + " to " + to
}

func (l *Learned) write(p *Paper, d *document) {
	d.Title += ": what its records tell"
	d.Sentence = l.sentence()
	for _, r := range l.Records {
		text := fmt.Sprintf("%s (%s): %d readings of %s, driven by the %s; charge at the start %.0f %%", r.Name, r.Hash, r.Readings, quantity.SpokenList(r.Channels), r.Driven, 100*r.Charge)
		d.Lead = append(d.Lead, line{Name: "record", Text: text})
		for _, note := range r.Notes {
			d.Lead = append(d.Lead, line{Name: "mind", Text: r.Name + ": " + note})
		}
	}
	if l.Practice {
		d.Lead = append(d.Lead, line{Name: "mind", Text: "a record is of a simulated controller: this is practice, nothing of the boat was measured"})
	}
	s := d.section("values", "What the records tell", "Before: the boat file with its tolerances. After: with the records. Both with their 95 % interval.")
	s.Bare = true
	tab := &table{Columns: []column{{Title: "value", Wide: 2}, {Title: "before", Right: true}, {Title: "95 %", Right: true, Wide: 1.6}, {Title: "after", Right: true}, {Title: "95 %", Right: true, Wide: 1.6}}}
	var little, untold, waits []string
	for _, v := range l.Values {
		switch {
		case v.Told:
			before, was := valueRange(v.Before, v.BeforeLow, v.BeforeHigh, v.Unit, v.Written)
			after, now := valueRange(v.After, v.Low, v.High, v.Unit, v.Written)
			tab.row(v.Name, before, was, after, now)
			if v.Note != "" {
				waits = append(waits, v.Name+": "+v.Note)
			}
		case v.Little:
			little = append(little, v.Name)
		default:
			untold = append(untold, v.Name)
		}
	}
	if len(tab.Rows) > 0 {
		tab.Narrower = tab.headed()
		s.add(block{Table: tab})
	} else {
		s.add(block{Text: "No value is told: what was measured is no surer than the boat file."})
	}
	if len(waits) > 0 {
		s.add(block{Text: "Told, and not to be written yet:", List: waits})
	}
	for _, x := range l.Pairs {
		s.add(block{Text: fmt.Sprintf("%s and %s are told only together.", x[0], x[1])})
	}
	if len(little) > 0 {
		s.add(block{Text: "A little is told of:", List: bySection(little)})
	}
	if len(untold) > 0 {
		s.add(block{Text: l.cannot() + ":", List: bySection(untold)})
	}
	if len(l.Margins) > 0 {
		s = d.section("margins", "What became of the margins", "Each with its 95 % band.")
		tab := &table{Columns: []column{{Title: "margin of", Wide: 1.6}, {Title: "in", Wide: 1.6}, {Title: "before", Right: true}, {Title: "now", Right: true}}}
		for _, m := range l.Margins {
			now := "unknown"
			if !math.IsNaN(m.After) {
				now = around(m.After, m.AroundNow, m.Unit)
			}
			tab.row(m.Part, m.Trial, around(m.Before, m.Around, m.Unit), now)
		}
		s.add(block{Table: tab})
	}
	suspects(d, l.Suspects)
	if n := len(l.Warnings) + len(l.Written); n > 0 {
		s = d.section("then", "What follows", "")
		s.Bare = true
		for _, text := range append(slices.Clone(l.Warnings), l.Written...) {
			s.add(block{Text: text})
		}
	}
}

// bySection lists keys with those of one section of the boat file in a line: "motor: constant, resistance".
func bySection(keys []string) (out []string) {
	last := ""
	for _, k := range keys {
		section, name, _ := strings.Cut(k, ".")
		if len(out) > 0 && section == last {
			out[len(out)-1] += ", " + name
			continue
		}
		out, last = append(out, section+": "+name), section
	}
	return out
}

func (l *Learned) cannot() string {
	if len(l.Records) == 1 {
		return "This record cannot tell"
	}
	return "These records cannot tell"
}

func (l *Learned) sentence() string {
	told := 0
	for _, v := range l.Values {
		if v.Told {
			told++
		}
	}
	return fmt.Sprintf("%d of %d values are told.", told, len(l.Values))
}

func (l *Learned) pictures(*Paper) (string, []Figure) { return "what records tell", nil }

// around returns a value with the half-width of its band: "36 K ± 14 K".
func around(v, half float64, unit string) string {
	if math.IsNaN(half) {
		return ShownMargin(v, unit) + ", band unknown"
	}
	return fmt.Sprintf("%s ± %s", ShownMargin(v, unit), ShownMargin(half, unit))
}

// suspects writes what causes may explain a record.
func suspects(d *document, all []Suspected) {
	if len(all) == 0 {
		return
	}
	s := d.section("causes", "Causes, each held against the record", "A small dose of each cause was simulated; the score says by how many standard deviations the record speaks for it, and by chance how likely that is without it.")
	if !slices.ContainsFunc(all, func(x Suspected) bool { return x.Named }) {
		s.add(block{Text: fmt.Sprintf("None goes beyond chance, meters and tolerances; nearest comes: %s (score %.1f).", all[0].Cause, all[0].Score)})
		return
	}
	tab := &table{Columns: []column{{Title: "cause", Wide: 2.4}, {Title: "size", Right: true, Wide: 1.4}, {Title: "score", Right: true}, {Title: "by chance", Right: true}}}
	for _, x := range all {
		if !x.Named {
			continue
		}
		odds := "< 0.1 %"
		if x.Odds >= 0.001 {
			odds = fmt.Sprintf("%.1f %%", 100*x.Odds)
		}
		tab.row(x.Cause, x.Size, fmt.Sprintf("%.1f", math.Abs(x.Score)), odds)
	}
	s.add(block{Table: tab})
	for _, x := range all {
		if x.Named && len(x.Like) > 0 {
			s.add(block{Text: "This record cannot tell " + x.Cause + " from " + quantity.List(x.Like) + "."})
			break
		}
	}
}

// Overlaid is a record over its prediction.
type Overlaid struct {
	Record   string
	Channels []OverlaidChannel
	Suspects []Suspected
	Warnings []string
}

// OverlaidChannel is one channel, SI.
type OverlaidChannel struct {
	Name, Unit                  string
	Time, Measured, Model, Half []float64
	Largest, At, RMS            float64
	Outside                     float64 // share of the rows
	From                        float64 // s; NaN: never
	Parts                       bool
}

func (o *Overlaid) write(p *Paper, d *document) {
	d.Title += ": " + o.Record + " over its prediction"
	var parted []string
	for _, c := range o.Channels {
		if c.Parts {
			parted = append(parted, quantity.Spoken(c.Name))
		}
	}
	d.Sentence = "Each channel by itself agrees with the prediction to within what meters and tolerances explain."
	if len(parted) > 0 {
		d.Sentence = "Measured and predicted part beyond what meters and tolerances explain: " + quantity.List(parted) + "."
	}
	d.Lead = append(d.Lead, line{Name: "record", Text: o.Record})
	s := d.section("differences", "Measured less predicted", "For the same lever and weather. Explained: what the meter, a lever a little early or late, and the boat file's tolerances explain at 95 %.")
	s.Bare = true
	tab := &table{Columns: []column{{Title: "channel", Wide: 1.6}, {Title: "largest", Right: true}, {Title: "at", Right: true}, {Title: "rms", Right: true}, {Title: "explained there", Right: true}, {Title: "beyond it", Right: true}, {Title: "from", Right: true}}}
	for _, c := range o.Channels {
		unit := quantity.Difference(c.Unit)
		half, from := 0.0, "never"
		for i, t := range c.Time {
			if t == c.At {
				half = c.Half[i]
			}
		}
		if !math.IsNaN(c.From) {
			from = ShownTime(c.From)
		}
		tab.row(quantity.Spoken(c.Name), ShownMargin(c.Largest, unit), ShownTime(c.At), ShownMargin(c.RMS, unit), "± "+ShownMargin(half, unit), fmt.Sprintf("%.0f %%", 100*c.Outside), from)
	}
	tab.Folded = tab.headed()
	s.add(block{Table: tab})
	s.add(block{Text: d.Sentence})
	suspects(d, o.Suspects)
	if len(o.Warnings) > 0 {
		s = d.section("mind", "Mind", "")
		s.Bare = true
		for _, w := range o.Warnings {
			s.add(block{Text: w})
		}
	}
	if d.Paper {
		s := d.section("charts", "Charts", "")
		s.Break = true
		_, figures := o.pictures(p)
		s.add(block{Figures: figures})
	}
}

func (o *Overlaid) pictures(*Paper) (string, []Figure) {
	var out []Figure
	for _, k := range o.Channels {
		c := &Chart{
			Title: title(quantity.Spoken(k.Name)), X: Axis{Label: "time", Time: true}, Y: Axis{Label: quantity.Spoken(k.Name), Unit: k.Unit},
			About: "Measured, over the band that meter, lever and tolerances explain.",
		}
		low, high := make([]float64, len(k.Time)), make([]float64, len(k.Time))
		for i := range k.Time {
			low[i], high[i] = k.Model[i]-k.Half[i], k.Model[i]+k.Half[i]
		}
		low, high = convert(low, k.Unit), convert(high, k.Unit)
		c.Series = append(c.Series, Series{Name: "measured", X: k.Time, Y: convert(k.Measured, k.Unit)}, Series{Name: "predicted", X: k.Time, Y: convert(k.Model, k.Unit), Drawn: Aside})
		at := len(c.Series)
		c.Series = append(c.Series, Series{Name: "band, lowest", X: k.Time, Y: low, Drawn: Edge, Ink: 2}, Series{Name: "band, highest", X: k.Time, Y: high, Drawn: Edge, Ink: 2})
		c.Bands = append(c.Bands, Band{X: k.Time, Low: low, High: high, Series: at})
		out = append(out, c)
	}
	return o.Record + " over its prediction", out
}

// suitable returns the unit, with a prefix, that suits a value.
func suitable(v float64, unit string) string {
	_, in, ok := strings.Cut(quantity.FormatAuto(v, unit), " ")
	if !ok {
		return unit
	}
	return in
}
