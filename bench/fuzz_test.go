package bench_test

import (
	"context"
	"errors"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/ode"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// FuzzTry feeds any boat, settings and trial file through the front door: no panic, no hang, and only errors of a type
// that says whose fault it is.
func FuzzTry(f *testing.F) {
	read := func(path string) []byte {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		return text
	}
	for _, name := range []string{"petrel", "bracken"} {
		boat, settings := read(demo+"/"+name+"/boat.toml"), read(demo+"/"+name+"/settings.toml")
		for _, t := range []string{"harbour", "locked-shaft", "crash-stop", "fouled-propeller"} {
			text, ok := trial.Text(t)
			require.True(f, ok)
			f.Add(boat, settings, []byte(text))
		}
	}
	f.Add(bench.NewBoatFile("heron"), bench.NewSettingsFile("heron"), []byte("name = \"x\"\nduration = \"20 s\"\nelectrical = true\n[[throttle]]\nat = \"1 s\"\nto = \"-100 %\"\n"))

	f.Fuzz(func(t *testing.T, boat, settings, programme []byte) {
		setup, err := bench.LoadTexts("boat.toml", boat, "settings.toml", settings)
		if err != nil {
			require.ErrorAs(t, err, new(datafile.Problems))
			return
		}
		one, err := trial.Read("trial.toml", programme)
		if err != nil {
			require.ErrorAs(t, err, new(datafile.Problems))
			return
		}
		one.Duration = min(one.Duration, 30) // so that thousands of runs take seconds
		ctx, stop := context.WithTimeout(t.Context(), time.Minute)
		defer stop()
		tried, err := bench.Try(ctx, setup, bench.TryOptions{Trials: []*trial.Trial{one}, NoChange: true})
		if err != nil {
			require.True(t, typed(err), "no type of error that the front door knows: %v", err)
			return
		}
		_, err = tried.MarshalJSON()
		require.NoError(t, err)
	})
}

// typed says whether an error is one that a simulation of bad numbers may end in. A timeout is none: that is a hang.
func typed(err error) bool {
	return errors.As(err, new(*bench.UnbalancedError)) || errors.As(err, new(*simulate.ChatterError)) ||
		errors.As(err, new(*ode.NonFiniteError)) || errors.As(err, new(*ode.EventValueError)) || errors.As(err, new(*ode.StepSizeError)) ||
		errors.As(err, new(*ode.TooManyStepsError)) || errors.As(err, new(*ode.SuspectError))
}
