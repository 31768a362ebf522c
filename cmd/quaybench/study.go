package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/report"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
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
	addSet(cmd, sys, &f.set, "start from this value changed")
	cmd.Flags().BoolVar(&f.json, "json", false, "print one JSON object")
	addExample(cmd, &f.example)
	f.paper.add(cmd)
	cmd.ValidArgsFunction = completeBoats(sys)
}

func (f *studyFlags) addTrials(cmd *cobra.Command, without string) {
	addTrials(cmd, &f.trials, without)
}

// addTrials lets a command take several trials.
func addTrials(cmd *cobra.Command, names *[]string, without string) {
	cmd.Flags().StringArrayVar(names, "trial", nil, "`TRIAL` (a name or a file; may be repeated; default: "+without+")")
	completeTrialFlag(cmd)
}

// addTrial lets a command take the one trial that it is about.
func addTrial(cmd *cobra.Command, name *string, what string) {
	cmd.Flags().StringVar(name, "trial", "", "`TRIAL` (a name or a file) "+what)
	completeTrialFlag(cmd)
}

func completeTrialFlag(cmd *cobra.Command) {
	_ = cmd.RegisterFlagCompletionFunc("trial", func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return completeTrials(), cobra.ShellCompDirectiveDefault
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
	if setup, err = setup.With(f.set); err != nil {
		return nil, nil, input(err)
	}
	if err := f.paper.check(sys, f.json); err != nil {
		return nil, nil, err
	}
	trials, err := loadTrials(sys, f.trials)
	if err != nil {
		return nil, nil, err
	}
	return setup, trials, nil
}

// answer shows a result, or writes its JSON, and puts it on paper. With an error it is what there was so far, which a screen shows.
func (f *studyFlags) answer(ctx context.Context, sys *system, setup *bench.Setup, value any, result report.Result, err error) error {
	switch {
	case !f.json:
		show(sys, paperOf(setup, nil, result))
	case err == nil:
		err = writeJSON(sys, value)
	}
	if err != nil {
		return err
	}
	return f.paper.write(ctx, sys, setup, nil, result, f.json)
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
	lowest     bool
}

const everyRunUsage = "simulate every draw, none is judged by the fit: slower, for who doubts it"

func (f *highestOptions) run(ctx context.Context, sys *system) error {
	setup, trials, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	for _, key := range f.keys {
		if err := setup.Variant().Searchable(key); err != nil {
			return input(err)
		}
	}
	if f.hold != "" {
		seconds, err := parseQuantity("--hold", f.hold, "s")
		if err != nil {
			return err
		}
		if !(seconds > 0) {
			return input(fmt.Errorf("--hold must be above 0 s, got %q", f.hold))
		}
		trials = append(trials, bench.HoldTrial(seconds))
	}
	o := study.HighestOptions{Examples: f.example, Bands: true, Lowest: f.lowest, Draws: f.draws, Seed: f.seed, EveryRun: f.every}
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
		front, err := bench.FindFront(ctx, setup, [2]string{f.keys[0], f.keys[1]}, trials, o)
		bar.done()
		if front == nil {
			return err
		}
		if err = f.answer(ctx, sys, setup, front, &front.Front, err); err == nil && !slices.ContainsFunc(front.Points, func(p study.FrontPoint) bool { return !math.IsNaN(p.Second) }) {
			return ended(verdict.Over, nil)
		}
		return err
	}
	h, err := bench.FindHighest(ctx, setup, f.keys[0], trials, o)
	bar.done()
	if err != nil {
		return err
	}
	if err = f.answer(ctx, sys, setup, h, &h.Highest, nil); err == nil && math.IsNaN(h.Value) {
		return ended(verdict.Over, nil)
	}
	return err
}

func highestCommand(sys *system) *cobra.Command {
	var f highestOptions
	cmd := &cobra.Command{
		Use:   "highest BOAT KEY [KEY]",
		Short: "find the highest value that stays clear: of a setting, of the boat, of the weather",
		Long: `Searches the highest value that stays clear in every trial named (default: all built-in ones), certain to 0.5 % of the value: the top of the
interval that holds the present value, or with --lowest its bottom. KEY is a setting, a value of the boat file (propeller.pitch, "cable[motor cable].section"),
or air, water or charge of all trials. What follows from a value follows: another section of a cable has another ampacity and resistance. Clearness need not be monotone (a lower limit runs longer): gaps are told. With two keys it gives a front: for each
value of the first, the highest clear value of the second.

Exit code: 0 a clear value was found, 3 none is clear, 4 not judged (values are still the example's), 2 bad use or input, 1 any other failure.`,
		Example: `  quaybench highest petrel limits.motor_current
  quaybench highest petrel limits.motor_current --hold "30 min"
  quaybench highest petrel limits.motor_current --trial hot-day --odds "95 %"
  quaybench highest petrel limits.battery_current limits.motor_current --trial full-throttle
  quaybench highest petrel air --trial hot-day
  quaybench highest petrel "cable[motor cable].section" --lowest --trial hot-restart`,
		Args: arguments(2, 3, "BOAT or KEY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.keys = args[1:]
			f.boat = args[0]
			return f.run(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	f.addTrials(cmd, "all built-in ones")
	boats := cmd.ValidArgsFunction
	cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return boats(cmd, args, word)
		}
		return keys(variantOf(sys, args[0]).Keys(), "\t"), cobra.ShellCompDirectiveNoFileComp
	}
	cmd.Flags().StringVar(&f.hold, "hold", "", "judge full throttle held for this long, for example \"30 min\", instead of the built-in trials")
	cmd.Flags().StringVar(&f.odds, "odds", "", "share of draws over the boat file's tolerances that must be clear, for example \"95 %\"")
	cmd.Flags().IntVar(&f.draws, "draws", 100, "number of those draws")
	cmd.Flags().BoolVar(&f.lowest, "lowest", false, "search the lowest clear value instead")
	cmd.Flags().BoolVar(&f.every, "every-run", false, everyRunUsage)
	cmd.Flags().Uint64Var(&f.seed, "seed", 1, "seed of the draws: the same seed gives the same answer")
	return cmd
}

// envelopeOptions are what `quaybench envelope` is asked.
type envelopeOptions struct {
	studyFlags
	boat           string
	current, air   string
	times, hold    string // hold is the old name
	csv            tableFile
	moored, locked bool
}

func (f *envelopeOptions) run(ctx context.Context, sys *system) error {
	setup, _, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	if err := f.csv.check(sys, f.json); err != nil {
		return err
	}
	o := study.EnvelopeOptions{Examples: f.example, Bands: true, Moored: f.moored, Locked: f.locked}
	most := setup.Boat.Stage.Current.SI
	low, high := most/8, most
	if f.current != "" {
		if low, high, err = parseRange("--current", f.current, "A"); err != nil {
			return err
		}
		if _, err := setup.Settings.WithNumber(setup.Settings.Key(&setup.Settings.Limits.MotorCurrent), high); err != nil { // its bounds hold here too
			return input(fmt.Errorf("--current: %w", err))
		}
	}
	shortest := 10.0
	o.Longest = 3600
	var weather trial.Trial // a trial's bounds hold here too
	if f.hold != "" {       // its name in the version before
		sys.hint("--hold", "--times")
		f.times = f.hold
	}
	if f.times != "" {
		if shortest, o.Longest, err = parseRange("--times", f.times, "s"); err != nil {
			return err
		}
		if err := datafile.SetNumber(&weather, "duration", o.Longest); err != nil {
			return input(fmt.Errorf("--times: %w", err))
		}
	}
	if f.air != "" {
		if err := datafile.SetField(&weather, "air", f.air); err != nil {
			return input(fmt.Errorf("--%w", err))
		}
		o.Air = weather.Air
	}
	const rows = 16
	for i := range rows {
		o.Currents = append(o.Currents, low+(high-low)*float64(i)/(rows-1))
	}
	bar := newBar(sys, "currents")
	o.Progress = bar.show
	e, err := bench.FindEnvelope(ctx, setup, o)
	bar.done()
	if err != nil && (e == nil || !stopped(err)) { // what a person stopped is shown as far as it is
		return err
	}
	if f.csv.name != "" && err == nil {
		if err := f.csv.write(f.csv.name, func(to io.Writer) error { return writeEnvelope(to, e) }); err != nil {
			return err
		}
	}
	e.Shortest = shortest
	return f.answer(ctx, sys, setup, e, &e.Envelope, err)
}

func envelopeCommand(sys *system) *cobra.Command {
	var f envelopeOptions
	cmd := &cobra.Command{
		Use:   "envelope BOAT",
		Short: "map how long which motor current may be held, and what ends it",
		Long: `Holds each motor current from cold, ramp, deratings, boost, battery current limit and stall timer out of the way: it asks what the parts bear, not what
the controller allows.`,
		Example: `  quaybench envelope petrel
  quaybench envelope petrel --current "100 A..300 A" --times "10 s..60 min" --air "35 °C" --csv envelope.csv
  quaybench envelope petrel --locked --times "1 s..60 s"`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.boat = args[0]
			return f.run(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	cmd.Flags().StringVar(&f.current, "current", "", "motor currents, for example \"100 A..300 A\" (default: an eighth of the controller's to all of it)")
	cmd.Flags().StringVar(&f.times, "times", "", "how long, for example \"10 s..60 min\" (the default)")
	cmd.Flags().StringVar(&f.hold, "hold", "", "the old name of --times")
	_ = cmd.Flags().MarkHidden("hold") // it is there
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
	every bool
	quick bool
}

func (f *oddsOptions) run(ctx context.Context, sys *system) error {
	setup, trials, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	if f.draws < 1 {
		return input(fmt.Errorf("--draws must be 1 or more, got %d", f.draws))
	}
	bar := newBar(sys, "runs")
	o := study.OddsOptions{Examples: f.example, Draws: f.draws, Seed: f.seed, Quick: f.quick, EveryRun: f.every, Progress: bar.show}
	odds, err := bench.FindOdds(ctx, setup, trials, o)
	bar.done()
	if odds == nil {
		return input(err)
	}
	return f.answer(ctx, sys, setup, odds, &odds.Odds, err)
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
	f.addTrials(cmd, strings.Join(bench.OddsTrials(), ", ")+", those in which the boat as written is close or over, and for each part that uses a good share of its limit the one in which it uses most")
	cmd.Flags().IntVar(&f.draws, "draws", 1000, "number of draws")
	cmd.Flags().BoolVar(&f.every, "every-run", false, everyRunUsage)
	cmd.Flags().Uint64Var(&f.seed, "seed", 1, "the same seed gives the same answer")
	cmd.Flags().BoolVar(&f.quick, "quick", false, "leave the sensitivity out")
	return cmd
}
