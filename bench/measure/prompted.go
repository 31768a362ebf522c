package measure

import (
	"context"
	"fmt"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/trial"
)

// Person moves the lever and reads the panel.
type Person interface {
	// Tell says what to do now.
	Tell(text string)
	// Readings asks for one value per channel, SI, NaN for what cannot be read. ok is false where the person wants to stop.
	Readings(ctx context.Context, channels []link.Channel) (values []float64, ok bool, err error)
}

// Prompted runs a programme with a person at the lever and at the panel meters: it tells them what to move and when, and
// asks for readings at the end of each hold. The stop rules are those of Run, said aloud: then neutral is the last word.
func Prompted(ctx context.Context, who Person, channels []link.Channel, program *trial.Trial, o Options) (result Result, err error) {
	o.Commands = false
	if err := o.complete(); err != nil {
		return result, err
	}
	bounds, err := place(o.Bounds, channels)
	if err != nil {
		return result, err
	}
	result.Channels = channels
	r := run{ctx: ctx, program: program, o: o, bounds: bounds, result: &result}
	result.Start = o.Clock.Now()
	result.Stop = r.prompt(who)
	if result.Stop.Reason != Finished {
		who.Tell("STOP: " + result.Stop.Text + ". Lever to neutral now.")
	} else {
		who.Tell("The programme has ended. Lever to neutral.")
	}
	return result, nil
}

func (r *run) prompt(who Person) Stop {
	start := r.result.Start
	elapsed := func() float64 { return r.o.Clock.Now().Sub(start).Seconds() }
	wait := func(until float64) error {
		return r.o.Clock.Sleep(r.ctx, time.Duration((until-elapsed())*float64(time.Second)))
	}
	for i, s := range r.program.Steps {
		if err := wait(s.At); err != nil {
			return Stop{Reason: Cancelled, At: elapsed(), Text: "stopped by hand", Err: err}
		}
		who.Tell(Instruction(s.To, s.Over))
		until := r.program.Duration
		if i+1 < len(r.program.Steps) {
			until = r.program.Steps[i+1].At
		}
		if err := wait(until - min(5, (until-s.At-s.Over)/2)); err != nil { // leave time to read the meters
			return Stop{Reason: Cancelled, At: elapsed(), Text: "stopped by hand", Err: err}
		}
		t := elapsed()
		values, ok, err := who.Readings(r.ctx, r.result.Channels)
		switch {
		case err != nil:
			return Stop{Reason: Cancelled, At: t, Text: "no readings: " + err.Error(), Err: err}
		case !ok:
			return Stop{Reason: Cancelled, At: t, Text: "stopped by hand"}
		}
		sample := Sample{At: t, Lever: r.program.Lever(t)(t), Values: values}
		r.result.Samples = append(r.result.Samples, sample)
		if r.o.Observe != nil {
			if err := r.o.Observe(sample); err != nil {
				return Stop{Reason: Cancelled, At: t, Text: "the record could not be written: " + err.Error(), Err: err}
			}
		}
		if stop := r.judge(sample); stop != nil {
			return *stop
		}
	}
	return Stop{Reason: Finished, At: elapsed(), Text: "the programme ran to its end"}
}

// Instruction says a movement of the lever in words.
func Instruction(to, over float64) string {
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
