package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"

	"github.com/guptarohit/asciigraph"
	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

func stepCommand(sys *system) *cobra.Command {
	var f controllerFlags
	var script, file string
	var prompted bool
	var rate float64
	var set []string
	cmd := &cobra.Command{
		Use:   "step BOAT",
		Short: "run a scripted throttle step test, and compare it with what was predicted",
		Long: `Runs the throttle programme of a trial file on a controller. Before it: the prediction, the before-start list, neutral checked. During it every sample is
held against hard limits and against the predicted band; two samples outside it in a row stop the test, a hard limit at once. However the test ends, zero
throttle is the last command; beyond that the controller's own command time-out acts, which is proven first at the smallest command.

With --prompted a person moves the lever as told, and with no port types in what the panel meters show.

Afterwards the record is completed: the drive's heat networks, driven by what was measured, add the traces nobody measured.

Exit code: 0 clear or close, 3 a part is over in the record, 2 bad use or input, 1 the test stopped early or failed.`,
		Example: `  quaybench step petrel --script steps.toml                                   # on a simulated controller
  quaybench step petrel --script steps.toml --on /dev/ttyUSB0@115200 --record run.csv
  quaybench step petrel --script steps.toml --prompted                        # typed panel readings`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			setup, err := loadBoat(cmd, sys, args[0])
			if err != nil {
				return err
			}
			if setup.Settings, err = bench.Propose(setup.Settings, set); err != nil {
				return input(err)
			}
			program, err := bench.LoadTrial(script)
			if err != nil {
				return input(err)
			}
			t := &stepTest{sys: sys, setup: setup, program: program, prompted: prompted, rate: rate, file: file}
			return t.run(cmd.Context(), f)
		},
	}
	f.add(cmd, sys)
	cmd.Flag("on").Usage += " (default sim, or typed readings with --prompted)"
	delete(cmd.Flag("on").Annotations, cobra.BashCompOneRequiredFlag)
	cmd.Flags().StringVar(&script, "script", "", "trial file, or the name of a built-in trial, with the throttle programme")
	_ = cmd.MarkFlagRequired("script")
	cmd.Flags().StringVar(&file, "record", "", "write the record to this `FILE`, sample by sample")
	cmd.Flags().BoolVar(&prompted, "prompted", false, "a person moves the lever as told")
	cmd.Flags().Float64Var(&rate, "rate", 20, "samples per second, 1 to 200")
	cmd.Flags().StringArrayVar(&set, "set", nil, "the controller holds this setting instead of the file's: `KEY=VALUE`")
	return cmd
}

// stepTest is one step test from the command line.
type stepTest struct {
	sys      *system
	setup    *bench.Setup
	program  *trial.Trial
	prompted bool
	rate     float64
	file     string
}

// panel are the channels a person reads off panel meters.
var panel = []link.Channel{
	{Name: link.Voltage, Unit: "V"}, {Name: link.BatteryCurrent, Unit: "A"}, {Name: link.MotorCurrent, Unit: "A"},
	{Name: link.MotorSpeed, Unit: "rpm"}, {Name: link.StageTemperature, Unit: "°C"},
}

func (t *stepTest) run(ctx context.Context, f controllerFlags) (err error) {
	typed := t.prompted && f.on == ""
	if f.on == "" {
		f.on = "sim"
	}
	var l *line
	channels := panel
	if !typed {
		m, err := loadMap(t.setup, f.file)
		if err != nil {
			return err
		}
		if l, err = openLine(t.setup, m, f.on); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, l.close()) }()
		channels = l.Describe().Channels
	}
	hardware := l == nil || !l.sim

	p, err := t.predict(ctx, channels)
	if err != nil {
		return err
	}
	if p.Verdict.Level == verdict.Over && hardware {
		return input(fmt.Errorf("the simulation of this programme is over a limit: it is not run on hardware; see `quaybench try %s --trial %s`", t.setup.Boat.Name, t.program.Name))
	}
	o := measure.Options{
		Rate: t.rate, Bounds: bench.HardLimits(t.setup, channels), Watch: p.Watch(channels), Commands: !t.prompted,
		Prompt: func(at, to, over float64) { fmt.Fprintf(t.sys.Out, "%6.1f s  %s\n", at, measure.Instruction(to, over)) },
	}
	if l != nil {
		o.Clock = l.clock
	}
	t.list(hardware, o)
	if hardware {
		if err := t.release(ctx, l); err != nil {
			return err
		}
	}
	close, err := t.observe(&o, channels, p)
	if err != nil {
		return err
	}
	var measured measure.Result
	if typed {
		measured, err = measure.Prompted(ctx, &person{t.sys, bufio.NewReader(t.sys.In)}, channels, t.program, o)
	} else {
		measured, err = measure.Run(ctx, l, t.program, o)
	}
	if err = errors.Join(err, close(&measured)); err != nil {
		return err
	}
	result, err := bench.Finish(context.WithoutCancel(ctx), t.setup, t.program, p, &measured)
	if result.Run != nil {
		showStep(t.sys, result)
	}
	switch {
	case err != nil:
		return err
	case result.Verdict.Level == verdict.Over:
		return overError{}
	case measured.Stop.Reason != measure.Finished:
		return fmt.Errorf("the test stopped early: %s", measured.Stop.Text)
	}
	return nil
}

// predict simulates the programme over the tolerances and says what to expect.
func (t *stepTest) predict(ctx context.Context, channels []link.Channel) (*bench.Prediction, error) {
	bar := newBar(t.sys, "prediction")
	defer bar.done()
	p, err := bench.Predict(ctx, t.setup, t.program, channels, bench.StepOptions{Seed: 1, Rate: t.rate, Progress: bar.show})
	if err != nil {
		return nil, err
	}
	bar.done()
	fmt.Fprintf(t.sys.Out, "%s, programme %s: %s\n\npredicted (band: 0.5 to 99.5 %% of %d draws over the tolerances, and the instrument's error):\n",
		t.setup.Boat.Name, t.program.Name, shownTime(t.program.Duration), p.Draws)
	tab := &table{right: map[int]bool{1: true, 2: true}}
	tab.add("  channel", "lowest", "highest")
	for _, c := range p.Channels {
		low, high := math.Inf(1), math.Inf(-1)
		for i := range c.Time {
			low, high = min(low, c.Low[i]), max(high, c.High[i])
		}
		unit := orElse(c.Unit, "1")
		tab.add("  "+c.Channel, quantity.Format(low, unit, 3), quantity.Format(high, unit, 3))
	}
	for _, line := range tab.lines() {
		fmt.Fprintln(t.sys.Out, line)
	}
	fmt.Fprintf(t.sys.Out, "verdict of the simulation: %s\n", t.sys.painted(p.Verdict.Level, p.Verdict.Level.String()))
	return p, nil
}

// list prints the before-start list.
func (t *stepTest) list(hardware bool, o measure.Options) {
	out := t.sys.Out
	fmt.Fprintf(out, "\nbefore start:\n  - %s\n", strings.ReplaceAll(wrapped(bench.Caution, t.sys.width()-4), "\n", "\n    "))
	if hardware {
		fmt.Fprint(out, "  - propeller clear of people, ropes and weed, or the boat moored fore and aft\n  - polarity checked, pre-charge seen to work\n  - a hard-wired stop in somebody's hand, tried just now\n  - lever in neutral\n")
	}
	fmt.Fprintln(out, "  - the test stops at once when")
	for _, b := range o.Bounds {
		fmt.Fprintf(out, "      %s passes %s: %s\n", b.Channel, boundText(b), b.Why)
	}
	fmt.Fprintln(out, "    and when two samples in a row lie outside the predicted band")
}

func boundText(b measure.Bound) string {
	units := map[string]string{link.Voltage: "V", link.BatteryCurrent: "A", link.MotorCurrent: "A", link.MotorSpeed: "rpm", link.StageTemperature: "°C", link.MotorTemperature: "°C", link.BatteryTemperature: "°C"}
	unit := orElse(units[b.Channel], "1")
	switch {
	case math.IsInf(b.Low, -1) || unit == "°C" || b.Low == 0:
		return quantity.Format(b.High, unit, 3)
	case math.IsInf(b.High, 1):
		return quantity.Format(b.Low, unit, 3)
	}
	return quantity.Format(b.Low, unit, 3) + " or " + quantity.Format(b.High, unit, 3)
}

// release lets a person at the terminal release the throttle for this one test, after the controller's own command
// time-out was proven.
func (t *stepTest) release(ctx context.Context, l *line) error {
	if l != nil && !t.prompted {
		d := l.Describe()
		if d.Throttle == nil {
			return input(link.ErrNoThrottle)
		}
		fmt.Fprintf(t.sys.Out, "\nFirst the controller's command time-out (%v) is proven at the smallest command that shows, 15 %% at most.\n", d.Throttle.CommandTimeout)
	}
	if err := confirm(t.sys, "release", "to release the throttle for this one test"); err != nil {
		return err
	}
	if l == nil || t.prompted {
		return nil
	}
	proof, err := measure.ProveTimeout(ctx, l, l.clock, t.setup.Settings.Ramp.Fall)
	if err != nil {
		return err
	}
	fmt.Fprintf(t.sys.Out, "proven: a command of %.0f %% shows in %s and is gone %.2g s after the last command\n", 100*proof.Command, proof.Channel, proof.Gone.Seconds())
	return nil
}

// observe draws samples as they come and writes them to the record's file. close ends the file.
func (t *stepTest) observe(o *measure.Options, channels []link.Channel, p *bench.Prediction) (close func(*measure.Result) error, err error) {
	draw := newScope(t.sys, channels, p)
	if t.file == "" {
		o.Observe = func(s measure.Sample) error { draw.sample(s); return nil }
		return func(*measure.Result) error { draw.end(); return nil }, nil
	}
	f, err := os.Create(t.file)
	if err != nil {
		var path *os.PathError
		if errors.As(err, &path) {
			err = path.Err
		}
		return nil, input(fmt.Errorf("the record cannot be written to %s: %w", t.file, err))
	}
	head := &record.Run{Boat: t.setup.Boat.Name, Trial: t.program.Name, Provenance: record.Provenance{
		Source: "measured", Tool: bench.Version, Settings: t.setup.Settings.Hash(), Boat: t.setup.BoatHash,
	}}
	head.Traces = append(head.Traces, record.Trace{Name: record.Lever, Unit: "%"})
	for _, c := range channels {
		head.Traces = append(head.Traces, record.Trace{Name: c.Name, Unit: orElse(c.Unit, "1")})
	}
	w, err := record.NewWriter(f, head)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	o.Observe = func(s measure.Sample) error {
		draw.sample(s)
		return w.Sample(s.At, append([]float64{s.Lever}, s.Values...)...)
	}
	return func(r *measure.Result) error {
		draw.end()
		err := w.Event(record.Event{At: r.Stop.At, Device: "step test", What: r.Stop.Reason.String() + ": " + r.Stop.Text, Kind: record.Note, Count: 1})
		return errors.Join(err, f.Sync(), f.Close())
	}, nil
}

// scope draws a running test: a chart on a terminal, a line a second elsewhere.
type scope struct {
	sys      *system
	channels []link.Channel
	chart    int // the channel that is drawn
	values   []float64
	low      []float64
	high     []float64
	band     *bench.PredictedChannel
	last     float64
	lines    int
}

func newScope(sys *system, channels []link.Channel, p *bench.Prediction) *scope {
	s := &scope{sys: sys, channels: channels, chart: -1, last: math.Inf(-1)}
	for i, c := range channels {
		if c.Name == link.MotorCurrent || s.chart < 0 && c.Name == link.BatteryCurrent {
			s.chart = i
		}
	}
	for i := range p.Channels {
		if s.chart >= 0 && p.Channels[i].Channel == channels[s.chart].Name {
			s.band = &p.Channels[i]
		}
	}
	return s
}

func (s *scope) sample(x measure.Sample) {
	if s.chart >= 0 {
		s.values = append(s.values, x.Values[s.chart])
		if s.band != nil {
			low, high := s.band.At(x.At)
			s.low, s.high = append(s.low, low), append(s.high, high)
		}
	}
	if x.At-s.last < 1 {
		return
	}
	s.last = x.At
	parts := []string{fmt.Sprintf("%6.1f s  lever %4.0f %%", x.At, 100*x.Lever)}
	for i, c := range s.channels {
		if !math.IsNaN(x.Values[i]) {
			parts = append(parts, c.Name+" "+quantity.Format(x.Values[i], orElse(c.Unit, "1"), 3))
		}
	}
	text := strings.Join(parts, "  ")
	if terminal(s.sys.Out) == nil {
		fmt.Fprintln(s.sys.Out, text)
		return
	}
	s.erase()
	picture := ""
	if len(s.values) > 1 {
		series := [][]float64{s.values}
		if s.band != nil {
			series = append(series, s.low, s.high)
		}
		picture = asciigraph.PlotMany(series, asciigraph.Height(10), asciigraph.Width(max(20, s.sys.width()-14)),
			asciigraph.Caption(s.channels[s.chart].Name+", A, with the predicted band")) + "\n"
	}
	picture += text + "\n"
	s.lines = strings.Count(picture, "\n")
	fmt.Fprint(s.sys.Out, picture)
}

// erase goes back over the last picture.
func (s *scope) erase() {
	if s.lines > 0 {
		fmt.Fprintf(s.sys.Out, "\x1b[%dA\x1b[J", s.lines)
		s.lines = 0
	}
}

func (s *scope) end() { fmt.Fprintln(s.sys.Out) }

// person asks at the terminal.
type person struct {
	sys *system
	in  *bufio.Reader
}

// Tell implements measure.Person.
func (p *person) Tell(text string) { fmt.Fprintf(p.sys.Out, ">> %s\n", text) }

// Readings implements measure.Person.
func (p *person) Readings(ctx context.Context, channels []link.Channel) ([]float64, bool, error) {
	var names []string
	for _, c := range channels {
		names = append(names, fmt.Sprintf("%s [%s]", c.Name, c.Unit))
	}
	for {
		fmt.Fprintf(p.sys.Out, "readings, in this order, - for what has no meter, stop to end: %s\n> ", strings.Join(names, "  "))
		text, err := readLine(ctx, p.in)
		if err != nil {
			return nil, false, err
		}
		if strings.TrimSpace(text) == "stop" {
			return nil, false, nil
		}
		values, err := parseReadings(text, channels)
		if err == nil {
			return values, true, nil
		}
		fmt.Fprintln(p.sys.Out, err)
	}
}

// readLine reads a line, or gives up with the context.
func readLine(ctx context.Context, in *bufio.Reader) (string, error) {
	type answer struct {
		text string
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		text, err := in.ReadString('\n')
		if errors.Is(err, io.EOF) && text != "" {
			err = nil
		}
		got <- answer{text, err}
	}()
	select {
	case a := <-got:
		return a.text, a.err
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// parseReadings reads one number per channel, in the channel's unit.
func parseReadings(text string, channels []link.Channel) ([]float64, error) {
	fields := strings.Fields(text)
	if len(fields) != len(channels) {
		return nil, fmt.Errorf("%d readings are wanted, got %d", len(channels), len(fields))
	}
	var values []float64
	for i, c := range channels {
		if fields[i] == "-" {
			values = append(values, math.NaN())
			continue
		}
		v, err := quantity.Parse(fields[i]+" "+c.Unit, quantity.MustUnit(c.Unit))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.Name, err)
		}
		values = append(values, v.SI)
	}
	return values, nil
}

// showStep prints how a test ended, what nobody measured, and where it parts from the prediction.
func showStep(sys *system, r *bench.StepResult) {
	out := sys.Out
	stop := r.Measured.Stop
	fmt.Fprintf(out, "the test %s after %s: %s\n", map[bool]string{true: "ran to its end", false: "STOPPED"}[stop.Reason == measure.Finished], shownTime(stop.At), stop.Text)
	if stop.Err != nil && stop.Reason != measure.Finished {
		fmt.Fprintf(out, "  %v\n", stop.Err)
	}
	if len(r.Verdict.Parts) > 0 {
		fmt.Fprintln(out, "\nparts, inferred from what was measured by the drive's heat networks (band: 95 % of draws over the tolerances)")
		tab := &table{right: map[int]bool{2: true, 3: true, 4: true, 5: true, 6: true}}
		tab.add("part", "current of", "limit", "peak", "band", "when", "used", "verdict")
		for _, p := range r.Verdict.Parts {
			band := ""
			if tr, ok := r.Run.Trace(p.Trace); ok && len(tr.Low) > 0 {
				low, high := tr.Low[0], tr.High[0]
				for i := range tr.Low {
					low, high = max(low, tr.Low[i]), max(high, tr.High[i])
				}
				if p.Measure != record.Floor {
					band = shown(low, p.Unit) + " to " + shown(high, p.Unit)
				}
			}
			tab.add(p.Name, orElse(p.Current, "-"), shown(p.Limit, p.Unit), shown(p.Peak, p.Unit), band, shownTime(p.At), shownShare(p.Used), sys.painted(p.Level, p.Level.String()))
		}
		for _, l := range tab.lines() {
			fmt.Fprintln(out, l)
		}
	}
	if len(r.Differences) > 0 {
		fmt.Fprintln(out, "\nmeasured less predicted")
		tab := &table{right: map[int]bool{1: true, 2: true, 3: true}}
		tab.add("  trace", "largest", "at", "rms")
		for _, d := range r.Differences {
			unit := orElse(d.Unit, "1")
			if unit == "°C" {
				unit = "K"
			}
			tab.add("  "+d.Trace, quantity.Format(d.Largest, unit, 2), shownTime(d.At), quantity.Format(d.RMS, unit, 2))
		}
		for _, l := range tab.lines() {
			fmt.Fprintln(out, l)
		}
	}
	fmt.Fprintf(out, "\nverdict: %s\n%s\n", sys.painted(r.Verdict.Level, r.Verdict.Level.String()), wrapped(bench.Caution, sys.width()))
}
