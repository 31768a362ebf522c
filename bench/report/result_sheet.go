package report

import (
	"fmt"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// Clipboard is a form to read a trial by hand: what to do, what to read, what to expect, and blanks.
type Clipboard struct {
	Trial, About string
	Moored       bool
	Conditions   string // what the prediction is for: weather, charge
	Meters       []ClipboardMeter
	Rows         []ClipboardRow
	Stops        []string
	Warnings     []string // what to bear in mind
}

// ClipboardMeter is a column of it.
type ClipboardMeter struct{ Name, Unit, With string }

// ClipboardRow is one instant: a movement of the lever, or a reading with the 95 % band of each meter, SI; equal ends: it is not read there.
type ClipboardRow struct {
	At, Lever, Over float64
	Move            bool
	Low, High       []float64
}

func (c *Clipboard) write(_ *Paper, d *document) {
	d.Title += ": sheet for " + c.Trial
	d.subject("sheet for " + c.Trial)
	d.Sentence = c.About
	d.lead("predicted for", c.Conditions)
	for _, w := range c.Warnings {
		d.lead("mind", w)
	}
	d.lead("date, place, who", blankLine)
	d.lead("wind, water, load", blankLine)
	d.lead("battery at rest before", "______ V")
	s := d.section("stop", "Stop at once", "")
	s.add(block{List: append(append([]string{}, c.Stops...), "a reading lies outside its band and you don't know why", "smell, noise, smoke, a joint or cable too hot to touch, or anybody asks you to")})
	s = d.section("meters", "Meters", "")
	var with []string
	for _, m := range c.Meters {
		with = append(with, quantity.Spoken(m.Name)+" in "+m.Unit+": "+m.With)
	}
	s.add(block{List: with})
	s = d.section("readings", "Do and read", "One person steers, one reads. Each band holds the reading in 19 of 20 cases where the boat is as its file says. Write what the meter shows, and a dash where you could not read.")
	tab := &table{Columns: []column{{Title: "at", Right: true, Wide: 0.7}, {Title: "do", Wide: 1.5}}}
	for _, m := range c.Meters {
		name := quantity.Spoken(m.Name)
		over, title := "", name
		if i := strings.LastIndex(name, " "); i > 0 {
			over, title = name[:i], name[i+1:]
		}
		tab.Columns = append(tab.Columns, column{Over: over, Title: title + ", " + m.Unit, Right: true, Wide: 1.2})
	}
	for _, r := range c.Rows {
		at := clockTime(r.At)
		if r.Move {
			cells := append(words(at), cell{Text: r.move(), Bold: true})
			for range c.Meters {
				cells = append(cells, cell{})
			}
			tab.Rows = append(tab.Rows, row{Cells: cells})
			continue
		}
		expected, blanks := words(at, "read; expected"), words("", "shown")
		for i, m := range c.Meters {
			if r.Low[i] == r.High[i] {
				expected, blanks = append(expected, cell{}), append(blanks, cell{})
				continue
			}
			expected, blanks = append(expected, cell{Text: r.expected(i, m.Unit)}), append(blanks, cell{Text: "________"})
		}
		tab.Rows = append(tab.Rows, row{Cells: expected, Quiet: true}, row{Cells: blanks})
	}
	tab.Folded = c.byMeter()
	s.add(block{Table: tab})
	s = d.section("after", "Afterwards", "")
	s.Bare = true
	s.add(block{Text: "Remarks: " + blankLine}, block{Text: "Type it in with `quaybench sheet BOAT --trial " + c.Trial + " --fill -`, or fill in the CSV that --csv writes and give it to --fill."})
}

// byMeter returns the table of what to do and read with a line for each meter, for which a narrow terminal has room.
func (c *Clipboard) byMeter() *table {
	tab := &table{Columns: []column{{Title: "at", Right: true}, {Title: "do"}, {Title: "expected", Right: true}, {Title: "shown"}}}
	for _, r := range c.Rows {
		at := clockTime(r.At)
		if r.Move {
			tab.row(at, r.move())
			continue
		}
		for i, m := range c.Meters {
			if r.Low[i] != r.High[i] {
				tab.row(at, "read "+quantity.Spoken(m.Name)+", "+m.Unit, r.expected(i, m.Unit), "________")
				at = ""
			}
		}
	}
	return tab
}

// move returns what to do with the lever.
func (r *ClipboardRow) move() string {
	text := fmt.Sprintf("lever to %.0f %%", 100*r.Lever)
	if r.Over > 0 {
		text += " over " + ShownTime(r.Over)
	}
	return text
}

// expected returns the band of a meter.
func (r *ClipboardRow) expected(meter int, unit string) string {
	low, _, _ := strings.Cut(Shown(r.Low[meter], unit), " ")
	high, _, _ := strings.Cut(Shown(r.High[meter], unit), " ")
	return low + " to " + high
}

const blankLine = "______________________________"

// clockTime returns a time of a trial as a stopwatch shows it.
func clockTime(t float64) string {
	s := int(t + 0.5)
	if s >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s%3600/60, s%60)
	}
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}

func (c *Clipboard) pictures(*Paper) (string, []Figure) { return "sheet", nil }

// TypeIn is the list of settings to type into a controller by hand, with a blank for what it shows afterwards.
type TypeIn struct {
	Hash     string
	Rows     []TypeInRow
	Warnings []string // what to bear in mind
}

// TypeInRow is a setting of it.
type TypeInRow struct{ Key, What, Value string }

func (t *TypeIn) write(_ *Paper, d *document) {
	d.Title += ": settings to type in"
	d.subject("settings to type in")
	d.Sentence = fmt.Sprintf("%d settings, to be typed in with the software of the controller's maker.", len(t.Rows))
	d.lead("settings", t.Hash)
	for _, w := range t.Warnings {
		d.lead("mind", w)
	}
	d.lead("controller, its number", blankLine)
	d.lead("date, who", blankLine)
	s := d.section("settings", "Type in, then read it back", "Lever at neutral, propeller clear. Write down what the controller shows after it was switched off and on again. What it has no place for gets a dash.")
	tab := &table{Columns: []column{{Title: "setting", Wide: 1.5}, {Title: "value", Right: true}, {Title: "shows afterwards", Wide: 1.2}}}
	if d.Paper {
		tab.Columns = append(tab.Columns, column{Title: "what it is", Wide: 2.6})
	}
	for _, r := range t.Rows {
		cells := words(r.Key, r.Value, "____________", r.What)
		tab.Rows = append(tab.Rows, row{Cells: cells[:len(tab.Columns)]})
	}
	s.add(block{Table: tab})
	s = d.section("after", "Afterwards", "")
	s.Bare = true
	s.add(block{Text: "Type it in with `quaybench sheet BOAT --settings --fill -`, or fill in the CSV that --csv writes and give it to --fill: the journal then knows what the controller holds, as after a `controller read`."})
}

func (t *TypeIn) pictures(*Paper) (string, []Figure) { return "settings to type in", nil }

// SettingRows are all settings of the list.
func SettingRows(p *Paper) (rows []TypeInRow) {
	for _, f := range settings.Fields() {
		if f.Kind == datafile.KindGroup || f.Kind == datafile.KindGroups {
			continue
		}
		rows = append(rows, TypeInRow{Key: f.Key, What: f.Doc, Value: settingText(p.Settings, f)})
	}
	return rows
}
