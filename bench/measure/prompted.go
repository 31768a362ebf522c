package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/trial"
)

// Person reads the panel meters.
type Person interface {
	// Readings asks for one value per channel, SI. ok is false where the person wants to stop.
	Readings(ctx context.Context, channels []link.Channel) (values []float64, ok bool, err error)
}

// cue is something to say to the person at the lever.
type cue struct {
	at   float64 // s into the programme
	text string
}

// notice is how long before a movement it is announced, s.
const notice = 3

// cues returns the texts for each movement of a programme, with an announcement where there is time.
func cues(program *trial.Trial) (list []cue) {
	last := math.Inf(-1)
	for _, s := range program.Throttle {
		if at := s.At - notice; at > last+notice {
			list = append(list, cue{max(at, 0), fmt.Sprintf("in %.3g s: %s", min(notice, s.At), instruction(s.To, s.Over))})
		}
		list = append(list, cue{s.At, "NOW: " + instruction(s.To, s.Over)})
		last = s.At + s.Over
	}
	return list
}

// cue tells the person the texts that are due.
func (r *run) cue(t float64) {
	for len(r.cues) > 0 && r.cues[0].at <= t {
		r.o.Tell(r.cues[0].text)
		r.cues = r.cues[1:]
	}
}

// tellClosing tells the operator what to do after the test. At the lever, neutral is always the last word; where the line failed to
// bring zero, only the person is left, and the controller's own time-out.
func (r *run) tellClosing() {
	switch stop := &r.result.Stop; {
	case r.o.Commands && !stop.Zero:
		r.o.Tell(fmt.Sprintf("ZERO THROTTLE WAS NOT CONFIRMED: use the hard-wired stop now! The controller's own command time-out is %s.", quantity.FormatDuration(4*r.beat)))
	case r.o.Commands:
	case stop.Reason == Finished:
		r.o.Tell("The programme has ended. Lever to neutral.")
	default:
		r.o.Tell("STOP, lever to neutral now! " + stop.Text)
	}
}

// instruction returns a movement of the lever in words.
func instruction(to, over float64) string {
	text := "lever to neutral"
	switch {
	case to > 0:
		text = fmt.Sprintf("lever to %.0f %% ahead", 100*to)
	case to < 0:
		text = fmt.Sprintf("lever to %.0f %% astern", -100*to)
	}
	if over > 0 {
		return fmt.Sprintf("%s, over %.3g s", text, over)
	}
	return text
}

// Prompted runs a programme with a person at the lever and at the panel meters: it tells them what to move and when, and
// asks for readings at rest and at the end of each hold. A hold lasts until they are given, so the programme that was
// performed may be longer than the one planned: the result has it. The stop rules are those of Run.
func Prompted(ctx context.Context, who Person, channels []link.Channel, program *trial.Trial, o Options) (result Result, err error) {
	o.Commands = false
	if err := o.complete(nil); err != nil {
		return result, err
	}
	bounds, err := place(o.Bounds, channels)
	if err != nil {
		return result, err
	}
	result.Channels = channels
	r := run{ctx: ctx, program: program, o: o, bounds: bounds, result: &result}
	result.Start = o.Clock.Now()
	performed := *program
	performed.Throttle = nil
	result.Performed = &performed
	defer r.tellClosing()
	result.Stop = r.prompt(who)
	performed.Duration = max(r.elapsed(), result.Stop.At)
	return result, nil
}

var errTooLong = errors.New("the hold lasts too long")

// readingTime is how long before the end of a hold the readings are asked for, s; half the hold where that is short.
const readingTime = 5

func (r *run) prompt(who Person) Stop {
	if s := r.read(who, r.hold(0, 0, false), 0); s != nil {
		return *s
	}
	late := 0.0 // s that the person has taken longer than planned
	for i, s := range r.program.Throttle {
		if ahead := s.At - notice + late; ahead > r.elapsed() {
			if stop := r.until(ahead); stop != nil {
				return *stop
			}
			r.o.Tell(fmt.Sprintf("in %d s: %s", notice, instruction(s.To, s.Over)))
		}
		if stop := r.until(s.At + late); stop != nil {
			return *stop
		}
		begun := r.elapsed()
		late = begun - s.At
		r.o.Tell("NOW: " + instruction(s.To, s.Over))
		r.result.Performed.Throttle = append(r.result.Performed.Throttle, trial.Step{At: begun, To: s.To, Over: s.Over})
		end := r.program.Duration
		if i+1 < len(r.program.Throttle) {
			end = r.program.Throttle[i+1].At
		}
		h := r.hold(begun+s.Over, end+late, s.To != 0)
		if stop := r.until(min(h.latest, h.planned-min(readingTime, (h.planned-h.since)/2))); stop != nil {
			return *stop
		}
		if stop := r.read(who, h, late); stop != nil {
			return *stop
		}
	}
	return Stop{Reason: Finished, At: r.elapsed(), Text: "the programme ran to its end"}
}

// longestHold is how much longer than planned a hold may last while its readings are awaited, s, where nothing says less:
// whoever has not read the meters by then has left the panel.
const longestHold = 300

// hold is a stretch of the test in which the lever rests.
type hold struct {
	since   float64 // when it began, s
	planned float64 // when it was to end, s
	driven  bool    // the motor is
	latest  float64 // until when its readings are awaited, s
	why     string  // what would happen then; "": nothing known
}

// hold returns the hold after the movement that was just asked for. One that is driven lasts no longer than the parts bear.
func (r *run) hold(since, planned float64, driven bool) hold {
	h := hold{since: since, planned: planned, driven: driven, latest: math.Inf(1)}
	if driven {
		h.latest = planned + longestHold
		if r.o.Patience != nil {
			h.latest, h.why = r.o.Patience(r.result.Performed, planned, h.latest)
		}
	}
	return h
}

// until waits for an instant of the test, s; one that is past is now.
func (r *run) until(t float64) *Stop {
	if err := r.o.Clock.Sleep(r.ctx, time.Duration((t-r.elapsed())*float64(time.Second))); err != nil {
		return r.cancelled(err)
	}
	return nil
}

// read asks for the readings of a hold, and judges them where the programme would be. They stand until they came.
func (r *run) read(who Person, h hold, late float64) *Stop {
	asked, because := r.elapsed(), ""
	if h.why != "" {
		because = ": " + h.why
	}
	if h.latest <= asked {
		return &Stop{Reason: Unanswered, At: asked, Text: "this hold must not go on" + because}
	}
	ctx, cancel := context.WithCancelCause(r.ctx)
	defer cancel(nil)
	if h.driven {
		left := h.latest - asked
		if patient, ok := r.o.Clock.(interface {
			AfterFunc(d time.Duration, f func()) (stop func() bool)
		}); ok {
			stop := patient.AfterFunc(time.Duration(left*float64(time.Second)), func() { cancel(errTooLong) })
			defer stop()
		}
		r.o.Tell(fmt.Sprintf("read the meters now; if no readings come within %.0f s, the test stops%s", left, because))
	}
	values, ok, err := who.Readings(ctx, r.result.Channels)
	now := r.elapsed()
	switch {
	case r.ctx.Err() != nil:
		return r.cancelled(r.ctx.Err())
	case now >= h.latest:
		return &Stop{Reason: Unanswered, At: now, Text: fmt.Sprintf("the hold lasts %.0f s longer than planned%s", max(0, now-h.planned), because)}
	case err != nil:
		return &Stop{Reason: Stale, At: asked, Text: "no readings: " + err.Error(), Err: err}
	case !ok:
		return &Stop{Reason: Cancelled, At: asked, Text: "the person at the panel stopped it"}
	}
	if over := now - h.planned; h.driven && over > 1 {
		r.o.Tell(fmt.Sprintf("this hold lasted %.0f s longer than planned; it is judged as it was", over))
	}
	sample := Sample{At: asked, Due: asked - late, Since: min(h.since, asked), Lever: r.lever(asked - late), Values: values}
	if h.driven {
		sample.At = now // parts heat until then
	}
	r.result.Samples = append(r.result.Samples, sample)
	if stop := r.observe(sample); stop != nil {
		return stop
	}
	judged := sample
	judged.At = sample.Due // the band is that of the programme as planned
	return r.judge(judged)
}
