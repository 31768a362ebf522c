package ode_test

import (
	"fmt"
	"testing"

	"quaybench/bench/ode"
)

// BenchmarkOuting is two hours with twenty corners, forty states and one event
// per part, at three tolerances, with the Jacobian stated or by differences.
func BenchmarkOuting(b *testing.B) {
	for _, tol := range []float64{1e-3, 1e-4, 1e-5} {
		o := &outing{}
		for _, route := range []struct {
			name string
			sys  ode.System
		}{{"jacobian", analytic{o}}, {"differences", o}} {
			b.Run(fmt.Sprintf("tol=%g/%s", tol, route.name), func(b *testing.B) {
				var in ode.Integrator
				events := outingEvents()
				opts := outingTolerance(tol)
				var st ode.Statistics
				b.ReportAllocs()
				for b.Loop() {
					var err error
					_, st, err = o.run(&in, route.sys, events, opts, nil)
					if err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(st.Steps), "steps")
				b.ReportMetric(float64(st.Rejected), "rejected")
				b.ReportMetric(float64(st.Evaluations), "evals")
				b.ReportMetric(float64(st.Suspect), "suspect")
				b.ReportMetric(st.Worst.End, "worst")
			})
		}
	}
}

// outingEvents watches the first node of each part pass 420 K.
func outingEvents() []ode.Event {
	var events []ode.Event
	for p := 0; p < outingParts; p++ {
		k := (&outing{}).node(p, 0)
		events = append(events, ode.Event{
			Name:      fmt.Sprintf("part %d over", p),
			Value:     func(_ float64, y []float64) float64 { return y[k] - 420 },
			Direction: ode.Rising,
		})
	}
	return events
}
