package measure_test

import (
	"cmp"
	"context"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/settings"
)

// stopping is a clock at one of whose readings, and at others after it, the process is stopped for a while.
type stopping struct {
	port.WallClock
	mu    sync.Mutex
	at, n int
	again int           // every so many readings after it; 0: never
	pause time.Duration // 0: 5 s
}

func (c *stopping) Now() time.Time {
	c.mu.Lock()
	c.n++
	stop := c.n == c.at || c.again > 0 && c.n > c.at && (c.n-c.at)%c.again == 0
	c.mu.Unlock()
	if stop {
		time.Sleep(cmp.Or(c.pause, 5*time.Second))
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
	noStaleThrottle(t, func(all int) (from, to, every int) { return all/2 - 60, all/2 + 60, 1 }, 5*time.Second)
}

// noStaleThrottle stops a process for each of the pauses at some of the clock's readings.
func noStaleThrottle(t *testing.T, where func(all int) (from, to, every int), pauses ...time.Duration) {
	y := petrel(t)
	run := func(t *testing.T, at int, pause time.Duration) (dev *noting, got measure.Result, read int) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		sim, err := linksim.New(y.boat, y.settings, y.registers.Describe(), port.WallClock{}, linksim.Options{})
		require.NoError(t, err)
		dev = &noting{Controller: sim}
		near, far := linktest.Pipe()
		timing := modbus.TimingAt(115200)
		go func() {
			_ = modbus.NewServer(y.registers.UnitID(), regmap.NewUnit(y.registers, dev), timing, port.WallClock{}).Serve(ctx, far)
		}()
		clock := &stopping{at: at, pause: pause}
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
	synctest.Test(t, func(t *testing.T) { _, _, all = run(t, -1, 0) })
	require.Greater(t, all, 500)
	from, to, every := where(all)
	for _, pause := range pauses {
		stopped := 0
		for at := from; at < to; at += every {
			synctest.Test(t, func(t *testing.T) {
				dev, got, _ := run(t, at, pause)
				for i := 1; i < len(dev.at); i++ {
					if gap := dev.at[i].Sub(dev.at[i-1]); gap > 400*time.Millisecond && dev.shares[i-1] != 0 {
						stopped++
						for _, share := range dev.shares[i:] {
							assert.Zero(t, share, "stopped for %v at reading %d of the clock: after %v", pause, at, gap)
						}
						if i < len(dev.at)-1 { // else the programme was over
							assert.NotEqual(t, measure.Finished, got.Stop.Reason, "%d", at)
						}
					}
				}
				assert.True(t, got.Stop.Zero)
				assert.Zero(t, dev.shares[len(dev.shares)-1])
			})
		}
		assert.Greater(t, stopped, 100)
	}
}

// proveLate proves the time-out on a machine that stops; a controller whose own time-out is truly another may stand behind.
func proveLate(t *testing.T, y yard, plan *measure.ProofPlan, truly *regmap.Map, clock *stopping) (dev *noting, proof measure.Proof, err error) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	sim, err := linksim.New(y.boat, y.settings, truly.Describe(), port.WallClock{}, linksim.Options{})
	require.NoError(t, err)
	dev = &noting{Controller: sim}
	near, far := linktest.Pipe()
	timing := modbus.TimingAt(115200)
	go func() {
		_ = modbus.NewServer(truly.UnitID(), regmap.NewUnit(truly, dev), timing, port.WallClock{}).Serve(ctx, far)
	}()
	c := regmap.NewController(y.registers, modbus.NewMaster(near, timing, clock), clock)
	proof, err = measure.ProveTimeout(ctx, c, clock, plan)
	require.NoError(t, port.WallClock{}.Sleep(ctx, 2*time.Second))
	assert.Zero(t, sim.Lever())
	require.NoError(t, sim.Err())
	cancel()
	synctest.Wait()
	return dev, proof, err
}

// A machine that was late for 0.6 s, at whatever instant of the proof, is no reason to distrust a controller: the proof
// begins again from rest, and no command goes on after a gap in which the controller forgot it. After 5 s, or where the
// machine is late again and again, it is refused in the machine's name. A controller with another time-out never passes.
func TestProofTellsALateMachineFromALateController(t *testing.T) {
	y := petrel(t)
	plan := y.plan(t)
	var again []string
	plan.Tell = func(text string) { again = append(again, text) }
	text := string(benchtest.File(t, "petrel", "registers.toml"))
	truly := func(timeout string) *regmap.Map {
		m, err := regmap.Load("truly.toml", []byte(strings.Replace(text, "400 ms", timeout, 1)), settings.Fields())
		require.NoError(t, err)
		return m
	}
	all := 0
	synctest.Test(t, func(t *testing.T) {
		clock := &stopping{at: -1}
		_, _, err := proveLate(t, y, plan, y.registers, clock)
		require.NoError(t, err)
		all = clock.n
	})
	require.Greater(t, all, 300)
	repeated := 0
	for at := 1; at < all; at += 23 {
		synctest.Test(t, func(t *testing.T) {
			again = nil
			dev, proof, err := proveLate(t, y, plan, y.registers, &stopping{at: at, pause: 600 * time.Millisecond})
			assert.NoError(t, err, "reading %d of %d", at, all)
			repeated += len(again)
			for i := 1; i < len(dev.at); i++ {
				if gap := dev.at[i].Sub(dev.at[i-1]); gap > 420*time.Millisecond && dev.shares[i-1] != 0 {
					assert.Zero(t, dev.shares[i], "reading %d of %d: after %v", at, all, gap)
				}
			}
			assert.InDelta(t, 0.45, proof.Gone.Seconds(), 0.3)
		})
		synctest.Test(t, func(t *testing.T) {
			_, _, err := proveLate(t, y, plan, truly("2 s"), &stopping{at: at, pause: 600 * time.Millisecond})
			assert.Error(t, err, "a controller that goes on for 2 s, stopped at reading %d of %d", at, all)
		})
		synctest.Test(t, func(t *testing.T) {
			_, _, err := proveLate(t, y, plan, truly("90 ms"), &stopping{at: at, pause: 600 * time.Millisecond})
			assert.Error(t, err, "a controller that forgets after 90 ms, stopped at reading %d of %d", at, all)
		})
	}
	assert.Greater(t, repeated, 5)

	synctest.Test(t, func(t *testing.T) {
		again = nil
		_, _, err := proveLate(t, y, plan, y.registers, &stopping{at: all / 2})
		assert.ErrorContains(t, err, "this computer was late: 5")
		assert.Empty(t, again, "a person decides anew after a suspend")
	})
	synctest.Test(t, func(t *testing.T) {
		again = nil
		_, _, err := proveLate(t, y, plan, y.registers, &stopping{at: all / 2, again: 60, pause: 600 * time.Millisecond})
		assert.Regexp(t, "this computer(: | was late: )7", err.Error(), "within a reading nothing tells the machine from the line")
		assert.Len(t, again, 1)
	})
}

// oversleeping is a clock that once sleeps longer than it was asked to.
type oversleeping struct {
	port.WallClock
	at, n int
}

func (c *oversleeping) Sleep(ctx context.Context, d time.Duration) error {
	if c.n++; c.n == c.at {
		d += 350 * time.Millisecond
	}
	return c.WallClock.Sleep(ctx, d)
}

// TestNoCommandIsRepeatedLate: where this machine slept through a sample by more than half of the controller's time-out, the command that was to be repeated before it
// does not go out: the test ends by its pacing. Before, it went out up to a time-out late.
func TestNoCommandIsRepeatedLate(t *testing.T) {
	y := petrel(t)
	late := 0
	for at := 1; at < 40; at++ {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			sim, err := linksim.New(y.boat, y.settings, y.registers.Describe(), port.WallClock{}, linksim.Options{})
			require.NoError(t, err)
			dev := &noting{Controller: sim}
			near, far := linktest.Pipe()
			timing := modbus.TimingAt(115200)
			go func() {
				_ = modbus.NewServer(y.registers.UnitID(), regmap.NewUnit(y.registers, dev), timing, port.WallClock{}).Serve(ctx, far)
			}()
			c := regmap.NewController(y.registers, modbus.NewMaster(near, timing, port.WallClock{}), port.WallClock{})
			p := steps(t)
			p.Duration = 6
			got, err := measure.Run(ctx, c, p, measure.Options{Commands: true, Rate: 4, Clock: &oversleeping{at: at}})
			require.NoError(t, err)
			if got.Stop.Reason == measure.Late {
				late++
			}
			for i := 1; i < len(dev.at); i++ {
				if gap := dev.at[i].Sub(dev.at[i-1]); gap > 330*time.Millisecond && dev.shares[i-1] != 0 && got.Stop.Reason == measure.Late {
					assert.Zero(t, dev.shares[i], "sleep %d: after %v", at, gap)
				}
			}
			assert.True(t, got.Stop.Zero)
			cancel()
			synctest.Wait()
		})
	}
	assert.Positive(t, late)
}
