package drive_test

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/testdata/reference"
)

// checks are what a model is held against, by name. Each takes a model that is broken first.
var checks = map[string]func(t require.TestingT, broken func(*drive.Model)){
	"figures": func(t require.TestingT, broken func(*drive.Model)) {
		drive.CheckFigures(t, "petrel", broken)
		drive.CheckFigures(t, "bracken", broken)
	},
	"circuits": drive.CheckCircuits,
	"network": func(t require.TestingT, broken func(*drive.Model)) {
		drive.CheckNetwork(t, "petrel", broken)
		drive.CheckNetwork(t, "bracken", broken)
	},
	"energy":     energy,
	"crash stop": crashStop,
}

// run simulates a trial of ninety seconds: full ahead, full astern, neutral.
func run(t require.TestingT, name string, broken func(*drive.Model)) *record.Run {
	b, s, err := reference.Boat(name)
	require.NoError(t, err)
	tr, err := trial.Builtin("crash-stop")
	require.NoError(t, err)
	tr.Throttle = []trial.Step{{At: 1, To: 1}, {At: 40, To: -1, Over: 0.5}, {At: 70, To: 0, Over: 0.5}}
	tr.Duration = 80
	r, err := simulate.Run(context.Background(), b, s, tr, simulate.Options{Model: broken})
	require.NoError(t, err, "%s", name)
	return r
}

// energy: nothing is lost or made; the guard in simulate.Run refuses such a run.
func energy(t require.TestingT, broken func(*drive.Model)) {
	for _, name := range []string{"petrel", "bracken"} {
		e := run(t, name, broken).Energy
		require.Less(t, math.Abs(e.Residual), 1e-4*e.Throughput, "%s: energy", name)
		require.Positive(t, e.Battery, "%s: a drive takes energy from its battery", name)
		require.Positive(t, e.Heat, name)
	}
}

// crashStop: full ahead the boat gathers way, full astern it loses it.
func crashStop(t require.TestingT, broken func(*drive.Model)) {
	for _, name := range []string{"petrel", "bracken"} {
		r := run(t, name, broken)
		speed, ok := r.Trace(record.BoatSpeed)
		require.True(t, ok)
		require.Greater(t, r.At(speed, 39), 1.5, "%s: full ahead for forty seconds", name)
		require.Less(t, r.At(speed, 69), 0.5*r.At(speed, 40), "%s: full astern for thirty", name)
	}
}

func TestSoundModelsPass(t *testing.T) {
	for _, name := range slices.Sorted(maps.Keys(checks)) {
		t.Run(name, func(t *testing.T) { checks[name](t, nil) })
	}
}

// TestBrokenModelsAreCaught breaks the model on purpose, one fault at a time: the check that is named for it must fail,
// and say what it is about.
func TestBrokenModelsAreCaught(t *testing.T) {
	caughtBy := map[string][2]string{ // check, and what it says
		"thrust the wrong way":                       {"crash stop", "full ahead for forty seconds"},
		"torque the wrong way":                       {"circuits", "torque is the constant times the armature's current"},
		"braking current the wrong way":              {"circuits", "the source's voltage falls with its current"},
		"battery current taken for motor current":    {"energy", "energy"},
		"freewheel loss left out of the heat":        {"energy", "energy"},
		"ripple loss left out of the heat":           {"energy", "energy"},
		"no freewheel loss at all":                   {"figures", "freewheel conduction"},
		"no switching loss":                          {"figures", "switching loss"},
		"no resistance in the link capacitor":        {"figures", "ripple in the link capacitor"},
		"no brush drop":                              {"figures", "heat of the commutator"},
		"half the battery's resistance":              {"figures", "heat of the battery"},
		"twice the battery's charge":                 {"figures", "discharge"},
		"twice the inertia":                          {"figures", "acceleration of the shaft"},
		"a gear without loss":                        {"figures", "bracken: acceleration of the shaft"},
		"no housekeeping":                            {"figures", "heat of the sink"},
		"the sink's thermal resistance doubled":      {"network", "heat sink above compartment air"},
		"the compartment's resistance doubled":       {"network", "compartment air"},
		"a joint's thermal resistance doubled":       {"network", "battery lug above compartment air"},
		"the winding cooled by air, not its housing": {"network", "winding above motor housing"},
	}
	require.Equal(t, slices.Sorted(maps.Keys(drive.Broken)), slices.Sorted(maps.Keys(caughtBy)), "every broken model has its check")
	for _, name := range slices.Sorted(maps.Keys(caughtBy)) {
		t.Run(name, func(t *testing.T) {
			by := caughtBy[name]
			said, failed := outcome(func(t require.TestingT) { checks[by[0]](t, drive.Broken[name]) })
			require.True(t, failed, "the check %q lets it pass", by[0])
			assert.Contains(t, said, by[1])
		})
	}
}

// outcome runs a check that may fail.
func outcome(check func(t require.TestingT)) (said string, failed bool) {
	o := new(onlooker)
	defer func() {
		if x := recover(); x != nil {
			if x != o {
				panic(x)
			}
			said, failed = o.said.String(), o.failed
		}
	}()
	check(o)
	return o.said.String(), o.failed
}

// onlooker notes a failure in place of a test.
type onlooker struct {
	said   strings.Builder
	failed bool
}

func (o *onlooker) Errorf(format string, args ...any) {
	o.failed = true
	fmt.Fprintf(&o.said, format, args...)
}

func (o *onlooker) FailNow() { panic(o) }
