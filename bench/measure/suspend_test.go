package measure_test

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
)

// stopping is a clock at one of whose readings the process is stopped for 5 s.
type stopping struct {
	port.WallClock
	mu    sync.Mutex
	at, n int
}

func (c *stopping) Now() time.Time {
	c.mu.Lock()
	c.n++
	stop := c.n == c.at
	c.mu.Unlock()
	if stop {
		time.Sleep(5 * time.Second)
	}
	return c.WallClock.Now()
}

// noting is a simulated controller that notes when which throttle arrived.
type noting struct {
	*linksim.Controller
	at     []time.Time
	shares []float64
}

func (n *noting) Throttle(share float64) {
	n.at, n.shares = append(n.at, time.Now()), append(n.shares, share)
	n.Controller.Throttle(share)
}

// Wherever a process is stopped for 5 s, or its machine sleeps, no throttle but zero reaches the controller afterwards, and
// the test ends by its pacing. (Between the last look at the clock and the write remains a race that the controller's
// time-out bounds.)
func TestNoStaleThrottleAfterAStop(t *testing.T) {
	y := petrel(t)
	run := func(t *testing.T, at int) (dev *noting, got measure.Result, read int) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		sim, err := linksim.New(y.boat, y.settings, y.registers, port.WallClock{}, linksim.Options{})
		require.NoError(t, err)
		dev = &noting{Controller: sim}
		near, far := linktest.Pipe()
		timing := modbus.TimingAt(115200)
		go func() {
			_ = modbus.NewServer(y.registers.UnitID(), regmap.NewUnit(y.registers, dev), timing, port.WallClock{}).Serve(ctx, far)
		}()
		clock := &stopping{at: at}
		c := regmap.NewController(y.registers, modbus.NewMaster(near, timing, clock), clock)
		p := steps(t)
		p.Duration = 3
		got, err = measure.Run(ctx, c, p, measure.Options{Commands: true, Clock: clock})
		require.NoError(t, err)
		cancel()
		synctest.Wait()
		return dev, got, clock.n
	}
	all := 0
	synctest.Test(t, func(t *testing.T) { _, _, all = run(t, -1) })
	require.Greater(t, all, 500)
	stopped := 0
	for at := all/2 - 60; at < all/2+60; at++ { // the throttle is on
		synctest.Test(t, func(t *testing.T) {
			dev, got, _ := run(t, at)
			for i := 1; i < len(dev.at); i++ {
				if gap := dev.at[i].Sub(dev.at[i-1]); gap > 400*time.Millisecond {
					stopped++
					for _, share := range dev.shares[i:] {
						assert.Zero(t, share, "stopped at reading %d of the clock: after %v", at, gap)
					}
				}
			}
			assert.NotEqual(t, measure.Finished, got.Stop.Reason, "%d", at)
			assert.True(t, got.Stop.Zero)
			assert.Zero(t, dev.shares[len(dev.shares)-1])
		})
	}
	assert.Greater(t, stopped, 100)
}
