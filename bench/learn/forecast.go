package learn

import (
	"context"
	"errors"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// Plan is a test that nobody has made yet: what would be read, and when.
type Plan struct {
	Trial *trial.Trial
	At    []float64 // s, rising
	// Traces are those of a record; Only, if it holds one, the instants at which that is read, all of them in At.
	Traces []string
	Only   map[string][]float64
	Meters map[string]*record.Meter // their errors by trace; nil: those of the boat's instruments
}

// expected returns the record of a plan as the boat file predicts it.
func (p *Plan) expected(ctx context.Context, b *boat.Boat, s settings.Set) (*Record, error) {
	run, err := simulate.Run(ctx, b, s, p.Trial, simulate.Options{At: p.At, Check: noCheck})
	if err != nil {
		return nil, err
	}
	if last := run.Time[len(run.Time)-1]; last < p.Trial.Duration-1 {
		return nil, &UselessError{p.Trial.Name, "the boat as its file has it does not reach the end of this trial"}
	}
	out := &record.Run{Boat: b.Name, Trial: p.Trial.Name, Time: p.At}
	lever := record.Trace{Name: record.Lever, Unit: "%"}
	for _, at := range p.At {
		lever.Values = append(lever.Values, p.Trial.Lever(at)(at))
	}
	out.Traces = append(out.Traces, lever)
	for _, name := range p.Traces {
		from, ok := run.Trace(simulated(name, s.Derating.MotorSensor))
		if !ok {
			continue // a boat without that part
		}
		tr := record.Trace{Name: name, Unit: from.Unit, Values: read(run.Time, from.Values, p.At), Meter: p.Meters[name]}
		if only, some := p.Only[name]; some {
			tr.Gaps = true
			for i, at := range p.At {
				if !slices.Contains(only, at) {
					tr.Values[i] = math.NaN()
				}
			}
		}
		out.Traces = append(out.Traces, tr)
	}
	return &Record{Name: p.Trial.Name, Run: out, Trial: p.Trial, planned: true}, nil
}

// Forecast returns what the boat file predicts for each reading of a plan: Model, and Half, what meter, timing and tolerances leave open at 95 %.
func Forecast(ctx context.Context, b *boat.Boat, s settings.Set, plan *Plan) ([]Overlay, error) {
	p, l, err := linearised(ctx, b, s, plan)
	if err != nil {
		return nil, err
	}
	var out []Overlay
	for _, s := range l.sets[0] {
		o := s.overlay(p.records[0])
		for i := range o.Half { // of what is shown, the reading's own noise is a part
			o.Half[i] = math.Hypot(o.Half[i], two*s.channel.white)
		}
		out = append(out, o)
	}
	return out, nil
}

func linearised(ctx context.Context, b *boat.Boat, s settings.Set, plan *Plan) (*problem, *linear, error) {
	rec, err := plan.expected(ctx, b, s)
	if err != nil {
		return nil, nil, err
	}
	p, err := newProblem(b, s, []*Record{rec})
	if err != nil {
		return nil, nil, err
	}
	l, err := p.linearise(ctx, make([]float64, p.size()), nil, false)
	return p, l, err
}

// Tight is the tightest margin of a boat with its gradient over the values.
type Tight struct {
	Margin
	values []Unknown
	grad   []float64 // SI per prior standard deviation
}

// errNoMargin is a boat of which no trial leaves a part with a temperature.
var errNoMargin = errors.New("no part with a temperature limit can be judged in the trials, so there is no margin to narrow")

// Tightest returns the tightest margin of a boat in some trials.
func Tightest(ctx context.Context, b *boat.Boat, s settings.Set, trials []*trial.Trial) (*Tight, error) {
	filled := drive.Filled(b)
	p := &problem{boat: filled, settings: s, values: drive.Unknowns(filled)}
	list, grads, err := p.margins(ctx, make([]float64, len(p.values)), trials, 1)
	if err != nil {
		return nil, err
	}
	if len(list) == 0 || grads[0] == nil {
		return nil, errNoMargin
	}
	t := &Tight{Margin: list[0], values: p.values, grad: grads[0]}
	t.Around = two * norm(t.grad)
	return t, nil
}

func norm(x []float64) float64 { return math.Sqrt(dot(x, x)) }

// Narrows returns what the record of a plan, read with sets of its traces, would leave of the margin's half-width: the posterior covariance of the values under the
// errors that the meters have, linear around the boat file. Slow errors have their usual size and time.
func (t *Tight) Narrows(ctx context.Context, b *boat.Boat, s settings.Set, plan *Plan, sets [][]string) (halves []float64, err error) {
	p, l, err := linearised(ctx, b, s, plan)
	if err != nil {
		return nil, err
	}
	x := p.local(p.records[0], l.x)
	for _, set := range sets {
		all := newInformation(p.size())
		for _, s := range l.sets[0] {
			if slices.Contains(set, s.name) {
				p.addInformation(p.records[0], s.told(x), all)
			}
		}
		_, cov, _, err := all.solve()
		if err != nil {
			return nil, err
		}
		variance := 0.0
		for i := range t.values { // in the order of the problem's
			for j := range t.values {
				variance += t.grad[i] * t.grad[j] * cov.At(i, j)
			}
		}
		halves = append(halves, min(t.Around, two*wider*math.Sqrt(variance)))
	}
	return halves, nil
}
