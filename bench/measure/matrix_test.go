package measure_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"text/tabwriter"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/fault"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/record"
)

// The fault matrix of a step test: every fault of fault.All, once and for good, before the start, while the throttle is
// on, and while it goes back to zero; and what can go wrong on our own side: a full disk, a stop by hand, a watch that
// objects, a hang of the process. Held against each:
//
//   - the lever that acts at the controller is zero soon after the test has ended: zero was the last command, or the
//     controller's own command time-out acted;
//   - the test ends by itself, with a reason that says what happened;
//   - the record is readable up to the last sample.
//
// The table of what was tried is printed (go test -v).
func TestStepFaultMatrix(t *testing.T) {
	y := petrel(t)
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "fault\tstage\tlasts\ttest ended\tat\tsamples\tzero confirmed\tlever after")
	timing := modbus.TimingAt(115200)
	for _, stage := range []struct {
		name string
		from float64 // s into the test; below 0: before it
	}{{"before the start", -1}, {"throttle on", 3}, {"going back to zero", 6.05}} {
		for _, bad := range fault.All(timing) {
			for _, forGood := range []bool{false, true} {
				synctest.Test(t, func(t *testing.T) {
					got := faulty(t, y, bad, stage.from, forGood)
					lasts := map[bool]string{false: "once", true: "for good"}[forGood]
					fmt.Fprintf(tab, "%s\t%s\t%s\t%s\t%.2f s\t%d\t%v\t%.2f\n", bad.Name, stage.name, lasts, got.result.Stop.Reason, got.result.Stop.At, len(got.result.Samples), got.result.Stop.Zero, got.lever)
					name := fmt.Sprintf("%s %s %s", bad.Name, stage.name, lasts)
					assert.Zero(t, got.lever, name)
					if !got.result.Stop.Zero && got.result.Stop.Reason != measure.NotReady {
						assert.Error(t, got.result.Stop.Err, "%s: zero was not confirmed, and nobody says so", name)
					}
					read, err := record.Read("run.csv", &got.file)
					require.NoError(t, err, name)
					assert.Len(t, read.Time, len(got.result.Samples), name)
				})
			}
		}
	}
	require.NoError(t, tab.Flush())
	t.Log("\n" + table.String())
}

type outcome struct {
	result measure.Result
	lever  float64 // at the controller, a while after the test
	file   bytes.Buffer
}

// faulty runs a step test over a line that misbehaves from a time on.
func faulty(t *testing.T, y yard, bad fault.Fault, from float64, forGood bool) (out outcome) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	clock := port.WallClock{}
	sim, err := linksim.New(y.boat, y.settings, y.registers, clock, linksim.Options{})
	require.NoError(t, err)
	near, far := port.Pipe()
	timing := modbus.TimingAt(115200)
	go func() { _ = sim.Serve(ctx, y.registers, far, timing) }()
	begun := false
	var start time.Time
	struck := false
	strikes := func(int, []byte) bool {
		due := from < 0 || begun && clock.Now().Sub(start).Seconds() >= from
		if !due || struck && !forGood {
			return false
		}
		struck = true
		return true
	}
	master := modbus.NewMaster(fault.At(near, clock, bad, strikes), timing, clock)
	c := regmap.NewController(y.registers, master, clock)
	w, err := record.NewWriter(&out.file, head(c.Describe().Channels))
	require.NoError(t, err)
	out.result, err = measure.Run(ctx, c, steps(t), measure.Options{Commands: true, Clock: clock, Observe: func(s measure.Sample) error {
		if !begun {
			begun, start = true, clock.Now()
		}
		return w.Sample(s.At, append([]float64{s.Lever}, s.Values...)...)
	}})
	require.NoError(t, err)
	require.NoError(t, clock.Sleep(ctx, 2*time.Second))
	out.lever = sim.Lever()
	cancel()
	synctest.Wait()
	return out
}

// What goes wrong on our own side ends in zero too.
func TestStepEndsInZeroWhateverHappensHere(t *testing.T) {
	y := petrel(t)
	full := errors.New("no space left on device")
	for _, c := range []struct {
		name   string
		change func(o *measure.Options, cancel func())
		want   measure.Reason
	}{
		{"full disk", func(o *measure.Options, _ func()) {
			o.Observe = func(s measure.Sample) error {
				if s.At > 3 {
					return full
				}
				return nil
			}
		}, measure.Unrecorded},
		{"stop by hand, hang-up, or the script's process gone", func(o *measure.Options, cancel func()) {
			o.Observe = func(s measure.Sample) error {
				if s.At > 3 {
					cancel()
				}
				return nil
			}
		}, measure.Cancelled},
		{"outside the predicted band", func(o *measure.Options, _ func()) {
			o.Watch = func(s measure.Sample) string {
				if s.At > 3 {
					return "invented"
				}
				return ""
			}
		}, measure.Strayed},
		{"the process hangs for a second", func(o *measure.Options, _ func()) {
			clock := port.WallClock{}
			o.Observe = func(s measure.Sample) error {
				if s.At > 3 && s.At < 3.06 {
					return clock.Sleep(context.Background(), time.Second)
				}
				return nil
			}
		}, measure.Late},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				line, cut := context.WithCancel(context.Background()) // the controller lives on
				defer cut()
				l, sim := y.connect(t, line)
				o := measure.Options{Commands: true}
				c.change(&o, cancel)
				got, err := measure.Run(ctx, l, steps(t), o)
				require.NoError(t, err)
				assert.Equal(t, c.want, got.Stop.Reason, got.Stop.Text)
				assert.True(t, got.Stop.Zero, "zero was the last command")
				require.NoError(t, port.WallClock{}.Sleep(line, time.Second))
				assert.Zero(t, sim.Lever())
				cut()
				synctest.Wait()
			})
		})
	}
}

// A process that dies with throttle on leaves the controller's own command time-out to act.
func TestKilledHolderLeavesTheTimeOut(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		line, cut := context.WithCancel(context.Background())
		defer cut()
		c, sim := y.connect(t, line)
		clock := port.WallClock{}
		require.NoError(t, c.CommandThrottle(line, 0))
		for range 30 {
			require.NoError(t, c.CommandThrottle(line, 0.5))
			require.NoError(t, clock.Sleep(line, 50*time.Millisecond))
		}
		assert.InDelta(t, 0.5, sim.Lever(), 1e-3)
		// nothing more comes: the holder was killed
		require.NoError(t, clock.Sleep(line, c.Describe().Throttle.CommandTimeout+time.Millisecond))
		assert.Zero(t, sim.Lever())
		cut()
		synctest.Wait()
	})
}

// The time-out is proven at a small command, and a controller that does not forget is found out.
func TestTimeOutIsProven(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		line, cut := context.WithCancel(context.Background())
		defer cut()
		c, sim := y.connect(t, line)
		require.NoError(t, c.CommandThrottle(line, 0))
		proof, err := measure.ProveTimeout(line, c, port.WallClock{}, y.settings.Ramp.Fall)
		require.NoError(t, err)
		assert.LessOrEqual(t, proof.Command, 0.15)
		assert.Less(t, proof.Gone, 2*time.Second)
		assert.Zero(t, sim.Lever())
		cut()
		synctest.Wait()
	})
}

// head is what a record of these channels begins with.
func head(channels []link.Channel) *record.Run {
	h := &record.Run{Boat: "petrel", Trial: "steps", Provenance: record.Provenance{Source: "measured"}}
	h.Traces = append(h.Traces, record.Trace{Name: record.Lever, Unit: "%"})
	for _, c := range channels {
		h.Traces = append(h.Traces, record.Trace{Name: c.Name, Unit: c.Unit})
	}
	return h
}
