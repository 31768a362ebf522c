package report

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"quaybench/bench/quantity"
)

// Drift is how a boat's values moved from record to record.
type Drift struct {
	First   time.Time
	Records []string
	Tracks  []DriftTrack
	LeftOut []string
	// Warnings are what to bear in mind.
	Warnings []string
}

// DriftTrack is one value over the records, SI, each with its 95 % interval.
type DriftTrack struct {
	Name, Unit            string
	Cause                 string // in the trade's words; "": it went back
	Day, Value, Low, High []float64
	// Change is the last value less the first, with its 95 % interval.
	Change, ChangeLow, ChangeHigh float64
	Returned                      string  // in words: when it was furthest, of one that is back by the last record; "": it is not
	Pace, PaceLow, PaceHigh       float64 // SI a day, with its 95 % interval; NaN: none
	AtOnce                        string  // in words: between which records it changed, if at once; "": it did not
	Chance                        float64
	Moved                         bool
	Like                          []string // that the records cannot tell from it
	Reaches                       string   // in words: when a part reaches its limit at this pace; "": not known
}

const month = 30.0 // days

func (t *Drift) write(p *Paper, d *document) {
	d.Title += ": drift"
	d.subject("drift over " + fmt.Sprint(len(t.Records)) + " records")
	moved := 0
	for _, k := range t.Tracks {
		if k.Moved {
			moved++
		}
	}
	d.Sentence = fmt.Sprintf("%d of the %d values that wear and that these records tell moved beyond chance.", moved, len(t.Tracks))
	for _, r := range t.Records {
		d.lead("record", r)
	}
	s := d.section("drift", "What moved", "Asked is what wears, by a trend over the days and by a step between two records; everything else is the same in all records. The intervals leave out what the records share. By chance: the probability that a value which stayed as it is differs so much, all that is asked counted; below 2 % it moved.")
	s.Bare = true
	tab := &table{Columns: []column{{Title: "value", Wide: 2}, {Title: "first", Right: true}, {Title: "95 %", Right: true, Wide: 1.5}, {Title: "last", Right: true}, {Title: "95 %", Right: true, Wide: 1.5}, {Title: "by chance", Right: true}}}
	still, like := []string{}, map[string]bool{}
	for _, k := range t.Tracks {
		for _, other := range k.Like {
			like[other] = true
		}
	}
	for _, k := range t.Tracks {
		if !k.Moved {
			if !like[strings.TrimSuffix(k.Name, " (factor)")] {
				still = append(still, k.Name)
			}
			continue
		}
		n := len(k.Day) - 1
		first, was := valueRange(k.Value[0], k.Low[0], k.High[0], k.Unit, "")
		last, now := valueRange(k.Value[n], k.Low[n], k.High[n], k.Unit, "")
		chance := "< 0.1 %"
		if k.Chance >= 0.001 {
			chance = fmt.Sprintf("%.1f %%", 100*k.Chance)
		}
		tab.row(k.Name, first, was, last, now, chance)
	}
	if len(tab.Rows) > 0 {
		tab.Narrower = tab.headed()
		s.add(block{Table: tab})
	} else {
		s.add(block{Text: "Nothing moved beyond chance."})
	}
	for _, k := range t.Tracks {
		if !k.Moved {
			continue
		}
		if len(k.Like) > 0 {
			s.say(k.Name, "or, in its place, "+quantity.List(k.Like)+": these records cannot tell which")
		}
		s.say(k.Name, k.moved())
		text := k.Reaches
		switch {
		case text != "":
		case k.AtOnce != "":
			text = "no date: it changed at once, " + k.AtOnce + ", and that has no pace"
		case len(k.Day) < 3:
			text = "no date: three records are the fewest for one"
		case !(k.PaceLow*k.PaceHigh > 0):
			text = "no date: the pace is not sure"
		default:
			text = "no date: at this pace it leads to no limit of temperature within a hundred years"
		}
		s.say(k.Name, text)
	}
	if len(still) > 0 {
		s.add(block{Text: "Did not move beyond chance:", List: bySection(still)})
	}
	for _, w := range t.Warnings {
		s.say("mind", w)
	}
	for _, l := range t.LeftOut {
		s.say("left out", l)
	}
	if d.Paper {
		s := d.section("charts", "Charts", "")
		_, figures := t.pictures(p)
		s.add(block{Figures: figures})
	}
}

// moved returns in words what happened to a value, and by how much.
func (k *DriftTrack) moved() string {
	what := k.Cause
	switch {
	case k.Returned != "":
		return cmp.Or(what, "it went the other way") + " and back again: " + k.Returned
	case what == "":
		what = "it went back, as when something was mended, cleaned or exchanged"
	}
	by, between := valueRange(k.Change, k.ChangeLow, k.ChangeHigh, k.Unit, "")
	if !strings.HasPrefix(by, "-") && !strings.HasPrefix(by, "−") {
		by = "+" + by
	}
	text := fmt.Sprintf("%s: %s from the first record to the last (%s)", what, by, between)
	if k.PaceLow*k.PaceHigh > 0 {
		pace, around := valueRange(month*k.Pace, month*k.PaceLow, month*k.PaceHigh, k.Unit, "")
		text += fmt.Sprintf(", %s a month (%s)", pace, around)
	}
	return text
}

func (t *Drift) pictures(*Paper) (string, []Figure) {
	var out []Figure
	for i, k := range t.Tracks {
		if !k.Moved && i > 3 {
			continue
		}
		unit := k.Unit
		c := &Chart{Title: title(k.Name), X: Axis{Label: "days since " + t.First.Format("2 January 2006"), Unit: "d"}, Y: Axis{Label: k.Name, Unit: unit}, About: "Each point is one record; the band is its 95 % interval, what the records share left out."}
		low, high := convert(k.Low, unit), convert(k.High, unit)
		c.Series = []Series{{Name: "learned", X: k.Day, Y: convert(k.Value, unit)}, {Name: "lowest", X: k.Day, Y: low, Drawn: Edge, Ink: 1}, {Name: "highest", X: k.Day, Y: high, Drawn: Edge, Ink: 1}}
		c.Bands = []Band{{X: k.Day, Low: low, High: high, Series: 0}}
		out = append(out, c)
	}
	return "drift", out
}
