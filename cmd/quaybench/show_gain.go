package main

import (
	"fmt"
	"math"
	"slices"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// worth are the things a proposal is made for.
var worth = []struct {
	title, unit string
	of          func(record.Gain) *float64
}{
	{"top speed", "m/s", func(g record.Gain) *float64 { return g.TopSpeed }},
	{"thrust", "N", func(g record.Gain) *float64 { return g.Thrust }},
	{"endurance", "s", func(g record.Gain) *float64 { return g.Endurance }},
	{"distance", "m", func(g record.Gain) *float64 { return g.Distance }},
}

// telling are the built-in trials whose gain is worth reading when all have run.
var telling = []string{"full-throttle", "two-hour-outing"}

// showGain compares what the proposal brings with what it spends.
func showGain(sys *system, t *bench.Tried, trials []*trial.Trial) {
	tab := &table{right: map[int]bool{2: true, 3: true, 4: true}}
	for i := range t.Present.Trials {
		a := &t.Present.Trials[i]
		k := slices.IndexFunc(t.Proposed.Trials, func(b verdict.Trial) bool { return b.Name == a.Name })
		if k < 0 || trials == nil && !slices.Contains(telling, a.Name) {
			continue
		}
		for _, w := range worth {
			from, to := w.of(a.Run.Gain), w.of(t.Proposed.Trials[k].Run.Gain)
			if from == nil || to == nil {
				continue
			}
			before, after := shownPair(*from, *to, w.unit)
			change := "-"
			if *from != 0 {
				change = fmt.Sprintf("%+.0f %%", 100*(*to / *from - 1))
			}
			tab.add("  "+a.Name, w.title, before, after, change)
		}
	}
	if len(tab.rows) > 0 {
		tab.rows = slices.Insert(tab.rows, 0, []string{"gained and given up", "", "present", "proposed", "change"})
		fmt.Fprintln(sys.Out)
		for _, l := range tab.fitted(sys.tableWidth()) {
			fmt.Fprintln(sys.Out, l)
		}
	}
	showSpent(sys, t)
}

// showSpent says how much more of the limits is used, and what heat costs in life.
func showSpent(sys *system, t *bench.Tried) {
	before, _ := judge("present", &t.Present)
	after, parts := judge("proposed", t.Proposed)
	said := false
	for _, p := range parts {
		was, ok := before.parts[p.Name]
		if !ok || p.Name != "winding" && p.Level == verdict.Clear {
			continue
		}
		line := fmt.Sprintf("%s: %s of its limit used instead of %s", p.Name, shownShare(p.Used), shownShare(was.Used))
		if len(t.Proposed.Trials) > 1 {
			line += " (" + after.trials[p.Name] + ")"
		}
		if p.Name == "winding" {
			line += fmt.Sprintf("; at its peak the insulation ages %s as fast (10 K rule, Montsinger)", times(math.Exp2((p.Peak-was.Peak)/10)))
		}
		if !said {
			fmt.Fprintln(sys.Out, "\nspent:")
			said = true
		}
		fmt.Fprintln(sys.Out, hung("  ", line, sys.width()))
	}
}
