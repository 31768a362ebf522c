package cvode

import (
	"math"
	"testing"

	"quaybench/bench/control"
	"quaybench/bench/drive"
	"quaybench/bench/ode"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// alone solves the trial with the tool's integrator and right-hand side, but with no more events (the stall timer, the passages, the
// kinks of the ramp) and no more to keep than the C program has.
func (c *comparison) alone(t testing.TB, rel float64, repeats int) solution {
	var in ode.Integrator
	best := solution{work: work{seconds: math.Inf(1)}}
	for range repeats {
		began := cpu()
		s := c.integrate(t, &in, rel)
		s.work.seconds = min(cpu()-began, best.work.seconds)
		best = s
	}
	return best
}

func (c *comparison) integrate(t testing.TB, in *ode.Integrator, rel float64) solution {
	s := solution{passages: make([][]float64, len(c.passages))}
	r := c.model.NewRun(c.trial.Lever(0))
	y := c.begin()
	r.Mode.Released = true
	var begins, ends *control.Switch // of stalling
	for i := range r.Switches {
		switch sw := &r.Switches[i]; {
		case sw.Name == "stall timer" && begins == nil:
			begins = sw
		case sw.Name == "stall timer" && ends == nil:
			ends = sw
		}
	}
	stall := func() *control.Switch {
		if r.Mode.Stalling {
			return ends
		}
		return begins
	}
	watched := func(k int, p *drive.Point, y []float64) float64 {
		switch at := &c.passages[k]; at.what {
		case 0:
			return y[c.model.Dim()-c.behind()+at.node]
		case 1:
			return p.SwitchT
		}
		return math.Abs(p.Measured.Speed)
	}
	events := []ode.Event{{Name: "stall timer", Direction: ode.Rising}}
	for _, p := range c.passages {
		events = append(events, ode.Event{Name: p.part})
	}
	kinks := len(events) // of the ramp: a step across one is refused, and where it lies the events tell
	events = append(events, ode.Event{Name: "ramp", Band: 0.05}, ode.Event{Name: "ramp", Band: 0.05})
	values := func(t float64, y, out []float64) {
		p := r.Point(t, y)
		out[0] = stall().Margin(p.Measured, r.ControlState(y))
		out[kinks], out[kinks+1] = r.Law.RampKinks(r.Target(p.Measured.Lever), r.ControlState(y))
		for k := range c.passages {
			out[1+k] = watched(k, p, y) - c.passages[k].limit
		}
	}
	opts := ode.Options{RelTol: rel / 100, AbsTol: c.model.Tolerances(rel), EventTol: 1e-7, Check: ode.CheckOptions{Every: -1}}
	at := 0.0
	for _, x := range c.stretches {
		r.Lever = c.trial.Lever(at)
		r.Changed()
		for at < x.end {
			if sw := stall(); sw.Margin(r.Point(at, y).Measured, r.ControlState(y)) >= 0 {
				sw.Act(r.ControlState(y), &r.Mode)
				r.Changed()
			}
			res, err := in.Solve(t.Context(), ode.Problem{System: r, T0: at, T1: x.end, Y0: y, Events: events, EventValues: values}, opts)
			require.NoError(t, err)
			at, y = res.T, res.Y
			s.work.steps += res.Statistics.Steps
			s.work.evaluations += res.Statistics.Evaluations
			opts.FirstStep = 0
			for _, k := range res.Fired {
				if k == 0 {
					stall().Act(r.ControlState(y), &r.Mode)
					r.Changed()
					opts.FirstStep = 0
					break
				}
				if opts.FirstStep = 0; k >= kinks {
					break
				}
				s.passages[k-1] = append(s.passages[k-1], at)
				opts.FirstStep = res.NextStep
			}
		}
		s.corners = append(s.corners, c.temperatures(c.shared(y)))
	}
	return s
}

// behind is the number of states from the first heat node on.
func (c *comparison) behind() int {
	if c.trial.Electrical {
		return len(c.names) + 3
	}
	return len(c.names)
}

// cpu is the time that this process has worked, s, as the C program measures its own: waiting for a core does not count.
func cpu() float64 {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_PROCESS_CPUTIME_ID, &t); err != nil {
		panic(err)
	}
	return float64(t.Sec) + 1e-9*float64(t.Nsec)
}
