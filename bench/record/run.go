// Package record holds one run, whether it came from the simulation or from the bench.
//
// After a run is recorded nobody asks where it came from: each rule, plot, comparison and fit is written once, over Run.
// Values are SI, temperatures in kelvin; currents say whether they are battery or motor current. A Run is plain data:
// it may be read from several goroutines, not written.
package record

import (
	"fmt"
	"math"
	"sort"
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
	Events []Event   // in time order
	Parts  []Part

	Stopped string // why the run did not reach its end; "" where it did

	// In words: what the run takes for granted, and, of a measured one, the parts that cannot be known from what was measured.
	Assumed []string
	LeftOut []string

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
}

// Trace is one quantity over Time.
type Trace struct {
	Name     string
	Unit     string    // unit it is shown in; Values are SI
	Values   []float64 // SI
	Inferred bool      // computed from others, not measured
	Low      []float64 // band of an inferred or predicted trace; nil where there is none
	High     []float64
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
	Distance       = "distance"
	Thrust         = "thrust"
	Torque         = "propeller torque"
	Charge         = "state of charge"
	Derating       = "derating"
)

// Event is something that happened at an instant.
type Event struct {
	At     float64 // s
	Device string  // what acted: "fuse", "stall timer", "battery current limit" ...
	What   string  // in words, naming battery or motor current where a current is meant
	Kind   EventKind
	Until  float64 // when what began here ended, s; 0: an instant, or still so at the end
	Count  int     // how often it came and went from At to Until; more than a few is hunting
	Latest float64 // for a device with an interval, such as a fuse: the latest instant, +Inf for not in this run; 0 where there is none
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
}

// Used is the share of the part's limit that value uses; +Inf where no room was left from the start.
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

// CloseMargin is the margin below which a temperature is close to its limit whatever share that is, K: about what a model or
// a thermometer is wrong by (common practice, no source).
const CloseMargin = 5.0

// IsClose reports whether value is close to the part's limit or beyond it: more than the share Close is used, or of a
// temperature less than 5 K is left.
func (p Part) IsClose(value float64) bool {
	return p.Used(value) > p.Close || p.Measure == Temperature && p.Margin(value) < CloseMargin
}

// Worse says whether a is nearer to or further past the limit than b.
func (p Part) Worse(a, b float64) bool {
	if p.Measure == Floor {
		return a < b
	}
	return a > b
}

// Margin is the room between value and limit, SI, negative beyond it.
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
	Endurance *float64 // how long the rested bank lasts at the mean battery power of the whole run, s; nil for a run below 5 min or one that was cut short
	Distance  *float64 // m
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

// At interpolates a trace at t, held at the ends. Time must not be empty.
func (r *Run) At(tr *Trace, t float64) float64 {
	i := sort.SearchFloat64s(r.Time, t)
	switch {
	case i == 0:
		return tr.Values[0]
	case i == len(r.Time):
		return tr.Values[i-1]
	}
	t0, t1 := r.Time[i-1], r.Time[i]
	if t1 == t0 {
		return tr.Values[i]
	}
	w := (t - t0) / (t1 - t0)
	return tr.Values[i-1]*(1-w) + tr.Values[i]*w
}

// Peak finds the part's worst value and when. It fails when the run lacks the part's trace.
func (r *Run) Peak(p Part) (value, at float64, err error) {
	tr, ok := r.Trace(p.Trace)
	if !ok || len(tr.Values) == 0 {
		return 0, 0, fmt.Errorf("the run has no trace %q, which part %q is judged by", p.Trace, p.Name)
	}
	value, at = tr.Values[0], r.Time[0]
	for i, v := range tr.Values {
		if p.Worse(v, value) {
			value, at = v, r.Time[i]
		}
	}
	return value, at, nil
}

// Crossing is the first instant at which the part passes its limit, by linear interpolation; ok is false if it never does.
func (r *Run) Crossing(p Part) (at float64, ok bool) {
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
		before, after := p.Margin(tr.Values[i-1]), p.Margin(v)
		return r.Time[i-1] + (r.Time[i]-r.Time[i-1])*before/(before-after), true
	}
	return 0, false
}
