package report

import (
	"fmt"
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
	Day, Value, Low, High []float64
	Chance                float64
	Moved                 bool
	Like                  []string // that the records cannot tell from it
	Reaches               string   // in words: when a part reaches its limit at this pace; "": not known
}

func (t *Drift) write(p *Paper, d *document) {
	d.Title += ": drift"
	d.subject("drift over " + fmt.Sprint(len(t.Records)) + " records")
	moved := 0
	for _, k := range t.Tracks {
		if k.Moved {
			moved++
		}
	}
	d.Sentence = fmt.Sprintf("%d of %d values that the records tell moved beyond chance.", moved, len(t.Tracks))
	for _, r := range t.Records {
		d.lead("record", r)
	}
	s := d.section("drift", "What moved", "Each value is asked alone, the others being the same in all records. The intervals leave out what the records share. By chance: the probability that a value which stayed as it is differs so much, all values counted; below 1 % it moved.")
	s.Bare = true
	tab := &table{Columns: []column{{Title: "value", Wide: 2}, {Title: "first", Right: true}, {Title: "95 %", Right: true, Wide: 1.5}, {Title: "last", Right: true}, {Title: "95 %", Right: true, Wide: 1.5}, {Title: "by chance", Right: true}}}
	still := []string{}
	for _, k := range t.Tracks {
		if !k.Moved {
			if k.Chance >= 0.01 {
				still = append(still, k.Name)
			}
			continue
		}
		n := len(k.Day) - 1
		first, was := valueRange(k.Value[0], k.Low[0], k.High[0], k.Unit)
		last, now := valueRange(k.Value[n], k.Low[n], k.High[n], k.Unit)
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
		text := "no date: the pace is not sure, or leads to no limit within a hundred years"
		if len(k.Day) < 3 {
			text = "no date: three records are the fewest for one"
		}
		if k.Reaches != "" {
			text = k.Reaches
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
