package cvode

import (
	"testing"

	"quaybench/bench/ode"
)

// BenchmarkAlone is the tool's integrator with no more to do than the C program has, BenchmarkRun all of simulate.Run.
func BenchmarkAlone(b *testing.B) {
	var in ode.Integrator
	eachCase(b, func(c *comparison) { c.integrate(b, &in, 3e-5) })
}

func BenchmarkRun(b *testing.B) { eachCase(b, func(c *comparison) { c.ours(b, 3e-5, 1) }) }

func eachCase(b *testing.B, run func(c *comparison)) {
	for _, k := range cases {
		b.Run(k.name, func(b *testing.B) {
			c := newComparison(b, k.name, k.electrical, k.duration, k.rises)
			b.ReportAllocs()
			for b.Loop() {
				run(c)
			}
		})
	}
}
