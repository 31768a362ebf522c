package bench_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/link"
	"quaybench/bench/trial"
)

// A hold whose readings are awaited goes on for as long as the parts bear it, by the simulation of what was really done.
func TestPatienceEndsWhereAPartComesClose(t *testing.T) {
	setup, err := bench.LoadTexts("boat.toml", benchtest.File(t, "petrel", "boat.toml"), "settings.toml", benchtest.File(t, "petrel", "settings.toml"))
	require.NoError(t, err)
	channels := []link.Channel{{Name: link.MotorCurrent, Unit: "A"}}
	program, err := trial.Read("stall.toml", []byte("name = \"stall\"\nduration = \"20 s\"\nmoored = true\nload = \"locked\"\nload_from = \"0 s\"\n[[throttle]]\nat = \"5 s\"\nto = \"100 %\"\n[[throttle]]\nat = \"10 s\"\nto = \"0 %\"\n"))
	require.NoError(t, err)
	const latest = 310
	patience := func(amps string, to, planned float64) (until float64, why string) {
		hard, err := setup.With([]string{"limits.motor_current=" + amps, "stall.time=120 s"})
		require.NoError(t, err)
		p, err := bench.Predict(t.Context(), hard, program, channels, bench.StepOptions{Draws: 4, ByHand: true})
		require.NoError(t, err)
		performed := *program
		performed.Throttle = []trial.Step{{At: 5, To: to}}
		until, why = p.Patience(t.Context(), hard)(&performed, planned, latest)
		if until < latest { // what is simulated up to there is in order
			performed.Duration = until - 0.1
			short, err := bench.Predict(t.Context(), hard, &performed, channels, bench.StepOptions{Draws: 4})
			require.NoError(t, err)
			for _, part := range short.Run.Parts {
				tr, _ := short.Run.Trace(part.Trace)
				assert.LessOrEqual(t, part.Used(short.Run.At(tr, until-0.1)), 1.0, part.Name)
			}
		}
		return until, why
	}
	until, why := patience("140 A", 0.2, 10)
	assert.Equal(t, float64(latest), until)
	assert.Empty(t, why)

	mild, why := patience("260 A", 1, 10)
	assert.Regexp(t, `would come close to its limit, by the simulation`, why)
	harsh, _ := patience("340 A", 1, 10)
	assert.Less(t, harsh, mild)

	beyond, why := patience("260 A", 1, mild+0.5)
	assert.Regexp(t, `would pass its limit, by the simulation`, why)
	assert.Greater(t, beyond, mild)
}
