package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/report"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// stepOptions are what `quaybench step` is asked.
type stepOptions struct {
	controllerFlags
	args            []string // of a script in Go
	trial           string   // a throttle programme
	script, longest string   // a script in Go, instead of a trial
	record          string
	prompted        bool
	rate            float64
	loggers         []string
	columns         string
	example         bool
	paper           paperFlags
}

func (o *stepOptions) run(ctx context.Context, sys *system) (err error) {
	t := &stepTest{
		sys: sys, keys: newKeyboard(sys), prompted: o.prompted, rate: o.rate, file: o.record, example: o.example,
	}
	if t.berth, err = findBerth(sys, o.boat, o.set); err != nil {
		return err
	}
	if t.loggers, err = newLoggers(sys, t.keys, t.berth, o.on, o.loggers, o.columns); err != nil {
		return err
	}
	if err := o.paper.check(sys, false); err != nil {
		return err
	}
	if o.record != "" {
		if err := newRecord(o.record); err != nil {
			return err
		}
		if !isThere(o.record) {
			if err := readyToWrite("--record", o.record, false); err != nil {
				return err
			}
		}
	}
	papers := 0
	t.paper = func(r *bench.StepResult) error {
		papers++
		p := o.paper
		p.report, p.plot = numbered(p.report, papers), numbered(p.plot, papers)
		return p.write(ctx, sys, r.Setup, nil, stepResult(r, t.blank()), false)
	}
	if err := o.takeOldScript(sys); err != nil {
		return err
	}
	if o.script != "" {
		s, err := readScript(sys, o.script)
		if err != nil {
			return err
		}
		if s.longest, err = parseLongest(o.longest); err != nil {
			return err
		}
		s.args = o.args
		if err := o.laterFilesFree(); err != nil {
			return err
		}
		return t.runScript(ctx, s, o.controllerFlags)
	}
	if len(o.args) > 0 {
		return input(fmt.Errorf("%q is one too many: only a script in Go takes arguments", o.args[0]))
	}
	if t.program, err = loadTrial(sys, o.trial); err != nil {
		return input(err)
	}
	return t.run(ctx, o.controllerFlags)
}

// takeOldScript lets --script name a trial, as it once did, and refuses what names no programme or two.
func (o *stepOptions) takeOldScript(sys *system) error {
	if o.script != "" && isTrial(o.script) {
		sys.hint("--script with a trial", "--trial")
		if o.trial == "" {
			o.trial, o.script = o.script, ""
		}
	}
	switch {
	case o.trial != "" && o.script != "":
		return input(errors.New("--trial and --script are both given: name one, the trial to run or the script that runs trials"))
	case o.trial == "" && o.script == "":
		return input(errors.New("what shall the throttle do: give --trial NAME or FILE, or --script with a script in Go"))
	case isScript(o.trial):
		return input(fmt.Errorf("%s is a script in Go: write --script %s", o.trial, word(o.trial)))
	}
	return nil
}

// laterFilesFree refuses, before the motor turns, what a further programme of a script could not write after it.
func (o *stepOptions) laterFilesFree() error {
	force := o.paper.force.given()
	for _, k := range []struct {
		flag, name string
		over       bool
	}{{"--record", o.record, false}, {"--report", o.paper.report, force}, {"--plot", o.paper.plot, force}} {
		for n := 2; n < 100; n++ {
			if name := numbered(k.name, n); !k.over && name != k.name && isThere(name) {
				return input(fmt.Errorf("%s: %s is there already, and the script's next programmes would write %s and so on: name another file, or move it away", k.flag, name, numbered(k.name, 2)))
			}
		}
	}
	return nil
}

func stepCommand(sys *system) *cobra.Command {
	var o stepOptions
	cmd := &cobra.Command{
		Use:   "step BOAT --trial TRIAL [ARGUMENTS]",
		Short: "run a scripted throttle step test, and compare it with what was predicted",
		Long: `Runs the throttle programme of a trial on a controller. Before it: the prediction, the before-start list, neutral checked. During it every sample is
held against hard limits and against the predicted band; two samples outside it in a row stop the test, a hard limit at once. However the test ends, zero
throttle is the last command; beyond that the controller's own command time-out acts, which is proven first at the smallest command. On hardware a person
at the terminal releases the throttle, for this one test.

With --prompted a person moves the lever as told. The readings come from the controller (--on), from instruments (--logger), or are typed from the panel meters.

Each --logger is an instrument beside the controller, on a port of its own; the record says which value came from which. What is named first is believed where
two measure the same, the controller last. A GPS or a log (NMEA 0183) and a logger whose lines have a header with units are understood by
themselves. Of other lines it is asked once what their columns are; the answer is kept beside the boat file, in logger-PORT.toml. A meter or
bench supply that answers only when it is asked needs a file, --logger PORT=FILE, and gets queries only:

  title = "shunt meter"
  speaks = "SCPI"            # or "NMEA 0183", or lines of columns
  delay = "0 s"              # how long after the fact its readings come
  [[query]]
  ask = "MEAS:CURR?"
  name = "battery_current"
  unit = "A"
  scale = "1 A"              # what 1 in the answer is
  error = "± 1 % ± 0.5 A"    # of the reading

Of a logger's lines, a column with clock = true is the logger's own time: where it stands still, keeps going back or falls behind while lines keep coming, the readings are old, and the test stops.
What carries no time (other lines, an NMEA 0183 speed without RMC, GGA or GLL beside it, the answers of a meter) cannot be told from a measurement when it hangs.

A reading that a hard limit watches stops the test when it is missing (overload, 2 s of silence); any other leaves a gap, as a GPS without a fix does.

A script in Go (a folder with main.go, or a .go file) runs interpreted in a process of its own, and asks this one for programmes. Each is a step test with all
of the above: no script releases the throttle or lifts a limit. If the script dies, hangs or floods, the throttle goes to zero and the test is reported.

Afterwards the record is completed: the drive's heat networks, driven by what was measured, add the traces nobody measured.

Exit code: 0 clear or close, 3 a part is over in the record or in the simulation before it, or a rule is, 4 not judged (values are still the example's, the test stopped early, or what was measured does not show every part), 2 bad use or input, 1 any other failure.`,
		Example: `  quaybench step petrel --trial steps.toml                                    # on a simulated controller
  quaybench step petrel --trial steps.toml --on /dev/ttyUSB0@115200 --record run.csv
  quaybench step petrel --script scripts/staircase --on /dev/ttyUSB0@115200 --record run.csv
  quaybench step petrel --trial steps.toml --prompted                        # typed panel readings
  quaybench step petrel --trial steps.toml --prompted --logger /dev/ttyUSB1@1000000 --columns logger.toml
  quaybench step petrel --trial steps.toml --on /dev/ttyUSB0@115200 --logger /dev/ttyUSB1@4800 --logger /dev/ttyUSB2@9600=meter.toml`,
		Args: arguments(1, 100, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat, o.args = args[0], args[1:]
			return o.run(cmd.Context(), sys)
		},
	}
	o.add(cmd, sys)
	cmd.Flag("on").Usage += " (default: sim; with --prompted none)"
	addTrial(cmd, &o.trial, "with the throttle programme")
	cmd.Flags().StringVar(&o.script, "script", "", "a script in Go that asks for programmes: a `FOLDER` or .go file, instead of --trial")
	cmd.Flags().StringVar(&o.longest, "longest", "30 min", "how long a script in Go may run, with its unit")
	cmd.Flags().StringVar(&o.record, "record", "", "write the record to this new `FILE`, sample by sample; a script's second programme has FILE-2 and so on")
	cmd.Flags().BoolVar(&o.prompted, "prompted", false, "a person moves the lever as told")
	cmd.Flags().Float64Var(&o.rate, "rate", 20, "samples per second, 1 to 200")
	cmd.Flags().StringArrayVar(&o.loggers, "logger", nil, "`PORT` and rate of an instrument beside the controller: a logger, a GPS, a meter; PORT=FILE where a file says what it sends (may be repeated)")
	cmd.Flags().StringVar(&o.columns, "columns", "", "`FILE` that says what the one logger sends")
	addExample(cmd, &o.example)
	o.paper.add(cmd)
	cmd.Flag("force").Usage += ", but never a record"
	return cmd
}

// stepTest is one step test from the command line.
type stepTest struct {
	sys      *system
	keys     *keyboard
	berth    *berth
	program  *trial.Trial
	prompted bool
	rate     float64
	file     string
	loggers  *loggers
	example  bool // judges although values are still the example's

	line       *line           // nil: no controller on a line
	source     link.Controller // what the samples come from; nil: typed
	instrument string          // what measures, in words
	channels   []link.Channel
	held       map[string]float64 // settings in the controller before the test; nil: not read
	options    measure.Options
	prediction *bench.Prediction

	paper func(*bench.StepResult) error // puts the result on paper
	voice *voice                        // of the script that asked for the test; nil: none did

	meters []link.Channel    // that the panel has, once asked
	result *bench.StepResult // nil: nothing was measured
}

// hardware reports whether something real may move.
func (t *stepTest) hardware() bool { return t.line == nil || !t.line.sim() }

// commands reports whether the throttle is commanded over the line.
func (t *stepTest) commands() bool { return !t.prompted }

func (t *stepTest) run(ctx context.Context, f controllerFlags) (err error) {
	close, err := t.connect(ctx, f)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, close()) }()
	if err := t.allowed(ctx); err != nil {
		return err
	}
	if t.hardware() {
		if err := own(t.berth.Setup); err != nil {
			return fmt.Errorf("nothing was run on hardware: %w", err)
		}
	}
	var desk *panel
	if t.source == nil {
		desk = &panel{keys: t.keys}
		if t.meters == nil {
			if t.meters, err = desk.meters(ctx); err != nil {
				return err
			}
		}
		t.channels = t.meters
	}
	if err := bench.CheckCurrent(t.channels); err != nil {
		return input(err)
	}
	if t.prediction, err = t.predict(ctx); err != nil {
		return err
	}
	if err := t.startFromReadings(ctx); err != nil {
		return err
	}
	if withRules(t.berth.Setup, t.prediction.Verdict).Level == verdict.Over && t.hardware() {
		what := "a rule is over"
		if t.prediction.Verdict.Level == verdict.Over {
			what = "the simulation of this programme is over a limit"
		}
		t.sys.say(fmt.Sprintf("quaybench: %s, so it is not run on hardware; see `quaybench try %s --trial ...`", what, t.berth.name))
		return overError{}
	}
	t.options.Rate, t.options.Commands = t.rate, t.commands()
	t.options.Watch, t.options.Patience = t.prediction.Watch(t.channels), t.prediction.Patience(ctx, t.berth.Setup)
	if t.options.Bounds, err = bench.StopLimits(t.berth.Setup, t.program, t.channels); err != nil {
		return input(err)
	}
	t.list()

	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	w, err := t.begin(stop)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, w.close()) }()
	if desk != nil {
		desk.show = w.scope.raw
	}
	defer t.sys.Guard()()
	if t.hardware() {
		if err := t.release(ctx); err != nil {
			return err
		}
	} else if t.commands() {
		if err := t.line.MakeReady(ctx); err != nil { // nothing moves
			return err
		}
	}
	var measured measure.Result
	if t.source == nil {
		measured, err = measure.Prompted(ctx, desk, t.channels, t.program, t.options)
	} else {
		measured, err = measure.Run(ctx, t.source, t.program, t.options)
	}
	if err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx)
	reset := t.unchanged(ctx, &measured.Stop)
	return errors.Join(t.finish(ctx, w, &measured), reset)
}

// unchanged reports whether the controller still holds what it held before the test: nothing else tells of a reset in between.
// A line that failed is not asked.
func (t *stepTest) unchanged(ctx context.Context, stop *measure.Stop) error {
	if t.held == nil || stop.Reason == measure.LineLost || t.commands() && !stop.Zero {
		return nil
	}
	now, err := t.line.ReadSettings(ctx)
	if err != nil {
		return fmt.Errorf("whether the controller still holds its settings could not be read: %w", err)
	}
	var differ []string
	for _, s := range t.line.Describe().Settings {
		if before, after := t.held[s.Key], now[s.Key]; before != after {
			differ = append(differ, fmt.Sprintf("%s %s instead of %s", s.Key, heldText(s, after), heldText(s, before)))
		}
	}
	if len(differ) > 0 {
		return fmt.Errorf("the controller was reset during the test, or somebody wrote to it, so the record is not of these settings: it holds now %s", strings.Join(differ, ", "))
	}
	return nil
}

// connect opens what the samples come from.
func (t *stepTest) connect(ctx context.Context, f controllerFlags) (close func() error, err error) {
	switch {
	case !(t.rate >= 1 && t.rate <= 200):
		return nil, input(fmt.Errorf("--rate must be 1 to 200, got %g", t.rate))
	case t.program.Lever(0)(0) != 0:
		return nil, input(fmt.Errorf("programme %s does not begin in neutral: let its first movement begin a second later", t.program.Name))
	case len(t.loggers.list) > 0 && !t.prompted && f.on == "", len(t.loggers.list) > 0 && f.on == simulated:
		return nil, input(errors.New("--logger measures on hardware: with --on PORT, or with --prompted"))
	case t.prompted && f.on == "" && len(t.loggers.list) == 0:
		t.instrument = "panel meters, read by a person"
		return func() error { return nil }, nil
	case f.on == "" && !t.prompted:
		f.on = simulated
	}
	var closers []func() error
	shut := func() (err error) {
		for i := len(closers) - 1; i >= 0; i-- {
			err = errors.Join(err, closers[i]())
		}
		return err
	}
	var names []string
	if f.on != "" {
		m, err := t.berth.controllerMap(f.file, f.as, f.on)
		if err != nil {
			return nil, err
		}
		if t.line, err = openLine(ctx, t.sys, t.berth, m, f.on, f.alone, t.program); err != nil {
			return nil, err
		}
		closers = append(closers, t.line.close)
		t.source, t.options.Clock = t.line, t.line.clock
		names = append(names, fmt.Sprintf("%s on %s", cmp.Or(t.line.Describe().Title, "controller"), f.on))
		if t.line.sim() {
			names = []string{"simulated controller"}
		}
	}
	if len(t.loggers.list) > 0 {
		beside, off, err := t.loggers.open(ctx)
		closers = append(closers, off)
		if err != nil {
			return nil, errors.Join(err, shut())
		}
		t.options.Clock = t.sys.Clock
		t.source = measure.Join(t.source, t.options.Clock, beside...)
		closers = append(closers, t.source.Close)
		for _, b := range beside {
			names = append(names, b.Name)
		}
	}
	t.channels = t.source.Describe().Channels
	t.instrument = strings.Join(names, ", ")
	return shut, nil
}

// allowed refuses a test that must not be run, before anything is asked or moved.
func (t *stepTest) allowed(ctx context.Context) error {
	if t.line == nil {
		return nil
	}
	d := t.line.Describe()
	switch {
	case !t.commands():
	case d.Throttle == nil:
		return input(link.ErrNoThrottle)
	case d.Throttle.CommandTimeout <= 0:
		return input(link.ErrNoTimeout)
	case t.hardware() && !t.keys.person():
		return input(errors.New("on hardware a person at the terminal releases the throttle: run it in a terminal"))
	}
	if t.line.sim() {
		return nil
	}
	if err := t.berth.relock(ctx, t.sys, t.line); err != nil {
		return err
	}
	if err := t.line.AtRest(ctx); err != nil { // where throttle is commanded, the proof refuses it
		t.sys.tell("%s\n", wrapped("mind: "+err.Error(), t.sys.width()))
	}
	if len(d.Settings) == 0 {
		fmt.Fprintln(t.sys.Out, wrapped("not compared: the map has no settings, so the prediction holds only if the controller is set as "+t.berth.SettingsFile+" says", t.sys.width()))
		return nil
	}
	var err error
	if t.held, err = t.line.ReadSettings(ctx); err != nil {
		return fmt.Errorf("the controller's settings cannot be read: %w", err)
	}
	var differ []string
	for _, h := range bench.CompareSettings(t.berth.Settings, d, t.held) {
		if !h.Same {
			differ = append(differ, fmt.Sprintf("%s %s instead of %s", h.Key, heldText(h.Setting, h.Controller), heldText(h.Setting, h.File)))
		}
	}
	if len(differ) > 0 {
		return input(fmt.Errorf("the prediction would be for other settings than the controller's: it holds %s; write them first (`quaybench controller write %s --on %s`), or say what it holds with --set",
			strings.Join(differ, ", "), t.berth.name, t.line.on))
	}
	return nil
}

// predict simulates the programme over the tolerances and says what to expect.
func (t *stepTest) predict(ctx context.Context) (*bench.Prediction, error) {
	bar := newBar(t.sys, "prediction")
	p, err := bench.Predict(ctx, t.berth.Setup, t.program, t.channels, bench.StepOptions{Seed: 1, ByHand: t.prompted, Progress: bar.show})
	bar.done()
	if stopped(err) {
		return nil, stopError{err}
	}
	if err != nil {
		return nil, err
	}
	t.sys.tell("%s, programme %s: %s\nmeasured by: %s\n\n", t.berth.Boat.Name, t.program.Name, shownTime(t.program.Duration), t.instrument)
	show(t.sys, &report.Paper{Result: forecastOf(t.berth.Setup, p, t.blank())})
	return p, nil
}

// withRules judges a run as try does: with the rules that need no simulation.
func withRules(setup *bench.Setup, run verdict.Trial) verdict.Side {
	return verdict.Join(bench.Check(setup), []verdict.Trial{run})
}

// blank returns why there is no verdict, whatever was simulated or measured: values are still the example's; nil: there is one.
func (t *stepTest) blank() error {
	if t.example {
		return nil
	}
	return t.berth.Setup.Own()
}

// startFromReadings offers the temperatures that are read now as the programme's start, where they lie outside what it
// predicts there: the test would stop at its second sample.
func (t *stepTest) startFromReadings(ctx context.Context) error {
	if !t.hardware() || t.source == nil {
		return nil
	}
	now, err := t.source.ReadTelemetry(ctx)
	if err != nil {
		return fmt.Errorf("no telemetry: %w", err)
	}
	if len(t.loggers.list) > 0 {
		showNow(t.sys, now, t.channels)
		for _, name := range measure.Clockless(t.source) {
			fmt.Fprintln(t.sys.Out, wrapped(name+": what it sends carries no time, so if it hangs and goes on sending its last value, that cannot be told", t.sys.width()))
		}
	}
	program := *t.program
	var differ []string
	for i, c := range t.channels {
		k := slices.IndexFunc(t.prediction.Channels, func(p bench.PredictedChannel) bool { return p.Channel == c.Name })
		start := program.Start.Of(link.PredictedTrace(c.Name, t.berth.Settings.Derating.MotorSensor))
		if k < 0 || start == nil {
			continue
		}
		low, high := t.prediction.Channels[k].At(0)
		if v := now.Values[i]; v < low || v > high {
			*start = quantity.Exactly(v)
			differ = append(differ, fmt.Sprintf("%s is %s, and the programme starts at %s to %s", c.Name, shown(v, c.Unit), shown(low, c.Unit), shown(high, c.Unit)))
		}
	}
	if len(differ) == 0 {
		return nil
	}
	text := strings.Join(differ, "; ")
	if !t.keys.person() {
		return input(fmt.Errorf("%s: write what is read into the trial's [start], or into its air", text))
	}
	fmt.Fprintln(t.sys.Out, wrapped(text+". The test would stop at once.", t.sys.width()))
	if err := t.keys.confirm(ctx, "start", "to start the prediction from what is read"); err != nil {
		return err
	}
	t.program = &program
	t.prediction, err = t.predict(ctx)
	return err
}

// list prints the before-start list.
func (t *stepTest) list() {
	out := t.sys.Out
	item := func(text string) { fmt.Fprintln(out, hung("  - ", text, t.sys.width())) }
	fmt.Fprintln(out, "\nbefore start:")
	item(bench.Caution)
	if t.hardware() {
		item("propeller clear of people, ropes and weed, or the boat moored fore and aft")
		item("polarity checked, pre-charge seen to work")
		item("a hard-wired stop in somebody's hand, tried just now")
		item("lever in neutral")
	}
	item("the test stops at once when")
	for _, b := range t.options.Bounds {
		fmt.Fprintln(out, hung("      ", fmt.Sprintf("%s passes %s: %s", quantity.Spoken(b.Channel), b.Range(), b.Why), t.sys.width()))
	}
	fmt.Fprintln(out, hung("    ", "and when two samples in a row lie outside the predicted band", t.sys.width()))
	if rest := bench.Unwatched(t.berth.Setup, t.channels); len(rest) > 0 {
		item("nothing here measures these, so their limits stop nothing: " + quantity.Spoken(strings.Join(rest, ", ")))
	}
}

// release lets a person at the terminal begin; over a line it releases the throttle for this one test, after the
// controller's own command time-out was proven. Where a person moves the lever, nothing is released, and readings may
// come through a pipe.
func (t *stepTest) release(ctx context.Context) error {
	if !t.commands() {
		if !t.keys.person() {
			return nil
		}
		return t.keys.confirm(ctx, "ready", "when all of this is so")
	}
	throttle := t.line.Describe().Throttle
	plan, err := bench.PlanProof(ctx, t.berth.Setup, t.program, t.line.Describe())
	if err != nil {
		return input(err)
	}
	fmt.Fprintln(t.sys.Out, "\n"+wrapped(fmt.Sprintf("First the map and the controller's command time-out (%s) are proven: %s%.2g %% inside the dead band, where nothing may show, then %.2g %%, then silence. The propeller may turn.", quantity.FormatDuration(throttle.CommandTimeout), makingReady(throttle), 100*plan.Rest, 100*plan.Share), t.sys.width()))
	plan.Tell = func(text string) { fmt.Fprintln(t.sys.Out, wrapped(text, t.sys.width())) }
	if throttle.Ready != "" {
		plan.Tell("Before that the controller is asked for every way in which somebody else may command it: some seconds, ten with a slow adapter.")
	}
	confirm := func(ctx context.Context) error {
		return t.keys.confirm(ctx, "release", "to release the throttle for this one test")
	}
	if throttle.Ready != "" {
		err = measure.Listening(ctx, t.line, t.line.clock, func(told []string) {
			plan.Tell("The controller or its line told by itself: " + strings.Join(told, "; "))
		}, confirm)
	} else {
		err = confirm(ctx)
	}
	if err != nil {
		return err
	}
	t.line.release()
	plan.Beside, plan.BesideBounds = t.source, t.options.Bounds
	plan.Again = func(ctx context.Context) error {
		plan.Tell("The controller went to zero by itself when it heard nothing more. Before the test it has to be made ready again: " + throttle.Ready + ".")
		return t.keys.confirm(ctx, "ready", "to let that happen")
	}
	proof, err := measure.ProveTimeout(ctx, t.line, t.line.clock, plan)
	if stopped(err) {
		return stopError{err}
	}
	if err != nil {
		return err
	}
	k, _ := link.KindOf(proof.Channel)
	shown := func(v float64) string { return quantity.Format(v, k.Unit, 2) }
	fmt.Fprintln(t.sys.Out, wrapped(fmt.Sprintf("proven: %.2g %% inside the dead band shows nothing; %.2g %% changes %s by %s (predicted %s), and half of that is gone %s after the last command (stated: %s), then all but %s at most",
		100*proof.Rest, 100*proof.Command, quantity.Spoken(proof.Channel), shown(proof.Shown), shown(proof.Wanted), quantity.FormatDuration(proof.Gone.Round(10*time.Millisecond)), quantity.FormatDuration(proof.Stated), shown(proof.Left)), t.sys.width()))
	return nil
}

// makingReady returns in words what is done to a controller before it takes commands.
func makingReady(t *link.Throttle) string {
	if t.Ready == "" {
		return ""
	}
	return t.Ready + ", then "
}

// finish completes, shows and keeps a measured test.
func (t *stepTest) finish(ctx context.Context, w *watcher, measured *measure.Result) error {
	if err := w.end(measured); err != nil {
		t.sys.say("quaybench: " + err.Error())
	}
	if text := measured.Stop.Unusual; text != "" {
		t.sys.say("quaybench: " + text)
	}
	result, err := bench.Finish(ctx, t.berth.Setup, t.program, t.prediction, measured)
	if result.Run != nil {
		t.result = result
		w.provenance(&result.Run.Provenance)
		show(t.sys, paperOf(result.Setup, nil, stepResult(result, t.blank())))
		if err == nil {
			err = errors.Join(w.complete(result.Run), t.paper(result))
		}
	}
	if err != nil {
		return err
	}
	return t.outcome(result, measured.Stop)
}

// outcome returns the error with a finished test's exit code; nil: clear or close.
func (t *stepTest) outcome(result *bench.StepResult, stop measure.Stop) error {
	switch {
	case t.blank() != nil:
		return notJudgedError{why: t.blank().Error(), shown: true}
	case withRules(t.berth.Setup, result.Verdict).Level == verdict.Over, t.prediction.Verdict.Level == verdict.Over:
		return overError{}
	case stop.Reason != measure.Finished:
		return notJudgedError{why: fmt.Sprintf("the test stopped early: %s: %s", stop.Reason, stop.Text), err: stop.Err}
	case result.Verdict.Level == verdict.NotJudged:
		return notJudgedError{why: strings.Join(result.Verdict.Unjudged, "; ")}
	}
	return nil
}
