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

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/link/fault"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/record"
)

// mishap is something that goes wrong in a step test: on the line, in the controller, or on our own side.
type mishap struct {
	fault.Fault        // of the line; without a name none
	name        string // where it is no fault of the line
	act         func(e *ending, forGood bool)
}

// mishaps are all of them: every fault of fault.All, and what a line has no part in.
func mishaps() (list []mishap) {
	for _, bad := range fault.All(modbus.TimingAt(115200)) {
		list = append(list, mishap{Fault: bad, name: bad.Name})
	}
	return append(list,
		mishap{name: "reset to defaults", act: func(e *ending, _ bool) { e.sim.Reset() }},
		mishap{name: "full disk", act: func(e *ending, _ bool) { e.full = true }},
		mishap{name: "killed script", act: func(e *ending, _ bool) { e.cancel(errGone) }},
		// Nothing that this process still does reaches the line; what it says of its end, nobody hears.
		mishap{name: "killed holder", act: func(e *ending, _ bool) { e.killed = true }})
}

var errGone = errors.New("the script's process is gone")

// stage is when it goes wrong.
type stage struct {
	name string
	due  func(e *ending) bool
}

// stages of the step test: after so many seconds, or when the last sample has been taken.
func stages() []stage {
	after := func(s float64) func(e *ending) bool {
		return func(e *ending) bool {
			return !e.start.IsZero() && port.WallClock{}.Now().Sub(e.start).Seconds() >= s
		}
	}
	return []stage{
		{"before the start", func(*ending) bool { return true }},
		{"throttle on", after(3)},
		{"going back to zero", after(6.05)},
		{"halt", func(e *ending) bool { return e.taken >= 12*20+1 }},
	}
}

// ending is a test in progress, and how it ended.
type ending struct {
	sim    *linksim.Controller
	cancel context.CancelCauseFunc
	start  time.Time // zero before the first sample
	taken  int       // samples
	struck bool
	full   bool // the disk is
	killed bool // this process is

	result measure.Result
	lever  float64 // at the controller, a while after the test
	file   bytes.Buffer
}

// The fault matrix of a step test: every fault of fault.All, once and for good, a reset of the controller, a full disk, a
// killed script and a killed holder; before the start, while the throttle is on, while it goes back to zero, and in the
// halt at the end. Held against each:
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
	tried := 0
	for _, when := range stages() {
		for _, bad := range mishaps() {
			for _, forGood := range []bool{false, true} {
				if bad.act != nil && !forGood {
					continue // these last
				}
				synctest.Test(t, func(t *testing.T) {
					got := faulty(t, y, bad, when, forGood)
					lasts := map[bool]string{false: "once", true: "for good"}[forGood]
					stop := got.result.Stop
					ended, confirmed := stop.Reason.String(), fmt.Sprint(stop.Zero)
					if got.killed {
						ended, confirmed = "nobody says", "nobody says"
					}
					tried++
					fmt.Fprintf(tab, "%s\t%s\t%s\t%s\t%.2f s\t%d\t%s\t%.2f\n", bad.name, when.name, lasts, ended, stop.At, len(got.result.Samples), confirmed, got.lever)
					name := fmt.Sprintf("%s %s %s", bad.name, when.name, lasts)
					assert.True(t, got.struck, "%s: it never happened", name)
					assert.Zero(t, got.lever, name)
					if !stop.Zero && stop.Reason != measure.NotReady {
						assert.Error(t, stop.Err, "%s: zero was not confirmed, and nobody says so", name)
					}
					switch bad.name {
					case "killed script":
						assert.True(t, stop.Zero, name)
						if when.name == "halt" {
							assert.Equal(t, measure.Finished, stop.Reason, name) // too late to stop anything
							break
						}
						assert.ErrorIs(t, stop.Err, context.Canceled, name)
						assert.Contains(t, stop.Text, errGone.Error(), name)
					case "full disk":
						assert.True(t, stop.Zero, name)
						assert.Equal(t, measure.Unrecorded, stop.Reason, name)
					}
					read, err := record.Read("run.csv", &got.file)
					require.NoError(t, err, name)
					want := len(got.result.Samples)
					if got.full {
						want-- // the one that did not fit
					}
					assert.Len(t, read.Time, want, name)
				})
			}
		}
	}
	require.NoError(t, tab.Flush())
	t.Logf("%d tried\n%s", tried, &table)
}

// faulty runs a step test in which something goes wrong.
func faulty(t *testing.T, y yard, bad mishap, when stage, forGood bool) (out ending) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	test, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	out.cancel = cancel
	clock := port.WallClock{}
	var err error
	out.sim, err = linksim.New(y.boat, y.settings, y.registers.Describe(), clock, linksim.Options{})
	require.NoError(t, err)
	require.NoError(t, out.sim.SetSetting("limits.motor_current", 120))
	near, far := linktest.Pipe()
	timing := modbus.TimingAt(115200)
	go func() { _ = out.sim.Serve(ctx, y.registers, far, timing) }()
	strikes := func(int, []byte) bool {
		if bad.act != nil || !when.due(&out) || out.struck && !forGood {
			return false
		}
		out.struck = true
		return true
	}
	// Who is killed asks no more.
	killed := fault.Fault{Request: func([]byte) []byte { return nil }}
	line := linktest.Misbehave(linktest.Misbehave(near, clock, bad.Fault, strikes), clock, killed, func(int, []byte) bool { return out.killed })
	c := regmap.NewController(y.registers, modbus.NewMaster(line, timing, clock), clock)
	w, err := record.NewWriter(&out.file, head(c.Describe().Channels))
	require.NoError(t, err)
	act := func() {
		if bad.act != nil && !out.struck && when.due(&out) {
			out.struck = true
			bad.act(&out, forGood)
		}
	}
	act()
	out.result, err = measure.Run(test, c, steps(t), measure.Options{Commands: true, Clock: clock, Observe: func(s measure.Sample) error {
		if out.start.IsZero() {
			out.start = clock.Now()
		}
		out.taken++
		act()
		if out.full {
			return errors.New("no space left on device")
		}
		return w.Sample(s.At, append([]float64{s.Lever}, s.Values...)...)
	}})
	require.NoError(t, err)
	require.NoError(t, clock.Sleep(ctx, 2*time.Second))
	out.lever = out.sim.Lever()
	stop()
	synctest.Wait()
	return out
}

// The proof of the command time-out is a stage of its own: whatever goes wrong in it, once or for good, at any time, the
// lever is zero afterwards, and what was not proven is not taken for proven.
func TestTimeOutFaultMatrix(t *testing.T) {
	y := petrel(t)
	plan := y.plan(t)
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "fault\tstage\tlasts\tproven\tlever after\twhat it says")
	// A stage is told by what was asked before: nothing, a command just now, or a command a while ago.
	for _, when := range []struct {
		name string
		due  func(sinceStart, sinceCommand time.Duration) bool
	}{
		{"before the proof", func(_, _ time.Duration) bool { return true }},
		{"small command on", func(start, _ time.Duration) bool { return start >= 700*time.Millisecond }},
		{"waiting for zero", func(_, command time.Duration) bool { return command >= 350*time.Millisecond }},
	} {
		for _, bad := range mishaps() {
			if bad.name == "full disk" || bad.name == "reset to defaults" {
				continue // nothing is recorded yet, and no setting has a part in it
			}
			for _, forGood := range []bool{false, true} {
				if bad.act != nil && !forGood {
					continue
				}
				synctest.Test(t, func(t *testing.T) {
					ctx, stop := context.WithCancel(t.Context())
					defer stop()
					test, cancel := context.WithCancelCause(ctx)
					defer cancel(nil)
					clock := port.WallClock{}
					sim, err := linksim.New(y.boat, y.settings, y.registers.Describe(), clock, linksim.Options{})
					require.NoError(t, err)
					near, far := linktest.Pipe()
					timing := modbus.TimingAt(115200)
					go func() { _ = sim.Serve(ctx, y.registers, far, timing) }()
					start, command, struck := clock.Now(), clock.Now().Add(time.Hour), false
					line := linktest.Misbehave(near, clock, orLost(bad), func(_ int, request []byte) bool {
						due := when.due(clock.Now().Sub(start), clock.Now().Sub(command))
						if request[1] == byte(modbus.WriteRegister) {
							command = clock.Now()
						}
						if !due || struck && !forGood {
							return false
						}
						struck = true
						if bad.name == "killed script" {
							cancel(errGone)
							return false
						}
						return true
					})
					c := regmap.NewController(y.registers, modbus.NewMaster(line, timing, clock), clock)
					proof, err := measure.ProveTimeout(test, c, clock, plan)
					require.NoError(t, clock.Sleep(ctx, 2*time.Second))
					name := fmt.Sprintf("%s %s", bad.name, when.name)
					assert.True(t, struck, "%s: it never happened", name)
					assert.Zero(t, sim.Lever(), name)
					says := ""
					if err != nil {
						says, _, _ = strings.Cut(err.Error(), "\n")
					} else {
						assert.Greater(t, proof.Gone, 400*time.Millisecond, name)
					}
					if forGood {
						assert.Error(t, err, name)
					}
					lasts := map[bool]string{false: "once", true: "for good"}[forGood]
					fmt.Fprintf(tab, "%s\t%s\t%s\t%v\t%.2f\t%.90s\n", bad.name, when.name, lasts, err == nil, sim.Lever(), says)
					stop()
					synctest.Wait()
				})
			}
		}
	}
	require.NoError(t, tab.Flush())
	t.Log("\n" + table.String())
}

// orLost returns a line's fault; of a killed holder, that nothing is asked any more.
func orLost(m mishap) fault.Fault {
	if m.act != nil {
		return fault.Fault{Name: m.name, Request: func([]byte) []byte { return nil }}
	}
	return m.Fault
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
			o.Watch = func(_ int, at, _ float64) string {
				if at > 3 {
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
		proof, err := measure.ProveTimeout(line, c, port.WallClock{}, y.plan(t))
		require.NoError(t, err)
		t.Logf("%+v", proof)
		assert.LessOrEqual(t, proof.Command, 0.15)
		assert.InDelta(t, proof.Wanted, proof.Shown, 0.5)
		assert.Less(t, proof.Gone, 2*time.Second)
		assert.Zero(t, sim.Lever())
		cut()
		synctest.Wait()
	})
}

// plan returns the proof's, from the simulation.
func (y yard) plan(t *testing.T) *measure.ProofPlan {
	p, err := bench.PlanProof(t.Context(), &bench.Setup{Boat: y.boat, Settings: y.settings}, steps(t), y.registers.Describe())
	require.NoError(t, err)
	return p
}

// head returns what a record of these channels begins with.
func head(channels []link.Channel) *record.Run {
	h := &record.Run{Boat: "petrel", Trial: "steps", Provenance: record.Provenance{Source: "measured"}}
	h.Traces = append(h.Traces, record.Trace{Name: record.Lever, Unit: "%"})
	for _, c := range channels {
		h.Traces = append(h.Traces, record.Trace{Name: c.Name, Unit: c.Unit})
	}
	return h
}
