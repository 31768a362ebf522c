package measure

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
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
	Late                     // this machine was late: a missed heartbeat
	NotReady                 // the start conditions did not hold; nothing was commanded
	Unrecorded               // the record could not be written
	Unanswered               // a person gave no readings while a hold went on
	Told                     // the controller told of something by itself
)

func (r Reason) String() string {
	return [...]string{"finished", "a limit was passed", "outside the predicted band", "telemetry is stale", "impossible telemetry", "the line failed",
		"stopped by hand", "this computer was late", "not ready", "the record could not be written", "no readings came", "the controller told of something"}[r]
}

// Stop is how a test ended.
type Stop struct {
	Reason Reason
	At     float64 // s into the test
	Text   string  // what exactly
	// Zero says whether zero throttle was confirmed by the controller at the end; if not, its own command time-out has to act.
	Zero bool
	// Unusual is what is to be told of zero throttle at the end; "" where the controller confirmed it in the usual way, and where no
	// throttle was commanded.
	Unusual string
	Err     error // of the line, or of the halt
}

// Sample is one reading during a test.
type Sample struct {
	At     float64   // s into the test, when it arrived
	Due    float64   // s into the test, when it was due
	Since  float64   // s into the test, since when these values have held; At but for a person's readings
	Lever  float64   // asked for
	Values []float64 // SI, in the order of the channels; NaN: an instrument has no reading
	Times  []float64 // s into the test, when each value was so; NaN: it never was. nil: all At
}

// Time returns when the value of a channel was so, s into the test.
func (s *Sample) Time(channel int) float64 {
	if s.Times == nil {
		return s.At
	}
	return s.Times[channel]
}

// Bound is a hard limit on a channel: it stops the test at once.
type Bound struct {
	Channel   string
	Low, High float64 // SI; ±Inf for none
	Why       string
}

// Range returns what a reading must pass to stop the test, in the reader's unit: "-100 A or 220 A".
func (b Bound) Range() string {
	k, _ := link.KindOf(b.Channel)
	unit := cmp.Or(k.Unit, "1")
	switch {
	case math.IsInf(b.High, 1):
		return quantity.Format(b.Low, unit, 3) + " downwards"
	case math.IsInf(b.Low, -1) || unit == "°C" || b.Low == 0:
		return quantity.Format(b.High, unit, 3)
	}
	return quantity.Format(b.Low, unit, 3) + " or " + quantity.Format(b.High, unit, 3)
}

// Options of a test.
type Options struct {
	Rate   float64       // samples per second, 1..200; 0: 20
	Stale  time.Duration // oldest telemetry that counts; 0: three sample periods, 100 ms at least
	Lag    time.Duration // that the pacing may fall behind; 0: three sample periods, 100 ms at least, but no more than half the controller's command time-out; at least 1 s where no throttle is commanded
	Bounds []Bound
	// Watch says what is wrong with one channel's value at an instant, s into the test; "" for nothing. Two samples in a row
	// with a new value that is wrong stop the test.
	Watch    func(channel int, at, value float64) string
	Observe  func(Sample) error // sees each sample before it is judged; an error stops the test
	Commands bool               // command the throttle over the line; false: a person moves the lever
	Tell     func(text string)  // says aloud what the person at the lever is to do; nil: nobody is there
	// Patience says until when a hold may go on while a person reads the meters, s into the test, and what would happen then. It
	// is given the programme as performed so far, when the hold was to end, and the latest that it may say. nil: the latest.
	Patience func(performed *trial.Trial, planned, latest float64) (until float64, why string)
	Clock    port.Clock
}

// Result is what a test gave.
type Result struct {
	Channels  []link.Channel
	Start     time.Time
	Samples   []Sample
	Discarded []float64    // instants of samples that a later reply cast doubt on, s
	Performed *trial.Trial // the programme as a person performed it; nil where it ran by the clock
	Lines     []Lines      // of each instrument that sends by itself
	Stop      Stop

	thinned bool            // from another result, whose readings were held against each other
	holes   [][]record.Span // per channel, of that result; nil: the samples tell
}

// lineLimit is a line of an instrument, between two samples, that passed a hard limit.
type lineLimit struct {
	line lineOf
	text string
}

func (e *lineLimit) Error() string { return fmt.Sprintf("%s (in one line of %s)", e.text, e.line.from) }

// listener is a source in which lines come by themselves, as Join makes one.
type listener interface {
	watch(judge func(lineOf) error, alarm func(error)) []Lines
}

// watchLines checks every line of an instrument beside the controller against the hard limits, as it comes: what
// lasts 3 ms falls between two samples. The context ends with the first line that passes one. done ends the watch.
func watchLines(ctx context.Context, c link.Controller, hard []Bound) (watched context.Context, done func() []Lines) {
	l, ok := c.(listener)
	if !ok {
		return ctx, func() []Lines { return nil }
	}
	var bounds []placed
	for i, ch := range c.Describe().Channels {
		for _, b := range hard {
			if b.Channel == ch.Name {
				bounds = append(bounds, placed{b, i, ch.Unit})
			}
		}
	}
	watched, alarm := context.WithCancelCause(ctx)
	l.watch(func(line lineOf) error {
		if text := passed(bounds, line.values, line.fresh); text != "" {
			return &lineLimit{line, text}
		}
		return nil
	}, alarm)
	return watched, func() []Lines {
		alarm(nil)
		return l.watch(nil, nil)
	}
}

// passed returns which hard limit values pass; "" for none. fresh says which are looked at; nil: all.
func passed(bounds []placed, values []float64, fresh []bool) string {
	for _, b := range bounds {
		v := values[b.at]
		switch {
		case fresh != nil && !fresh[b.at]:
		case math.IsNaN(v):
			return fmt.Sprintf("%s has no reading (overload, or nothing to measure), so its limit watches over nothing: %s", quantity.Spoken(b.Channel), b.Why)
		case v < b.Low || v > b.High:
			return fmt.Sprintf("%s is %s: %s", quantity.Spoken(b.Channel), quantity.FormatStated(v, b.unit), b.Why)
		}
	}
	return ""
}

// Run runs a programme. With o.Commands it commands zero before it starts and on every way out once it has begun; otherwise a person
// moves the lever, and is told what to do at the end. Samples up to the end are always returned; Stop tells how it ended. The error is
// for misuse only, and then nothing was begun or commanded.
func Run(ctx context.Context, c link.Controller, program *trial.Trial, o Options) (result Result, err error) {
	d := c.Describe()
	if err := o.complete(d.Throttle); err != nil {
		return result, err
	}
	result.Channels = d.Channels
	if o.Commands && d.Throttle == nil {
		return result, link.ErrNoThrottle
	}
	if o.Commands && !d.Throttle.Astern {
		for _, s := range program.Throttle {
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
			r.halt()
		}
		r.tellClosing()
	}()
	if o.Commands {
		r.beat, r.fallsSilent = d.Throttle.CommandTimeout/4, d.Throttle.Ready != ""
	}
	watched, done := watchLines(ctx, c, o.Bounds)
	defer func() { result.Lines = done() }()
	r.ctx = watched
	result.Stop = r.pace()
	return result, nil
}

func (o *Options) complete(t *link.Throttle) error {
	if o.Rate == 0 {
		o.Rate = 20
	}
	if !(o.Rate >= 1 && o.Rate <= 200) {
		return fmt.Errorf("a sample rate of %g Hz is outside 1 to 200 Hz", o.Rate)
	}
	patience := max(3*o.period(), 100*time.Millisecond)
	if o.Stale == 0 {
		o.Stale = patience
	}
	if o.Lag == 0 {
		o.Lag = max(patience, time.Second)
		if t != nil && o.Commands {
			o.Lag = min(patience, t.CommandTimeout/2)
		}
	}
	if o.Tell == nil {
		o.Tell = func(string) {}
	}
	if o.Clock == nil {
		o.Clock = port.WallClock{}
	}
	return nil
}

func (o *Options) period() time.Duration { return time.Duration(float64(time.Second) / o.Rate) }

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

	beat time.Duration // the controller hears a command at least so often
	// fallsSilent says that the controller has to be made ready again where it hears nothing, even at zero.
	fallsSilent bool
	commanded   float64       // last
	told        time.Time     // when
	cues        []cue         // still to be said
	busy        time.Duration // spent on the line, in all samples
}

// elapsed returns the time into the test, s. It runs through a sleep of the machine.
func (r *run) elapsed() float64 { return r.since().Seconds() }

func (r *run) since() time.Duration { return port.Age(r.result.Start, r.o.Clock.Now()) }

// lever returns where the programme has the lever.
func (r *run) lever(t float64) float64 { return r.program.Lever(t)(t) }

// pace runs the loop: at each tick command, read, judge.
func (r *run) pace() Stop {
	if s := r.ready(); s != nil {
		return *s
	}
	r.result.Start = r.o.Clock.Now()
	if !r.o.Commands {
		r.cues = cues(r.program)
	}
	period := r.o.period()
	for tick := 0; ; tick++ {
		due := time.Duration(tick) * period
		t := due.Seconds()
		if t > r.program.Duration {
			return Stop{Reason: Finished, At: r.program.Duration, Text: "the programme ran to its end"}
		}
		if s := r.wait(due, tick); s != nil {
			return *s
		}
		if s := r.sample(due, tick); s != nil {
			return *s
		}
	}
}

// wait waits for an instant of the test, and repeats the throttle command meanwhile. It fails where the instant is long past.
func (r *run) wait(due time.Duration, tick int) *Stop {
	if s := r.late(due, tick); s != nil {
		return s
	}
	for {
		now := r.o.Clock.Now()
		pause, beat := due-r.since(), false
		if r.o.Commands {
			switch next, spare := r.told.Add(r.beat).Sub(now), r.beat/4; {
			case next < pause-clearance:
				pause, beat = next, true
			case next < pause+spare: // it would meet the sample, so it goes ahead of it
				pause, beat = r.told.Add(spare).Sub(now), true
			}
		}
		if err := r.o.Clock.Sleep(r.ctx, max(pause, 0)); err != nil {
			return r.cancelled(err)
		}
		if !beat {
			return nil
		}
		if s := r.late(due, tick); s != nil { // it slept longer than it was to: what is repeated now rests on too old a reading
			return s
		}
		if err := r.command(r.elapsed(), true); err != nil {
			return r.failed(err)
		}
	}
}

// late stops a test whose pacing has fallen behind what was due.
func (r *run) late(due time.Duration, tick int) *Stop {
	behind := r.since() - due
	if behind <= r.o.Lag {
		return nil
	}
	text := fmt.Sprintf("a sample was due %s ago", quantity.FormatDuration(behind))
	if each := r.busy / time.Duration(max(tick, 1)); each > r.o.period() {
		text += fmt.Sprintf(": a sample takes %s on this line, so no more than %.0f Hz can be had", quantity.FormatDuration(each), math.Floor(1/each.Seconds()))
	} else {
		text += ": it slept, or other programs kept it busy"
	}
	return &Stop{Reason: Late, At: r.elapsed(), Text: text}
}

// clearance is how long before a sample the line is left alone, so that the sample is not held up: about two exchanges.
const clearance = 10 * time.Millisecond

// sample performs one tick: cue, read, judge, command. The sample comes first, so that commands do not shift it; but zero goes out
// before anything else.
func (r *run) sample(due time.Duration, tick int) *Stop {
	clock, t := r.o.Clock, due.Seconds()
	begun := clock.Now()
	defer func() { r.busy += clock.Now().Sub(begun) }()
	if r.o.Commands && r.lever(t) == 0 {
		if err := r.command(t, false); err != nil {
			return r.failed(err)
		}
	}
	r.cue(t)
	got, err := r.c.ReadTelemetry(r.ctx)
	if err != nil {
		return r.failed(err)
	}
	now := clock.Now()
	came := now
	if got.At.After(begun) { // else it is older than this beat, and holds now
		came = got.At
	}
	at := math.Round(1e4*came.Sub(r.result.Start).Seconds()) / 1e4
	if n := len(r.result.Samples); n > 0 {
		at = max(at, r.result.Samples[n-1].At+1e-4)
	}
	s := Sample{At: at, Due: t, Since: at, Lever: r.lever(t), Values: got.Values, Times: r.times(&got, at)}
	r.result.Samples = append(r.result.Samples, s)
	if stop := r.observe(s); stop != nil {
		return stop
	}
	if age := now.Sub(got.At); age > r.o.Stale {
		return &Stop{Reason: Stale, At: at, Text: fmt.Sprintf("the newest is %s old", quantity.FormatDuration(age))}
	}
	if stop := r.judge(s); stop != nil || !r.o.Commands {
		return stop
	}
	if stop := r.late(due, tick); stop != nil { // while this sample was taken
		return stop
	}
	if err := r.command(t, false); err != nil {
		return r.failed(err)
	}
	return nil
}

// times returns when each value of a sample was so, s into the test, where they differ.
func (r *run) times(got *link.Sample, at float64) (times []float64) {
	if got.Times == nil {
		return nil
	}
	for k := range got.Values {
		was, ok := got.Time(k)
		switch {
		case !ok:
			times = append(times, math.NaN())
		case was.Equal(got.At):
			times = append(times, at)
		default:
			times = append(times, math.Round(1e4*was.Sub(r.result.Start).Seconds())/1e4)
		}
	}
	return times
}

func (r *run) observe(s Sample) *Stop {
	if r.o.Observe == nil {
		return nil
	}
	if err := r.o.Observe(s); err != nil {
		return &Stop{Reason: Unrecorded, At: s.At, Text: err.Error(), Err: err}
	}
	return nil
}

// leastBetween keeps a moving lever from filling the line with commands.
const leastBetween = 20 * time.Millisecond

// command sends the lever's position to the controller, if that is new or due again, or again in any case. Zero goes out at once.
func (r *run) command(t float64, again bool) error {
	lever, now := r.lever(t), r.o.Clock.Now()
	since := port.Age(r.told, now)
	if !again && since < r.beat && (lever == r.commanded || lever != 0 && since < leastBetween) {
		return nil
	}
	if err := r.c.CommandThrottle(r.ctx, lever); err != nil {
		return err
	}
	r.commanded, r.told = lever, now
	return nil
}

// coasting is how long a shaft is waited for that still turns from before.
const coasting = 15 * time.Second

// AwaitRest asks every pause whether the motor runs, until it does not, for as long as a shaft may coast. It reports whether the motor
// still runs then.
func AwaitRest(ctx context.Context, clock port.Clock, pause time.Duration, runs func(context.Context) (bool, error)) (still bool, err error) {
	still, err = runs(ctx)
	for begun := clock.Now(); err == nil && still && port.Age(begun, clock.Now()) < coasting; still, err = runs(ctx) {
		if err := clock.Sleep(ctx, pause); err != nil {
			return still, err
		}
	}
	return still, err
}

// RestPause is the pause between two such questions.
const RestPause = 100 * time.Millisecond

// ready waits until the test can start from rest: zero commanded, telemetry there, motor not driven.
func (r *run) ready() *Stop {
	not := func(text string, err error) *Stop {
		if r.ctx.Err() != nil {
			return &Stop{Reason: Cancelled, Text: calledOff(r.ctx), Err: err}
		}
		return &Stop{Reason: NotReady, Text: text, Err: err}
	}
	if r.lever(0) != 0 {
		return not("the programme does not begin in neutral", nil)
	}
	pause := RestPause
	if r.fallsSilent {
		pause = min(pause, r.beat)
	}
	running, err := AwaitRest(r.ctx, r.o.Clock, pause, func(ctx context.Context) (bool, error) {
		if r.fallsSilent {
			if err := r.c.CommandThrottle(ctx, 0); err != nil {
				return false, err
			}
		}
		return r.c.Running(ctx)
	})
	switch {
	case errors.Is(err, link.ErrUnknown):
	case err != nil:
		return not("the controller does not say whether the motor runs: "+err.Error(), err)
	case running:
		return not(fmt.Sprintf("the motor still runs after %s of waiting: is the lever in neutral, or does something turn the propeller?", quantity.FormatDuration(coasting)), nil)
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

func (r *run) cancelled(err error) *Stop {
	var line *lineLimit
	if errors.As(context.Cause(r.ctx), &line) {
		return r.lineStop(line)
	}
	return &Stop{Reason: Cancelled, At: r.elapsed(), Text: calledOff(r.ctx), Err: err}
}

// lineStop ends the test at a line that passed a hard limit. The line is recorded: beside the newest sample's other values.
func (r *run) lineStop(line *lineLimit) *Stop {
	at := math.Round(1e4*port.Age(r.result.Start, line.line.at).Seconds()) / 1e4
	stop := &Stop{Reason: Limit, At: at, Text: line.Error()}
	n := len(r.result.Samples)
	if n == 0 {
		return stop
	}
	s := r.result.Samples[n-1]
	s.At, s.Values = max(at, s.At+1e-4), slices.Clone(s.Values)
	s.Since, s.Times = s.At, slices.Clone(s.Times)
	for i, fresh := range line.line.fresh {
		if fresh {
			s.Values[i], s.Times[i] = line.line.values[i], s.At
		}
	}
	r.result.Samples = append(r.result.Samples, s)
	_ = r.observe(s)
	return stop
}

// calledOff returns why a test was called off, where more than a signal did it.
func calledOff(ctx context.Context) string {
	text := "the test was called off"
	if why := context.Cause(ctx); why != nil && !errors.Is(why, context.Canceled) {
		text += ": " + why.Error()
	}
	return text
}

// failed turns an error of the line into the end of the test. A reply out of step takes the sample before with it.
func (r *run) failed(err error) *Stop {
	s := Stop{Reason: LineLost, At: r.elapsed(), Text: err.Error(), Err: err}
	var impossible *link.ImpossibleError
	switch n := len(r.result.Samples); {
	case r.ctx.Err() != nil:
		return r.cancelled(err)
	case errors.Is(err, link.ErrLockedOut), errors.Is(err, link.ErrNotReady):
		s.Reason = NotReady
	case errors.As(err, new(*link.NewsError)):
		s.Reason = Told
	case errors.As(err, &impossible):
		s.Reason = Impossible
	case errors.Is(err, link.ErrStale):
		s.Reason = Stale
	case errors.Is(err, link.ErrUnread):
		s.Reason = Late
	case errors.Is(err, link.ErrOutOfStep) && n > 0:
		r.result.Discarded = append(r.result.Discarded, r.result.Samples[n-1].At)
		r.result.Samples = r.result.Samples[:n-1]
	}
	return &s
}

// judge checks a sample against the hard limits and the watch.
func (r *run) judge(s Sample) *Stop {
	if text := passed(r.bounds, s.Values, nil); text != "" {
		return &Stop{Reason: Limit, At: s.At, Text: text}
	}
	if r.o.Watch == nil {
		return nil
	}
	wrong, anew, of := "", false, 0
	for i, v := range s.Values {
		text := r.o.Watch(i, s.Time(i), v)
		if text != "" && (wrong == "" || !anew && r.isNew(i)) {
			wrong, anew, of = text, r.isNew(i), i
		}
	}
	switch {
	case wrong == "":
		r.strayed = 0
	case anew:
		r.strayed++
	}
	if r.strayed < 2 {
		return nil
	}
	return &Stop{Reason: Strayed, At: s.At, Text: wrong + r.tellsLate(&s, of)}
}

// tellsLate returns what to think of a value of an instrument that is outside the band now and was within it a while ago: it may tell
// late. "": nothing.
func (r *run) tellsLate(s *Sample, channel int) string {
	j, ok := r.c.(interface{ isBeside(channel int) bool })
	if !ok || !j.isBeside(channel) {
		return ""
	}
	v, at := s.Values[channel], s.Time(channel)
	for late := 0.1; late <= mostLate && late <= at; late += 0.1 {
		if r.o.Watch(channel, at-late, v) == "" && r.o.Watch(channel, at-late-0.1, v) == "" {
			return fmt.Sprintf("; it is what was predicted until %.1f s before: does the motor not follow, or does %s tell late (then state delay in its file)?", late, r.result.Channels[channel].Source)
		}
	}
	return ""
}

// mostLate is how late an instrument may be thought to tell, s: one that smooths much, or whose lines wait in a buffer.
const mostLate = 3.0

// isNew reports whether the newest sample has another reading of a channel than the one before.
func (r *run) isNew(channel int) bool {
	n := len(r.result.Samples)
	return n < 2 || r.result.Samples[n-1].Time(channel) != r.result.Samples[n-2].Time(channel)
}

// halt commands zero as the last command, also after the context has ended.
func (r *run) halt() {
	s := &r.result.Stop
	zero, halt := halted(r.c.Halt(context.WithoutCancel(r.ctx)))
	s.Zero, s.Err = zero, errors.Join(s.Err, halt)
	switch otherwise := new(link.OtherwiseError); {
	case !zero:
		s.Unusual = "zero throttle was not confirmed at the end of the test"
	case errors.As(halt, &otherwise):
		s.Unusual = otherwise.Error()
	}
}
