package study

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// EnvelopeOptions is the map to draw. The zero value of a field stands for what its comment says.
type EnvelopeOptions struct {
	Currents  []float64 // motor currents, A; at least one
	Longest   float64   // how long a current is held at most, s; 0: an hour
	Air       float64   // K; 0: 25 °C
	Charge    float64   // of the bank at the start; 0: full
	Moored    bool      // the boat held fast: slow water over the propeller, full current at less speed
	Locked    bool      // the shaft does not turn
	Examples  bool      // for package bench: map although values of the boat's files are still the template's
	Bands     bool      // hold each current with other boats too, over what is not known of this one
	BandDraws int       // how many; 0: 80
	Progress  func(done, all int)
}

// Envelope is how long which motor current may be held from cold, and what ends it; a current that falls by itself before is
// not held.
type Envelope struct {
	Longest float64
	Points  []Hold
	Draws   int // boats behind the intervals of the points; 0: they have none
	LeftOut LeftOut
	None    string // why no point has an interval; "": they have, or none was asked for
}

// Hold is one motor current.
type Hold struct {
	Current float64 // motor current asked for, A
	Reached float64 // highest motor current that flowed until then, A: full voltage may allow less
	Flows   float64 // motor current that flows when the time is over, A: a boat that gathers way takes less and less
	Time    float64 // s until the first part passes its limit or a device opens; +Inf: not within the longest time
	// Low and High, s, hold 95 % of such times over what is not known of the boat; +Inf as Time; both NaN: it was not asked
	// for, or the current falls by itself in too many of the boats drawn.
	Low, High float64
	Part      string // what ends it; "" where nothing does
	Moored    bool   // or the shaft held
	Peaks     []Peak // every part's share used at the end, the worst first three
}

// quickest is the time in which the current rises, s: next to nothing beside the shortest time that an envelope is asked for.
const quickest = 0.05

// telling is the share of a current below which another current is one that differs from it.
const telling = 0.98

// Falls reports whether the current did not last: what ended the run, or did not, says nothing about the current asked for.
func (h Hold) Falls() bool { return h.Flows < telling*h.Reached }

// Remark returns where the current that flowed is not the one asked for; "" where it is.
func (h Hold) Remark() string {
	var words []string
	if h.Reached < telling*h.Current {
		words = append(words, fmt.Sprintf("only %.0f A flows: full voltage", h.Reached))
	}
	if h.Falls() {
		how := "under way"
		if h.Moored {
			how = "all the same" // as the motor heats or the bank sags
		}
		words = append(words, fmt.Sprintf("falls to %.0f A %s", h.Flows, how))
	}
	return strings.Join(words, "; ")
}

// Held returns how long the current may be held, with times written by format; "not held" where it falls by itself.
func (h Hold) Held(longest float64, format func(s float64) string) string {
	switch {
	case h.Falls():
		return "not held"
	case math.IsInf(h.Time, 1):
		return "all of " + format(longest)
	}
	return format(h.Time)
}

// Ends returns what ends it and what is to be said of the current; "" where nothing is.
func (h Hold) Ends(format func(s float64) string) string {
	ends := h.Part
	if h.Falls() && ends != "" {
		ends += " after " + format(h.Time)
	}
	if r := h.Remark(); r != "" {
		ends = strings.TrimSpace(ends + " (" + r + ")")
	}
	return ends
}

// Peak is a part's share of its limit.
type Peak struct {
	Part string
	Used float64
}

// FindEnvelope simulates each motor current, held from cold by full lever in water of 15 °C, and returns how long the parts bear it. What
// the controller would do about it is out of the way: ramp and lever filter (0.05 s in their place, since a slow ramp would count as time
// held), deratings, boost, battery current limit, duty limit, low-voltage protection, stall timer and neutral start. On a cancelled context
// it returns the currents that ended, with the context's error.
func FindEnvelope(ctx context.Context, b *boat.Boat, s settings.Set, o EnvelopeOptions) (Envelope, error) {
	if o.Longest == 0 {
		o.Longest = 3600
	}
	if o.Air == 0 {
		o.Air = 298.15
	}
	s.Ramp.Rise, s.Throttle.FilterTime = quickest, quickest
	s.Boost.Current = 0
	s.Stall.Time = 0
	s.Derating.StageStart, s.Derating.StageEnd = 1e4, 2e4
	s.Derating.MotorSensor = "none"
	s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = 1e-3, 0, 0
	s.Limits.BatteryCurrent = 1e5
	s.Limits.Duty = 1
	t := &trial.Trial{
		Name: "held current", Duration: o.Longest + quickest, Throttle: []trial.Step{{At: 0, To: 1}},
		Air: o.Air, Water: 288.15, Charge: cmp.Or(o.Charge, 1), Load: "normal", LoadFactor: 1, CoolingLostFrom: math.Inf(1), Moored: o.Moored,
	}
	if o.Locked {
		t.Load, t.Moored = "locked", true
	}
	e := Envelope{Longest: o.Longest}
	done := make([]*Hold, len(o.Currents))
	var boats []*boat.Boat
	switch {
	case o.Bands && len(drive.Unknowns(b)) == 0:
		e.None = (&NoToleranceError{b.Name}).Error()
	case o.Bands:
		boats = Draws(b, cmp.Or(o.BandDraws, bandDraws), 1)
	}
	finished := newCounter(o.Progress, len(o.Currents)*(1+len(boats)))
	s.Throttle.NeutralStart = false
	err := each(ctx, len(o.Currents), func(ctx context.Context, i int) error {
		h, err := hold(ctx, b, s, t, o.Currents[i])
		if err != nil {
			return err
		}
		done[i] = h
		finished.add()
		return nil
	})
	for _, h := range done {
		if h != nil {
			e.Points = append(e.Points, *h)
		}
	}
	if err == nil && boats != nil {
		err = e.band(ctx, boats, s, t, finished)
	}
	return e, err
}

// band finds the intervals of the points. Where draws cannot be judged there are none, and that is no reason to have no envelope.
func (e *Envelope) band(ctx context.Context, boats []*boat.Boat, s settings.Set, t *trial.Trial, finished *counter) error {
	times := make([][]float64, len(e.Points))
	for k := range times {
		times[k] = make([]float64, len(boats))
	}
	failed := make([]error, len(boats))
	err := each(ctx, len(boats), func(ctx context.Context, i int) error {
		for k := range e.Points {
			times[k][i] = math.NaN()
			finished.add()
			if e.Points[k].Falls() {
				continue
			}
			h, err := hold(ctx, boats[i], s, t, e.Points[k].Current)
			switch {
			case stopped(err):
				return err
			case err != nil:
				failed[i] = err
			case !h.Falls():
				times[k][i] = h.Time
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	e.LeftOut, err = leftOut(failed)
	if err != nil {
		e.None = err.Error()
		return nil
	}
	e.Draws = len(boats) - e.LeftOut.Total()
	for k := range e.Points {
		held := slices.DeleteFunc(times[k], math.IsNaN)
		slices.Sort(held)
		if len(held) >= int(0.95*float64(e.Draws)) {
			e.Points[k].Low, e.Points[k].High = record.Quantile(held, 0.025), record.Quantile(held, 0.975)
		}
	}
	return nil
}

func hold(ctx context.Context, b *boat.Boat, s settings.Set, t *trial.Trial, current float64) (*Hold, error) {
	s.Limits.MotorCurrent = current
	run, err := simulate.Run(ctx, b, s, t, simulate.Options{})
	if err != nil {
		return nil, err
	}
	h := &Hold{Current: current, Time: math.Inf(1), Low: math.NaN(), High: math.NaN(), Moored: t.Moored}
	for _, p := range run.Parts {
		if at, ok := run.Crossing(p); ok && at < h.Time && p.Measure != record.Melting {
			h.Time, h.Part = at, p.Name
		}
		peak, _, err := run.Peak(p)
		if err != nil {
			return nil, err
		}
		h.Peaks = worst(h.Peaks, Peak{p.Name, p.Used(peak)}, 3)
	}
	for _, e := range run.Events {
		if e.Kind == record.Protecting && e.At < h.Time {
			h.Time, h.Part = e.At, e.Device
		}
	}
	if tr, ok := run.Trace(record.MotorCurrent); ok {
		until := min(h.Time, run.Time[len(run.Time)-1])
		h.Flows = run.At(tr, until)
		h.Reached = h.Flows
		for i, v := range tr.Values {
			if run.Time[i] <= until {
				h.Reached = max(h.Reached, v)
			}
		}
	}
	return h, nil
}

// worst returns the list with a peak added, the n largest in order.
func worst(list []Peak, p Peak, n int) []Peak {
	at := len(list)
	for at > 0 && list[at-1].Used < p.Used {
		at--
	}
	list = append(list, Peak{})
	copy(list[at+1:], list[at:])
	list[at] = p
	return list[:min(n, len(list))]
}
