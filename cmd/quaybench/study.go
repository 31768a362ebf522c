package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/study"
	"quaybench/bench/trial"
)

// studyFlags are the flags that the studies share.
type studyFlags struct {
	trials, set []string
	json        bool
	example     bool
	seed        uint64
	paper       paperFlags
}

func (f *studyFlags) add(cmd *cobra.Command, sys *system) {
	cmd.Flags().StringArrayVar(&f.set, "set", nil, "start from this setting changed: `KEY=VALUE` (may be repeated)")
	cmd.Flags().BoolVar(&f.json, "json", false, "print one JSON object")
	addExample(cmd, &f.example)
	f.paper.add(cmd)
	_ = cmd.RegisterFlagCompletionFunc("set", completeKeys)
	cmd.ValidArgsFunction = completeBoats(sys)
}

func (f *studyFlags) addTrials(cmd *cobra.Command, without string) {
	cmd.Flags().StringArrayVar(&f.trials, "trial", nil, "a built-in `TRIAL` or a trial file (may be repeated; default: "+without+")")
	_ = cmd.RegisterFlagCompletionFunc("trial", func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return trial.Names(), cobra.ShellCompDirectiveDefault
	})
}

// load finds the boat and the trials.
func (f *studyFlags) load(sys *system, name string) (*bench.Setup, []*trial.Trial, error) {
	setup, err := loadBoat(sys, name)
	if err != nil {
		return nil, nil, err
	}
	if err := own(setup); err != nil && !f.example {
		return nil, nil, fmt.Errorf("%w; --example tries it all the same", err)
	}
	if setup.Settings, err = bench.Propose(setup.Settings, f.set); err != nil {
		return nil, nil, input(err)
	}
	if err := f.paper.check(); err != nil {
		return nil, nil, err
	}
	var trials []*trial.Trial
	for _, t := range f.trials {
		loaded, err := bench.LoadTrial(t)
		if err != nil {
			return nil, nil, input(err)
		}
		trials = append(trials, loaded)
	}
	return setup, trials, nil
}

// parseQuantity reads an argument with its unit.
func parseQuantity(what, text, unit string) (float64, error) {
	v, err := quantity.Parse(text, quantity.MustUnit(unit))
	if err != nil {
		return 0, input(fmt.Errorf("%s: %w", what, err))
	}
	return v.SI, nil
}

// highestOptions are what `quaybench highest` is asked.
type highestOptions struct {
	studyFlags
	keys       []string
	boat       string
	hold, odds string
	draws      int
	every      bool
}

const everyRunUsage = "simulate every draw, none is judged by the fit: slower, for who doubts it"

func (f *highestOptions) run(ctx context.Context, sys *system) error {
	setup, trials, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	for _, key := range f.keys {
		if _, ok := setup.Settings.Number(key); !ok {
			err := fmt.Errorf("%s is no number to search", key)
			if _, known := setup.Settings.Get(key); !known {
				_, err = setup.Settings.With(key, "")
			}
			return input(err)
		}
	}
	if f.hold != "" {
		seconds, err := parseQuantity("--hold", f.hold, "s")
		if err != nil {
			return err
		}
		trials = append(trials, bench.HoldTrial(seconds))
	}
	o := study.HighestOptions{Draws: f.draws, Seed: f.seed, EveryRun: f.every}
	if f.odds != "" {
		if o.Odds, err = parseQuantity("--odds", f.odds, "%"); err != nil {
			return err
		}
		if !(o.Odds > 0 && o.Odds <= 1) { // 0 would be the boat as written, without a draw
			return input(fmt.Errorf("--odds must be above 0 %% and at most 100 %%, got %q", f.odds))
		}
	}
	bar := newBar(sys, "values tried")
	defer bar.done()
	o.Progress = bar.show
	if len(f.keys) == 2 {
		front, err := bench.Front(ctx, setup, [2]string{f.keys[0], f.keys[1]}, trials, o)
		bar.done()
		if f.json && err == nil {
			return errors.Join(writeJSON(sys, front), f.paper.write(ctx, sys, setup, nil, frontResult(front, trials), true))
		}
		showFront(sys, front)
		if err != nil {
			return err
		}
		return f.paper.write(ctx, sys, setup, nil, frontResult(front, trials), false)
	}
	h, err := bench.Highest(ctx, setup, f.keys[0], trials, o)
	bar.done()
	if err != nil {
		return err
	}
	if f.json {
		return errors.Join(writeJSON(sys, h), f.paper.write(ctx, sys, setup, nil, highestResult(h), true))
	}
	showHighest(sys, h)
	return f.paper.write(ctx, sys, setup, nil, highestResult(h), false)
}

func highestCommand(sys *system) *cobra.Command {
	var f highestOptions
	cmd := &cobra.Command{
		Use:   "highest BOAT KEY [KEY]",
		Short: "find the highest value of a setting that stays clear",
		Long: `Searches the highest value of a setting that stays clear in every trial named (default: all built-in ones), certain to 0.5 % of the value: the top of the
interval that holds the present value. Clearness need not be monotone (a lower limit runs longer): gaps are told. With two keys it gives a front: for each
value of the first, the highest clear value of the second.`,
		Example: `  quaybench highest petrel limits.motor_current
  quaybench highest petrel limits.motor_current --hold "30 min"
  quaybench highest petrel limits.motor_current --trial hot-day --odds "95 %"
  quaybench highest petrel limits.battery_current limits.motor_current --trial full-throttle`,
		Args: arguments(2, 3, "BOAT or KEY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.keys = args[1:]
			f.boat = args[0]
			return f.run(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	f.addTrials(cmd, "all built-in ones")
	cmd.Flags().StringVar(&f.hold, "hold", "", "judge full throttle held for this long, for example \"30 min\", instead of the built-in trials")
	cmd.Flags().StringVar(&f.odds, "odds", "", "share of draws over the boat file's tolerances that must be clear, for example \"95 %\"")
	cmd.Flags().IntVar(&f.draws, "draws", 100, "number of those draws")
	cmd.Flags().BoolVar(&f.every, "every-run", false, everyRunUsage)
	cmd.Flags().Uint64Var(&f.seed, "seed", 1, "seed of the draws: the same seed gives the same answer")
	return cmd
}

func showHighest(sys *system, h *bench.HighestResult) {
	unit := settings.Unit(h.Key)
	show := func(si float64) string { return quantity.Format(si, unit, 4) }
	fmt.Fprintf(sys.Out, "%s: %s (now %s)\n", h.Boat, h.Key, show(h.Present))
	switch {
	case math.IsNaN(h.Value):
		fmt.Fprintf(sys.Out, "no value between %s and %s is clear\n", show(h.Low), show(h.High))
	case !h.PresentClear:
		fmt.Fprintf(sys.Out, "the present value is not clear; the highest clear value below it is %s\n", show(h.Value))
	default:
		fmt.Fprintf(sys.Out, "highest clear value: %s\n", show(h.Value))
	}
	if math.IsNaN(h.Value) && h.Gives != nil {
		fmt.Fprintln(sys.Out, wrapped("at the present value: "+h.Gives.What, sys.width()))
	} else if h.Gives != nil {
		where := ""
		if h.Gives.Trial != "" {
			where = " in " + h.Gives.Trial
		}
		fmt.Fprintln(sys.Out, wrapped(fmt.Sprintf("what gives next, at %s: %s%s", show(h.Next), h.Gives.What, where), sys.width()))
	} else if !math.IsNaN(h.Value) && math.IsNaN(h.Next) {
		fmt.Fprintf(sys.Out, "nothing gives up to the end of the range, %s\n", show(h.High))
	}
	for _, g := range h.Gaps {
		word := "not clear"
		if g.Clear {
			word = "clear again"
		}
		fmt.Fprintf(sys.Out, "mind: between %s and %s it is %s\n", show(g.From), show(g.To), word)
	}
	showLeftOut(sys, h.LeftOut)
	if h.Made != nil {
		fmt.Fprintln(sys.Out, wrapped(h.Made.String(), sys.width()))
	}
	showSureness(sys, h.Trials, h.Odds)
}

// showSureness ends what a search shows: judged in what, how sure, and the caution.
func showSureness(sys *system, trials []string, odds float64) {
	how := "the boat file at its face value"
	if odds > 0 {
		how = fmt.Sprintf("%.3g %% of the draws over the boat file's tolerances (%s)", 100*odds, study.Distribution)
	}
	for _, line := range []string{"judged in: " + strings.Join(trials, ", "), "how sure: certain to 0.5 % of the value, by " + how, bench.Caution} {
		fmt.Fprintln(sys.Out, wrapped(line, sys.width()))
	}
}

// showLeftOut prints which draws a study does not count.
func showLeftOut(sys *system, l study.LeftOut) {
	for _, line := range l.Lines() {
		fmt.Fprintln(sys.Out, wrapped(line, sys.width()))
	}
}

func showFront(sys *system, f *bench.FrontResult) {
	if f == nil {
		return
	}
	a, b := settings.Unit(f.Keys[0]), settings.Unit(f.Keys[1])
	tab := &table{right: map[int]bool{0: true, 1: true}}
	tab.add(f.Keys[0], "highest "+f.Keys[1], "what gives next")
	for _, p := range f.Points {
		highest, gives := "none is clear", ""
		if !math.IsNaN(p.Second) {
			highest = quantity.Format(p.Second, b, 4)
		}
		if p.Gives != nil {
			gives = p.Gives.What
			if p.Gives.Trial != "" {
				gives += " in " + p.Gives.Trial
			}
		}
		tab.add(quantity.Format(p.First, a, 4), highest, gives)
	}
	fmt.Fprintf(sys.Out, "%s: front of two settings\n", f.Boat)
	for _, l := range tab.fitted(sys.tableWidth()) {
		fmt.Fprintln(sys.Out, l)
	}
	showLeftOut(sys, f.LeftOut)
	showSureness(sys, f.Trials, f.Odds)
}

// envelopeOptions are what `quaybench envelope` is asked.
type envelopeOptions struct {
	studyFlags
	boat               string
	current, hold, air string
	csv                tableFile
	moored, locked     bool
}

func (f *envelopeOptions) run(ctx context.Context, sys *system) error {
	setup, _, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	if err := f.csv.check(sys, f.json); err != nil {
		return err
	}
	o := study.EnvelopeOptions{Moored: f.moored, Locked: f.locked}
	most := setup.Boat.Stage.Current.SI
	low, high := most/8, most
	if f.current != "" {
		if low, high, err = parseRange("--current", f.current, "A"); err != nil {
			return err
		}
		if _, err := setup.Settings.WithNumber("limits.motor_current", high); err != nil { // its bounds hold here too
			return input(fmt.Errorf("--current: %w", err))
		}
	}
	shortest := 10.0
	o.Longest = 3600
	if f.hold != "" {
		if shortest, o.Longest, err = parseRange("--hold", f.hold, "s"); err != nil {
			return err
		}
	}
	if f.air != "" {
		if o.Air, err = parseQuantity("--air", f.air, "°C"); err != nil {
			return err
		}
	}
	const rows = 16
	for i := range rows {
		o.Currents = append(o.Currents, low+(high-low)*float64(i)/(rows-1))
	}
	bar := newBar(sys, "currents")
	o.Progress = bar.show
	e, err := bench.FindEnvelope(ctx, setup, o)
	bar.done()
	if err != nil && e == nil {
		return err
	}
	if f.csv.name != "" && err == nil {
		if err := f.csv.write(f.csv.name, func(to io.Writer) error { return writeEnvelope(to, e) }); err != nil {
			return err
		}
	}
	if f.json && err == nil {
		return errors.Join(writeJSON(sys, e), f.paper.write(ctx, sys, setup, nil, envelopeResult(e), true))
	}
	showEnvelope(sys, e, shortest)
	if err != nil {
		return err
	}
	return f.paper.write(ctx, sys, setup, nil, envelopeResult(e), false)
}

func envelopeCommand(sys *system) *cobra.Command {
	var f envelopeOptions
	cmd := &cobra.Command{
		Use:   "envelope BOAT",
		Short: "map how long which motor current may be held, and what ends it",
		Long: `Holds each motor current from cold, deratings, boost, battery current limit and stall timer out of the way: it asks what the parts bear, not what
the controller allows.`,
		Example: `  quaybench envelope petrel
  quaybench envelope petrel --current "100 A..300 A" --hold "10 s..60 min" --air "35 °C" --csv envelope.csv
  quaybench envelope petrel --locked --hold "1 s..60 s"`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.boat = args[0]
			return f.run(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	cmd.Flags().StringVar(&f.current, "current", "", "motor currents, for example \"100 A..300 A\" (default: an eighth of the controller's to all of it)")
	cmd.Flags().StringVar(&f.hold, "hold", "", "how long, for example \"10 s..60 min\" (the default)")
	cmd.Flags().StringVar(&f.air, "air", "", "outside air, for example \"35 °C\" (default 25 °C)")
	cmd.Flags().BoolVar(&f.moored, "moored", false, "the boat is held fast")
	cmd.Flags().BoolVar(&f.locked, "locked", false, "the shaft does not turn")
	f.csv.add(cmd, "the map to this `FILE`")
	return cmd
}

// parseRange reads "100 A..300 A".
func parseRange(what, text, unit string) (low, high float64, err error) {
	a, b, ok := strings.Cut(text, "..")
	if !ok {
		return 0, 0, input(fmt.Errorf("%s %q is no range; write for example \"100 %s..300 %s\"", what, text, unit, unit))
	}
	if low, err = parseQuantity(what, strings.TrimSpace(a), unit); err != nil {
		return 0, 0, err
	}
	if high, err = parseQuantity(what, strings.TrimSpace(b), unit); err != nil {
		return 0, 0, err
	}
	if !(low > 0 && high > low) {
		return 0, 0, input(fmt.Errorf("%s %q must rise from above zero", what, text))
	}
	return low, high, nil
}

func showEnvelope(sys *system, e *bench.EnvelopeResult, shortest float64) {
	fmt.Fprintf(sys.Out, "%s: how long a motor current may be held from cold, in air of %s%s\n\n", e.Boat, quantity.Format(e.Air, "°C", 3), e.Note)
	holds := holdTimes(shortest, e.Longest)
	tab := envelopeTable(e, holds)
	for len(holds) > 1 && widest(tab.lines()) > sys.tableWidth() { // a screen takes some of the times only
		holds = thinned(holds)
		tab = envelopeTable(e, holds)
	}
	for _, l := range tab.fitted(sys.tableWidth()) {
		fmt.Fprintln(sys.Out, l)
	}
	fmt.Fprintln(sys.Out, "\n"+wrapped("derating, boost, battery current limit and stall timer are left out: this is what the parts bear.", sys.width()))
	if slices.ContainsFunc(e.Points, study.Hold.Falls) {
		why := "as the boat gathers way the motor takes less than the limit allows"
		mend := "; --moored holds it"
		if e.Points[0].Moored {
			why, mend = "as the motor heats and the bank sags, full voltage no longer drives that current", ""
		}
		fmt.Fprintln(sys.Out, wrapped("not held: "+why+", so this run does not say how long that current may flow"+mend+".", sys.width()))
	}
	fmt.Fprintln(sys.Out, wrapped(bench.Caution, sys.width()))
}

// thinned leaves out every second time, and keeps the longest.
func thinned(holds []float64) (kept []float64) {
	for i, t := range holds {
		if (len(holds)-1-i)%2 == 0 {
			kept = append(kept, t)
		}
	}
	return kept
}

func envelopeTable(e *bench.EnvelopeResult, holds []float64) *table {
	tab := &table{right: map[int]bool{0: true, 1: true}}
	seconds := func(s float64) string { return quantity.FormatAuto(s, "s") }
	head := []string{"motor current", "may be held", "what ends it"}
	for _, t := range holds {
		head = append(head, quantity.FormatAuto(t, "s"))
	}
	tab.add(head...)
	for _, p := range e.Points {
		row := []string{quantity.Format(p.Current, "A", 3), p.Held(e.Longest, seconds), orElse(p.Ends(seconds), "-")}
		for _, t := range holds {
			switch {
			case p.Falls():
				row = append(row, "-")
			case p.Time < t:
				row = append(row, "over")
			default:
				row = append(row, "ok")
			}
		}
		tab.add(row...)
	}
	return tab
}

// holdTimes are round times between two.
func holdTimes(from, to float64) (out []float64) {
	for _, t := range []float64{1, 2, 5, 10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400} {
		if t >= from*0.999 && t <= to*1.001 {
			out = append(out, t)
		}
	}
	return out
}

func writeEnvelope(to io.Writer, e *bench.EnvelopeResult) error {
	w := csv.NewWriter(to)
	_ = w.Write([]string{"motor_current_A", "reached_A", "flows_A", "held_s", "ends"})
	for _, p := range e.Points {
		held := ""
		switch {
		case p.Falls():
			held = "0"
		case !math.IsInf(p.Time, 1):
			held = fmt.Sprintf("%.4g", p.Time)
		}
		amps := func(x float64) string { return fmt.Sprintf("%.6g", x) }
		ends := p.Ends(func(s float64) string { return fmt.Sprintf("%.4g s", s) })
		_ = w.Write([]string{amps(p.Current), amps(p.Reached), amps(p.Flows), held, ends})
	}
	w.Flush()
	return w.Error()
}

// oddsOptions are what `quaybench odds` is asked.
type oddsOptions struct {
	studyFlags
	boat  string
	draws int
	runs  int // the former name of draws; −1: not given
	every bool
	quick bool
}

func (f *oddsOptions) run(ctx context.Context, sys *system) error {
	setup, trials, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	if f.runs >= 0 { // until the version after this one
		fmt.Fprintln(sys.Err, "quaybench: --runs is called --draws now, as everywhere")
		f.draws = f.runs
	}
	if f.draws < 1 {
		return input(fmt.Errorf("--draws must be 1 or more, got %d", f.draws))
	}
	bar := newBar(sys, "runs")
	o := study.OddsOptions{Draws: f.draws, Seed: f.seed, Quick: f.quick, EveryRun: f.every, Progress: bar.show}
	odds, err := bench.FindOdds(ctx, setup, trials, o)
	bar.done()
	if odds == nil {
		return input(err)
	}
	if f.json && err == nil {
		return errors.Join(writeJSON(sys, odds), f.paper.write(ctx, sys, setup, nil, oddsResult(odds, f.seed), true))
	}
	showOdds(sys, odds)
	if err != nil {
		return err
	}
	return f.paper.write(ctx, sys, setup, nil, oddsResult(odds, f.seed), false)
}

func oddsCommand(sys *system) *cobra.Command {
	var f oddsOptions
	cmd := &cobra.Command{
		Use:   "odds BOAT",
		Short: "how likely each part passes its limit, and what to measure first to become surer",
		Long: `Draws boats over the tolerances in the boat file (` + study.Distribution + `) and judges each in the
trials named. Some draws are simulated, the rest are judged by a fit to those; a draw that lies near a limit is always simulated. Then it tells which unknown
matters most (Sobol indices of the share that the likeliest part uses): measure that first.`,
		Example: `  quaybench odds petrel
  quaybench odds petrel --trial hot-restart --draws 10000 --set limits.motor_current="165 A"`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.boat = args[0]
			return f.run(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	f.addTrials(cmd, "full-throttle, crash-stop, hot-day, hot-restart")
	cmd.Flags().IntVar(&f.draws, "draws", 1000, "number of draws")
	cmd.Flags().IntVar(&f.runs, "runs", -1, "the former name of --draws")
	_ = cmd.Flags().MarkHidden("runs")
	cmd.Flags().BoolVar(&f.every, "every-run", false, everyRunUsage)
	cmd.Flags().Uint64Var(&f.seed, "seed", 1, "the same seed gives the same answer")
	cmd.Flags().BoolVar(&f.quick, "quick", false, "leave the sensitivity out")
	return cmd
}

func showOdds(sys *system, o *bench.OddsResult) {
	percent := func(p study.Probability) []string {
		return []string{fmt.Sprintf("%.3g %%", 100*p.Value), fmt.Sprintf("%.2g to %.2g %%", 100*p.Low, 100*p.High)}
	}
	fmt.Fprintf(sys.Out, "%s: %d draws over the tolerances, in %s\n\n", o.Boat, o.Runs, strings.Join(o.Trials, ", "))
	tab := &table{right: map[int]bool{2: true, 3: true, 4: true, 5: true}}
	tab.add("part", "current", "over", "95 % interval", "used: median", "97.5 %", "worst in")
	for _, p := range o.Parts {
		row := append([]string{p.Part, orElse(p.Current, "-")}, percent(p.Over)...)
		tab.add(append(row, shownShare(p.Median), shownShare(p.High), p.Trial)...)
	}
	for _, d := range o.Devices {
		tab.add(append([]string{d.Device + " opens", "battery"}, append(percent(d.Opens), "", "", "")...)...)
	}
	tab.add(append([]string{"anything over", ""}, append(percent(o.Over), "", "", "")...)...)
	for _, l := range tab.fitted(sys.tableWidth()) {
		fmt.Fprintln(sys.Out, l)
	}
	showLeftOut(sys, o.LeftOut)
	for _, f := range o.Rules {
		fmt.Fprintln(sys.Out, wrapped("not counted above, whatever the draw: rule "+f.Rule+" is over: "+f.Text, sys.width()))
	}
	fmt.Fprintln(sys.Out, wrapped(o.Made.String(), sys.width()))
	if o.Withheld != "" {
		fmt.Fprintf(sys.Out, "\n%s\n", wrapped("what to measure first is not told: "+o.Withheld, sys.width()))
	}
	if len(o.Unknowns) > 0 {
		fmt.Fprintln(sys.Out, "\n"+wrapped(fmt.Sprintf("what the spread of %s in %s comes from: the share of its variance, ± half of the 95 %% interval", o.Target, o.In), sys.width()))
		tab := &table{right: map[int]bool{1: true, 2: true, 3: true}}
		tab.add("  in order of importance", "known to", "alone", "with interactions")
		for i, u := range o.Unknowns {
			if i == 8 || i > 0 && u.Total < 0.005 {
				break
			}
			tab.add("  "+u.Key, fmt.Sprintf("± %.0f %%", 100*u.Tolerance), study.Shown(u.First, u.FirstError), study.Shown(u.Total, u.TotalError))
		}
		for _, l := range tab.fitted(sys.tableWidth()) {
			fmt.Fprintln(sys.Out, l)
		}
	}
	sure := "how sure: tolerances are taken as " + study.Distribution + "; values without a tolerance are taken as exact."
	fmt.Fprintf(sys.Out, "\n%s\n%s\n", wrapped(sure, sys.width()), wrapped(bench.Caution, sys.width()))
}
