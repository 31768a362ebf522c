// Package record holds one run, whether it came from the simulation or from the bench.
//
// After a run is recorded nobody asks where it came from: each rule, plot, comparison and fit is written once, over Run.
// Values are SI, temperatures in kelvin; currents say whether they are battery or motor current. A Run is plain data:
// it may be read from several goroutines, not written.
package record

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
)

// Run is one run.
type Run struct {
	Boat       string
	Trial      string
	Provenance Provenance

	// Uncounted: the file it was read from does not say how many rows it had, so a cut at a line's end can't be seen.
	Uncounted bool

	Time   []float64 // s, rising
	Traces []Trace   // each as long as Time
	Peaks  []Peak    // in place of traces, of a run that was made for its verdict alone: Time is its two ends then
	Events []Event   // in time order
	Parts  []Part

	Stopped string // why the run did not reach its end; "" where it did

	// In words: what the run takes for granted, and, of a measured one, the parts that cannot be known from what was measured, and what keeps it
	// from being judged as a whole: stretches that nobody saw, readings that deny each other.
	Assumed []string
	LeftOut []string
	Doubts  []string

	Expect     []string // devices that the trial expects to act, in that order
	Gain       Gain
	Energy     Energy
	Statistics Statistics
}

// Provenance says what made the run.
type Provenance struct {
	Source   string // "simulation" or the instrument that measured it
	Tool     string // version of the tool
	Settings string // hash of the settings
	Boat     string // hash of the boat file
	Version  string // of the profile, if any
	Clock    string // when a measured run began
	Program  string // the trial it was made in, as its file's text; "" where nobody said
}

// Trace is one quantity over Time.
type Trace struct {
	Name     string
	Unit     string    // unit it is shown in; Values are SI
	Values   []float64 // SI
	Inferred bool      // computed from others, not measured
	Low      []float64 // band of an inferred or predicted trace; nil where there is none
	High     []float64
	Gaps     bool   // not read at every instant: a value may be NaN
	Meter    *Meter // errors of the meter behind it; nil: those of the boat's instruments
	Source   string // what measured it, in words, where several did; "": what the provenance names
}

// Peak is what a verdict asks of a trace that was not kept.
type Peak struct {
	Trace   string
	Value   float64 // of a part its worst, of any other trace its largest magnitude, SI
	At      float64 // s
	Crossed float64 // when the part first passed its limit, s; NaN: never
}

// Meter is the error of what a trace was read from.
type Meter struct {
	Gain     float64 // half-width, as a share of the reading
	Offset   float64 // half-width, SI
	ReadsLow float64 // it may read low by anything up to this 40 K above the air, and in proportion: an infrared thermometer on bare metal, K
}

// Names of the traces every run may have.
const (
	Lever          = "lever"
	DemandTrace    = "demand"
	MotorCurrent   = "motor current"
	BatteryCurrent = "battery current"
	Voltage        = "voltage at the controller"
	CellVoltage    = "cell voltage"
	Duty           = "duty"
	MotorSpeed     = "motor speed"
	BoatSpeed      = "boat speed"
	OverGround     = "speed over ground"
	Distance       = "distance"
	Thrust         = "thrust"
	Torque         = "propeller torque"
	Charge         = "state of charge"
	Derating       = "derating"
)

// ShaftLocked is what an event says where a trial holds the shaft.
const ShaftLocked = "propeller load: locked"

// SelfExcitation is the device of an event in which a reversed series-wound motor excites itself.
const SelfExcitation = "self-excitation"

// Event is something that happened at an instant.
type Event struct {
	At     float64 // s
	Device string  // what acted: "fuse", "stall timer", "battery current limit" ...
	What   string  // in words, naming battery or motor current where a current is meant
	Kind   EventKind
	Until  float64 // when what began here ended, s; 0: an instant, or still so at the end
	Count  int     // how often it came and went from At to Until; see Hunts
	Latest float64 // for a device with an interval, such as a fuse: the latest instant, +Inf for not in this run; 0 where there is none
}

// Hunts reports whether a limit came and went so often within moments that it oscillates.
func (e Event) Hunts() bool { return e.Kind == Limiting && e.Count >= 4 }

// Interval returns, for a device with an interval, when its slowest specimen acts, in words after a semicolon; time writes an instant in s.
func (e Event) Interval(time func(s float64) string) string {
	switch {
	case math.IsInf(e.Latest, 1):
		return "; a slow one not in this trial"
	case e.Latest > 0:
		return "; a slow one at " + time(e.Latest)
	}
	return ""
}

// EventKind orders events by what they mean for a verdict.
type EventKind int

const (
	Note       EventKind = iota // worth knowing
	Limiting                    // a limit or derating of the controller acts
	Stopping                    // the controller stops by itself: stall timer, cut-off
	Protecting                  // a device opens: fuse, management, contactor under load
)

var kindNames = [...]string{"note", "limiting", "stopping", "protecting"}

func (k EventKind) String() string { return kindNames[k] }

// Measure says how the share of a part's limit that is used is reckoned.
type Measure int

const (
	Temperature Measure = iota // share of the rise allowed above Start
	Melting                    // melting state: the trace is the share itself
	Ceiling                    // value over limit, from zero
	Band                       // (value − start)/(limit − start), upwards
	Floor                      // (start − value)/(start − limit), downwards
)

var measureNames = [...]string{"temperature", "melting", "ceiling", "band", "floor"}

func (m Measure) String() string { return measureNames[m] }

// Part is something with a limit.
type Part struct {
	Name        string
	Trace       string  // name of its trace
	Unit        string  // unit it is shown in
	Limit       float64 // SI
	Start       float64 // what the share is counted from: the air of the rating (Temperature) or the start value (Band, Floor), SI
	Measure     Measure
	Close       float64 // share above which it is close
	Consequence string  // what happens beyond the limit
	Current     string  // "battery" or "motor": whose current heats it; "" for neither
	Unsure      string  // why nobody can judge it by its trace, which has gaps then; "" where one can
}

// Used returns the share of the part's limit that value uses; +Inf where no room was left from the start.
func (p Part) Used(value float64) float64 {
	share := func(part, whole float64) float64 {
		switch {
		case whole > 0:
			return part / whole
		case part >= whole:
			return math.Inf(1)
		}
		return 0
	}
	switch p.Measure {
	case Melting:
		return value
	case Ceiling:
		return share(value, p.Limit)
	case Floor:
		return share(p.Start-value, p.Start-p.Limit)
	case Temperature:
		return max(0, share(value-p.Start, p.Limit-p.Start))
	default:
		return share(value-p.Start, p.Limit-p.Start)
	}
}

// Passes reports whether value is beyond the part's limit; a fuse's element may open at its limit already.
func (p Part) Passes(value float64) bool {
	used := p.Used(value)
	return used > 1 || p.Measure == Melting && used > 1-1e-6
}

// CloseMargin is the margin below which a temperature is close to its limit whatever share that is, K: about what a model or
// a thermometer is wrong by (common practice, no source).
const CloseMargin = 5.0

// IsClose reports whether value is close to the part's limit or beyond it: more than the share Close is used, or of a
// temperature less than 5 K is left.
func (p Part) IsClose(value float64) bool {
	return p.Used(value) > p.Close || p.Measure == Temperature && p.Margin(value) < CloseMargin
}

// Worse reports whether a is nearer to or further past the limit than b.
func (p Part) Worse(a, b float64) bool {
	if p.Measure == Floor {
		return a < b
	}
	return a > b
}

// Margin returns the room between value and limit, SI, negative beyond it.
func (p Part) Margin(value float64) float64 {
	switch p.Measure {
	case Melting:
		return 1 - value
	case Floor:
		return value - p.Limit
	}
	return p.Limit - value
}

// Gain is what the run brings. A nil pointer: the value does not exist in this run.
type Gain struct {
	TopSpeed  *float64 // highest steady boat speed, m/s
	Thrust    *float64 // highest steady thrust, N
	Endurance *float64 // how long the rested bank lasts at the mean battery power of the whole run, or until low voltage held the motor down for a minute, down to a tenth of its charge, s; nil where that is less than 5 min, nothing was driven, or the run was cut short
	Distance  *float64 // m
}

// MayOpen reports whether a fuse may open in the run, which goes on for as long as a slow one holds, and until when that is, s: +Inf
// where a slow one holds to the end.
func (r *Run) MayOpen() (until float64, may bool) {
	for _, e := range r.Events {
		if e.Latest > e.At {
			return e.Latest, true
		}
	}
	return 0, false
}

// Opened returns when a device opens the battery circuit that the trial does not expect to, s, and which: from then on nothing is driven. A fuse opens when a
// slow one does. ok is false where none opens before the end.
func (r *Run) Opened() (at float64, device string, ok bool) {
	at = math.Inf(1)
	for _, e := range r.Events {
		when := e.At
		if e.Latest > 0 { // an interval: it holds as long as it may
			when = e.Latest
		}
		if e.Kind == Protecting && when < at && !slices.Contains(r.Expect, e.Device) {
			at, device = when, e.Device
		}
	}
	return at, device, len(r.Time) > 0 && at < r.Time[len(r.Time)-1]
}

// DistanceHeld returns how far the boat comes with a fuse that holds as long as a slow one may, m; nil where the run has no distance.
func (r *Run) DistanceHeld() *float64 {
	trace, ok := r.Trace(Distance)
	if !ok || len(trace.Values) == 0 || r.Gain.Distance == nil {
		return nil
	}
	return &trace.Values[len(trace.Values)-1]
}

// Energy is the run's balance, J. Battery is counted at open-circuit voltage.
type Energy struct {
	Battery, Heat, Shaft, Stored, Residual float64
	Throughput                             float64 // ∫|P| dt at the battery
}

// Statistics of the integration; all zero for a measured run.
type Statistics struct {
	Steps, Rejected, Evaluations int
	States                       int
	// Suspect is the worst disagreement a step-doubling check found, over the tolerance; 0 where none was made.
	Suspect float64
}

// Trace returns a trace by name.
func (r *Run) Trace(name string) (*Trace, bool) {
	for i := range r.Traces {
		if r.Traces[i].Name == name {
			return &r.Traces[i], true
		}
	}
	return nil, false
}

// FindTrace returns the trace of that name, or an error that lists the names there are.
func (r *Run) FindTrace(name string) (*Trace, error) {
	if tr, ok := r.Trace(name); ok {
		return tr, nil
	}
	var names []string
	for i := range r.Traces {
		names = append(names, r.Traces[i].Name)
	}
	return nil, fmt.Errorf("the run has no trace %q; it has %s", name, strings.Join(names, ", "))
}

// At interpolates a trace at t, held at the ends; where nobody read it, between those instants at which somebody did. Time must not be
// empty.
func (r *Run) At(tr *Trace, t float64) float64 {
	if v := Between(r.Time, tr.Values, t); !math.IsNaN(v) {
		return v
	}
	time, values := r.known(tr)
	if len(time) == 0 {
		return math.NaN()
	}
	return Between(time, values, t)
}

// Bridged returns a trace that has a value at every instant: itself, or a copy whose gaps are straight between what was read and
// level beyond; nil stays nil.
func (r *Run) Bridged(tr *Trace) *Trace {
	if tr == nil {
		return nil
	}
	time, values := r.known(tr)
	if len(time) == len(r.Time) || len(time) == 0 {
		return tr
	}
	whole := *tr
	whole.Gaps, whole.Values = false, make([]float64, len(r.Time))
	for i, t := range r.Time {
		whole.Values[i] = Between(time, values, t)
	}
	return &whole
}

// known returns the instants at which a trace has a value, and the values.
func (r *Run) known(tr *Trace) (time, values []float64) {
	if !slices.ContainsFunc(tr.Values, math.IsNaN) {
		return r.Time, tr.Values
	}
	for i, v := range tr.Values {
		if !math.IsNaN(v) {
			time, values = append(time, r.Time[i]), append(values, v)
		}
	}
	return time, values
}

// Between returns the value at t, straight between those at rising times and level beyond their ends.
func Between(times, values []float64, t float64) float64 {
	i := sort.SearchFloat64s(times, t)
	switch {
	case i == 0:
		return values[0]
	case i == len(times):
		return values[i-1]
	}
	w := (t - times[i-1]) / (times[i] - times[i-1])
	return values[i-1]*(1-w) + values[i]*w
}

// Peak finds the part's worst value and when. It fails when the run lacks the part's trace.
func (r *Run) Peak(p Part) (value, at float64, err error) {
	if k, ok := r.peak(p.Trace); ok {
		return k.Value, k.At, nil
	}
	tr, ok := r.Trace(p.Trace)
	if !ok || len(tr.Values) == 0 {
		return 0, 0, fmt.Errorf("the run has no trace %q, which part %q is judged by", p.Trace, p.Name)
	}
	value, at = tr.Values[0], r.Time[0]
	for i, v := range tr.Values {
		if p.Worse(v, value) || math.IsNaN(value) {
			value, at = v, r.Time[i]
		}
	}
	return value, at, nil
}

// Crossing returns the first instant at which the part passes its limit, by linear interpolation; ok is false if it never does.
func (r *Run) Crossing(p Part) (at float64, ok bool) {
	if k, ok := r.peak(p.Trace); ok {
		return k.Crossed, !math.IsNaN(k.Crossed)
	}
	tr, found := r.Trace(p.Trace)
	if !found {
		return 0, false
	}
	for i, v := range tr.Values {
		if p.Margin(v) >= 0 {
			continue
		}
		if i == 0 {
			return r.Time[0], true
		}
		return p.Crosses(r.Time[i-1], r.Time[i], tr.Values[i-1], v), true
	}
	return 0, false
}

// Crosses returns when the part passes its limit between two instants, by linear interpolation.
func (p Part) Crosses(from, to, value, beyond float64) float64 {
	before, after := p.Margin(value), p.Margin(beyond)
	return from + (to-from)*before/(before-after)
}

// peak returns what is known of a trace that was not kept.
func (r *Run) peak(trace string) (*Peak, bool) {
	for i := range r.Peaks {
		if r.Peaks[i].Trace == trace {
			return &r.Peaks[i], true
		}
	}
	return nil, false
}

// Most returns the largest magnitude of a trace, SI; ok is false where the run does not have it.
func (r *Run) Most(trace string) (most float64, ok bool) {
	if k, ok := r.peak(trace); ok {
		return math.Abs(k.Value), true
	}
	tr, ok := r.Trace(trace)
	if !ok {
		return 0, false
	}
	for _, v := range tr.Values {
		if math.Abs(v) > most { // NaN, where nobody read it, counts as nothing
			most = math.Abs(v)
		}
	}
	return most, true
}
