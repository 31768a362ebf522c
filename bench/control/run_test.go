package control_test

import (
	"context"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/control"
	"quaybench/bench/ode"
	"quaybench/bench/settings"
)

// lawRun is a law by itself, integrated as the simulator does: from one switch to the next. What it measures is given.
type lawRun struct {
	t        float64
	x        []float64
	mode     control.Mode
	events   []told
	testing  *testing.T
	law      *control.Law
	switches []control.Switch
	see      func(t float64) control.Measured
	ode      ode.Integrator
}

// told is an event that a person is told of.
type told struct {
	at   float64
	what string
}

func newLawRun(t *testing.T, s settings.Set, see func(t float64) control.Measured) *lawRun {
	law := control.New(s)
	r := &lawRun{testing: t, law: law, switches: law.Switches(), see: see, x: make([]float64, control.States)}
	r.mode = law.Start(see(0), r.x)
	return r
}

func (r *lawRun) Dim() int { return control.States }

func (r *lawRun) Derivatives(t float64, x, dx []float64) {
	r.law.Derivatives(r.see(t), x, r.mode, dx)
}

// advance integrates to an instant. What is measured may bend, but must not jump, on the way.
func (r *lawRun) advance(until float64) {
	for r.t < until {
		r.tell(control.Settle(r.switches, r.see(r.t), r.x, &r.mode))
		var events []ode.Event
		var which []int
		for i := range r.switches {
			if sw := &r.switches[i]; sw.Armed(r.mode) {
				events = append(events, ode.Event{Name: sw.Name, Direction: ode.Rising, Value: func(t float64, x []float64) float64 { return sw.Margin(r.see(t), x) }})
				which = append(which, i)
			}
		}
		res, err := r.ode.Solve(context.Background(), ode.Problem{System: r, T0: r.t, T1: until, Y0: r.x, Events: events}, ode.Options{RelTol: 1e-9, AbsTol: slices.Repeat([]float64{1e-9}, control.States), MaxStep: 0.05, FirstStep: 1e-5})
		require.NoError(r.testing, err)
		r.t, r.x = res.T, res.Y
		for _, k := range res.Fired {
			if sw := r.switches[which[k]]; sw.Armed(r.mode) {
				sw.Act(r.x, &r.mode)
				r.tell([]control.Switch{sw})
			}
		}
	}
}

func (r *lawRun) tell(switched []control.Switch) {
	for _, sw := range switched {
		if sw.Event != "" {
			r.events = append(r.events, told{r.t, sw.Event})
		}
	}
}
