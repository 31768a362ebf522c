package drive_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/drive"
	"quaybench/bench/ode"
)

// TestSettleIsWhereARunComesToRest: the temperatures at rest under a current are those to which the integrator comes after days of it, with a thermometer on the heat sink
// and without.
func TestSettleIsWhereARunComesToRest(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		b, s := benchtest.Boat(t, name)
		b.Battery.Capacity.SI *= 1e6 // a bank that lasts for days
		m, err := drive.New(b, s, drive.Conditions{Air: 298.15, Water: 288.15, Moored: true})
		require.NoError(t, err)
		for _, sink := range []float64{math.NaN(), 310} {
			seen := drive.Unseen()
			seen.MotorCurrent, seen.BatteryCurrent, seen.Voltage, seen.Sink = 90, 40, 52, sink
			begin := drive.Start{Charge: 0.5, Winding: math.NaN(), Housing: math.NaN(), Sink: sink, Battery: math.NaN(), Cables: math.NaN(), Air: math.NaN()}
			run := m.NewRun(func(float64) float64 { return 0 })
			y := run.Begin(begin)
			follow := run.Follow(func(float64) drive.Seen { return seen })
			long, err := new(ode.Integrator).Solve(t.Context(), ode.Problem{System: follow, T0: 0, T1: 20 * 24 * 3600, Y0: y}, ode.Options{RelTol: 1e-6, AbsTol: m.Tolerances(1e-6), Check: ode.CheckOptions{Every: -1}})
			require.NoError(t, err)
			rest := append([]float64{}, y...)
			require.True(t, follow.Settle(0, rest, run.KnownTemperatures(drive.Start{Winding: math.NaN(), Housing: math.NaN(), Sink: math.NaN(), Battery: math.NaN(), Cables: math.NaN(), Air: math.NaN()}, seen)))
			p, q := *follow.Point(0, rest), *follow.Point(1, long.Y)
			for i := range m.Parts {
				part := &m.Parts[i]
				if part.Unit == "°C" || part.Name == "fuse" {
					assert.InDelta(t, part.Value(&q, long.Y), part.Value(&p, rest), 0.05, "%s, heat sink held at %g: %s", name, sink, part.Name)
				}
			}
		}
		seen := drive.Unseen()
		seen.MotorCurrent, seen.Speed, seen.Voltage = b.Stage.Current.SI, 10, 52
		run := m.NewRun(func(float64) float64 { return 0 })
		y := run.Begin(drive.Start{Charge: 0.5, Winding: math.NaN(), Housing: math.NaN(), Sink: math.NaN(), Battery: math.NaN(), Cables: math.NaN(), Air: math.NaN()})
		assert.False(t, run.Follow(func(float64) drive.Seen { return seen }).Settle(0, y, nil), "%s: a winding under all that the controller passes, hardly cooled, has no rest", name)
	}
}
