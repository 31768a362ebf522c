package measure_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// yard is the invented launch petrel on a line.
type yard struct {
	boat      *boat.Boat
	settings  settings.Set
	registers *regmap.Map
}

func petrel(t *testing.T) yard { t.Helper(); return petrelFor(t) }

func petrelFor(t testing.TB) yard {
	t.Helper()
	b, s := benchtest.Boat(t, "petrel")
	return yard{b, s, benchtest.Registers(t, "petrel")}
}

// connect starts a simulated controller in a bubble and returns both ends.
func (y yard) connect(t *testing.T, ctx context.Context) (link.Controller, *linksim.Controller) {
	clock := port.WallClock{}
	sim, err := linksim.New(y.boat, y.settings, y.registers.Describe(), clock, linksim.Options{})
	require.NoError(t, err)
	near, far := linktest.Pipe()
	timing := modbus.TimingAt(115200)
	go func() { _ = sim.Serve(ctx, y.registers, far, timing) }()
	return regmap.NewController(y.registers, modbus.NewMaster(near, timing, clock), clock), sim
}

const program = `
name = "steps"
duration = "12 s"
moored = true
[[throttle]]
at = "1 s"
to = "40 %"
[[throttle]]
at = "6 s"
to = "0 %"
`

func steps(t *testing.T) *trial.Trial {
	p, err := trial.Read("steps.toml", []byte(program))
	require.NoError(t, err)
	return p
}

// A step test on the simulated controller shows what the simulation predicts, and zero is its last command.
func TestStepTestAgreesWithThePrediction(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		c, sim := y.connect(t, ctx)
		got, err := measure.Run(ctx, c, steps(t), measure.Options{Commands: true})
		require.NoError(t, err)
		assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
		assert.True(t, got.Stop.Zero)
		assert.Len(t, got.Samples, 12*20+1)
		assert.Zero(t, sim.Lever())
		assert.ErrorIs(t, c.CommandThrottle(ctx, 0.1), link.ErrHalted, "nothing comes after zero")

		run, err := measure.Complete(ctx, y.boat, y.settings, steps(t), &got)
		require.NoError(t, err)
		want, err := simulate.Run(ctx, y.boat, y.settings, steps(t), simulate.Options{})
		require.NoError(t, err)
		for _, name := range []string{"winding", "switch junction", "motor cable", "heat sink", "commutator"} {
			a, ok := run.Trace(name)
			require.True(t, ok, name)
			assert.True(t, a.Inferred)
			b, _ := want.Trace(name)
			for _, at := range []float64{2, 4, 6, 9, 12} {
				assert.InDelta(t, want.At(b, at), run.At(a, at), 0.6, "%s at %g s", name, at)
			}
		}
		v, err := verdict.Judge(run)
		require.NoError(t, err)
		assert.Equal(t, verdict.Clear, v.Level)
		cancel()
		synctest.Wait()
	})
}

// A hard limit stops the test at once, with zero as the last command.
func TestHardLimitStopsAtOnce(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		c, sim := y.connect(t, ctx)
		got, err := measure.Run(ctx, c, steps(t), measure.Options{Commands: true, Bounds: []measure.Bound{
			{Channel: link.MotorCurrent, Low: -20, High: 20, Why: "invented limit of this test"},
		}})
		require.NoError(t, err)
		assert.Equal(t, measure.Limit, got.Stop.Reason)
		assert.Contains(t, got.Stop.Text, "motor current")
		assert.True(t, got.Stop.Zero)
		assert.Greater(t, got.Samples[len(got.Samples)-1].At, 1.0)
		require.NoError(t, port.WallClock{}.Sleep(ctx, time.Second)) // the bubble's clock: no real time passes
		assert.Zero(t, sim.Lever())
		cancel()
		synctest.Wait()
	})
}
