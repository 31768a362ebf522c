package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/signal"
	"sort"
	"strings"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/learn"
	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// ScriptHost is what a script runs in. Compiled by itself a script runs in the host of its own process; interpreted it runs
// in the host that the tool gives it.
type ScriptHost struct {
	Args    []string
	Context func() context.Context // what long work watches
	// Load finds a boat by the first argument.
	Load func(name string) (*Setup, error)
	// Trial finds a trial; nil: only the built-in ones are there.
	Trial func(name string) (*trial.Trial, error)
	// Run runs a programme on the controller that the host holds: a script asks, the host decides.
	Run func(ctx context.Context, s *Setup, program *trial.Trial, rate float64) (*StepResult, error)
	// Profile finds a version of a boat in the book; nil: there is none.
	Profile func(ctx context.Context, boat, version string) (*Setup, error)
	// File reads a file that the command line names; nil: there is none.
	File func(name string) ([]byte, error)
	// Records returns the records that the book keeps of a boat, with those given behind them, and what it leaves out and why; nil: there is no book.
	Records func(ctx context.Context, s *Setup, given []*learn.Record) (list []*learn.Record, leftOut []string, err error)
	// Report puts a result on the papers that the command line names; nil: there is nobody to write them.
	Report func(s *Setup, result any) error
	// Save saves the boat's working files in the book; nil: there is none.
	Save func(ctx context.Context, s *Setup, why string) (string, error)
}

// compiledHost returns the host of a script that is its own process.
func compiledHost() ScriptHost {
	ctx, _ := signal.NotifyContext(context.Background(), os.Interrupt) // until the process ends
	return ScriptHost{Args: os.Args[1:], Context: func() context.Context { return ctx }, Load: Load, Trial: LoadTrial, Run: RunSimulated, File: readNamed}
}

// largestNamed is far more than any record or logger's file that a script is given, bytes.
const largestNamed = 256 << 20

// readNamed reads a file that the command line of a compiled script names.
func readNamed(name string) ([]byte, error) { return datafile.ReadFile(name, largestNamed) }

// Script is a script's side of the tool: its arguments, its boat, and the only way to a controller.
type Script struct {
	Setup *Setup
	Args  []string // what follows the boat
	host  ScriptHost

	examples bool
}

// WithExamples returns the script with a boat whose verbs judge although values of its files are still the template's. Nothing is
// saved, written or tested on that.
func (s *Script) WithExamples() *Script {
	lifted := *s
	lifted.examples = true
	return &lifted
}

// Context returns what the script's long work watches: it ends when the script is stopped.
func (s *Script) Context() context.Context { return s.host.Context() }

// WithContext returns the script with verbs that end with ctx too, as in s.WithContext(ctx).Try() with ctx from
// context.WithTimeout(s.Context(), time.Minute).
func (s *Script) WithContext(ctx context.Context) *Script {
	next, outer := *s, s.host.Context
	next.host.Context = func() context.Context {
		stopped := outer()
		if stopped.Err() != nil { // what follows reports it a moment later
			return stopped
		}
		both, cancel := context.WithCancelCause(ctx)
		context.AfterFunc(stopped, func() { cancel(context.Cause(stopped)) })
		return both
	}
	return &next
}

// Exit codes of a script that ends with an error: as of the tool, where it is interpreted.
const (
	exitScriptFailed    = 2
	exitScriptNotJudged = 4 // values of the boat's files are still the template's
)

// RunScript is the whole main function of a script: it reads the arguments, runs the script, and ends the process with a word
// and exit code 2 where that fails, 4 where nothing can be judged since values are still the template's. The first argument is the boat;
// without one it is the given boat, a folder or a boat file. It is the one function of the library that prints and exits, since it stands for a
// program; interpreted, the tool's own takes its place.
func RunScript(run func(s *Script) error, boat ...string) {
	s, err := StartScript(boat...)
	if err == nil {
		err = run(s)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		if errors.As(err, new(*ExamplesError)) {
			os.Exit(exitScriptNotJudged)
		}
		os.Exit(exitScriptFailed)
	}
}

// StartScript reads a script's arguments: the first is the boat, a folder or a boat file; without one it is the given boat.
func StartScript(boat ...string) (*Script, error) { return StartScriptIn(compiledHost(), boat...) }

// StartScriptIn starts a script in a given host, whose Args are read as StartScript reads the process's.
func StartScriptIn(h ScriptHost, boat ...string) (*Script, error) {
	args := h.Args
	if len(args) == 0 {
		args = boat
	}
	if len(args) == 0 {
		return nil, errors.New("name a boat behind the script: its folder, or its boat file")
	}
	setup, err := h.Load(args[0])
	if err != nil {
		return nil, err
	}
	if h.Trial == nil {
		h.Trial = trial.Builtin
	}
	return &Script{Setup: setup, Args: args[1:], host: h}, nil
}

// Programme is a throttle programme in the making.
type Programme struct {
	trial.Trial
}

// NewProgramme starts a programme of a length in s, with the boat moored in fair weather (air 25 °C, water 15 °C, 90 % charge).
func NewProgramme(name string, duration float64) *Programme {
	return &Programme{trial.Trial{
		Name: name, Duration: duration, Air: 298.15, Water: 288.15, Charge: 0.9, Moored: true,
		Load: "normal", LoadFactor: 1.8, WaterDensity: 1025, CoolingLostFrom: 3600e3, Charging: true, EndAfterExpected: 120, // as a trial file that leaves them out
	}}
}

// To moves the lever at a time (s) to a share of full throttle (−1 to 1) over a time (s).
func (p *Programme) To(at, share, over float64) *Programme {
	p.Throttle = append(p.Throttle, trial.Step{At: at, To: share, Over: over})
	return p
}

var errNoProgramme = errors.New("there is no programme; bench.NewProgramme makes one")

// checkProgramme finds what a trial file must not hold either: with a load there is not, or a movement after the end, a simulation would be clear and
// show nothing.
func checkProgramme(t *trial.Trial) error {
	_, err := trial.Read("programme", trial.Write(t))
	var problems datafile.Problems
	if !errors.As(err, &problems) {
		return err
	}
	var lines []string
	for _, problem := range problems { // without places in a file that nobody wrote
		lines = append(lines, fmt.Sprintf("programme %q: %s: %s", t.Name, problem.Key, problem.Text))
	}
	return errors.New(strings.Join(lines, "\n"))
}

// Underway lets the boat go: it is not moored.
func (p *Programme) Underway() *Programme {
	p.Moored = false
	return p
}

// Loaded sets what the propeller meets: normal, fouled, dry, locked or ventilated.
func (p *Programme) Loaded(load string) *Programme {
	p.Load = load
	return p
}

// StopWhen stops a step test of the programme as soon as a measured trace is beyond a limit: p.StopWhen("motor current", "above 150 A"),
// p.StopWhen("voltage at the controller", "below 44 V"). Above counts ahead and astern. It stops a test earlier and never lets one
// go on longer: the limits that every step test has hold beside it. A simulation goes on to the end.
func (p *Programme) StopWhen(trace, limit string) *Programme {
	p.Stops = append(p.Stops, trial.Stop{Watch: trace, At: limit})
	return p
}

// Step runs a programme on the controller, with all the rules of a step test, and returns the completed record. A boat whose values
// are still the template's is refused with an [*ExamplesError], as everywhere; [Script.WithExamples] does not lift that here.
func (s *Script) Step(p *Programme) (*StepResult, error) {
	if err := s.Setup.own(false); err != nil {
		return nil, err
	}
	if p == nil {
		return nil, errNoProgramme
	}
	return s.host.Run(s.host.Context(), s.Setup, &p.Trial, 20)
}

// Simulate runs a programme in simulation and judges it. A boat whose values are still the template's is refused with an
// [*ExamplesError]; [Script.WithExamples] lifts that.
func (s *Script) Simulate(p *Programme) (*SimulationResult, error) {
	if err := s.Setup.own(s.examples); err != nil {
		return nil, err
	}
	if p == nil {
		return nil, errNoProgramme
	}
	t := p.Trial
	if len(t.Throttle) == 0 { // a simulation may leave the lever alone
		t.Throttle = []trial.Step{{}}
	}
	if err := checkProgramme(&t); err != nil {
		return nil, err
	}
	run, err := simulate.Run(s.host.Context(), s.Setup.Boat, s.Setup.Settings, s.Setup.Conditions.Of(&p.Trial), simulate.Options{})
	if err != nil {
		return nil, err
	}
	v, err := verdict.Judge(run)
	if err != nil {
		return nil, err
	}
	return &SimulationResult{Setup: s.Setup, Run: run, Verdict: v}, nil
}

// With returns the script with one value changed, key and text with its unit: a setting, a value of the boat file, or air, water or
// charge of all trials, as in s.With("limits.motor_current", "120 A").
func (s *Script) With(key, text string) (*Script, error) {
	changed, err := s.Setup.With([]string{key + "=" + text})
	if err != nil {
		return nil, err
	}
	next := *s
	next.Setup = changed
	return &next, nil
}

// SimulationResult is a simulated run and its verdict.
type SimulationResult struct {
	Setup   *Setup
	Run     *record.Run
	Verdict verdict.Trial
}

// Part returns the verdict on one part; a part that the boat does not have is an error that names those it has.
func (r *SimulationResult) Part(name string) (verdict.Part, error) { return findPart(r.Verdict, name) }

// Part returns the verdict on one part; a part that the boat does not have is an error that names those it has.
func (r *StepResult) Part(name string) (verdict.Part, error) { return findPart(r.Verdict, name) }

func findPart(v verdict.Trial, name string) (verdict.Part, error) {
	var names []string
	for _, p := range v.Parts {
		if p.Name == name {
			return p, nil
		}
		names = append(names, p.Name)
	}
	return verdict.Part{Level: verdict.NotJudged}, fmt.Errorf("no part is called %q; the verdict is about %s", name, strings.Join(names, ", "))
}

// Max returns a trace's largest value, SI; a trace that the run does not have is an error that names those it has.
func Max(run *record.Run, trace string) (float64, error) {
	tr, err := run.FindTrace(trace)
	if err != nil {
		return 0, err
	}
	most := math.Inf(-1)
	for _, v := range tr.Values {
		if !math.IsNaN(v) {
			most = math.Max(most, v)
		}
	}
	if math.IsInf(most, -1) {
		return 0, fmt.Errorf("the trace %q has no values", trace)
	}
	return most, nil
}

// ValueAt returns a trace's value at a time (s), SI: between samples interpolated. A trace
// that the run does not have, one without any value, and a time at which nothing was recorded are errors: a comparison with NaN is false, and would let a script decide on a slip of the pen.
func ValueAt(run *record.Run, trace string, t float64) (float64, error) {
	tr, err := run.FindTrace(trace)
	if err != nil {
		return 0, err
	}
	n := len(run.Time)
	if n == 0 {
		return 0, fmt.Errorf("the trace %q has no value at %s", trace, quantity.FormatAuto(t, "s"))
	}
	begin, end := run.Time[0], run.Time[n-1]
	if each := (end - begin) / float64(n); !(t >= begin-each && t <= end+each) { // a value holds for a sample
		return 0, fmt.Errorf("the run has nothing at %s: it goes from %s to %s", quantity.FormatAuto(t, "s"), quantity.FormatAuto(begin, "s"), quantity.FormatAuto(end, "s"))
	}
	v := run.At(tr, t)
	if math.IsNaN(v) {
		return 0, fmt.Errorf("the trace %q has no value at %s", trace, quantity.FormatAuto(t, "s"))
	}
	return v, nil
}

// MeanBetween returns the mean of a trace's samples from a to b (s), SI, each counted alike however long it stands. A trace that the run does not have, and a time in which nothing
// was recorded, are errors.
func MeanBetween(run *record.Run, trace string, a, b float64) (float64, error) {
	tr, err := run.FindTrace(trace)
	if err != nil {
		return 0, err
	}
	sum, n := 0.0, 0
	for i, t := range run.Time {
		if t >= a && t <= b && !math.IsNaN(tr.Values[i]) {
			sum += tr.Values[i]
			n++
		}
	}
	if n == 0 {
		return 0, fmt.Errorf("the trace %q has no samples from %s to %s", trace, quantity.FormatAuto(a, "s"), quantity.FormatAuto(b, "s"))
	}
	return sum / float64(n), nil
}

// Format prints an SI value in a unit: Format(0.014, "mΩ") is "14.0 mΩ".
func Format(si float64, unit string) string { return quantity.Format(si, unit, 3) }

// Flags lists in words the parts that are close or over, those that use most of their limits first: how far, when, and with what margin;
// then the protection that was expected and did not act. Numbers have the digits of a report's tables.
func Flags(v verdict.Trial) []string {
	parts := append([]verdict.Part{}, v.Parts...)
	sort.SliceStable(parts, func(i, j int) bool { return parts[i].Used > parts[j].Used })
	var out []string
	for _, p := range parts {
		if p.Level != verdict.Close && p.Level != verdict.Over {
			continue
		}
		unit := p.Unit
		unit = quantity.Difference(unit)
		peak, limit, room := quantity.FormatShort(p.Peak, p.Unit, 3), quantity.FormatShort(p.Limit, p.Unit, 3), quantity.FormatShort(math.Abs(p.Margin), unit, 2)
		text := fmt.Sprintf("%s is close: %s after %s, %s from its limit of %s", p.Name, peak, quantity.FormatAuto(p.At, "s"), room, limit)
		if p.Level == verdict.Over {
			text = fmt.Sprintf("%s is over: it passes its limit of %s after %s and reaches %s, %s beyond", p.Name, limit, quantity.FormatAuto(p.Crossed, "s"), peak, room)
		}
		if p.Current != "" {
			text += " (" + p.Current + " current)"
		}
		out = append(out, text)
	}
	return append(out, v.Missing...)
}

// Summary returns a step test in a few lines: how it ended, the verdict, what is flagged, and the caution.
func (r *StepResult) Summary() string {
	var b strings.Builder
	fmt.Fprintf(&b, "test: %s", r.Measured.Stop.Reason)
	if r.Measured.Stop.Reason != measure.Finished {
		fmt.Fprintf(&b, " after %.3g s: %s", r.Measured.Stop.At, r.Measured.Stop.Text)
	}
	fmt.Fprintf(&b, "\nverdict: %s\n", r.Verdict.Level)
	for _, f := range Flags(r.Verdict) {
		fmt.Fprintf(&b, "  %s\n", f)
	}
	b.WriteString(CautionLines() + "\n")
	return b.String()
}

// RunSimulated runs a step test on the simulated controller behind the frames of a real one, in virtual time.
func RunSimulated(ctx context.Context, s *Setup, program *trial.Trial, rate float64) (*StepResult, error) {
	if err := checkProgramme(program); err != nil {
		return nil, err
	}
	m, err := SimulatedRegisters()
	if err != nil {
		return nil, err
	}
	clock := linksim.NewVirtual(time.Unix(0, 0).UTC())
	sim, err := linksim.New(s.Boat, s.Settings, m.Describe(), clock, linksim.Options{Trial: program})
	if err != nil {
		return nil, err
	}
	timing := modbus.TimingAt(115200)
	p := sim.Loopback(m, timing, clock)
	defer p.Close()
	c := regmap.NewController(m, modbus.NewMaster(p, timing, clock), clock)
	defer c.Close()
	return RunStep(ctx, s, program, c, measure.Options{Rate: rate, Commands: true, Clock: clock})
}

// RunStep predicts a step test, runs it on a controller with its hard limits and its watch, and completes the record.
func RunStep(ctx context.Context, s *Setup, program *trial.Trial, c link.Controller, o measure.Options) (*StepResult, error) {
	channels := c.Describe().Channels
	if err := CheckCurrent(channels); err != nil {
		return nil, err
	}
	bounds, err := StopLimits(s, program, channels)
	if err != nil {
		return nil, err
	}
	p, err := Predict(ctx, s, program, channels, StepOptions{Draws: 60, Seed: 1, ByHand: !o.Commands})
	if err != nil {
		return nil, err
	}
	o.Bounds = append(o.Bounds, bounds...)
	o.Watch = p.Watch(channels)
	measured, err := measure.Run(ctx, c, program, o)
	if err != nil {
		return nil, err
	}
	return Finish(ctx, s, program, p, &measured)
}

// SimulatedRegisters returns the register map of a simulated controller where the boat has none of its own: readings and
// throttle, fine enough to leave the instruments' errors to the boat file; no settings.
func SimulatedRegisters() (*regmap.Map, error) {
	return regmap.Load("simulated.toml", []byte(simulatedRegisters), settings.Fields())
}

// simulatedRegisters is the register map of the simulated controller that scripts run on: fine enough to leave the
// instruments' errors to the boat file.
const simulatedRegisters = `
title = "simulated controller"
unit_id = 1
[running]
table = "input"
address = 0
mask = 0x0001
[[reading]]
key = "voltage"
table = "input"
address = 2
type = "f32"
word_order = "high first"
unit = "V"
scale = "1 V"
min = "0 V"
max = "1000 V"
[[reading]]
key = "battery_current"
table = "input"
address = 4
type = "f32"
word_order = "high first"
unit = "A"
scale = "1 A"
min = "-3000 A"
max = "3000 A"
[[reading]]
key = "motor_current"
table = "input"
address = 6
type = "f32"
word_order = "high first"
unit = "A"
scale = "1 A"
min = "-3000 A"
max = "3000 A"
[[reading]]
key = "motor_speed"
table = "input"
address = 8
type = "f32"
word_order = "high first"
unit = "rpm"
scale = "1 rpm"
min = "-20000 rpm"
max = "20000 rpm"
[[reading]]
key = "stage_temperature"
table = "input"
address = 10
type = "f32"
word_order = "high first"
unit = "°C"
scale = "1 K"
offset = "0 °C"
min = "-60 °C"
max = "300 °C"
[[reading]]
key = "boat_speed"
table = "input"
address = 12
type = "f32"
word_order = "high first"
unit = "m/s"
scale = "1 m/s"
min = "-20 m/s"
max = "20 m/s"
[throttle]
address = 0
type = "s16"
zero = 0
ahead = 10000
astern = -10000
command_timeout = "400 ms"
`
