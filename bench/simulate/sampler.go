package simulate

import (
	"math"
	"slices"

	"quaybench/bench/drive"
	"quaybench/bench/ode"
	"quaybench/bench/record"
	"quaybench/bench/root"
)

// channel is a trace that is not a part's.
type channel struct {
	name, unit string
	value      func(s *simulation, p *drive.Point, y []float64) float64
}

// channels are the traces of every simulated run, parts apart.
var channels = []channel{
	{record.Lever, "%", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Measured.Lever }},
	{record.DemandTrace, "%", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Command.Demand }},
	{record.MotorCurrent, "A", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.MotorCurrent }},
	{record.BatteryCurrent, "A", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.BatteryCurrent }},
	{record.Voltage, "V", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Voltage }},
	{record.CellVoltage, "V", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.CellVoltage }},
	{record.Duty, "%", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Duty }},
	{record.MotorSpeed, "rpm", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Measured.Speed }},
	{record.BoatSpeed, "m/s", func(s *simulation, _ *drive.Point, y []float64) float64 { return s.drive.BoatSpeed(y) }},
	{record.Distance, "m", func(s *simulation, _ *drive.Point, y []float64) float64 { return s.drive.Distance(y) }},
	{record.Thrust, "N", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Thrust }},
	{record.Torque, "N·m", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Propeller }},
	{record.Charge, "%", func(s *simulation, _ *drive.Point, y []float64) float64 { return s.drive.Charge(y) }},
	{record.Derating, "%", func(_ *simulation, p *drive.Point, _ []float64) float64 { return p.Command.Deratings.Driving }},
}

// mark is a part's limit in a form that is asked of every sample.
type mark struct {
	sign, limit float64 // sign·value beyond limit is over
	apart       float64 // from here on apart from limit and peak it does not matter how a value runs within a step; +Inf: it always does
}

// judged lists the channels that a verdict asks.
var judged = slices.DeleteFunc(slices.Clone(channels), func(c channel) bool {
	return c.name != record.Lever && c.name != record.DemandTrace && c.name != record.MotorSpeed
})

// sampler turns steps into traces and watches for what is steady.
type sampler struct {
	sim      *simulation
	channels []channel
	row      []float64     // the instant that is looked at
	parts    []record.Part // counted from what they are at the start
	peaks    []record.Peak // of channels and parts; nil: traces are kept
	marks    []mark        // of the parts
	state    []float64     // scratch
	nextAt   int           // of the instants asked for
	steady   steady
	off      bool // nothing is kept: a boat that runs live

	carried float64 // the fuse's current at the end of the last step, A; NaN: not known
}

func (w *sampler) begin(s *simulation) {
	w.sim = s
	s.times, s.rows = s.times[:0], s.rows[:0]
	if w.channels = channels; s.opts.Verdict {
		w.channels = judged
	}
	w.row = make([]float64, len(w.channels)+len(s.drive.Parts))
	w.state = make([]float64, len(s.y))
	w.steady.leverSince = math.Inf(-1)
	p := s.drive.Point(0, s.y)
	for i := range s.drive.Parts {
		w.parts = append(w.parts, s.drive.Parts[i].Reference(p, s.y))
	}
	w.steady.lever = p.Measured.Lever
	if s.opts.Verdict {
		w.peaks, w.marks = make([]record.Peak, 0, len(w.row)), make([]mark, 0, len(w.parts))
		for _, c := range w.channels {
			w.peaks = append(w.peaks, record.Peak{Trace: c.name, Crossed: math.NaN()})
		}
		for i := range w.parts {
			part, m := &w.parts[i], mark{sign: 1, apart: math.Inf(1)}
			if part.Measure == record.Floor {
				m.sign = -1
			}
			if part.Measure == record.Temperature {
				m.apart = 0.5
			}
			m.limit = m.sign * part.Limit
			w.marks = append(w.marks, m)
			w.peaks = append(w.peaks, record.Peak{Trace: part.Trace, Crossed: math.NaN()})
		}
	}
	w.take(0, s.y)
}

// step samples an accepted step: its end and, so that no peak hides, two points inside; and each instant at which a part
// passes its limit or the controller begins or ends to hold something back, so that none is read off a chord.
func (w *sampler) step(st *ode.Step) error {
	s := w.sim
	s.t, s.y = st.T1, st.Y1
	before, current := st.T0, w.carried
	if math.IsNaN(current) {
		current = carried(s.drive.Point(st.T0, st.Y0))
	}
	lowest := current
	for k := range 3 {
		if st.Calm && k < 2 {
			continue
		}
		t, y := st.T1, st.Y1
		if k < 2 {
			t, y = st.Inner(k)
		}
		p := s.drive.Point(t, y)
		now := carried(p)
		if lowest = min(lowest, now); s.mayOpen < 0 {
			s.fuse.Observe(t, min(current, now), y)
		} else if k == 2 { // one stretch a step, so that it never melts where the event that looks for it does not see it
			s.fuse.Observe(t, lowest, y)
		}
		current = now
		if w.off {
			continue
		}
		if st.Calm { // it is looked at already
			w.keep(t, p, y)
			continue
		}
		if w.look(p, y); w.passed(p) {
			for _, at := range w.passages(st, before, t) {
				st.At(at, w.state)
				w.take(at, w.state)
			}
			p = s.drive.Point(t, y)
			w.look(p, y)
		}
		if w.between(st, before, t) {
			p = s.drive.Point(t, y)
			w.look(p, y)
		}
		w.keep(t, p, y)
		before = t
	}
	w.carried = current
	return nil
}

// between samples the instants asked for after one instant of a step and before another, and reports whether there were any.
func (w *sampler) between(st *ode.Step, after, until float64) (any bool) {
	at := w.sim.opts.At
	for ; w.nextAt < len(at) && at[w.nextAt] < until; w.nextAt++ {
		if at[w.nextAt] > after {
			st.At(at[w.nextAt], w.state)
			w.take(at[w.nextAt], w.state)
			any = true
		}
	}
	return any
}

// since returns the fuse's current at the start of the step at work, A; p is now, where it is not known.
func (w *sampler) since(p *drive.Point) float64 {
	if math.IsNaN(w.carried) {
		return carried(p)
	}
	return w.carried
}

// carried returns the battery current that the fuse carries, either way.
func carried(p *drive.Point) float64 { return math.Abs(p.BatteryCurrent) }

// look fills the row with the values at an instant.
func (w *sampler) look(p *drive.Point, y []float64) {
	s := w.sim
	parts := w.row[len(w.channels):]
	for i := range w.channels {
		w.row[i] = w.channels[i].value(s, p, y)
	}
	for i := range s.drive.Parts {
		parts[i] = s.drive.Parts[i].Value(p, y)
	}
}

// last returns the row of the last sample.
func (w *sampler) last() []float64 { return w.sim.rows[len(w.sim.rows)-len(w.row):] }

// passed reports whether anything has passed between the last sample and what the row holds now.
func (w *sampler) passed(p *drive.Point) bool {
	last, now := w.last()[len(w.channels):], w.row[len(w.channels):]
	for i := range w.sim.drive.Parts {
		if limit := w.sim.drive.Parts[i].Limit; (last[i] > limit) != (now[i] > limit) {
			return true
		}
	}
	return w.turned(p)
}

// turned reports whether anything that the controller does for a while has begun or ended since the last sample.
func (w *sampler) turned(p *drive.Point) bool {
	for i := range watched {
		if watched[i].active(p) != w.sim.tracker.active[i] {
			return true
		}
	}
	return false
}

// passages lists, in order, the instants just after something has passed between the last sample and the instant to.
func (w *sampler) passages(st *ode.Step, from, to float64) (at []float64) {
	var passed []func(t float64, y []float64) bool
	st.At(to, w.state)
	for i := range w.sim.drive.Parts {
		if w.passes(i, to, w.state) {
			passed = append(passed, func(t float64, y []float64) bool { return w.passes(i, t, y) })
		}
	}
	for i := range watched {
		if w.turns(i, to, w.state) {
			passed = append(passed, func(t float64, y []float64) bool { return w.turns(i, t, y) })
		}
	}
	for _, p := range passed {
		after := root.Change(from, to, 1e-3, func(t float64) bool {
			st.At(t, w.state)
			return p(t, w.state)
		})
		if after < to {
			at = append(at, after)
		}
	}
	slices.Sort(at)
	return at
}

// passes reports whether part i lies on the other side of its limit at (t, y) than at the last sample.
func (w *sampler) passes(i int, t float64, y []float64) bool {
	part := &w.sim.drive.Parts[i]
	return (part.Value(w.sim.drive.Point(t, y), y) > part.Limit) != (w.last()[len(w.channels)+i] > part.Limit)
}

// turns reports whether watched condition i holds at (t, y) where it did not at the last sample, or the other way round.
func (w *sampler) turns(i int, t float64, y []float64) bool {
	return watched[i].active(w.sim.drive.Point(t, y)) != w.sim.tracker.active[i]
}

// take samples one instant.
func (w *sampler) take(t float64, y []float64) {
	if w.off {
		return
	}
	p := w.sim.drive.Point(t, y)
	w.look(p, y)
	w.keep(t, p, y)
}

// keep appends the row as a sample; of a run that keeps no traces the first instant, and the last with its row.
func (w *sampler) keep(t float64, p *drive.Point, y []float64) {
	s := w.sim
	if w.peaks != nil {
		w.raise(t)
		s.times, s.rows = s.times[:min(len(s.times), 1)], s.rows[:0]
	}
	s.times = append(s.times, t)
	s.rows = append(s.rows, w.row...)
	s.tracker.look(t, p)
	if s.nears != nil {
		s.nears.look(s, t, p, y)
	}
	w.steady.look(s, t, p, y)
}

// raise moves the peaks to the row at t where it goes beyond them.
func (w *sampler) raise(t float64) {
	first := len(w.sim.times) == 0
	for i := range w.channels {
		if k, v := &w.peaks[i], w.row[i]; math.Abs(v) > math.Abs(k.Value) {
			k.Value, k.At = v, t
		}
	}
	for i := range w.marks {
		m, k, v := &w.marks[i], &w.peaks[len(w.channels)+i], w.row[len(w.channels)+i]
		if first || m.sign*v > m.sign*k.Value || math.IsNaN(k.Value) {
			k.Value, k.At = v, t
		}
		if !(m.sign*v > m.limit) || !math.IsNaN(k.Crossed) {
			continue
		}
		if k.Crossed = t; !first {
			k.Crossed = w.parts[i].Crosses(w.sim.times[len(w.sim.times)-1], t, w.last()[len(w.channels)+i], v)
		}
	}
}

// addSpike samples an instantaneous overvoltage of the link.
func (w *sampler) addSpike(volts float64) {
	if w.off {
		return
	}
	s := w.sim
	p := s.drive.Point(s.t, s.y)
	w.look(p, s.y)
	for i := range s.drive.Parts {
		if s.drive.Parts[i].Name == "link voltage" {
			w.row[len(w.channels)+i] = volts
		}
	}
	w.keep(s.t, p, s.y)
}

// traces returns the samples, one trace per column.
func (w *sampler) traces() []record.Trace {
	width, n := len(w.row), len(w.sim.times)
	all := make([]float64, width*n)
	out := make([]record.Trace, width)
	for i := range out {
		if k := i - len(w.channels); k < 0 {
			out[i].Name, out[i].Unit = w.channels[i].name, w.channels[i].unit
		} else {
			out[i].Name, out[i].Unit = w.parts[k].Name, w.parts[k].Unit
		}
		out[i].Values = all[i*n : (i+1)*n : (i+1)*n]
	}
	for k := range n {
		for i, v := range w.sim.rows[k*width : (k+1)*width] {
			all[i*n+k] = v
		}
	}
	return out
}

// steady finds the stretches in which nothing but temperatures and charge change, and adds up what the bank gives.
type steady struct {
	lever      float64
	leverSince float64

	topSpeed, thrust float64
	found, pulled    bool

	last, source, sourced float64 // s, W and J of a charging source up to the last sample
	energy                float64 // J out of the bank at open-circuit voltage, over the whole run
	drove                 bool    // current flowed in the motor
	acceleration, pulls   float64 // m/s² and N at the last sample; NaN: the drive was not settled there

	low               bool    // low-voltage derating acts
	lowFrom, untilLow float64 // since when, s, and the energy until then, J
	gaveOut           bool    // it acted for so long that the bank had no more to give: both stay as they are
}

const (
	settling = 10.0  // s for which the lever must have rested
	still    = 0.002 // m/s²: change of boat speed that counts as none
	telling  = 300.0 // s: a run below that says nothing about how long a charge lasts
	sagging  = 60.0  // s: a bank that is held back for so long does not sag for a moment, it has given out
)

func (w *steady) look(s *simulation, t float64, p *drive.Point, y []float64) {
	if p.Measured.Lever != w.lever {
		w.lever, w.leverSince = p.Measured.Lever, t
	}
	source := p.Terminal * p.Charging
	w.sourced += (source + w.source) / 2 * (t - w.last)
	w.last, w.source = t, source
	w.energy = s.drive.Spent(y) - w.sourced
	w.drove = w.drove || p.MotorCurrent != 0
	if low := p.Command.Deratings.LowVoltage < 1; !w.gaveOut {
		if low && !w.low {
			w.lowFrom, w.untilLow = t, w.energy
		}
		w.low, w.gaveOut = low, low && t-w.lowFrom >= sagging
	}
	w.pulls = p.Thrust
	if w.acceleration = w.settled(s, t, p, y); !(math.Abs(w.acceleration) < still) {
		return
	}
	if v := s.drive.BoatSpeed(y); !s.trial.Moored && (!w.found || v > w.topSpeed) {
		w.topSpeed, w.found = v, true
	}
	if !w.pulled || p.Thrust > w.thrust {
		w.thrust, w.pulled = p.Thrust, true
	}
}

// settled returns the acceleration (m/s²) of a drive that has had time to settle at t; NaN where it has not, or nothing drives.
func (w *steady) settled(s *simulation, t float64, p *drive.Point, y []float64) float64 {
	if driving := math.Abs(p.Command.Demand) > 0.01 && s.drive.Connected && s.mayOpen < 0 && p.MotorCurrent != 0; !driving || t-w.leverSince < settling {
		return math.NaN()
	}
	return s.drive.Acceleration(p, y)
}

// between reports whether a step, p and y at its end, holds nothing for w that its ends do not show.
func (w *steady) between(s *simulation, st *ode.Step, p *drive.Point, y []float64) bool {
	if st.T1-w.leverSince < settling {
		return true
	}
	was, is := w.acceleration, w.settled(s, st.T1, p, y)
	return math.IsNaN(was) == math.IsNaN(is) && was > 0 == (is > 0) && math.Abs(was) < still == (math.Abs(is) < still)
}

// whole returns how much of a run of so many seconds tells what the helm's wishes cost, s, and what the bank gave in it, J: all of
// it, or what came before the bank gave out. What an empty bank still gives says nothing of how long a full one lasts.
func (w *steady) whole(end float64) (long, energy float64) {
	if w.gaveOut {
		return w.lowFrom, w.untilLow
	}
	return end, w.energy
}

// record assembles the run's record.
func (s *simulation) record() *record.Run {
	r := &record.Run{
		Boat: s.boat.Name, Trial: s.trial.Name, Time: slices.Clone(s.times), Events: s.tracker.events, Expect: s.trial.Expect,
		Provenance: record.Provenance{Source: "simulation"}, Assumed: s.boat.Estimates(),
		Statistics: record.Statistics{
			Steps: s.stats.Steps, Rejected: s.stats.Rejected, Evaluations: s.stats.Evaluations, States: len(s.y), Suspect: s.stats.Worst.End,
		},
	}
	if s.stopped {
		r.Expect = nil // what has not come yet might have
		r.Stopped = "the simulation was stopped"
	}
	if len(r.Time) == 0 {
		return r
	}
	r.Parts = s.sampler.parts
	if r.Peaks = s.sampler.peaks; r.Peaks == nil {
		r.Traces = s.sampler.traces()
	}
	e := s.drive.Energy(s.y)
	stored := e.Stored - s.storedAtStart
	r.Energy = record.Energy{
		Battery: e.Battery, Heat: e.Heat, Shaft: e.Shaft, Stored: stored, Throughput: e.Throughput,
		Residual: e.Battery - e.Heat - e.Shaft - stored,
	}
	some := func(v float64) *float64 { return &v }
	w := &s.sampler.steady
	if w.found {
		r.Gain.TopSpeed = some(w.topSpeed)
	}
	if w.pulled {
		r.Gain.Thrust = some(w.thrust)
	}
	if long, energy := w.whole(s.t); long >= telling && energy > 0 && w.drove && !s.cutShort() {
		r.Gain.Endurance = some(s.drive.Endurance(s.trial.Charge, energy/long))
	}
	switch {
	case s.trial.Moored:
	case s.mayOpen >= 0:
		r.Gain.Distance = some(s.assured) // it comes further only if the fuse holds on
	default:
		r.Gain.Distance = some(s.drive.Distance(s.y))
	}
	return r
}

// cutShort reports whether the run ended sooner than the helm had in mind: stopped, or without drive.
func (s *simulation) cutShort() bool {
	return s.stopped || s.t < s.trial.Duration || slices.ContainsFunc(s.tracker.events, func(e record.Event) bool { return e.Kind >= record.Stopping })
}
