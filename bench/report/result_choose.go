package report

import (
	"slices"
	"strings"

	"quaybench/bench/choose"
)

// Chosen is which sizes of published series do for parts of a boat.
type Chosen struct {
	Choices []choose.Choice
	Follow  string // the code
}

func (c *Chosen) write(_ *Paper, d *document) {
	d.Title += ": which size"
	d.subject("which size does")
	for i := range c.Choices {
		c.one(d, &c.Choices[i])
	}
	s := d.section("follow", "", "")
	s.Bare, s.Tight = true, true
	s.add(block{Text: c.Follow})
}

// partName returns the name of the part that a choice is for.
func partName(k *choose.Choice) string {
	if k.Part != k.What && k.Part != "precharge" {
		return k.What + ": " + k.Part
	}
	return k.What
}

// fits returns in words whether a size does.
func fits(k *choose.Choice, i int) string {
	z := &k.Sizes[i]
	word := "no"
	switch {
	case i == k.Chosen:
		word = "chosen"
	case z.Fits:
		word = "does"
	}
	if z.Present {
		word += ", now"
	}
	return word
}

func (c *Chosen) one(d *document, k *choose.Choice) {
	s := d.section("choice-"+strings.ReplaceAll(k.Part, " ", "-"), partName(k), strings.Join(k.Asks, "; "))
	if !d.Paper {
		s.say("asked", strings.Join(k.Asks, "; "))
	}
	if k.Chosen >= 0 {
		s.say("chosen", k.Sizes[k.Chosen].Name+": "+strings.Join(append([]string{k.Sizes[k.Chosen].Margin}, k.Sizes[k.Chosen].Costs...), ", "))
	} else {
		s.say("chosen", "none of these does")
	}
	var sources []string
	source := func(text string) string {
		i := slices.Index(sources, text)
		if i < 0 {
			sources, i = append(sources, text), len(sources)
		}
		return string(rune('a' + i%26))
	}
	t := &table{Indent: true, Columns: []column{{Title: "size"}, {Title: "does", Wide: 0.5}, {Title: "used", Right: true, Wide: 0.5}, {Title: "source", Wide: 0.4}, {Title: "left, costs, or why it does not do", Wide: 5, Run: true}}}
	more := false // reasons than a screen shows
	for i := range k.Sizes {
		z := &k.Sizes[i]
		used := ""
		if z.Used != nil {
			used = ShownShare(*z.Used)
		}
		text := strings.Join(append([]string{z.Margin}, z.Costs...), ", ")
		if !z.Fits {
			text = strings.Join(append(slices.Clone(z.Why), z.Costs...), "; ")
			if !d.Paper {
				text, _, _ = strings.Cut(z.Why[0], ". ")
				more = more || len(z.Why) > 1
			}
		}
		t.row(z.Name, fits(k, i), used, source(z.Source), strings.TrimPrefix(text, ", "))
	}
	s.add(block{Table: t})
	for i, text := range sources {
		s.say("source "+string(rune('a'+i%26)), text)
	}
	for _, n := range k.Notes {
		s.say("mind", n)
	}
	if more {
		s.say("mind", "a size that fails for several reasons has the first of them here; a report (--report) has all")
	}
	if k.Trials != nil {
		s.say("judged in", strings.Join(k.Trials, ", ")+"; each size in the trials that are hardest on the part, the one chosen in all")
	}
}

func (c *Chosen) pictures(*Paper) (string, []Figure) {
	var figures []Figure
	for i := range c.Choices {
		k := &c.Choices[i]
		used := &Bars{Title: partName(k), About: "With each size: the share of its limit that the part concerned, or the part hardest pressed, uses at its worst. A size may fail for other reasons: the table says.", Label: "share used", Unit: "%", High: 110, Limits: []Limit{{At: 100}}}
		for j := range k.Sizes {
			if z := &k.Sizes[j]; z.Used != nil {
				used.Rows = append(used.Rows, Bar{Name: z.Name, Value: min(100*max(*z.Used, 0), 300), Text: strings.TrimSpace(ShownShare(*z.Used) + " " + fits(k, j))})
			}
		}
		if used.Rows != nil {
			figures = append(figures, used)
		}
	}
	return "which size does", figures
}
