package learn

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

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

// Expected is what the boat file predicts for the readings of one trace of a plan, SI.
type Expected struct {
	Trace            string
	Time             []float64 // s
	Model, Low, High []float64 // as the file has the boat, and the 95 % band
}

// forecastDraws is the number of boats behind a forecast.
const forecastDraws = 200

// Forecast returns what the boat file predicts for each reading of a plan, with what meter, timing and tolerances leave open at 95 %. Its boats are drawn and simulated,
// not made linear: a limit, a derating, a protection that acts or a shaft that stands still bound what they do. missing is the share of them that no simulation holds, so
// that the bands are of the others.
func Forecast(ctx context.Context, b *boat.Boat, s settings.Set, plan *Plan) (out []Expected, missing float64, err error) {
	rec, err := plan.expected(ctx, b, s)
	if err != nil {
		return nil, 0, err
	}
	p, err := newProblem(b, s, []*Record{rec})
	if err != nil {
		return nil, 0, err
	}
	r := p.records[0]
	file := make([]float64, p.size())
	run, err := p.run(ctx, r, file[:len(p.values)], p.local(r, file)[len(p.values):])
	if err != nil {
		return nil, 0, err
	}
	model, err := r.predict(run)
	if err != nil {
		return nil, 0, err
	}
	draws, err := p.draws(ctx, r)
	if err != nil {
		return nil, 0, err
	}
	for i, c := range r.channels {
		e := Expected{Trace: c.name, Time: c.t, Model: model[i]}
		for k, level := range model[i] {
			var values []float64
			for _, d := range draws {
				values = append(values, d[i][k])
			}
			slices.Sort(values)
			meter := two * math.Hypot(math.Hypot(c.white, c.slow), math.Hypot(c.offset, c.gain*level))
			e.Low = append(e.Low, level-math.Hypot(meter, max(0, level-record.Quantile(values, 0.025))))
			e.High = append(e.High, level+math.Hypot(meter, max(0, record.Quantile(values, 0.975)-level)))
		}
		out = append(out, e)
	}
	return out, float64(forecastDraws-len(draws)) / forecastDraws, nil
}

// draws returns what boats drawn from the file would show: by boat, channel and reading, each read early or late. A boat that no simulation
// holds is left out; where most are, that is an error.
func (p *problem) draws(ctx context.Context, r *recorded) ([][][]float64, error) {
	all, failed := make([][][]float64, forecastDraws), make([]error, forecastDraws)
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for k := range all {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return context.Cause(ctx)
			}
			rng := rand.New(rand.NewPCG(16, uint64(k)))
			z, own := make([]float64, len(p.values)), make([]float64, r.own())
			for j := range z {
				z[j] = rng.NormFloat64()
			}
			own[0] = rng.NormFloat64() // the charge
			run, err := p.run(ctx, r, z, own)
			if err != nil {
				failed[k] = err
				return context.Cause(ctx)
			}
			for _, c := range r.channels {
				from, err := r.reader(run, c)
				if err != nil {
					return err
				}
				read := make([]float64, len(c.t))
				for q, t := range c.t {
					read[q] = from.at(r.betweenMovements(t, t+r.timing*rng.NormFloat64()))
				}
				all[k] = append(all[k], read)
			}
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(d [][]float64) bool { return d == nil })
	if len(all) < forecastDraws/2 {
		return nil, fmt.Errorf("most boats that the file's tolerances allow cannot be simulated: %w", errors.Join(failed...))
	}
	return all, nil
}

// betweenMovements returns an instant near a reading, but neither before the movement of the lever that came last has ended nor after the next one begins: who reads late moves the lever late.
func (r *recorded) betweenMovements(reading, at float64) float64 {
	low, high := 0.0, r.trial.Duration
	for _, s := range r.trial.Throttle {
		if end := s.At + s.Over; s.At > reading {
			high = min(high, s.At)
		} else if end <= reading {
			low = max(low, end)
		}
	}
	return max(low, min(high, at))
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
