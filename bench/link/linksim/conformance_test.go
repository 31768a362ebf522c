package linksim_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/regmap"
)

// TestConformance runs the suite of every link on the simulated controller, over its loopback and a virtual clock: its
// motor really runs while it is told to, and really comes to rest.
func TestConformance(t *testing.T) {
	b, s, m := petrel(t)
	linktest.Controller(t, func(t *testing.T) linktest.Bench {
		clock := linksim.NewVirtual(time.Unix(0, 0))
		sim, err := linksim.New(b, s, m.Describe(), clock, linksim.Options{})
		require.NoError(t, err)
		timing := modbus.TimingAt(115200)
		p := sim.Loopback(m, timing, clock)
		t.Cleanup(func() {
			require.NoError(t, p.Close())
			require.NoError(t, sim.Err())
		})
		pass := func(d time.Duration) { require.NoError(t, clock.Sleep(t.Context(), d)) }
		return linktest.Bench{
			Controller: regmap.NewController(m, modbus.NewMaster(p, timing, clock), clock),
			Throttle:   sim.Lever,
			SetRunning: func(on bool) {
				if !on {
					sim.Throttle(0)
					pass(30 * time.Second)
					return
				}
				sim.Throttle(0)
				pass(100 * time.Millisecond)
				for range 20 {
					sim.Throttle(0.6)
					pass(100 * time.Millisecond)
				}
			},
		}
	})
}
