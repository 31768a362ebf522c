package linksim_test

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
	"quaybench/bench/settings"
)

func petrel(t *testing.T) (*boat.Boat, settings.Set, *regmap.Map) { t.Helper(); return petrelFor(t) }

func petrelFor(t testing.TB) (*boat.Boat, settings.Set, *regmap.Map) {
	t.Helper()
	b, s := benchtest.Boat(t, "petrel")
	return b, s, benchtest.Registers(t, "petrel")
}

// A person's view of it: settings are there, a throttle command turns the moored boat's propeller, and without further
// commands the controller goes to zero by itself.
func TestSimulatedController(t *testing.T) {
	b, s, m := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		clock := port.WallClock{}
		sim, err := linksim.New(b, s, m.Describe(), clock, linksim.Options{})
		require.NoError(t, err)
		near, far := linktest.Pipe()
		timing := modbus.TimingAt(115200)
		served := make(chan error, 1)
		go func() { served <- sim.Serve(ctx, m, far, timing) }()
		c := regmap.NewController(m, modbus.NewMaster(near, timing, clock), clock)

		got, err := c.ReadSettings(ctx)
		require.NoError(t, err)
		assert.InDelta(t, s.Limits.MotorCurrent, got["limits.motor_current"], 0.5)

		stored, err := c.WriteSetting(ctx, "limits.motor_current", 120)
		require.NoError(t, err)
		assert.InDelta(t, 120, stored, 0.5)

		require.NoError(t, c.CommandThrottle(ctx, 0)) // neutral first, or the interlock holds
		for range 60 {
			require.NoError(t, c.CommandThrottle(ctx, 0.6))
			require.NoError(t, clock.Sleep(ctx, 100*time.Millisecond))
		}
		names := map[string]int{}
		for i, ch := range c.Describe().Channels {
			names[ch.Name] = i
		}
		sample, err := c.ReadTelemetry(ctx)
		require.NoError(t, err)
		assert.Greater(t, sample.Values[names[link.MotorCurrent]], 20.0)
		assert.Greater(t, sample.Values[names[link.MotorSpeed]], 20.0)
		running, err := c.Running(ctx)
		require.NoError(t, err)
		assert.True(t, running)

		require.NoError(t, clock.Sleep(ctx, 5*time.Second))
		assert.Zero(t, sim.Lever(), "the controller forgets the command")
		sample, err = c.ReadTelemetry(ctx)
		require.NoError(t, err)
		assert.InDelta(t, 0, sample.Values[names[link.MotorCurrent]], 1)

		require.NoError(t, c.Close())
		cancel()
		<-served
		require.NoError(t, sim.Err())
	})
}
