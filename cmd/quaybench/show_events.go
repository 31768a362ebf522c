package main

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// showSide prints the findings and events of one set of settings.
func showSide(sys *system, name string, s *verdict.Side, several bool) {
	if len(s.Findings) > 0 {
		fmt.Fprintf(sys.Out, "\n%s: rules that need no simulation\n", name)
		showFindings(sys, s.Findings)
	}
	tab := &table{right: map[int]bool{0: true}}
	var texts []string
	row := func(when string, t *verdict.Trial, what string) {
		tab.add("  "+when, t.Name)
		texts = append(texts, what)
	}
	for i := range s.Trials {
		t := &s.Trials[i]
		for _, e := range t.Run.Events {
			if !several || e.Kind != record.Note || e.Device == "run" { // a run that was stopped says where, always
				row(shownTime(e.At), t, eventText(e))
			}
		}
		for _, m := range t.Missing {
			row("never", t, m)
		}
	}
	if len(tab.rows) == 0 {
		return
	}
	order := ", trial by trial"
	if !several {
		order = ""
		for i := range tab.rows {
			tab.rows[i] = []string{tab.rows[i][0], ""} // they all have the same name
		}
	}
	fmt.Fprintf(sys.Out, "\n%s: events in time order%s\n", name, order)
	lines := tab.lines()
	wide := widest(lines) + 2
	for i, l := range lines {
		fmt.Fprintln(sys.Out, hung(l+strings.Repeat(" ", wide-visible(l)), texts[i], sys.width()))
	}
}

// showFirst says what acts first.
func showFirst(sys *system, s *verdict.Side) {
	what := "none"
	if f := s.First; f != nil {
		what = fmt.Sprintf("%s, after %s in %s", f.What, shownTime(f.At), f.Trial)
	}
	fmt.Fprintln(sys.Out, "\n"+hung(s.First.Heading()+": ", what, sys.width()))
}

// eventText is an event in words: what, for how long, how often, and the latest instant of a device with a spread.
func eventText(e record.Event) string {
	text := e.What
	switch lasting := e.Until - e.At; {
	case e.Until > 0 && e.Count > 3:
		text += fmt.Sprintf(" (hunts: %d times in %s)", e.Count, shownTime(lasting))
	case e.Until > 0 && lasting < 0.05:
		text += " (for a moment)"
	case e.Until > 0:
		text += fmt.Sprintf(" (for %s)", shownTime(lasting))
	case e.Count > 3:
		text += fmt.Sprintf(" (hunts: %d times)", e.Count)
	}
	switch {
	case math.IsInf(e.Latest, 1):
		text += "; a slow one not in this trial"
	case e.Latest > 0:
		text += "; a slow one at " + shownTime(e.Latest)
	}
	return text
}
