package simulate

import (
	"context"
	"testing"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/testdata/reference"

	"github.com/stretchr/testify/require"
)

func petrel(tb testing.TB, name string) (*boat.Boat, settings.Set, *trial.Trial) {
	b, s, err := reference.Boat("petrel")
	require.NoError(tb, err)
	t, err := trial.Builtin(name)
	require.NoError(tb, err)
	return b, s, t
}

// BenchmarkTrials is one run of each built-in trial and, with its electrical transients, of a step test.
func BenchmarkTrials(b *testing.B) {
	for _, name := range append(trial.Names(), "step test, electrical") {
		b.Run(name, func(b *testing.B) {
			what := name
			if what == "step test, electrical" {
				what = "full-throttle"
			}
			bt, s, t := petrel(b, what)
			if what != name {
				t.Electrical = true
				t.Duration = 10
			}
			b.ReportAllocs()
			steps, evaluations := 0, 0
			for b.Loop() {
				r, err := Run(context.Background(), bt, s, t, Options{})
				if err != nil {
					b.Fatal(err)
				}
				steps, evaluations = r.Statistics.Steps, r.Statistics.Evaluations
			}
			b.ReportMetric(float64(steps), "steps")
			b.ReportMetric(float64(evaluations), "evals")
		})
	}
}
