package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/trial"
)

// Reason says why a test ended.
type Reason int

const (
	Finished   Reason = iota // the programme ran to its end
	Limit                    // a hard limit was passed
	Strayed                  // the watch stopped it: outside the predicted band
	Stale                    // telemetry did not come in time
	Impossible               // telemetry that the hardware cannot have
	LineLost                 // the line failed
	Cancelled                // somebody stopped it
	Late                     // the pacing fell behind: a missed heartbeat
	NotReady                 // the start conditions did not hold; nothing was commanded
)

func (r Reason) String() string {
	return [...]string{"finished", "a limit was passed", "outside the predicted band", "telemetry is stale", "impossible telemetry", "the line failed", "stopped by hand", "the pacing fell behind", "not ready"}[r]
}

// Stop is how a test ended.
type Stop struct {
	Reason Reason
	At     float64 // s into the test
	Text   string  // what exactly
	// Zero says whether zero throttle was confirmed by the controller at the end; if not, its own command time-out has to act.
	Zero bool
	Err  error // of the line, or of the halt
}

// Sample is one reading during a test.
type Sample struct {
	At     float64   // s into the test
	Lever  float64   // asked for
	Values []float64 // SI, in the order of the channels
}

// Bound is a hard limit on a channel: it stops the test at once.
type Bound struct {
	Channel   string
	Low, High float64 // SI; ±Inf for none
	Why       string
}

// Options of a test.
type Options struct {
	Rate     float64       // samples per second, 1..200; 0: 20
	Stale    time.Duration // oldest telemetry that counts; 0: three sample periods, 100 ms at least
	Bounds   []Bound
	Watch    func(Sample) string // says what is wrong with a sample; "" for nothing. Two in a row stop the test
	Observe  func(Sample) error  // sees each sample before it is judged; an error stops the test
	Lag      float64             // sample periods that the pacing may fall behind; 0: 3
	Commands bool                // command the throttle over the line; false: a person moves the lever
	Prompt   func(at, to, over float64)
	Clock    port.Clock
}

// Result is what a test gave.
type Result struct {
	Channels []link.Channel
	Start    time.Time
	Samples  []Sample
	Stop     Stop
}

// Run runs a programme. It commands zero before it starts and on every way out, whatever happens. Samples up to the end
// are always returned; Stop tells how it ended. The error is for misuse only.
func Run(ctx context.Context, c link.Controller, program *trial.Trial, o Options) (result Result, err error) {
	if err := o.complete(); err != nil {
		return result, err
	}
	d := c.Describe()
	result.Channels = d.Channels
	if o.Commands && d.Throttle == nil {
		return result, link.ErrNoThrottle
	}
	if o.Commands && !d.Throttle.Astern {
		for _, s := range program.Steps {
			if s.To < 0 {
				return result, fmt.Errorf("the programme goes astern, and the controller takes no throttle astern over the line")
			}
		}
	}
	bounds, err := place(o.Bounds, d.Channels)
	if err != nil {
		return result, err
	}
	r := run{ctx: ctx, c: c, program: program, o: o, bounds: bounds, result: &result}
	defer func() {
		if o.Commands {
			result.Stop.Zero, result.Stop.Err = r.halt(result.Stop.Err)
		}
	}()
	result.Stop = r.pace()
	return result, nil
}

func (o *Options) complete() error {
	if o.Rate == 0 {
		o.Rate = 20
	}
	if !(o.Rate >= 1 && o.Rate <= 200) {
		return fmt.Errorf("a sample rate of %g Hz is outside 1 to 200 Hz", o.Rate)
	}
	period := time.Duration(float64(time.Second) / o.Rate)
	if o.Stale == 0 {
		o.Stale = max(3*period, 100*time.Millisecond)
	}
	if o.Lag == 0 {
		o.Lag = 3
	}
	if o.Clock == nil {
		o.Clock = port.WallClock{}
	}
	return nil
}

// place resolves channel names to positions.
func place(bounds []Bound, channels []link.Channel) (out []placed, err error) {
	for _, b := range bounds {
		found := false
		for i, c := range channels {
			if c.Name == b.Channel {
				out, found = append(out, placed{b, i, c.Unit}), true
			}
		}
		if !found {
			return nil, fmt.Errorf("a limit watches %q, which is not measured", b.Channel)
		}
	}
	return out, nil
}

type placed struct {
	Bound
	at   int
	unit string
}

// run is one test in progress.
type run struct {
	ctx     context.Context
	c       link.Controller
	program *trial.Trial
	o       Options
	bounds  []placed
	result  *Result
	strayed int
}

// pace is the loop: at each tick command, read, judge.
func (r *run) pace() Stop {
	stop := func(reason Reason, at float64, text string, err error) Stop {
		return Stop{Reason: reason, At: at, Text: text, Err: err}
	}
	if s := r.ready(); s != nil {
		return *s
	}
	clock := r.o.Clock
	start := clock.Now()
	r.result.Start = start
	period := time.Duration(float64(time.Second) / r.o.Rate)
	prompted := -1
	for tick := 0; ; tick++ {
		due := start.Add(time.Duration(tick) * period)
		if wait := due.Sub(clock.Now()); wait > 0 {
			if err := clock.Sleep(r.ctx, wait); err != nil {
				return stop(Cancelled, clock.Now().Sub(start).Seconds(), "stopped by hand", err)
			}
		} else if behind := -wait; behind > time.Duration(r.o.Lag*float64(period)) {
			return stop(Late, clock.Now().Sub(start).Seconds(), fmt.Sprintf("the pacing is %v behind", behind.Round(time.Millisecond)), nil)
		}
		if err := r.ctx.Err(); err != nil {
			return stop(Cancelled, clock.Now().Sub(start).Seconds(), "stopped by hand", err)
		}
		t := due.Sub(start).Seconds()
		if t > r.program.Duration {
			return stop(Finished, t, "the programme ran to its end", nil)
		}
		lever := r.program.Lever(t)(t)
		if r.o.Commands {
			if err := r.c.CommandThrottle(r.ctx, lever); err != nil {
				return r.failed(t, err)
			}
		} else if next := r.step(t); next > prompted && r.o.Prompt != nil {
			prompted = next
			s := r.program.Steps[next]
			r.o.Prompt(s.At, s.To, s.Over)
		}
		got, err := r.c.ReadTelemetry(r.ctx)
		if err != nil {
			return r.failed(t, err)
		}
		sample := Sample{At: t, Lever: lever, Values: got.Values}
		r.result.Samples = append(r.result.Samples, sample)
		if r.o.Observe != nil {
			if err := r.o.Observe(sample); err != nil {
				return stop(Cancelled, t, "the record could not be written: "+err.Error(), err)
			}
		}
		if age := clock.Now().Sub(got.At); age > r.o.Stale {
			return stop(Stale, t, fmt.Sprintf("the newest telemetry is %v old", age.Round(time.Millisecond)), nil)
		}
		if s := r.judge(sample); s != nil {
			return *s
		}
	}
}

// ready sees to it that the test starts from rest: zero commanded, telemetry there, motor not driven.
func (r *run) ready() *Stop {
	not := func(text string, err error) *Stop { return &Stop{Reason: NotReady, Text: text, Err: err} }
	if r.program.Lever(0)(0) != 0 {
		return not("the programme does not begin in neutral", nil)
	}
	running, err := r.c.Running(r.ctx)
	switch {
	case errors.Is(err, link.ErrUnknown):
	case err != nil:
		return not("the controller does not say whether the motor runs: "+err.Error(), err)
	case running:
		return not("the motor runs already", nil)
	}
	if r.o.Commands {
		if err := r.c.CommandThrottle(r.ctx, 0); err != nil {
			return not("zero throttle was not taken: "+err.Error(), err)
		}
	}
	if _, err := r.c.ReadTelemetry(r.ctx); err != nil {
		return not("no telemetry: "+err.Error(), err)
	}
	return nil
}

// step is the index of the programme's movement that has begun by t, −1 for none.
func (r *run) step(t float64) int {
	n := -1
	for i, s := range r.program.Steps {
		if s.At <= t {
			n = i
		}
	}
	return n
}

// failed turns an error of the line into the end of the test.
func (r *run) failed(t float64, err error) Stop {
	reason := LineLost
	var impossible *link.ImpossibleError
	switch {
	case r.ctx.Err() != nil:
		reason = Cancelled
	case errors.As(err, &impossible):
		reason = Impossible
	}
	return Stop{Reason: reason, At: t, Text: err.Error(), Err: err}
}

// judge holds a sample against the hard limits and the watch.
func (r *run) judge(s Sample) *Stop {
	for _, b := range r.bounds {
		v := s.Values[b.at]
		if math.IsNaN(v) || v < b.Low || v > b.High {
			return &Stop{Reason: Limit, At: s.At, Text: fmt.Sprintf("%s is %s: %s", b.Channel, show(v, b.unit), b.Why)}
		}
	}
	if r.o.Watch == nil {
		return nil
	}
	wrong := r.o.Watch(s)
	if wrong == "" {
		r.strayed = 0
		return nil
	}
	if r.strayed++; r.strayed < 2 {
		return nil
	}
	return &Stop{Reason: Strayed, At: s.At, Text: wrong}
}

// halt makes zero the last command, whatever the context says.
func (r *run) halt(before error) (zero bool, err error) {
	halt := r.c.Halt(context.WithoutCancel(r.ctx))
	if halt != nil {
		return false, errors.Join(before, fmt.Errorf("zero throttle was not confirmed: use the hard-wired stop: %w", halt))
	}
	return true, before
}
