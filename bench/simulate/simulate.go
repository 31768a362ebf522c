// Package simulate turns a boat, settings and a trial into a record.
package simulate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"

	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/bench/drive"
	"quaybench/bench/ode"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Options of a simulation. The zero value is right for a verdict.
type Options struct {
	RelTol float64 // relative error per step; 0: 1e-5
	// Check repeats sampled steps with two half steps; see ode.CheckOptions. The zero value checks one in 48.
	Check ode.CheckOptions
	// Near, if not nil, is told at the end how near each device came to opening, and the controller to stopping by itself.
	Near func([]Near)
	// Verdict keeps of a run what a verdict asks, and no traces: see record.Run.Peaks.
	Verdict bool
	// At are further instants, rising, at which the traces are sampled by dense output, s: a long run has so few steps that a
	// straight line between them is no derivative.
	At []float64
	// Model, if not nil, is called with the model before it runs: tests break it there on purpose.
	Model func(*drive.Model)
}

// Run simulates a trial. With an error it returns what was reached, if anything: on a cancelled context the record up
// to there. The error is a *NoDriveError where the boat's numbers make no drive, and a *UnbalancedError where the run breaks the
// conservation of energy: nobody may show such a run. Run is safe for use from several goroutines; it changes none of its arguments.
func Run(ctx context.Context, b *boat.Boat, s settings.Set, t *trial.Trial, o Options) (*record.Run, error) {
	switch { // in a study it runs in a goroutine, whose panic nobody could catch
	case b == nil:
		return nil, errors.New("there is no boat to simulate: load one by its name or file")
	case t == nil:
		return nil, errors.New("there is no trial to simulate: name one, or make a programme")
	case !(t.Duration >= 0):
		return nil, fmt.Errorf("trial %q lasts %g s: give it a length above zero", t.Name, t.Duration)
	}
	scratch := memory.Get().(*workspace)
	defer memory.Put(scratch)
	return scratch.run(ctx, b, s, t, o)
}

// CheckDrive returns the *NoDriveError with which Run would refuse a boat whose numbers make no drive; nil: they make one.
func CheckDrive(b *boat.Boat, s settings.Set, t *trial.Trial) error {
	scratch := memory.Get().(*workspace)
	defer memory.Put(scratch)
	_, err := scratch.model(b, s, t)
	return err
}

func (scratch *workspace) model(b *boat.Boat, s settings.Set, t *trial.Trial) (*drive.Model, error) {
	m, err := scratch.fits.New(b, s, conditions(t))
	if err != nil {
		return nil, &NoDriveError{b.Name, err}
	}
	return m, nil
}

// run does what Run does, in a workspace.
func (scratch *workspace) run(ctx context.Context, b *boat.Boat, s settings.Set, t *trial.Trial, o Options) (*record.Run, error) {
	model, err := scratch.model(b, s, t)
	if err != nil {
		return nil, err
	}
	if err := model.CheckStart(start(t)); err != nil {
		return nil, fmt.Errorf("trial %s: %w", t.Name, err)
	}
	if o.Model != nil {
		o.Model(model)
	}
	if o.RelTol == 0 {
		o.RelTol = 1e-5
	}
	if o.Check.Every == 0 {
		o.Check.Every = 48
	}
	if !(o.RelTol > 0 && o.RelTol <= 1e-3) {
		return nil, fmt.Errorf("relative tolerance %g: give 1e-9 to 1e-3, or 0 for 1e-5", o.RelTol)
	}
	sim := newSimulation(model, b, t, o)
	sim.workspace = scratch
	if o.Near != nil {
		sim.nears = newNears(sim)
	}
	err = sim.run(ctx)
	out := sim.record()
	if o.Near != nil {
		o.Near(sim.nears.list)
	}
	switch {
	case err != nil && !sim.stopped:
		err = &UnsolvedError{At: sim.t, Crossings: s.Crossings(), Cause: err}
	case err == nil:
		err = balanced(out.Energy)
	}
	if err != nil {
		return out, fmt.Errorf("boat %s, trial %s: %w", b.Name, t.Name, err)
	}
	return out, nil
}

// UnsolvedError is a trial that could not be computed to its end. Its text is for who fits out a boat; the solver's own
// words are in Cause.
type UnsolvedError struct {
	At        float64 // s: up to here
	Crossings []settings.Crossing
	Cause     error
}

func (e *UnsolvedError) Error() string {
	at := fmt.Sprintf("nothing can be computed beyond %.4g s", e.At)
	if len(e.Crossings) > 0 {
		var why []string
		for _, c := range e.Crossings {
			why = append(why, fmt.Sprintf("%s; change %s (%s)", c.Text, c.Key, c.Why))
		}
		return at + ", since a limit would come and go there without end: " + strings.Join(why, "; ")
	}
	return (&ode.PlainError{At: e.At, Cause: e.Cause}).Error() + "; look for a value that no boat has, and for a limit or derating that hunts"
}

func (e *UnsolvedError) Unwrap() error { return e.Cause }

// ChatterError reports that a controller switches to and fro without end.
type ChatterError struct {
	Events int
	Until  float64 // s: before this instant
}

func (e *ChatterError) Error() string {
	return fmt.Sprintf("more than %d events before %.6g s", e.Events, e.Until)
}

var loads = map[string]drive.Load{"normal": drive.Normal, "fouled": drive.Fouled, "dry": drive.Dry, "locked": drive.Locked, "ventilated": drive.Ventilated}

func conditions(t *trial.Trial) drive.Conditions {
	return drive.Conditions{
		Air: t.Air, Water: t.Water, Moored: t.Moored, Charging: t.Charging, Uncharged: t.PrechargeSkipped,
		Electrical: t.Electrical || t.PrechargeSkipped, // there is no inrush without transients
		Load:       loads[t.Load], LoadFactor: t.LoadFactor, WaterDensity: t.WaterDensity,
	}
}

// Conditions returns the conditions of a trial, as a drive's model takes them.
func Conditions(t *trial.Trial) drive.Conditions { return conditions(t) }

// Start returns the state in which a trial begins.
func Start(t *trial.Trial) drive.Start { return start(t) }

// workspace is memory that runs use one after the other: the integrator's, which need not look at a pattern again that it
// knows, the fits of the last boat, and the samples before they are sorted into traces.
type workspace struct {
	fits        drive.Fits
	ode         ode.Integrator
	times, rows []float64 // of the samples, one after the other: channels, then parts
}

var memory = sync.Pool{New: func() any { return new(workspace) }}

// simulation is one run in progress.
type simulation struct {
	*workspace
	boat  *boat.Boat
	trial *trial.Trial
	opts  Options
	drive *drive.Run
	stats ode.Statistics

	t             float64
	y             []float64
	storedAtStart float64 // J
	fuse          *drive.FuseWatch
	all           []watch     // all that may happen
	armed         []*watch    // what can happen next
	events        []ode.Event // the same for the integrator
	devices       []drive.Device
	since         []float64 // per device: when its condition began; NaN: it does not hold. Of the fuse: when the slowest element melted
	mayOpen       int       // of the fuse: index of the event that says so; −1: no element has melted
	assured       float64   // m: how far the boat had come by then
	end           float64   // when the trial ends; sooner once the protection it expects has acted, s
	disarmed      bool      // power is gone: no device can act any more
	stopped       bool      // by the context, before the end
	tracker       tracker
	sampler       sampler
	calm          calm
	nears         *nears // nil: nobody asks
}

func newSimulation(m *drive.Model, b *boat.Boat, t *trial.Trial, o Options) *simulation {
	s := &simulation{workspace: new(workspace), boat: b, trial: t, opts: o, devices: m.Devices(), mayOpen: -1}
	s.since = make([]float64, len(s.devices))
	for i := range s.since {
		s.since[i] = math.NaN()
	}
	s.drive = m.NewRun(t.Lever(0))
	s.all = s.watches()
	s.calm.sim = s
	return s
}

// start returns the state in which a trial begins.
func start(tr *trial.Trial) drive.Start {
	given := func(v interface{ Or(float64) float64 }) float64 { return v.Or(math.NaN()) }
	return drive.Start{
		Charge: tr.Charge, Speed: tr.BoatSpeed, Winding: given(tr.Start.Winding), Housing: given(tr.Start.Housing),
		Sink: given(tr.Start.Sink), Battery: given(tr.Start.Battery), Cables: given(tr.Start.Cables), Air: given(tr.Compartment),
		Each: tr.Start.Named(),
	}
}

// begin sets the starting state.
func (s *simulation) begin() {
	s.y = s.drive.Begin(start(s.trial))
	s.storedAtStart = s.drive.Energy(s.y).Stored
	s.fuse = s.drive.WatchFuse(0)
	s.sampler.begin(s)
}

func (s *simulation) run(ctx context.Context) error {
	s.begin()
	s.drive.Mode.Released = true // a trial starts in neutral, even where its first movement is at once
	corners := s.corners()
	s.end = s.trial.Duration
	for i, next := range corners[1:] {
		s.corner(corners[i])
		if err := s.stretch(ctx, next); err != nil {
			return err
		}
		if s.t >= s.end {
			break
		}
	}
	s.tracker.finish()
	return nil
}

// corners returns the instants at which the right-hand side changes by itself, from start to end.
func (s *simulation) corners() []float64 {
	end := s.trial.Duration
	at := append(s.trial.Corners(), 0, end, s.trial.LoadFrom, s.trial.CoolingLostFrom)
	sort.Float64s(at)
	const apart = 1e-9 // s: corners nearer to each other are one, at the later; no step of an integrator fits between
	var out []float64
	for _, t := range at {
		switch n := len(out); {
		case t < 0 || t > end:
		case n > 0 && t-out[n-1] < apart:
			out[n-1] = t
		case n > 0:
			out = append(out, s.deadbandCrossings(out[n-1], t)...)
			fallthrough
		default:
			out = append(out, t)
		}
	}
	return out
}

// deadbandCrossings returns the times (s) at which the lever, moving linearly between two corners, enters and leaves the dead band.
func (s *simulation) deadbandCrossings(from, to float64) (at []float64) {
	const apart = 1e-3 // s
	lever := s.trial.Lever(from)
	a, b := lever(from), lever(to)
	band := math.Copysign(s.drive.Law.Settings.Throttle.Deadband, b-a)
	last := from
	for _, edge := range []float64{-band, band} {
		if t := from + (to-from)*(edge-a)/(b-a); t > last+apart && t < to-apart {
			at, last = append(at, t), t
		}
	}
	return at
}

// corner applies the changes that belong to an instant.
func (s *simulation) corner(t float64) {
	r := s.drive
	r.Lever = s.trial.Lever(t)
	if t >= s.trial.CoolingLostFrom && !r.CoolingLost {
		r.CoolingLost = true
		s.tracker.note(record.Event{At: t, Device: "cooling", What: "cooling is lost", Kind: record.Note})
	}
	if t >= s.trial.LoadFrom && !r.Loaded && s.trial.Load != "normal" {
		r.Loaded = true
		s.tracker.note(record.Event{At: t, Device: "load", What: "propeller load: " + s.trial.Load, Kind: record.Note})
		if s.trial.Load == "locked" { // the event above is record.ShaftLocked
			r.Lock(s.y)
		}
	}
	r.Changed()
}

// stretch integrates to the next corner, stopping at each event.
func (s *simulation) stretch(ctx context.Context, until float64) error {
	const most = 20000 // events in one stretch; more is a controller that chatters, not a boat
	tolerances := s.drive.Tolerances(s.opts.RelTol)
	var calm func(*ode.Step, []float64, []float64) bool
	if s.opts.Verdict && len(s.opts.At) == 0 {
		calm = s.calm.step
	}
	for range most {
		s.settle()
		until = min(until, s.end)
		if s.t >= until {
			return nil
		}
		s.sampler.carried = math.NaN()
		opts := ode.Options{RelTol: s.opts.RelTol / 100, AbsTol: tolerances, EventTol: 1e-7, Check: s.opts.Check}
		res, err := s.ode.Solve(ctx, ode.Problem{System: s.drive, T0: s.t, T1: until, Y0: s.y, Events: s.arm(), EventValues: s.margins, Calm: calm, Observe: s.sampler.step}, opts)
		s.stats.Add(res.Statistics)
		if res.Y != nil {
			s.t, s.y = res.T, res.Y
		}
		if err != nil {
			var cancelled *ode.CanceledError
			if errors.As(err, &cancelled) {
				s.stopped = true
				s.tracker.note(record.Event{At: s.t, Device: "run", What: "the run was stopped here", Kind: record.Note})
				err = context.Cause(ctx)
			}
			s.tracker.finish()
			return err
		}
		if res.Status == ode.Done {
			return nil
		}
		for _, k := range res.Fired {
			s.armed[k].act()
		}
		s.drive.Changed()
		s.sampler.take(s.t, s.y)
	}
	return &ChatterError{Events: most, Until: until}
}

// settle applies what holds already.
func (s *simulation) settle() {
	r := s.drive
	p := r.Point(s.t, s.y)
	x := r.ControlState(s.y)
	for _, sw := range control.Settle(r.Switches, p.Measured, x, &r.Mode) {
		s.switched(sw)
	}
	r.Changed()
	for i := range s.devices {
		d := &s.devices[i]
		switch {
		case s.disarmed || !math.IsNaN(s.since[i]):
		case i == fuse && s.mayOpen >= 0:
			if s.fuse.Melted() {
				s.melt()
			}
		case d.Margin(r.Point(s.t, s.y), s.y) < 0:
		case i == fuse:
			s.fuseMayOpen()
		default:
			s.startDelay(i)
		}
	}
}

// fuse is the index of the fuse among the devices.
const fuse = 0

// fuseMayOpen records that the fastest element may have melted. A slower one holds on, and what else there is must bear that:
// the circuit opens when the slowest has melted too.
func (s *simulation) fuseMayOpen() {
	s.nearActed(fuse)
	d := &s.devices[fuse]
	s.mayOpen = len(s.tracker.events)
	s.tracker.note(record.Event{At: s.t, Device: d.Name, What: d.What, Kind: record.Protecting, Latest: math.Inf(1)})
	s.assured = s.drive.Distance(s.y)
	s.sampler.addSpike(s.drive.OpeningVoltage(s.drive.Point(s.t, s.y)))
}

// melt records that the slowest element has melted; its arc burns on for a moment.
func (s *simulation) melt() {
	if s.drive.Arcing() > 0 {
		s.since[fuse] = s.t
	} else {
		s.openFuse()
	}
}

// openFuse opens the circuit by the fuse, at the latest instant.
func (s *simulation) openFuse() {
	if s.disarmed {
		return
	}
	s.tracker.events[s.mayOpen].Latest = s.t
	s.tracker.note(record.Event{At: s.t, Device: "fuse", What: "a slow fuse is open too: no battery current flows any more", Kind: record.Note})
	s.disconnect("fuse")
}

// watch is something that may happen: it does when its margin rises through zero, or with any sign of change where
// direction says so.
type watch struct {
	name      string
	direction ode.Direction
	band      float64 // see ode.Event
	armed     func() bool
	margin    func(t float64, p *drive.Point, y []float64) float64
	act       func()
	near      int // whose nearness this margin is, from 1; 0: nobody's
}

// watches lists all that may happen.
func (s *simulation) watches() (all []watch) {
	r := s.drive
	for i := range r.Switches {
		sw := &r.Switches[i]
		all = append(all, watch{
			name: sw.Name, direction: ode.Rising, near: s.nearOf(i),
			armed:  func() bool { return sw.Armed(r.Mode) },
			margin: func(_ float64, p *drive.Point, y []float64) float64 { return sw.Margin(p.Measured, r.ControlState(y)) },
			act: func() {
				if !sw.Armed(r.Mode) { // another that fired at the same instant has changed the mode
					return
				}
				sw.Act(r.ControlState(s.y), &r.Mode)
				s.switched(*sw)
			},
		})
	}
	always := func() bool { return true }
	for side := range 2 { // a step across a kink of the demand would be a refused one
		all = append(all, watch{
			name: "ramp", direction: ode.Either, armed: always, band: 0.05, // a lever may move just as fast as the ramp
			margin: func(_ float64, p *drive.Point, y []float64) float64 {
				falling, rising := r.Law.RampKinks(r.Target(p.Measured.Lever), r.ControlState(y))
				return [2]float64{falling, rising}[side]
			},
			act: func() {},
		})
	}
	mayMelt := func(_ float64, p *drive.Point, y []float64) float64 { return s.devices[fuse].Margin(p, y) }
	all = append(all,
		watch{
			name: "fuse may open", direction: ode.Rising, margin: mayMelt, act: s.fuseMayOpen, near: fuse + 1,
			armed: func() bool { return !s.disarmed && s.mayOpen < 0 },
		},
		watch{
			name: "fuse melts", direction: ode.Rising, act: s.melt,
			armed: func() bool { return !s.disarmed && s.mayOpen >= 0 && math.IsNaN(s.since[fuse]) },
			margin: func(t float64, p *drive.Point, y []float64) float64 {
				return s.fuse.Molten(t, min(s.sampler.since(p), carried(p)), y) - 1
			},
		},
		watch{
			name: "fuse opens", direction: ode.Rising, act: s.openFuse,
			armed:  func() bool { return !s.disarmed && !math.IsNaN(s.since[fuse]) },
			margin: func(t float64, _ *drive.Point, _ []float64) float64 { return t - s.since[fuse] - s.drive.Arcing() },
		},
	)
	const hysteresis = 0.003
	for i := fuse + 1; i < len(s.devices); i++ {
		d, since := &s.devices[i], &s.since[i]
		margin := func(_ float64, p *drive.Point, y []float64) float64 { return d.Margin(p, y) }
		waits := func() bool { return !s.disarmed && !math.IsNaN(*since) }
		all = append(all,
			watch{
				name: d.Name, direction: ode.Rising, margin: margin, act: func() { s.startDelay(i) }, near: i + 1,
				armed: func() bool { return !s.disarmed && math.IsNaN(*since) },
			},
			watch{
				name: d.Name, direction: ode.Rising, armed: waits, act: func() { *since = math.NaN() },
				margin: func(t float64, p *drive.Point, y []float64) float64 { return -hysteresis - margin(t, p, y) },
			},
			watch{
				name: d.Name, direction: ode.Rising, armed: waits, act: func() { s.open(d) },
				margin: func(t float64, _ *drive.Point, _ []float64) float64 { return t - *since - d.Delay },
			},
		)
	}
	return all
}

// arm chooses, of all that may happen, what can happen next in the present mode.
func (s *simulation) arm() []ode.Event {
	s.armed, s.events = s.armed[:0], s.events[:0]
	for i := range s.all {
		if w := &s.all[i]; w.armed() {
			s.armed = append(s.armed, w)
			s.events = append(s.events, ode.Event{Name: w.name, Direction: w.direction, Band: w.band})
		}
	}
	return s.events
}

// margins evaluates what is armed.
func (s *simulation) margins(t float64, y, values []float64) {
	p := s.drive.Point(t, y)
	for i, w := range s.armed {
		values[i] = w.margin(t, p, y)
	}
}

// delayed reports whether a device's condition holds.
func (s *simulation) delayed() bool {
	return !s.disarmed && slices.ContainsFunc(s.since, func(t float64) bool { return !math.IsNaN(t) })
}

// startDelay starts the delay of a device whose condition holds; one without a delay opens at once.
func (s *simulation) startDelay(i int) {
	if d := &s.devices[i]; d.Delay > 0 {
		s.since[i] = s.t
	} else {
		s.open(d)
	}
}

// open opens the battery circuit by management.
func (s *simulation) open(d *drive.Device) {
	if s.disarmed {
		return
	}
	r := s.drive
	current := math.Abs(r.Point(s.t, s.y).BatteryCurrent)
	s.tracker.note(record.Event{At: s.t, Device: d.Name, What: d.What, Kind: record.Protecting})
	if breaks := r.BreakCurrent(); current > breaks {
		s.tracker.note(record.Event{
			At: s.t, Device: "contactor", Kind: record.Protecting,
			What: fmt.Sprintf("contactor would have to break %.0f A of battery current, more than its %.0f A", current, breaks),
		})
	}
	s.nearActed(slices.IndexFunc(s.devices, func(k drive.Device) bool { return k.What == d.What }))
	s.disconnect(d.Name)
}

// disconnect opens the battery circuit by the device of a name.
func (s *simulation) disconnect(device string) {
	r := s.drive
	peak := r.OpeningVoltage(r.Point(s.t, s.y))
	r.Open(s.y)
	s.sampler.addSpike(peak)
	s.disarmed = true
	s.acted(device)
}

// acted shortens the trial once the last protection that it expects has acted.
func (s *simulation) acted(device string) {
	if n := len(s.trial.Expect); n > 0 && s.trial.Expect[n-1] == device {
		s.end = min(s.end, s.t+s.trial.EndAfterExpected)
	}
}

// switched records what the controller did by itself.
func (s *simulation) switched(sw control.Switch) {
	if sw.Event == "" {
		return
	}
	kind := record.Limiting
	if sw.Name == "stall timer" || sw.Name == "controller cut-off" {
		kind = record.Stopping
	}
	if kind == record.Stopping {
		s.nearActed(len(s.devices) + slices.IndexFunc(stops[:], func(k stop) bool { return k.name == sw.Name }))
	}
	s.tracker.note(record.Event{At: s.t, Device: sw.Name, What: sw.Event, Kind: kind})
	s.acted(sw.Name)
}
