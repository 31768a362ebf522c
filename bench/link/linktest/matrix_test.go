package linktest_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"text/tabwriter"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/fault"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
)

// The fault matrix: every fault of fault.All, at every request of every
// operation of a controller over Modbus. Held against each:
//
//   - no error means the truth was read or written;
//   - every error is one of the typed ones, and comes in bounded time;
//   - a setting is the old or the new one, never a third;
//   - after one fault the line works again, with true values (but for a line
//     that is gone);
//   - halt reaches zero through any single fault but a line that is gone.
//
// The table of what was tried is printed (go test -v).

const (
	oldLimit, newLimit = 100.0, 150.0 // A
	volts, speed       = 48.5, 2.5    // V, rad/s: the stream turns the propeller
)

// testDevice is the far end of the matrix.
type testDevice struct {
	settings map[string]float64
	mu       sync.Mutex
	share    float64
	orders   int // throttle commands received
}

func (d *testDevice) Setting(key string) float64                 { return d.settings[key] }
func (d *testDevice) SetSetting(key string, value float64) error { d.settings[key] = value; return nil }
func (d *testDevice) Running() bool                              { return false }
func (d *testDevice) Throttle(share float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.share = share
	d.orders++
}

// told returns the last throttle command; one that is late may come at any time.
func (d *testDevice) told() float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.share
}

func (d *testDevice) Reading(name string) float64 {
	return map[string]float64{"voltage": volts, "motor_speed": speed}[name]
}

const matrixMap = `
title = "invented controller of the fault matrix"
unit_id = 17
[running]
table = "discrete"
address = 0
[[unlock]]
address = 0xF0
value = 0xA5
[[lock]]
address = 0xF0
value = 0
[[setting]]
key = "limits.motor_current"
table = "holding"
address = 1
type = "u16"
unit = "A"
scale = "0.5 A"
min = "1 A"
max = "250 A"
[[setting]]
key = "ramp.rise"
table = "holding"
address = 7
type = "u16"
unit = "s"
scale = "10 ms"
min = "0.1 s"
max = "20 s"
[[reading]]
key = "voltage"
table = "input"
address = 3
type = "u16"
unit = "V"
scale = "10 mV"
max = "100 V"
[[reading]]
key = "motor_speed"
table = "input"
address = 9
type = "u16"
unit = "1/min"
scale = "1 1/min"
max = "6000 1/min"
[throttle]
address = 0x20
type = "s16"
zero = 0
ahead = 1000
command_timeout = "300 ms"
[throttle.direction]
address = 0x21
neutral = 0
ahead = 1
astern = 2
`

// rig is a controller over a line that misbehaves.
type rig struct {
	controller link.Controller
	device     *testDevice
	requests   int // seen by the fault
	struck     bool
	over       bool   // the fault strikes no more
	always     bool   // it strikes every time
	act        func() // done at that request; nil: nothing
}

// newRig lets the fault strike at one request; slave is how long the far end
// takes over each reply.
func newRig(t *testing.T, m *regmap.Map, slave time.Duration, bad fault.Fault, at int) *rig {
	r := &rig{device: &testDevice{settings: map[string]float64{"limits.motor_current": oldLimit, "ramp.rise": 3}}}
	timing := modbus.TimingAt(115200)
	near, far := linktest.Pipe()
	clock := port.WallClock{}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	slow := fault.Fault{Name: "slow slave", Reply: func(_, reply []byte) []fault.Piece {
		return []fault.Piece{{After: slave, Bytes: reply}}
	}}
	go func() {
		end := fault.FarEnd(far, clock, slow, func(int) bool { return slave > 0 })
		ended <- modbus.NewServer(m.UnitID(), regmap.NewUnit(m, r.device), timing, clock).Serve(ctx, end)
	}()
	line := linktest.Misbehave(near, clock, bad, func(int, []byte) bool {
		r.requests++
		if r.act != nil && r.requests == at {
			r.act()
		}
		strikes := r.requests == at && !r.over || r.always
		r.struck = r.struck || strikes
		return strikes
	})
	r.controller = regmap.NewController(m, modbus.NewMaster(line, timing, clock), clock)
	t.Cleanup(func() {
		stop()
		<-ended
		near.Close()
		far.Close()
	})
	return r
}

// operation is one thing to do; done checks what an answer without error
// claims.
type operation struct {
	name    string
	prepare func(t *testing.T, r *rig)
	do      func(ctx context.Context, r *rig) (done func(t assert.TestingT), err error)
}

var operations = []operation{
	{"read a setting", nil, func(ctx context.Context, r *rig) (func(assert.TestingT), error) {
		values, err := r.controller.ReadSettings(ctx, "limits.motor_current")
		return func(t assert.TestingT) {
			assert.Equal(t, map[string]float64{"limits.motor_current": r.device.settings["limits.motor_current"]}, values)
		}, err
	}},
	{"read all settings", nil, func(ctx context.Context, r *rig) (func(assert.TestingT), error) {
		values, err := r.controller.ReadSettings(ctx)
		return func(t assert.TestingT) { assert.Equal(t, r.device.settings, values) }, err
	}},
	{"write a setting", nil, func(ctx context.Context, r *rig) (func(assert.TestingT), error) {
		stored, err := r.controller.WriteSetting(ctx, "limits.motor_current", newLimit)
		return func(t assert.TestingT) {
			assert.Equal(t, newLimit, stored)
			assert.Equal(t, newLimit, r.device.settings["limits.motor_current"])
		}, err
	}},
	{"telemetry", nil, func(ctx context.Context, r *rig) (func(assert.TestingT), error) {
		sample, err := r.controller.ReadTelemetry(ctx)
		return func(t assert.TestingT) {
			assert.InDelta(t, volts, sample.Values[0], 0.006)
			assert.InDelta(t, speed, sample.Values[1], 0.06)
		}, err
	}},
	{"throttle", nil, func(ctx context.Context, r *rig) (func(assert.TestingT), error) {
		err := r.controller.CommandThrottle(ctx, 0.5)
		return func(t assert.TestingT) { assert.Equal(t, 0.5, r.device.told()) }, err
	}},
	{"halt", func(t *testing.T, r *rig) {
		r.over = true
		require.NoError(t, r.controller.CommandThrottle(t.Context(), 0.5))
		r.over, r.requests = false, 0
	}, func(ctx context.Context, r *rig) (func(assert.TestingT), error) {
		err := r.controller.Halt(ctx)
		return func(t assert.TestingT) { assert.Zero(t, r.device.told()) }, err
	}},
}

// kind names a typed error; "" if it is none.
func kind(err error) string {
	var (
		reply    *modbus.ReplyError
		refusal  *modbus.Exception
		lost     *port.LostError
		readBack *link.ReadBackError
		setting  *link.SettingError
	)
	switch {
	case errors.As(err, &reply):
		text, _, _ := strings.Cut(reply.Err.Error(), ":")
		return text
	case errors.As(err, &refusal):
		return refusal.Code.Error()
	case errors.As(err, &lost):
		return "line lost in a " + lost.Op
	case errors.As(err, &readBack):
		return "read back differs"
	case errors.As(err, &setting):
		return "read twice, differs"
	}
	return ""
}

func TestFaultMatrix(t *testing.T) {
	m, err := regmap.Load("matrix.toml", []byte(matrixMap), nil)
	require.NoError(t, err)
	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "fault\toperation\trequest\toutcome\tmotor current limit\tthrottle\ttook")
	tried := 0
	for _, bad := range fault.All(modbus.TimingAt(115200)) {
		for _, op := range operations {
			for at := 1; ; at++ {
				struck := false
				t.Run(fmt.Sprintf("%s/%s/%d", bad.Name, op.name, at), func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) {
						r := newRig(t, m, 0, bad, at)
						row := oneFault(t, r, bad, op)
						if struck = r.struck; struck {
							tried++
							fmt.Fprintf(w, "%s\t%s\t%d\t%s\n", bad.Name, op.name, at, row)
						}
					})
				})
				if !struck {
					break // the operation has no such request
				}
				require.Less(t, at, 50)
			}
		}
	}
	require.NoError(t, w.Flush())
	t.Logf("%d faults tried\n%s", tried, &table)
	assert.Greater(t, tried, 300)
}

// oneFault does one operation with one fault, holds it against the rules above
// and gives the rest of the row.
func oneFault(t *testing.T, r *rig, bad fault.Fault, op operation) string {
	if op.prepare != nil {
		op.prepare(t, r)
	}
	gone := strings.HasPrefix(bad.Name, "unplugged")
	start := time.Now()
	done, err := op.do(t.Context(), r)
	took := time.Since(start)
	r.over = true
	assert.Less(t, took, 3*time.Second, "bounded time")

	outcome := "as if nothing was"
	if err == nil {
		done(t)
	} else {
		outcome = kind(err)
		assert.NotEmpty(t, outcome, "not a typed error: %v", err)
	}
	assert.Contains(t, []float64{oldLimit, newLimit}, r.device.settings["limits.motor_current"])
	limit, share := r.device.settings["limits.motor_current"], r.device.told()
	if op.name == "halt" && !gone {
		assert.NoError(t, err, "a single fault does not keep halt from zero")
	}
	if r.struck && gone && op.name == "halt" && err != nil {
		assert.ErrorContains(t, err, "not confirmed")
	}
	row := fmt.Sprintf("%s\t%g A\t%g\t%v", outcome, limit, share, took.Round(100*time.Microsecond))

	after := func() error {
		_, err := r.controller.ReadTelemetry(t.Context())
		return err
	}
	if gone && r.struck {
		var lost *port.LostError
		assert.ErrorAs(t, after(), &lost, "a line that is gone stays so")
		return row
	}
	// The fault is over: within two tries all is well and true again.
	if after() != nil {
		assert.NoError(t, after())
	}
	for _, next := range operations[:4] {
		done, err := next.do(t.Context(), r)
		if assert.NoError(t, err, next.name) {
			done(t)
		}
	}
	require.NoError(t, r.controller.Close())
	assert.Zero(t, r.device.told(), "closed is zero")
	return row
}

// A controller that falls back to its factory settings while they are read: what is read is all old or all new, or an error
// says that two readings differ; never a mixture.
func TestReadNoticesAReset(t *testing.T) {
	m, err := regmap.Load("matrix.toml", []byte(matrixMap), nil)
	require.NoError(t, err)
	was := map[string]float64{"limits.motor_current": oldLimit, "ramp.rise": 3}
	reset := map[string]float64{"limits.motor_current": 250, "ramp.rise": 1}
	outcomes := newTally()
	for at, more := 1, true; more; at++ {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, m, 0, fault.Fault{}, at)
			r.act = func() { r.device.settings = reset }
			got, err := r.controller.ReadSettings(t.Context())
			if more = r.requests >= at; !more {
				assert.Equal(t, was, got)
				return
			}
			switch {
			case err != nil:
				assert.NotEmpty(t, kind(err), "not a typed error: %v", err)
				outcomes.add(at, kind(err))
			case got["ramp.rise"] == 3:
				assert.Equal(t, was, got, "request %d", at)
				outcomes.add(at, "all as before")
			default:
				assert.Equal(t, reset, got, "request %d", at)
				outcomes.add(at, "all after the reset")
			}
		})
	}
	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	outcomes.rows(w, "reset to factory settings\tread all settings")
	require.NoError(t, w.Flush())
	t.Log("\n" + table.String())
}

// On a line that has every fault at every request halt still ends in bounded
// time, and claims zero only where it is.
func TestHaltOnALineThatStaysBad(t *testing.T) {
	m, err := regmap.Load("matrix.toml", []byte(matrixMap), nil)
	require.NoError(t, err)
	for _, bad := range fault.All(modbus.TimingAt(115200)) {
		t.Run(bad.Name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, m, 0, bad, 0)
				require.NoError(t, r.controller.CommandThrottle(t.Context(), 0.5))
				r.always = true
				start := time.Now()
				err := r.controller.Halt(t.Context())
				assert.Less(t, time.Since(start), 3*time.Second)
				synctest.Wait() // a device that is late still writes
				if err == nil {
					assert.Zero(t, r.device.told())
				} else {
					assert.ErrorContains(t, err, "not confirmed")
				}
				assert.ErrorIs(t, r.controller.CommandThrottle(t.Context(), 0.5), link.ErrHalted)
				if !strings.HasPrefix(bad.Name, "request") && !strings.HasPrefix(bad.Name, "unplugged") {
					assert.Zero(t, r.device.told(), "zero got through, though nobody could confirm it")
				}
			})
		})
	}
}

// The worst of them: a reply comes again just after the next request went out,
// and the slave is slow, so that nothing else is heard meanwhile. The second
// copy is believed, and from then on every reply belongs to the request before.
// Settings are read twice because of it; telemetry may be wrong once, and then
// says so.
func TestLateDuplicateOnASlowLine(t *testing.T) {
	m, err := regmap.Load("matrix.toml", []byte(matrixMap), nil)
	require.NoError(t, err)
	timing := modbus.TimingAt(115200)
	again := fault.Fault{Name: "frame again later", Reply: func(_, p []byte) []fault.Piece {
		return []fault.Piece{{Bytes: p}, {After: timing.Between + time.Millisecond, Bytes: append([]byte(nil), p...)}}
	}}
	for _, op := range operations {
		for at := 1; at <= 10; at++ {
			t.Run(fmt.Sprintf("%s/%d", op.name, at), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r := newRig(t, m, 30*time.Millisecond, again, at)
					if op.prepare != nil {
						op.prepare(t, r)
					}
					done, err := op.do(t.Context(), r)
					r.over = true
					if op.name == "halt" {
						require.NoError(t, err)
					}
					if err == nil && op.name != "telemetry" {
						done(t) // no untrue answer
					}
					if err == nil && op.name == "telemetry" {
						var wrong collected
						done(&wrong)
						time.Sleep(50 * time.Millisecond) // until the next sample
						_, err = r.controller.ReadTelemetry(t.Context())
						if wrong {
							require.ErrorIs(t, err, modbus.ErrOutOfStep, "an untrue sample is given away by the next")
						}
					}
					require.NoError(t, r.controller.Halt(t.Context()))
					require.Zero(t, r.device.told())
				})
			})
		}
	}
}

// collected remembers whether a check failed.
type collected bool

func (c *collected) Errorf(string, ...any) { *c = true }
