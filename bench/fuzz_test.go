package bench_test

import (
	"context"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/ode"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
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
	f.Add(bench.NewBoatFile("heron", bench.WholeTemplate), bench.NewSettingsFile("heron", bench.WholeTemplate), []byte("name = \"x\"\nduration = \"20 s\"\nelectrical = true\n[[throttle]]\nat = \"1 s\"\nto = \"-100 %\"\n"))

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
		ctx, stop := patience(t)
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

// FuzzNumbers gives one number of a demo boat or of its settings any size that its file takes, and tries it: no panic, no
// hang, and a verdict that balances or an error of a known type.
func FuzzNumbers(f *testing.F) {
	names := []string{"petrel", "bracken"}
	for field := range uint16(12) {
		f.Add(field%2 == 0, 11*field, 1000.0)
		f.Add(field%2 == 1, 11*field, 1e-6)
	}
	f.Fuzz(func(t *testing.T, first bool, field uint16, factor float64) {
		name := names[0]
		if !first {
			name = names[1]
		}
		texts := map[string][]byte{}
		var sources []*datafile.Source
		for _, file := range []struct {
			name string
			into any
		}{{bench.BoatFile, new(boat.Boat)}, {bench.SettingsFile, new(settings.Set)}} {
			text, err := os.ReadFile(filepath.Join(demo, name, file.name))
			require.NoError(t, err)
			source, err := datafile.Decode(file.name, text, file.into)
			require.NoError(t, err)
			texts[file.name] = text
			sources = append(sources, source)
		}
		fields := append(numbers(boat.Boat{}), numbers(settings.Set{})...)
		chosen := fields[int(field)%len(fields)]
		source := sources[0]
		if int(field)%len(fields) >= len(numbers(boat.Boat{})) {
			source = sources[1]
		}
		example, err := quantity.Parse(strings.Trim(chosen.Example, `"`), quantity.MustUnit(chosen.Unit))
		require.NoError(t, err, chosen.Key)
		changed, err := source.Set(strings.ReplaceAll(chosen.Key, "[]", "[0]"), quantity.Exactly(example.SI*factor).Text(chosen.Unit))
		if err != nil {
			return // the file refuses it, or has no such table
		}
		texts[source.Name()] = changed
		setup, err := bench.LoadTexts(bench.BoatFile, texts[bench.BoatFile], bench.SettingsFile, texts[bench.SettingsFile])
		if err != nil {
			require.ErrorAs(t, err, new(datafile.Problems))
			return
		}
		trials := builtin(t, "harbour", "locked-shaft")
		trials[0].Duration, trials[1].Duration = 40, 20
		ctx, stop := patience(t)
		defer stop()
		tried, err := bench.Try(ctx, setup, bench.TryOptions{Trials: trials, NoChange: true})
		if err != nil {
			require.True(t, typed(err), "%s × %g: no type of error that the front door knows: %v", chosen.Key, factor, err)
			return
		}
		_, err = tried.MarshalJSON()
		require.NoError(t, err)
	})
}

// patience bounds a run while fuzzing, so that a hang is kept as an input. The seeds take the time that a busy machine gives them.
func patience(t *testing.T) (context.Context, context.CancelFunc) {
	if f := flag.Lookup("test.fuzz"); f == nil || f.Value.String() == "" {
		return context.WithCancel(t.Context())
	}
	return context.WithTimeout(t.Context(), time.Minute)
}

// numbers returns the keys of a file whose value is one quantity.
func numbers(of any) (out []datafile.Field) {
	for _, f := range datafile.Fields(of) {
		if f.Kind == datafile.KindQuantity {
			out = append(out, f)
		}
	}
	return out
}

// typed reports whether an error is one that a simulation of bad numbers may end in. A timeout is none: that is a hang.
func typed(err error) bool {
	return errors.As(err, new(*simulate.UnbalancedError)) || errors.As(err, new(*simulate.ChatterError)) ||
		errors.As(err, new(*ode.NonFiniteError)) || errors.As(err, new(*ode.EventValueError)) || errors.As(err, new(*ode.StepSizeError)) ||
		errors.As(err, new(*ode.TooManyStepsError)) || errors.As(err, new(*ode.SuspectError))
}
