package bench

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sort"
	"strings"

	"golang.org/x/sync/errgroup"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// StepOptions says how a step test is predicted.
type StepOptions struct {
	Draws int // over the tolerances, for the predicted band; 0: 200
	Seed  uint64
	// ByHand widens the band for a person at the lever, who moves it up to 3 s late and up to 5 % of its travel beside
	// what was asked (common practice, no source).
	ByHand   bool
	Progress func(done, all int)
}

// Prediction is what a step test is expected to show: the simulation, and a band for each channel that it has, from the 0.5 to the
// 99.5 % quantile of the draws over the boat file's tolerances and the boat as written, with the instrument's error on either side.
type Prediction struct {
	Run      *record.Run // its traces of the channels have the band
	Verdict  verdict.Trial
	Channels []PredictedChannel
	Draws    int
	LeftOut  study.LeftOut // draws without a part in the band

	boats    []*boat.Boat
	channels []link.Channel
	options  StepOptions
}

// PredictedChannel is the band of one channel over time.
type PredictedChannel struct {
	Channel   string
	Unit      string
	Trace     string // of the measured record
	Simulated string // trace of the simulation that it is compared with
	Time      []float64
	Low, High []float64
	Error     float64 // of the instrument, SI, included in the band
	Gain      float64 // of the instrument, as a share of the value, included in the band
	Moment    float64 // a sample may come so much early or late, s
}

// At returns the band around t: the widest within a moment on either side, since a sample may come a little early or late.
func (p *PredictedChannel) At(t float64) (low, high float64) {
	from, to := t-p.Moment, t+p.Moment
	low = min(record.Between(p.Time, p.Low, from), record.Between(p.Time, p.Low, to))
	high = max(record.Between(p.Time, p.High, from), record.Between(p.Time, p.High, to))
	for i := sort.SearchFloat64s(p.Time, from); i < len(p.Time) && p.Time[i] <= to; i++ {
		low, high = min(low, p.Low[i]), max(high, p.High[i])
	}
	return low, high
}

// meterOf returns the error of the instrument behind a channel: its own, where somebody stated it, else the boat file's.
func meterOf(b *boat.Boat, c link.Channel) link.Meter {
	if c.Meter != (link.Meter{}) {
		return c.Meter
	}
	return link.Meter{Offset: instrumentError(b, c.Name)}
}

// instrumentError returns the error of the boat file's instrument behind a channel, SI.
func instrumentError(b *boat.Boat, channel string) float64 {
	k, _ := link.KindOf(channel)
	return k.InstrumentError(b)
}

const (
	moment     = 0.2  // s that a sample over a line may come early or late
	handMoment = 3.0  // s that a person may be early or late
	handTravel = 0.05 // of the lever's travel that a person may be beside what was asked
)

// Predict simulates a step test's programme over the tolerances.
func Predict(ctx context.Context, s *Setup, program *trial.Trial, channels []link.Channel, o StepOptions) (*Prediction, error) {
	o.Draws = s.draws(cmp.Or(o.Draws, 200))
	program = s.Conditions.Of(program)
	run, err := simulate.Run(ctx, s.Boat, s.Settings, program, simulate.Options{})
	if err != nil {
		return nil, err
	}
	p := &Prediction{Run: run, Draws: o.Draws, channels: channels, options: o}
	if p.Verdict, err = verdict.Judge(run); err != nil {
		return nil, err
	}
	p.boats = study.Draws(s.Boat, o.Draws, o.Seed)
	runs, left, err := p.drawn(ctx, s, program)
	p.LeftOut = left
	if err != nil {
		return nil, err
	}
	p.Verdict.Band(runs)
	runs = append(runs, run)
	grid := gridOf(run.Time, program.Duration)
	for _, c := range channels {
		name := link.PredictedTrace(c.Name, s.Settings.Derating.MotorSensor)
		tr, ok := run.Trace(name)
		if !ok {
			continue
		}
		meter := meterOf(s.Boat, c)
		band := PredictedChannel{Channel: c.Name, Unit: cmp.Or(c.Unit, "1"), Trace: link.TraceName(c.Name), Simulated: name, Time: grid, Error: meter.Offset, Gain: meter.Gain, Moment: moment + c.Delay.Seconds()}
		if o.ByHand {
			band.Moment = handMoment + c.Delay.Seconds()
		}
		k, _ := link.KindOf(c.Name)
		for _, t := range grid {
			low, high := study.Quantiles(runs, name, t, 0.005, 0.995)
			if k.Unsigned {
				low, high = sizes(low, high)
			}
			low, high = low-band.Error-band.Gain*math.Abs(low), high+band.Error+band.Gain*math.Abs(high)
			if k.Unsigned {
				low = max(low, 0)
			}
			band.Low, band.High = append(band.Low, low), append(band.High, high)
		}
		p.Channels = append(p.Channels, band)
		shown := *tr
		if k.Unsigned {
			shown.Values = slices.Clone(tr.Values)
			for i, v := range shown.Values {
				shown.Values[i] = math.Abs(v)
			}
		}
		shown.Low, shown.High = make([]float64, len(run.Time)), make([]float64, len(run.Time))
		for i, t := range run.Time {
			low, high := band.At(t)
			shown.Low[i], shown.High[i] = min(low, shown.Values[i]), max(high, shown.Values[i])
		}
		if !k.Unsigned {
			*tr = shown
		}
		if band.Trace != name { // the measured record knows it by the channel's name
			shown.Name = band.Trace
			run.Traces = append(run.Traces, shown)
		}
	}
	bandParts(s.Boat, run, runs)
	return p, nil
}

// sizes returns the smallest and the largest size between two values.
func sizes(low, high float64) (smallest, largest float64) {
	switch {
	case low >= 0:
		return low, high
	case high <= 0:
		return -high, -low
	}
	return 0, max(-low, high)
}

// bandParts stores in the temperatures of a predicted run the band of all its draws. On either side a kelvin is added, which
// means nothing, and what the ammeters' errors make of an inferred rise: twice their share of the current.
func bandParts(b *boat.Boat, run *record.Run, runs []*record.Run) {
	const most = 300 // instants: temperatures are smooth, and the run has more where they are not
	var at []float64
	for i := 0; i < len(run.Time); i += 1 + len(run.Time)/most {
		at = append(at, run.Time[i])
	}
	at = append(at, run.Time[len(run.Time)-1])
	error := func(current string) float64 {
		k := link.Carrying(cmp.Or(current, "motor"))
		meter := k.InstrumentError(b)
		highest := meter
		if tr, ok := run.Trace(k.Trace); ok {
			for _, v := range tr.Values {
				highest = max(highest, math.Abs(v))
			}
		}
		return 2 * meter / highest
	}
	for i := range run.Parts {
		part := &run.Parts[i]
		tr, ok := run.Trace(part.Trace)
		if !ok || part.Measure != record.Temperature || tr.Low != nil {
			continue
		}
		band, share := PredictedChannel{Time: at, Moment: moment}, error(part.Current)
		for _, t := range at {
			low, high := study.Quantiles(runs, part.Trace, t, 0.005, 0.995)
			beside := 1 + share*math.Abs(run.At(tr, t)-tr.Values[0])
			band.Low, band.High = append(band.Low, low-beside), append(band.High, high+beside)
		}
		tr.Low, tr.High = make([]float64, len(run.Time)), make([]float64, len(run.Time))
		for k, t := range run.Time {
			low, high := band.At(t)
			tr.Low[k], tr.High[k] = min(low, tr.Values[k]), max(high, tr.Values[k])
		}
	}
}

// drawn simulates all draws; by hand, a third each with the lever a little short of, at, and a little beyond what was asked.
func (p *Prediction) drawn(ctx context.Context, s *Setup, program *trial.Trial) (runs []*record.Run, left study.LeftOut, err error) {
	if !p.options.ByHand {
		return study.Simulate(ctx, p.boats, s.Settings, program, p.options.Progress)
	}
	for k := range 3 {
		var some []*boat.Boat
		for i := k; i < len(p.boats); i += 3 {
			some = append(some, p.boats[i])
		}
		beside := *program
		beside.Throttle = nil
		for _, step := range program.Throttle {
			if step.To != 0 {
				step.To = max(-1, min(1, step.To+handTravel*float64(k-1)))
			}
			beside.Throttle = append(beside.Throttle, step)
		}
		more, without, err := study.Simulate(ctx, some, s.Settings, &beside, p.options.Progress)
		if err != nil {
			return nil, left, err
		}
		runs = append(runs, more...)
		left = left.Join(without)
	}
	return runs, left, nil
}

// gridOf returns the instants of a run, and between them enough for what another draw may do at another time.
func gridOf(times []float64, duration float64) (grid []float64) {
	const most = 2000
	grid = append(grid, times...)
	step := max(0.1, duration/most)
	for t := 0.0; t < duration; t += step {
		grid = append(grid, t)
	}
	slices.Sort(grid)
	return slices.Compact(grid)
}

// ByHand reports whether the bands are those of a person at the lever.
func (p *Prediction) ByHand() bool { return p.options.ByHand }

// Watch returns what measure.Options.Watch wants: it says what lies outside the band.
func (p *Prediction) Watch(channels []link.Channel) func(channel int, at, value float64) string {
	bands := make([]*PredictedChannel, len(channels))
	for i, c := range channels {
		if k := slices.IndexFunc(p.Channels, func(b PredictedChannel) bool { return b.Channel == c.Name }); k >= 0 {
			bands[i] = &p.Channels[k]
		}
	}
	return func(channel int, at, value float64) string {
		c := bands[channel]
		if c == nil {
			return ""
		}
		low, high := c.At(at)
		if !(value < low || value > high) { // no reading is none that is wrong
			return ""
		}
		show := func(x float64) string { return quantity.Format(x, cmp.Or(c.Unit, "1"), 3) }
		return fmt.Sprintf("%s is %s, predicted %s to %s%s", quantity.Spoken(c.Channel), show(value), show(low), show(high), c.suspect(value, low, high))
	}
}

// suspect says what may be wrong with a reading outside its band where what it tells of is zero at rest, so that a sign or a scale
// shows only now.
func (c *PredictedChannel) suspect(value, low, high float64) string {
	k, _ := link.KindOf(c.Channel)
	if k.Current == "" && !k.Coasts {
		return ""
	}
	const other = "the boat file or the settings are not this boat's"
	size, most := math.Abs(value), max(-low, high)
	switch {
	case -value >= low && -value <= high:
		return ". Suspicion: the sign of this reading is wrong where its scale is stated, or the motor turns the other way"
	case size > most:
		return fmt.Sprintf(". Suspicion: its scale is stated too large, by %.2g times or more, or %s", size/most, other)
	}
	return ". Suspicion: its scale is stated too small, it is another reading, the motor does not follow, or " + other
}

// HardLimits returns the bounds that stop a step test at once, from the makers' limits in the boat file, for the channels
// that are measured.
func HardLimits(s *Setup, channels []link.Channel) (out []measure.Bound) {
	for _, c := range channels {
		k, _ := link.KindOf(c.Name)
		if low, high, ok := limitsOf(s, c.Name); ok {
			out = append(out, measure.Bound{Channel: c.Name, Low: low, High: high, Why: k.Limit})
		}
	}
	return out
}

// StopLimits returns the hard limits of a step test and the programme's own, in this order: a programme can only add to them.
func StopLimits(s *Setup, program *trial.Trial, channels []link.Channel) ([]measure.Bound, error) {
	out := HardLimits(s, channels)
	for _, rule := range program.Stops {
		b, err := stopLimit(rule, channels)
		if err != nil {
			return nil, fmt.Errorf("stop rule %q %q: %w", rule.Watch, rule.At, err)
		}
		out = append(out, b)
	}
	return out, nil
}

// stopLimit returns a programme's own rule as a limit of the channel that it watches.
func stopLimit(rule trial.Stop, channels []link.Channel) (measure.Bound, error) {
	var names []string
	for _, c := range channels {
		name := link.TraceName(c.Name)
		names = append(names, name)
		if rule.Watch != name && rule.Watch != c.Name {
			continue
		}
		side, text, ok := strings.Cut(rule.At, " ")
		if !ok || side != "above" && side != "below" {
			return measure.Bound{}, errors.New("a stop rule says above or below and a value, as in above 150 A")
		}
		unit, err := quantity.ParseUnit(cmp.Or(c.Unit, "1"))
		if err != nil {
			return measure.Bound{}, err
		}
		v, err := quantity.Parse(text, unit)
		if err != nil {
			return measure.Bound{}, err
		}
		b := measure.Bound{Channel: c.Name, Low: v.SI, High: math.Inf(1), Why: "the programme's own stop rule"}
		if side == "above" {
			if b.Low, b.High = -v.SI, v.SI; v.SI < 0 {
				return measure.Bound{}, errors.New("above counts ahead and astern: give a value from zero up")
			}
		}
		return b, nil
	}
	return measure.Bound{}, fmt.Errorf("nothing here measures %q; measured are %s", rule.Watch, strings.Join(names, ", "))
}

// Unwatched lists the channels that have a hard limit and are not measured.
func Unwatched(s *Setup, channels []link.Channel) (list []string) {
	for _, k := range link.Kinds() {
		_, _, limited := limitsOf(s, k.Name)
		if limited && !slices.ContainsFunc(channels, func(c link.Channel) bool { return c.Name == k.Name }) {
			list = append(list, k.Name)
		}
	}
	return list
}

// CheckCurrent refuses to run a test in which no current is measured: its hard limits would watch over nothing, and
// nothing could be inferred from it.
func CheckCurrent(channels []link.Channel) error {
	var own []string
	for _, c := range channels {
		k, known := link.KindOf(c.Name)
		if k.Current != "" {
			return nil
		}
		if !known {
			own = append(own, c.Name)
		}
	}
	text := "nothing here measures a current, so no limit would stop the test: it needs " + link.CurrentNames()
	if len(own) > 0 {
		text += "; is one of these meant: " + strings.Join(own, ", ") + "?"
	}
	return errors.New(text)
}

// limitsOf returns a channel's lowest and highest value that the makers in the boat file allow. Of a winding's limit the boat file
// may give the thermal class alone; a sensor elsewhere sees the winding late, and cooler.
func limitsOf(s *Setup, channel string) (low, high float64, ok bool) {
	k, _ := link.KindOf(channel)
	low, high, ok = k.Bounds(s.Boat)
	if ok && link.PredictedTrace(channel, s.Settings.Derating.MotorSensor) == winding {
		high = drive.WindingLimit(&s.Boat.Motor)
	}
	return low, high, ok
}

// StepResult is a step test: measured, completed, judged, and compared with its prediction.
type StepResult struct {
	Setup       *Setup
	Prediction  *Prediction
	Measured    *measure.Result
	Run         *record.Run
	Verdict     verdict.Trial
	Doubtful    []record.Event      // single readings that no boat here can have shown; the record has them too
	Differences []record.Difference // measured less predicted, of the traces that are predicted: measured ones, and parts that follow from them
}

// Finish completes a measured test, adds the bands of what was inferred, judges it by the same rules as a simulation, and compares it
// with its prediction; where a person performed the programme in their own time, with a prediction of what they did. The result is
// never nil: on an error it holds what was reached.
func Finish(ctx context.Context, s *Setup, program *trial.Trial, p *Prediction, measured *measure.Result) (*StepResult, error) {
	r := &StepResult{Setup: s, Prediction: p, Measured: measured}
	if performed := measured.Performed; performed != nil && len(performed.Throttle) > 0 && len(measured.Samples) > 1 {
		program = performed
		again, err := Predict(ctx, s, program, p.channels, p.options)
		if err != nil {
			return r, err
		}
		r.Prediction = again
	}
	run, err := measure.Complete(ctx, s.Boat, s.Settings, program, measured)
	if run == nil {
		return r, err
	}
	run.Provenance.Tool, run.Provenance.Boat = Version, s.BoatHash
	r.Run = run
	r.Doubtful = p.doubtful(measured)
	run.Events = append(run.Events, r.Doubtful...)
	slices.SortStableFunc(run.Events, func(a, b record.Event) int { return cmp.Compare(a.At, b.At) })
	if err != nil {
		return r, err
	}
	if err := addBands(ctx, s, program, p.boats, run, measured); err != nil {
		return r, err
	}
	if r.Verdict, err = verdict.Judge(run); err != nil {
		return r, err
	}
	r.Differences, err = differences(r.Prediction.Run, run, s.Settings.Derating.MotorSensor)
	return r, err
}

const (
	spreadBoats   = 40  // enough for a band of what is inferred
	spreadSamples = 300 // enough for how it spreads
)

// addBands stores, for each inferred trace, the 2.5 % and 97.5 % quantiles of the inference over draws of the tolerances.
func addBands(ctx context.Context, s *Setup, program *trial.Trial, boats []*boat.Boat, run *record.Run, measured *measure.Result) error {
	thin := measured.Thinned(spreadSamples)
	base, err := measure.Complete(ctx, s.Boat, s.Settings, program, thin)
	if err != nil {
		return err
	}
	boats = boats[:min(spreadBoats, len(boats))]
	others := make([]*record.Run, len(boats))
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, b := range boats {
		group.Go(func() error {
			if o, err := measure.Complete(ctx, b, s.Settings, program, thin); err == nil {
				others[i] = o // a boat that makes no drive is left out
			}
			return ctx.Err()
		})
	}
	if err := group.Wait(); err != nil {
		return err
	}
	others = slices.DeleteFunc(others, func(o *record.Run) bool { return o == nil })
	measure.Spread(run, base, others, 0.025, 0.975)
	return nil
}

// differences compares each trace that has a predicted band with its prediction: the measured ones, and the parts that
// follow from them where no thermometer shows them.
func differences(predicted, measured *record.Run, sensor string) ([]record.Difference, error) {
	shown := map[string]bool{}
	for i := range measured.Traces {
		if tr := &measured.Traces[i]; !tr.Inferred {
			shown[link.PredictedTrace(tr.Name, sensor)] = true
		}
	}
	var traces []string
	for i := range predicted.Traces {
		tr := &predicted.Traces[i]
		if seen, ok := measured.Trace(tr.Name); ok && tr.Low != nil && !(seen.Inferred && shown[tr.Name]) {
			traces = append(traces, tr.Name)
		}
	}
	if len(traces) == 0 || len(measured.Time) < 2 {
		return nil, nil
	}
	return record.CompareSamples(predicted, measured, traces...)
}
