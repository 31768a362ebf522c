package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// showTried prints the verdict table, the events, what acts first, what is gained and spent, and what to change. With
// stopped it is what there was when the user stopped it, and no verdict.
func showTried(sys *system, t *bench.Tried, trials []*trial.Trial, stopped bool) {
	out := sys.Out
	several := len(trials) != 1
	headed := func(head, text string) { fmt.Fprintln(out, hung(head+": ", text, sys.width())) }
	headed(t.Setup.Boat.Name, orElse(t.Setup.Boat.About, "no description"))
	if len(trials) == 1 {
		headed("trial", trials[0].Name+": "+orElse(trials[0].About, "no description"))
	}
	if t.Proposal != nil {
		headed("proposed", strings.Join(differences(t.Setup.Settings, *t.Proposal), ", "))
	}
	fmt.Fprintln(out)
	showParts(sys, t, several)
	showSide(sys, "present", &t.Present, several)
	if t.Proposed != nil {
		showSide(sys, "proposed", t.Proposed, several)
	}
	showFirst(sys, t.Side())
	if t.Proposed != nil {
		showGain(sys, t, trials)
	}
	if !stopped {
		showChange(sys, t)
	}
	fmt.Fprintln(out, "\nhow sure:")
	for _, text := range append(sureness(t), t.Setup.Boat.Estimates()...) {
		fmt.Fprintln(out, hung("  ", text, sys.width()))
	}
	showVerdict(sys, *t.Side(), stopped, t.NotJudged)
}

// showVerdict ends every judgement: the verdict, what it comes from, and the caution.
func showVerdict(sys *system, side verdict.Side, stopped bool, blank error) {
	if blank != nil {
		fmt.Fprintln(sys.Out, "\n"+wrapped("verdict: "+bench.NotJudged+": "+blank.Error(), sys.width()))
		fmt.Fprintln(sys.Out, wrapped(bench.Caution, sys.width()))
		return
	}
	head := "\nverdict: " + sys.painted(side.Level, side.Level.String())
	if stopped {
		level := max(side.Level, verdict.NotJudged)
		head = "\nverdict: " + sys.painted(level, level.String()) + ", for it was stopped early"
	}
	fmt.Fprintln(sys.Out, head)
	if why := reasons(side); len(why) > 0 {
		fmt.Fprintln(sys.Out, hung("  ", strings.Join(why, ", "), sys.width()))
	}
	fmt.Fprintln(sys.Out, wrapped(bench.Caution, sys.width()))
}

// reasons lists what brings a side to its verdict, each thing once; nothing where all is clear.
func reasons(s verdict.Side) (out []string) {
	if s.Level == verdict.Clear {
		return nil
	}
	seen := map[string]bool{}
	add := func(text string) {
		if !seen[text] {
			seen[text] = true
			out = append(out, text)
		}
	}
	for _, f := range s.Findings {
		if f.Level == s.Level {
			add("rule " + f.Rule)
		}
	}
	parts, _ := s.Worst()
	for _, p := range parts {
		if p.Level == s.Level && (p.Measure != record.Melting || s.Level < verdict.Over) { // an event says of the fuse what it may do
			add(p.Name)
		}
	}
	for _, t := range s.Trials {
		if s.Level == verdict.NotJudged {
			for _, why := range t.Unjudged {
				add(t.Name + ": " + why)
			}
		}
		if t.Level != s.Level || s.Level != verdict.Over {
			continue
		}
		for _, e := range t.Run.Events {
			if e.Kind == record.Protecting {
				add(e.What)
			}
		}
		if len(t.Missing) > 0 {
			add("protection that did not come in " + t.Name)
		}
	}
	return out
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

func showFindings(sys *system, findings []verdict.Finding) {
	const indent = "         "
	for _, f := range findings {
		head := "  " + sys.painted(f.Level, fmt.Sprintf("%-5s", f.Level)) + "  "
		fmt.Fprintln(sys.Out, hung(head, f.Rule+": "+f.Text, sys.width()))
		if c := f.Change; c != nil {
			fmt.Fprintln(sys.Out, hung(indent, "change "+changed(*c), sys.width()))
		}
		fmt.Fprintln(sys.Out, hung(indent, "source: "+f.Source, sys.width()))
	}
}

func showChange(sys *system, t *bench.Tried) {
	if t.Level() != verdict.Over {
		return
	}
	if len(t.Change) == 0 {
		fmt.Fprintln(sys.Out, "\n"+hung("to change: ", "no single limit makes it clear; look at what is over", sys.width()))
		return
	}
	fmt.Fprintln(sys.Out, "\nto change:")
	for _, c := range t.Change {
		fmt.Fprintln(sys.Out, hung("  ", changed(c), sys.width()))
	}
}

// changed says what to change, and to what.
func changed(c verdict.Change) string {
	return fmt.Sprintf("%s from %s to %s (%s)", c.Key, c.From, c.To, c.Why)
}

// restsOn returns what a verdict rests on, in a sentence or two.
func restsOn(setup *bench.Setup) []string {
	out := []string{"It rests on the values of the boat file: " + setup.Basis.String() + "."}
	if n := len(setup.Basis.Changed); n > 0 {
		out = append(out, fmt.Sprintf("Changed, but still marked as example (%d): %s. Write where each comes from in place of the word.", n, strings.Join(firstOf(setup.Basis.Changed, 4), ", ")))
	}
	return out
}

// firstOf returns at most n of a list, with a mark where there are more.
func firstOf(list []string, n int) []string {
	if len(list) <= n {
		return list
	}
	return append(slices.Clone(list[:n]), "...")
}

// sureness says what the verdict rests on.
func sureness(t *bench.Tried) []string {
	open := 0
	worst, share := "", 0.0
	b := *t.Setup.Boat // Walk may change what it walks
	datafile.Walk(&b, func(path string, v *quantity.Value) {
		if v.Given && v.Tolerance > 0 {
			open++
			if s := v.Tolerance / math.Abs(v.SI); v.SI != 0 && s > share {
				worst, share = described(t.Setup.Boat, path), s
			}
		}
	})
	text := "Every value is taken as it stands; none states a tolerance"
	if open > 0 {
		text = fmt.Sprintf("Every value is taken as it stands; %d state a tolerance, the widest %s with ± %.0f %%", open, worst, 100*share)
	}
	var residual float64
	for _, tr := range t.Side().Trials {
		if e := tr.Run.Energy; e.Throughput > 0 {
			residual = max(residual, math.Abs(e.Residual)/e.Throughput)
		}
	}
	balance := "Energy balances to the last digit."
	if residual > 0 {
		balance = fmt.Sprintf("Energy balances to 1 part in %s of what passed the battery.", grouped(1/residual))
	}
	return append(restsOn(t.Setup), text+".", balance)
}

// described says in words which value of a boat file a key means: "resistance of the battery lug".
func described(b *boat.Boat, key string) string {
	table, last, ok := strings.Cut(key, ".")
	if !ok {
		return strings.ReplaceAll(key, "_", " ")
	}
	var i int
	if n, _ := fmt.Sscanf(table, "joint[%d]", &i); n == 1 {
		table = b.Joints[i].Name
	} else if n, _ := fmt.Sscanf(table, "cable[%d]", &i); n == 1 {
		table = b.Cables[i].Name
	}
	return strings.NewReplacer("_", " ", ".", " ").Replace(last) + " of the " + table
}

// grouped is a large number to one digit, with its thousands set apart: 2 000 000.
func grouped(x float64) string {
	scale := math.Pow(10, math.Floor(math.Log10(x)))
	digits := fmt.Sprintf("%.0f", math.Floor(x/scale)*scale)
	for i := len(digits) - 3; i > 0; i -= 3 {
		digits = digits[:i] + " " + digits[i:]
	}
	return digits
}

// painted colours a verdict on a terminal; the word always stands there too.
func (s *system) painted(l verdict.Level, text string) string {
	if !s.colour() {
		return text
	}
	return [...]string{"\x1b[32m", "\x1b[33m", "\x1b[35m", "\x1b[1;31m"}[l] + text + "\x1b[0m"
}
