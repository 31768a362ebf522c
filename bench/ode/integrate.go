package ode

import (
	"context"
	"fmt"
	"math"
	"slices"
)

// Status says why an integration ended well.
type Status int

const (
	Done       Status = iota // t1 reached
	EventFired               // stopped where an event crossed zero
)

func (s Status) String() string {
	switch s {
	case Done:
		return "done"
	case EventFired:
		return "event"
	}
	return fmt.Sprintf("Status(%d)", int(s))
}

// Result is where an integration ended. With an error it holds what was
// reached before it.
type Result struct {
	Status     Status
	T          float64
	Y          []float64 // the caller's to keep
	Fired      []int     // indices of the events that fired, all at T within Options.EventTol
	OnStart    []int     // events that were on zero at t0, hence off until they left it
	NextStep   float64   // what the step control would try next, s: a FirstStep to go on without a change of mode
	Statistics Statistics
}

// Integrator holds the buffers of an integration. The zero value is ready; it
// can be used again and again, for systems of any size, by one goroutine at a time.
type Integrator struct {
	n       int
	sys     Structured
	y       []float64
	f0, f1  []float64
	ft      []float64
	atol    []float64
	floor   []float64
	cut     []float64
	dense   differences // of a system that has no structure of its own
	stages  stages
	control controller
	watch   watcher
	guard   checker
	step    Step
}

func (in *Integrator) resize(n int) {
	if in.n == n {
		return
	}
	for _, p := range []*[]float64{&in.y, &in.f0, &in.f1, &in.ft, &in.atol, &in.floor, &in.cut, &in.step.k1, &in.step.k2, &in.step.inner[0], &in.step.inner[1]} {
		*p = make([]float64, n)
	}
	in.n = n
	in.stages.resize(n)
}

// linearise computes the Jacobian at (t, y), where f = f(t, y), and writes ∂f/∂t into ft; h is the step about to be tried.
func (in *Integrator) linearise(t, h float64, y, f, ft []float64, st *Statistics) error {
	st.Jacobians++
	own := in.sys != Structured(&in.dense)
	if !own {
		in.dense.f0, in.dense.floor, in.dense.h, in.dense.st = f, in.floor, h, st
	}
	in.sys.Linearise(t, y, ft)
	if !own && in.dense.trouble != nil {
		return in.dense.trouble
	}
	if i := firstNonFinite(ft); i >= 0 {
		return &NonFiniteError{"time derivative", i, t, ft[i]}
	}
	return nil
}

// Solve integrates a problem in an integrator of its own; many problems one after the other better share one.
func Solve(ctx context.Context, p Problem, o Options) (Result, error) {
	return new(Integrator).Solve(ctx, p, o)
}

// Solve integrates from (T0, Y0) to T1 or to the first event, whichever comes first.
//
// Errors are *OptionError, *NonFiniteError, *StepSizeError, *TooManyStepsError,
// *SuspectError, *EventValueError and *CanceledError, and what Observe returned,
// wrapped; but for the first the Result tells how far it came. A slice of the
// wrong length panics.
func (in *Integrator) Solve(ctx context.Context, p Problem, opts Options) (Result, error) {
	sys := p.System
	n := sys.Dim()
	if len(p.Y0) != n || n == 0 {
		panic(fmt.Sprintf("ode: %d initial values for %d states", len(p.Y0), n))
	}
	opts, err := opts.complete(n, p.T0, p.T1)
	if err != nil {
		return Result{T: p.T0, Y: slices.Clone(p.Y0)}, err
	}
	in.resize(n)
	if own, ok := sys.(Structured); ok {
		in.sys = own
	} else {
		in.dense.resize(n)
		in.dense.System, in.sys = sys, &in.dense
	}
	copy(in.y, p.Y0)
	for i := range in.atol {
		in.atol[i] = opts.RelTol
		if opts.AbsTol != nil {
			in.atol[i] = opts.AbsTol[i]
		}
		in.floor[i] = in.atol[i] / opts.RelTol
	}
	if opts.Check.Every > 0 {
		in.guard.resize(n)
	}
	r := Result{T: p.T0}
	err = in.run(ctx, &p, opts, &r)
	r.Y = slices.Clone(in.y)
	r.OnStart = in.watch.closing(in.y, r.T)
	return r, err
}

// run advances in.y; r holds time, fired events and statistics at every moment.
func (in *Integrator) run(ctx context.Context, p *Problem, opts Options, r *Result) error {
	t0, t1 := p.T0, p.T1
	st := &r.Statistics
	in.watch.forget()
	if i := firstNonFinite(in.y); i >= 0 {
		return &NonFiniteError{"initial value", i, t0, in.y[i]}
	}
	if err := in.watch.start(p, t0, in.y, opts.EventTol, st); err != nil {
		return err
	}
	in.sys.Derivatives(t0, in.y, in.f0)
	st.Evaluations++
	if i := firstNonFinite(in.f0); i >= 0 {
		return &NonFiniteError{"derivative", i, t0, in.f0[i]}
	}
	in.control = controller{}
	h := opts.FirstStep
	for t := t0; t < t1; {
		if ctx.Err() != nil {
			return &CanceledError{t, context.Cause(ctx)}
		}
		about := min(h, t1-t)
		if h == 0 {
			about = longestStep(t, t1, opts)
		}
		if err := in.linearise(t, about, in.y, in.f0, in.ft, st); err != nil {
			return err
		}
		if h == 0 {
			h = in.guessStep(t, t1, opts)
			if in.sys == Structured(&in.dense) {
				in.dense.h = min(h, t1-t)
				in.dense.timeDerivative(t, in.y, in.ft)
			}
		}
		next, err := in.advance(t, t1, h, opts, st)
		if err != nil {
			return err
		}
		h, r.NextStep = next, next
		s := &in.step
		fired, theta, err := in.watch.scan(s)
		if err != nil {
			return err
		}
		if every := opts.Check.Every; every > 0 && (fired != nil || turn(st.Steps, every, t0)) {
			at := 0.5
			if fired != nil && theta > 0.05 && theta < 0.95 { // the dense output has to be right there
				at = theta
			}
			d, err := in.check(at, opts, st)
			if err != nil {
				return err
			}
			if fired != nil && d.Middle > eventMiddle && s.h > 2*smallestStep(t, opts) {
				st.Steps--
				st.Rejected++
				h = s.h / 2
				continue
			}
		}
		in.watch.keep()
		if fired != nil && theta < 1 {
			s.at(theta, in.cut)
			s.T1, s.Y1, s.inside = s.T0+theta*s.h, in.cut, false
		}
		if p.Observe != nil {
			err = p.Observe(s)
		}
		copy(in.y, s.Y1)
		in.f0, in.f1 = in.f1, in.f0
		t, r.T = s.T1, s.T1
		if err != nil {
			return fmt.Errorf("ode: stopped by the observer at t = %.9g s: %w", t, err)
		}
		if fired != nil {
			r.Status, r.Fired = EventFired, fired
			return nil
		}
	}
	return nil
}

// longestStep bounds the first: never the whole call at once, since at rest a guess has no bound.
func longestStep(t, t1 float64, opts Options) float64 { return min((t1-t)/8, opts.MaxStep) }

// guessStep proposes the first step from y', J and ∂f/∂t at the start.
func (in *Integrator) guessStep(t, t1 float64, opts Options) float64 {
	var slope, curvature, motion float64
	in.sys.Times(in.f0, in.cut)
	for i := range in.y {
		second := in.ft[i] + in.cut[i]
		scale := in.atol[i] + opts.RelTol*math.Abs(in.y[i])
		slope = max(slope, math.Abs(in.f0[i])/scale)
		curvature = max(curvature, math.Abs(second)/scale)
		motion = max(motion, math.Abs(in.f0[i])/max(math.Abs(in.y[i]), in.floor[i]))
	}
	return min(longestStep(t, t1, opts), max(firstStep(slope, curvature, motion), 100*smallestStep(t, opts)))
}

// advance tries steps from t until one is accepted, leaves it in in.step and f
// at its end in in.f1, and gives the size to try next.
func (in *Integrator) advance(t, t1, h float64, opts Options, st *Statistics) (next float64, err error) {
	var (
		state   int             // behind the last refusal
		trouble *NonFiniteError // why the last try gave no number at all
	)
	for {
		if st.Steps+st.Rejected >= opts.MaxSteps {
			return 0, &TooManyStepsError{t, st.Steps + st.Rejected}
		}
		h = min(h, opts.MaxStep)
		wanted, end := h, t+h
		smallest := smallestStep(t, opts)
		switch rest := t1 - t; {
		case h >= rest*(1-1e-6), rest <= 2*smallest && !in.control.refused: // no sliver left over
			h, end = rest, t1
		case h > rest/2: // two even steps rather than a long and a short one
			h = rest / 2
			end = t + h
		}
		if h < smallest && end < t1 {
			if trouble != nil {
				return 0, trouble
			}
			return 0, &StepSizeError{t, h, smallest, state}
		}
		var worst float64
		if trouble = in.try(t, h, st); trouble == nil {
			worst, state = in.estimate(opts.RelTol)
			if worst > 1 {
				st.Rejected++
				first := !in.control.refused
				tried := h
				h = in.control.refuse(h, worst)
				if first && worst > kinked {
					if d := in.watch.ahead(t, tried, in.y, in.f0); d < tried {
						h = d
					}
				}
				continue
			}
			trouble = in.arrive(end, st)
		}
		if trouble != nil {
			st.Rejected++
			h = in.control.fail(h)
			continue
		}
		st.Steps++
		in.step = Step{
			T0: t, T1: end, Y0: in.y, Y1: in.stages.y1,
			h: h, end: in.stages.y1, k1: in.step.k1, k2: in.step.k2, u: &in.stages.u, inner: in.step.inner,
		}
		next = in.control.accept(h, worst)
		if h < wanted { // cut by t1: says nothing against the larger step
			next = max(next, wanted)
		}
		return next, nil
	}
}

// try computes a step and tells what was not a number.
func (in *Integrator) try(t, h float64, st *Statistics) *NonFiniteError {
	switch bad := in.stages.try(in.sys, t, h, in.y, in.f0, in.ft, st); {
	case bad == in.n:
		return &NonFiniteError{"solution of the linear system", 0, t, math.NaN()}
	case bad >= 0:
		return &NonFiniteError{"derivative", bad, t, in.stages.f[bad]}
	}
	return nil
}

// arrive computes f at the end of the step.
func (in *Integrator) arrive(end float64, st *Statistics) *NonFiniteError {
	in.sys.Derivatives(end, in.stages.y1, in.f1)
	st.Evaluations++
	if bad := firstNonFinite(in.f1); bad >= 0 {
		return &NonFiniteError{"derivative", bad, end, in.f1[bad]}
	}
	return nil
}

// estimate returns the largest error of the step over the states, in tolerances,
// and where. The maximum, not the usual mean square: forty quiet states must
// not buy one bad one.
func (in *Integrator) estimate(relTol float64) (worst float64, state int) {
	last := in.stages.u[stageCount-1]
	y, y1, atol := in.y[:len(last)], in.stages.y1[:len(last)], in.atol[:len(last)]
	for i, e := range last {
		e = math.Abs(e)
		size, end := math.Abs(y[i]), math.Abs(y1[i]) // the larger of two, faster than max, which looks out for what is no number
		if end > size {
			size = end
		}
		allowed := atol[i] + relTol*size
		if e > worst*allowed {
			worst, state = e/allowed, i
		}
	}
	return worst, state
}

// check repeats the step just accepted with two that part it at a fraction.
func (in *Integrator) check(at float64, opts Options, st *Statistics) (Disagreement, error) {
	d := in.split(&in.step, at, st, opts.RelTol)
	st.Checked++
	if d.End > st.Worst.End {
		st.Worst = d
	}
	if d.End > opts.Check.Limit || d.Middle > middleLimit*opts.Check.Limit {
		st.Suspect++
		if opts.Check.Fail {
			return d, &SuspectError{d, opts.Check.Limit}
		}
	}
	return d, nil
}

// kinked is the error, in tolerances, from which on a refused step makes one look whether an event lies in it.
const kinked = 4.0

// smallestStep returns the smallest step worth trying from t.
func smallestStep(t float64, opts Options) float64 { return max(opts.MinStep, 16*ulp(t)) }
