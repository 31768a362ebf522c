package main

import (
	"fmt"

	"quaybench/bench"
	"quaybench/bench/layout"
	"quaybench/bench/report"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// show prints a result as text.
func show(sys *system, p *report.Paper) { _ = p.Text(sys.Out, sys.screen()) } // what cannot be written, Out knows

// table prints a table, folded where it is wider than the screen.
func (s *system) table(tab *layout.Table) {
	for _, line := range tab.Fitted(s.tableWidth()) {
		fmt.Fprintln(s.Out, line)
	}
}

// showTried prints the verdict table, the events, what acts first, what is gained and spent, and what to change. With
// stopped it is what there was when the user stopped it, and no verdict.
func showTried(sys *system, t *bench.Tried, trials []*trial.Trial, stopped bool) {
	show(sys, paperOf(t.Setup, t.Proposal, resultOf(t, trials, stopped)))
}

// showFindings prints what rules found.
func showFindings(sys *system, findings []verdict.Finding) {
	show(sys, &report.Paper{Result: report.Findings(findings)})
}

// reasonOf returns an error in words; "" for none.
func reasonOf(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// painted colours a verdict on a terminal; the word always stands there too.
func (s *system) painted(l verdict.Level, text string) string {
	if !s.colour() {
		return text
	}
	return report.Paint(l, text)
}
