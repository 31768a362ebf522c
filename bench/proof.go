package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
)

// proofDraws is how many draws over the tolerances stand behind what a proof expects.
const proofDraws = 16

// PlanProof plans the proof of a controller's command time-out: which small share of full throttle must show where, and by
// how much, in the weather of a programme. It fails where nothing that is measured would show.
func PlanProof(ctx context.Context, s *Setup, program *trial.Trial, d link.Description) (*measure.ProofPlan, error) {
	if d.Throttle == nil {
		return nil, link.ErrNoThrottle
	}
	timeout := d.Throttle.CommandTimeout
	plan := &measure.ProofPlan{
		Rest: s.Settings.Throttle.Deadband / 2, Hold: time.Second + min(2*timeout, 2*time.Second), Bounds: HardLimits(s, d.Channels),
	}
	const rest = 1.0 // s in neutral first, as the interlock wants it
	gone := rest + (plan.Hold + timeout).Seconds()
	try := *program
	try.Name, try.Electrical, try.Expect, try.LoadFrom, try.CoolingLostFrom = "proof", false, nil, 0, math.Inf(1)
	try.Duration = gone + 3 + s.Settings.Ramp.Fall
	var run *record.Run
	for _, above := range []float64{0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08, 0.1, 0.12, 0.15, 0.18} {
		plan.Share = s.Settings.Throttle.Deadband + above
		try.Throttle = []trial.Step{{At: rest, To: plan.Share}, {At: gone, To: 0}}
		var err error
		if run, err = simulate.Run(ctx, s.Boat, s.Settings, &try, simulate.Options{}); err != nil {
			return nil, err
		}
		if plan.Channel = showing(run, d.Channels, rest, rest+plan.Hold.Seconds(), above > 0.1); plan.Channel != "" {
			break
		}
	}
	if plan.Channel == "" {
		return nil, errors.New("no small command would show in what is measured, so the command time-out cannot be proven: it needs " + link.ProofNames())
	}
	drawn, _, err := study.Simulate(ctx, study.Draws(s.Boat, s.draws(proofDraws), 1), s.Settings, &try, nil)
	if err != nil {
		return nil, err
	}
	drawn = append(slices.DeleteFunc(drawn, func(r *record.Run) bool { return r == nil }), run)
	var times []float64
	for t := 0.0; t <= plan.Hold.Seconds(); t += 0.05 {
		times = append(times, t)
	}
	for _, c := range d.Channels {
		k, _ := link.KindOf(c.Name)
		if _, ok := run.Trace(k.Trace); k.Answer == 0 || !ok {
			continue
		}
		e := measure.Expected{Channel: c.Name, Time: times, End: change(run, k.Trace, rest, rest+plan.Hold.Seconds())}
		for _, t := range times {
			low, high := math.Inf(1), math.Inf(-1)
			for _, r := range drawn {
				v := change(r, k.Trace, rest, rest+t)
				low, high = min(low, v), max(high, v)
			}
			e.Low, e.High = append(e.Low, low), append(e.High, high)
		}
		plan.Expect = append(plan.Expect, e)
	}
	end := change(run, link.TraceName(plan.Channel), rest, rest+plan.Hold.Seconds())
	for t := gone; ; t += 0.01 {
		if t >= try.Duration {
			return nil, fmt.Errorf("%s falls too slowly after a command to prove the time-out by it", plan.Channel)
		}
		if change(run, link.TraceName(plan.Channel), rest, t)/end <= 0.5 {
			plan.Half = time.Duration((t - rest - plan.Hold.Seconds()) * float64(time.Second))
			return plan, nil
		}
	}
}

// change returns a trace's change between two instants, SI.
func change(r *record.Run, trace string, from, to float64) float64 {
	tr, _ := r.Trace(trace)
	return r.At(tr, to) - r.At(tr, from)
}

// showing returns the channel in which a command shows at twice what counts as an answer: the best (link.Proofs) where it is measured,
// else what answers next best. any takes the next best although the best is measured.
func showing(run *record.Run, channels []link.Channel, from, to float64, any bool) string {
	measured := func(name string) bool {
		return slices.ContainsFunc(channels, func(c link.Channel) bool { return c.Name == name })
	}
	for i, k := range link.Proofs() {
		switch {
		case !measured(k.Name):
		case math.Abs(change(run, k.Trace, from, to)) >= 2*k.Answer:
			return k.Name
		case i == 0 && !any:
			return ""
		}
	}
	return ""
}
