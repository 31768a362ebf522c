package main

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"unicode/utf8"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// table is text in columns. Cells are padded by characters, not bytes.
type table struct {
	rows  [][]string
	right map[int]bool // columns that are set flush right
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

func (t *table) lines() []string {
	var width []int
	for _, row := range t.rows {
		for i, cell := range row {
			if i == len(width) {
				width = append(width, 0)
			}
			width[i] = max(width[i], visible(cell))
		}
	}
	var lines []string
	for _, row := range t.rows {
		var b strings.Builder
		for i, cell := range row {
			pad := strings.Repeat(" ", width[i]-visible(cell))
			if i > 0 {
				b.WriteString("  ")
			}
			if t.right[i] {
				b.WriteString(pad + cell)
			} else {
				b.WriteString(cell + pad)
			}
		}
		lines = append(lines, strings.TrimRight(b.String(), " "))
	}
	return lines
}

// visible is how many columns a text takes; colour takes none.
func visible(text string) int { return utf8.RuneCountInString(escapes.ReplaceAllString(text, "")) }

var escapes = regexp.MustCompile("\x1b\\[[0-9;]*m")

// showTried prints the verdict table, the events, what acts first, what is gained and spent, and what to change.
func showTried(sys *system, t *bench.Tried, trials []*trial.Trial) {
	out := sys.Out
	several := len(trials) != 1
	fmt.Fprintf(out, "%s: %s\n", t.Setup.Boat.Name, orElse(t.Setup.Boat.About, "no description"))
	if t.Proposal != nil {
		fmt.Fprintf(out, "proposed: %s\n", strings.Join(differences(t.Setup.Settings, *t.Proposal), ", "))
	}
	fmt.Fprintln(out)
	showParts(sys, t, several)
	showSide(sys, "present", &t.Present, several, t.Proposed == nil)
	if t.Proposed != nil {
		showSide(sys, "proposed", t.Proposed, several, true)
		showGain(sys, t)
	}
	showChange(sys, t)
	fmt.Fprintf(out, "\nhow sure: %s\n", wrapped(sureness(t), sys.width()-10))
	fmt.Fprintf(out, "\nverdict: %s\n%s\n", sys.painted(t.Level(), t.Level().String()), wrapped(bench.Caution, sys.width()))
}

func orElse(text, fallback string) string {
	if text == "" {
		return fallback
	}
	return text
}

// differences lists the settings in which b differs from a.
func differences(a, b settings.Set) (out []string) {
	for _, f := range settings.Fields() {
		if f.Kind == datafile.KindGroup {
			continue
		}
		from, _ := a.Get(f.Key)
		to, _ := b.Get(f.Key)
		if from != to {
			out = append(out, fmt.Sprintf("%s %s instead of %s", f.Key, to, from))
		}
	}
	if out == nil {
		out = []string{"nothing differs from the settings as they stand"}
	}
	return out
}

// showParts prints a row per part, present and proposed side by side; below each other where the terminal is narrow.
func showParts(sys *system, t *bench.Tried, several bool) {
	sides := []struct {
		name string
		side *verdict.Side
	}{{"present", &t.Present}}
	if t.Proposed != nil {
		sides = append(sides, struct {
			name string
			side *verdict.Side
		}{"proposed", t.Proposed})
	}
	build := func(from, to int) []string {
		tab := &table{right: map[int]bool{2: true}}
		head := []string{"part", "current", "limit"}
		for k := from; k < to; k++ {
			at := len(head)
			if several {
				head = append(head, sides[k].name+": peak", "when", "margin", "used", "verdict", "trial")
			} else {
				head = append(head, sides[k].name+": peak", "when", "margin", "used", "verdict")
			}
			for i := at; i < at+4; i++ {
				tab.right[i] = true
			}
		}
		tab.add(head...)
		parts, _ := sides[from].side.Worst()
		for i, p := range parts {
			row := []string{p.Name, orElse(p.Current, "-"), shown(p.Limit, p.Unit)}
			for k := from; k < to; k++ {
				judged, trials := sides[k].side.Worst()
				if i >= len(judged) {
					continue
				}
				q := judged[i]
				row = append(row, shown(q.Peak, q.Unit), shownTime(q.At), shownMargin(q), shownShare(q.Used), sys.painted(q.Level, q.Level.String()))
				if several {
					row = append(row, trials[i])
				}
			}
			tab.add(row...)
		}
		return tab.lines()
	}
	lines := build(0, len(sides))
	if len(sides) > 1 && widest(lines) > sys.width() && sys.terminal() {
		lines = append(append(build(0, 1), ""), build(1, 2)...)
	}
	for _, l := range lines {
		fmt.Fprintln(sys.Out, l)
	}
}

func widest(lines []string) (w int) {
	for _, l := range lines {
		w = max(w, visible(l))
	}
	return w
}

func shown(si float64, unit string) string { return quantity.Format(si, unit, 3) }

func shownMargin(p verdict.Part) string {
	unit := p.Unit
	if unit == "°C" {
		unit = "K"
	}
	return shown(p.Margin, unit)
}

// shownTime is a time in a run.
func shownTime(s float64) string {
	if s < 120 {
		return quantity.Format(math.Round(s*10)/10, "s", 3)
	}
	return quantity.FormatAuto(s, "s")
}

func shownShare(x float64) string {
	if math.IsInf(x, 1) {
		return "all"
	}
	return fmt.Sprintf("%.0f %%", 100*max(0, x))
}

// showSide prints the findings and events of one set of settings.
func showSide(sys *system, name string, s *verdict.Side, several, first bool) {
	if len(s.Findings) > 0 {
		fmt.Fprintf(sys.Out, "\n%s: rules that need no simulation\n", name)
		showFindings(sys, s.Findings)
	}
	tab := &table{right: map[int]bool{0: true}}
	for _, t := range s.Trials {
		for _, e := range t.Run.Events {
			if several && e.Kind == record.Note {
				continue
			}
			cells := []string{"  " + shownTime(e.At)}
			if several {
				cells = append(cells, t.Name)
			}
			tab.add(append(cells, eventText(e))...)
		}
		for _, m := range t.Missing {
			cells := []string{"  never"}
			if several {
				cells = append(cells, t.Name)
			}
			tab.add(append(cells, m)...)
		}
	}
	if len(tab.rows) > 0 {
		fmt.Fprintf(sys.Out, "\n%s: events in time order%s\n", name, map[bool]string{true: ", trial by trial"}[several])
		for _, l := range tab.lines() {
			fmt.Fprintln(sys.Out, l)
		}
	}
	if !first {
		return
	}
	if f := s.First; f != nil {
		fmt.Fprintf(sys.Out, "\nacts first: %s, after %s in %s\n", f.What, shownTime(f.At), f.Trial)
	} else {
		fmt.Fprintln(sys.Out, "\nacts first: nothing acts")
	}
}

// eventText is an event in words: what, for how long, how often, and the latest instant of a device with a spread.
func eventText(e record.Event) string {
	text := e.What
	switch {
	case e.Until > 0 && e.Count > 3:
		text += fmt.Sprintf(" (hunts: %d times in %s)", e.Count, shownTime(e.Until-e.At))
	case e.Until > 0:
		text += fmt.Sprintf(" (for %s)", shownTime(e.Until-e.At))
	}
	switch {
	case math.IsInf(e.Latest, 1):
		text += " (a slow one never, at that current)"
	case e.Latest > 0:
		text += fmt.Sprintf(" (a slow one at %s)", shownTime(e.Latest))
	}
	return text
}

func showFindings(sys *system, findings []verdict.Finding) {
	for _, f := range findings {
		fmt.Fprintf(sys.Out, "  %s  %s: %s\n", sys.painted(f.Level, fmt.Sprintf("%-5s", f.Level)), f.Rule, f.Text)
		if f.Change != nil {
			fmt.Fprintf(sys.Out, "         change %s from %s to %s (%s)\n", f.Change.Key, f.Change.From, f.Change.To, f.Change.Why)
		}
		fmt.Fprintf(sys.Out, "         source: %s\n", f.Source)
	}
}

// showGain compares what the proposal brings with what it spends.
func showGain(sys *system, t *bench.Tried) {
	out := sys.Out
	for i := range t.Present.Trials {
		if i >= len(t.Proposed.Trials) {
			break
		}
		a, b := t.Present.Trials[i], t.Proposed.Trials[i]
		if len(t.Present.Trials) > 1 && a.Name != "full-throttle" && a.Name != "two-hour-outing" {
			continue
		}
		var gains []string
		add := func(what string, from, to *float64, show func(float64) string) {
			if from == nil || to == nil {
				return
			}
			gains = append(gains, fmt.Sprintf("%s %s -> %s (%+.0f %%)", what, show(*from), show(*to), 100*(*to / *from - 1)))
		}
		speed := func(v float64) string { return quantity.Format(v, "m/s", 3) }
		add("top speed", a.Run.Gain.TopSpeed, b.Run.Gain.TopSpeed, speed)
		add("thrust", a.Run.Gain.Thrust, b.Run.Gain.Thrust, func(v float64) string { return quantity.Format(v, "N", 3) })
		add("endurance", a.Run.Gain.Endurance, b.Run.Gain.Endurance, func(v float64) string { return quantity.FormatAuto(v, "s") })
		add("distance", a.Run.Gain.Distance, b.Run.Gain.Distance, func(v float64) string { return quantity.FormatAuto(v, "m") })
		if len(gains) > 0 {
			fmt.Fprintf(out, "gained in %s: %s\n", a.Name, strings.Join(gains, ", "))
		}
	}
	before, _ := t.Present.Worst()
	after, trials := t.Proposed.Worst()
	for i, p := range after {
		if i >= len(before) || p.Name != "winding" && p.Level == verdict.Clear {
			continue
		}
		line := fmt.Sprintf("spent: %s uses %s of its limit instead of %s", p.Name, shownShare(p.Used), shownShare(before[i].Used))
		if len(t.Proposed.Trials) > 1 {
			line += " (" + trials[i] + ")"
		}
		if p.Name == "winding" {
			line += fmt.Sprintf("; at that peak its insulation ages %.2g times as fast (10 K rule, Montsinger)", math.Exp2((p.Peak-before[i].Peak)/10))
		}
		fmt.Fprintln(out, line)
	}
}

func showChange(sys *system, t *bench.Tried) {
	if t.Level() != verdict.Over {
		return
	}
	if len(t.Change) == 0 {
		fmt.Fprintln(sys.Out, "\nto change: no single limit makes it clear; look at the parts that are over")
		return
	}
	fmt.Fprintln(sys.Out, "\nto change:")
	for _, c := range t.Change {
		fmt.Fprintf(sys.Out, "  %s from %s to %s (%s)\n", c.Key, c.From, c.To, c.Why)
	}
}

// sureness says what the verdict rests on.
func sureness(t *bench.Tried) string {
	values, open := 0, 0
	worst, share := "", 0.0
	datafile.Walk(t.Setup.Boat, func(path string, v *quantity.Value) {
		if !v.Given {
			return
		}
		values++
		if v.Tolerance > 0 {
			open++
			if s := v.Tolerance / math.Abs(v.SI); v.SI != 0 && s > share {
				worst, share = path, s
			}
		}
	})
	text := fmt.Sprintf("this verdict takes every value of the boat file at its face value. %d of %d values state a tolerance", open, values)
	if worst != "" {
		text += fmt.Sprintf(", the widest %s with ± %.0f %%", worst, 100*share)
	}
	var residual float64
	for _, tr := range t.Side().Trials {
		if e := tr.Run.Energy; e.Throughput > 0 {
			residual = max(residual, math.Abs(e.Residual)/e.Throughput)
		}
	}
	return text + fmt.Sprintf(". The equations were solved so that energy balances to %.0e of what passed the battery.", residual)
}

// painted colours a verdict on a terminal; the word always stands there too.
func (s *system) painted(l verdict.Level, text string) string {
	if !s.colour() {
		return text
	}
	return [...]string{"\x1b[32m", "\x1b[33m", "\x1b[1;31m"}[l] + text + "\x1b[0m"
}
