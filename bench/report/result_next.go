package report

import (
	"fmt"
	"slices"

	"quaybench/bench/quantity"
	"quaybench/bench/verdict"
)

// Next is which test to make next, the one that narrows the margin most per minute first. SI.
type Next struct {
	Part, In, Unit string
	Margin, Half   float64
	Tests          []NextTest
	AtHand         string   // meters, in words; "": sets that people usually have
	LeftOut        []string // tests and meters that are of no use here, and why
}

// NextTest is one of them, with the half-width of the margin's 95 % band afterwards.
type NextTest struct {
	Trial, With   string
	Minutes, Half float64
	Level         verdict.Level
}

func (n *Next) write(_ *Paper, d *document) {
	d.Title += ": what to measure next"
	d.subject("what to measure next")
	d.Sentence = fmt.Sprintf("The tightest margin is that of the %s in %s: %s.", n.Part, n.In, around(n.Margin, n.Half, n.Unit))
	d.lead("tightest margin", fmt.Sprintf("%s in %s, %s", n.Part, n.In, around(n.Margin, n.Half, n.Unit)))
	if n.AtHand != "" {
		d.lead("read with", n.AtHand)
	}
	s := d.section("next", "Tests, the one that narrows it most for its time first", "By derivatives around the boat file. The time is the test's own; fifteen minutes to get ready are counted in the order.")
	tab := &table{Columns: []column{{Title: "test", Wide: 1.2}, {Title: "narrows", Right: true}, {Title: "to", Right: true}, {Title: "takes", Right: true}, {Title: "verdict"}, {Title: "read with", Wide: 3}}}
	const with = 5
	const most = 12
	left := 0
	var idle []string
	for _, t := range n.Tests {
		switch by := n.Half - t.Half; {
		case by < worthwhile*n.Half:
			if !slices.Contains(idle, t.Trial) {
				idle = append(idle, t.Trial)
			}
		case len(tab.Rows) >= most:
			left++
		default:
			tab.Rows = append(tab.Rows, row{Cells: []cell{{Text: t.Trial}, {Text: "by " + ShownMargin(by, n.Unit)}, {Text: "± " + ShownMargin(t.Half, n.Unit)}, {Text: ShownTime(60 * t.Minutes)}, judged(t.Level), {Text: t.With}}})
		}
	}
	idle = slices.DeleteFunc(idle, func(name string) bool { // with other meters it is of use
		return slices.ContainsFunc(n.Tests, func(t NextTest) bool { return t.Trial == name && n.Half-t.Half >= worthwhile*n.Half })
	})
	if len(tab.Rows) == 0 {
		text := "None of these tests narrows it."
		if n.AtHand != "" {
			text = "None of these tests narrows it with these meters; ask without --meters which would."
		}
		s.add(block{Text: text})
	} else {
		if n.AtHand != "" {
			tab = tab.without(with)
		}
		s.add(block{Table: tab})
	}
	if left > 0 {
		s.add(block{Text: fmt.Sprintf("%d further ones do less for their time, or are not clear (--json lists all).", left)})
	}
	if len(idle) > 0 {
		s.add(block{Text: "By less than 2 %: " + quantity.List(idle) + "."})
	}
	if n.AtHand == "" {
		s.add(block{Text: "Panel: voltmeter, ammeter and a phone's speed, read by hand. Telemetry: the controller's line or a logger."})
	}
	s.add(block{Text: "A thermometer is held to the part right after stopping; the resistance of the winding is read hot, at the end."})
	if len(n.Tests) > 0 && n.Tests[0].Level != verdict.Clear {
		s.add(block{Text: "None of these tests is clear with the present settings: lower a limit first."})
	}
	if len(n.LeftOut) > 0 {
		s.add(block{Text: "Of no use here:", List: n.LeftOut})
	}
}

// worthwhile is the share of a margin's half-width by which a test narrows it at least to be listed.
const worthwhile = 0.02

func (n *Next) pictures(*Paper) (string, []Figure) { return "what to measure next", nil }
