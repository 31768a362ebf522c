package report

import (
	"math"

	"quaybench/bench/study"
)

// Values lists the values of a boat in the order in which they move its tightest margin: what to measure first.
type Values struct {
	Margin   string // which it is, and how sure
	Rows     []ValueRow
	All      int    // values that are not exact
	Withheld string // why there is no list; "": there is one
	Made     string
	LeftOut  []string
}

// ValueRow is one value.
type ValueRow struct {
	Key, Origin, Known, Then, Measure string
	Moves, Gains                      float64 // of the margin, SI
	Unit                              string  // of the part
}

func (v *Values) write(p *Paper, d *document) {
	d.Title += ": what to measure first"
	d.subject("what to measure first")
	d.Sentence = v.Margin
	s := d.section("values", "Values", "")
	s.Bare = true
	s.add(block{Text: v.Margin})
	if v.Withheld != "" {
		s.add(block{Text: "What to measure first is not told: " + v.Withheld + "."})
		return
	}
	t := &table{Columns: []column{{Title: "in order of importance", Wide: 2}, {Title: "comes from"}, {Title: "known to", Right: true}, {Title: "moves the margin by", Right: true}, {Title: "measured to", Right: true}, {Title: "that gains", Right: true}}}
	var how []string
	for _, r := range v.Rows {
		gains, then := "-", "-"
		if r.Gains > 0 {
			gains, then = ShownMargin(r.Gains, r.Unit), r.Then
		}
		t.row(p.Boat.KeyName(r.Key), origin(r.Origin), r.Known, "± "+ShownMargin(math.Abs(r.Moves), r.Unit), then, gains)
		if r.Gains > 0 && r.Measure != "" && len(how) < 5 {
			how = append(how, p.Boat.KeyName(r.Key)+": "+r.Measure)
		}
	}
	t.Folded = t.headed()
	s.add(block{Table: t})
	if more := v.All - len(v.Rows); more > 0 {
		s.add(block{Text: study.Plural(more, "value") + " more: each moves it by less, or not at all."})
	}
	if how != nil {
		s.add(block{Text: "How to measure what gains most:"}, block{List: how})
	}
	s = d.section("sure", "How sure", "")
	s.add(block{List: append([]string{"The band is half of a 95 % interval; what a value gains is by how much that shrinks once it is measured with ordinary care. " + v.Made + "."}, v.LeftOut...)})
}

func (v *Values) pictures(*Paper) (string, []Figure) { return "what to measure first", nil }

// origin returns where a value comes from, in words.
func origin(word string) string {
	if word == "" {
		return "does not say"
	}
	return word
}
