package ode_test

import (
	"context"
	"fmt"

	"quaybench/bench/ode"
)

// heater is a part that warms towards 400 K while its switch is closed.
type heater struct{ closed bool }

func (h *heater) Dim() int { return 1 }

func (h *heater) Derivatives(_ float64, y, dydt []float64) {
	dydt[0] = -(y[0] - 293) / 100
	if h.closed {
		dydt[0] = -(y[0] - 400) / 100
	}
}

// A thermostat: integrate to an event, change the mode, go on from the state returned.
func ExampleIntegrator_Solve() {
	part := &heater{closed: true}
	events := []ode.Event{
		{Name: "warm", Direction: ode.Rising, Value: func(_ float64, y []float64) float64 { return y[0] - 340 }},
		{Name: "cold", Direction: ode.Falling, Value: func(_ float64, y []float64) float64 { return y[0] - 330 }},
	}
	opts := ode.Options{RelTol: 1e-8, AbsTol: []float64{1e-6}}
	var in ode.Integrator
	t, y := 0.0, []float64{293}
	for t < 100 {
		r, err := in.Solve(context.Background(), ode.Problem{System: part, T0: t, T1: 100, Y0: y, Events: events}, opts)
		if err != nil {
			fmt.Println(err)
			return
		}
		for _, k := range r.Fired {
			fmt.Printf("%s at %.2f s\n", events[k].Name, r.T)
			part.closed = events[k].Name == "cold"
		}
		t, y = r.T, r.Y
	}
	fmt.Printf("%.2f K at %.0f s\n", y[0], t)
	// The instants have closed forms: 100 ln(107/60) s, then 100 ln(47/37) s and 100 ln(70/60) s later.

	// Output:
	// warm at 57.85 s
	// cold at 81.77 s
	// warm at 97.19 s
	// 338.70 K at 100 s
}
