package main

import (
	"fmt"

	"quaybench/bench"
	"quaybench/bench/verdict"
)

// judged is one set of settings in the table: each part's worst, with the trial it came from.
type judged struct {
	name   string
	parts  map[string]verdict.Part
	trials map[string]string
}

func judge(name string, s *verdict.Side) (judged, []verdict.Part) {
	j := judged{name, map[string]verdict.Part{}, map[string]string{}}
	parts, trials := s.Worst()
	for i, p := range parts {
		j.parts[p.Name], j.trials[p.Name] = p, trials[i]
	}
	return j, parts
}

// showParts prints a row per part, present and proposed side by side; on a terminal too narrow for that, below each other.
func showParts(sys *system, t *bench.Tried, several bool) {
	side, parts := judge("present", &t.Present)
	sides := []judged{side}
	if t.Proposed != nil {
		side, more := judge("proposed", t.Proposed)
		sides = append(sides, side)
		if len(more) > len(parts) { // the present settings were stopped before their first trial
			parts = more
		}
	}
	if len(parts) == 0 {
		fmt.Fprintln(sys.Out, "no trial has begun")
		return
	}
	lines := sideBySide(sys, sides, parts, several, true)
	if widest(lines) > sys.tableWidth() {
		lines = sideBySide(sys, sides, parts, several, false)
	}
	if widest(lines) > sys.tableWidth() {
		lines = stacked(sys, sides, parts, several)
	}
	for _, l := range lines {
		fmt.Fprintln(sys.Out, l)
	}
}

// sideBySide is a line per part.
func sideBySide(sys *system, sides []judged, parts []verdict.Part, several, share bool) []string {
	tab := &table{right: map[int]bool{2: true}}
	over, head := []string{"", "current", ""}, []string{"part", "of", "limit"}
	for _, side := range sides {
		at := len(head)
		head = append(append(head, parting), titles(several, share)...)
		over = append(append(over, parting, side.name), make([]string, len(head)-at-2)...)
		for i := at + 1; i <= at+3 || share && i <= at+4; i++ {
			tab.right[i] = true
		}
	}
	tab.add(over...)
	tab.add(head...)
	for _, p := range parts {
		row := []string{p.Name, orElse(p.Current, "-"), shown(p.Limit, p.Unit)}
		for _, side := range sides {
			row = append(append(row, parting), cells(sys, side, p.Name, several, share)...)
		}
		tab.add(row...)
	}
	return tab.lines()
}

// stacked is a heading per part, and a line for each set of settings below it.
func stacked(sys *system, sides []judged, parts []verdict.Part, several bool) []string {
	tab := &table{right: map[int]bool{1: true, 2: true, 3: true, 4: true}}
	tab.add(append([]string{""}, titles(several, true)...)...)
	for _, p := range parts {
		heading := p.Name
		if p.Current != "" {
			heading += ", by " + p.Current + " current"
		}
		tab.add(heading + ", limit " + shown(p.Limit, p.Unit))
		for _, side := range sides {
			tab.add(append([]string{"  " + side.name}, cells(sys, side, p.Name, several, true)...)...)
		}
	}
	return tab.lines()
}

func titles(several, share bool) []string {
	out := []string{"peak", "when", "margin"}
	if share {
		out = append(out, "used")
	}
	out = append(out, "verdict")
	if several {
		out = append(out, "trial")
	}
	return out
}

// cells are the columns of titles for one part.
func cells(sys *system, side judged, part string, several, share bool) []string {
	p, ok := side.parts[part]
	if !ok {
		out := titles(several, share)
		for i := range out {
			out[i] = "-"
		}
		return out
	}
	out := []string{shown(p.Peak, p.Unit), shownTime(p.At), shownMargin(p.Margin, p.Unit)}
	if share {
		out = append(out, shownShare(p.Used))
	}
	out = append(out, sys.painted(p.Level, p.Level.String()))
	if several {
		out = append(out, side.trials[part])
	}
	return out
}
