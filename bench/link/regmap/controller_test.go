package regmap_test

import (
	"context"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
)

// onUnit makes a controller whose requests can be looked at.
func onUnit(t *testing.T, name string) (*guard.Controller, *device, *direct) {
	m := load(t, name)
	d := newDevice(m)
	line := &direct{server: modbus.NewServer(m.UnitID(), regmap.NewUnit(m, d), at115200, port.WallClock{})}
	return regmap.NewController(m, modbus.NewMaster(line, at115200, port.WallClock{}), port.WallClock{}), d, line
}

var at115200 = modbus.TimingAt(115200)

func TestWriteIsUnlockedLockedAndReadBack(t *testing.T) {
	c, d, line := onUnit(t, "petrel.toml")
	stored, err := c.WriteSetting(t.Context(), "limits.motor_current", 180.2)
	require.NoError(t, err)
	assert.Equal(t, 180.0, stored)
	assert.Equal(t, 180.0, d.Setting("limits.motor_current"))
	assert.Equal(t, []string{
		"04 00 00 00 01", "04 00 00 00 01", // does the motor run?
		"06 00 f0 00 5a", // unlock
		"06 00 f0 00 a5",
		"06 00 10 01 68", // 360 halves of an ampere
		"06 00 f0 00 00", // lock
		"03 00 10 00 01", // read back
	}, line.asked)

	line.asked = nil
	_, err = c.WriteSetting(t.Context(), "limits.battery_current", 100)
	require.NoError(t, err)
	assert.Contains(t, line.asked, "10 00 11 00 02 04 00 01 86 a0", "both words in one request, so that no half is ever in force")
}

func TestRefusedWritesSendNothingThatWrites(t *testing.T) {
	c, d, line := onUnit(t, "petrel.toml")
	d.setRunning(true)
	_, err := c.WriteSetting(t.Context(), "limits.motor_current", 100)
	require.ErrorIs(t, err, link.ErrRunning)
	assert.Equal(t, []string{"04 00 00 00 01"}, line.asked, "only the question whether the motor runs")
	_, err = c.WriteSetting(t.Context(), "limits.duty", 0.5)
	require.ErrorIs(t, err, link.ErrReadOnly)
	_, err = c.WriteSetting(t.Context(), "limits.motor_current", 251)
	var outside *link.RangeError
	require.ErrorAs(t, err, &outside)
	assert.Equal(t, "limits.motor_current: 251 A is not from 1 A to 250 A", err.Error())
	assert.Len(t, line.asked, 1)
}

func TestControllerThatKeepsSomethingElse(t *testing.T) {
	c, d, _ := onUnit(t, "petrel.toml")
	d.deaf = true
	_, err := c.WriteSetting(t.Context(), "limits.motor_current", 180)
	var differs *link.ReadBackError
	require.ErrorAs(t, err, &differs)
	assert.Equal(t, &link.ReadBackError{Wrote: 180, Got: 1, Unit: "A"}, differs)
}

// A write that fails half way leaves nothing unlocked, whatever failed.
func TestLockedAgainAfterAFailure(t *testing.T) {
	c, d, line := onUnit(t, "petrel.toml")
	d.refuse = modbus.ServerBusy
	_, err := c.WriteSetting(t.Context(), "limits.motor_current", 180)
	require.ErrorIs(t, err, modbus.ServerBusy)
	assert.Equal(t, "06 00 f0 00 00", line.asked[len(line.asked)-1])

	// Called off just after the unlocking.
	d.refuse = nil
	ctx, cancel := context.WithCancel(t.Context())
	line.fail = func(p []byte) error {
		if p[3] == 0xF0 && p[5] == 0xA5 {
			cancel()
		}
		return nil
	}
	_, err = c.WriteSetting(ctx, "limits.motor_current", 180)
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, "06 00 f0 00 00", line.asked[len(line.asked)-1])
	assert.Equal(t, 1.0, d.Setting("limits.motor_current"))
}

// A controller that another program left unlocked is locked.
func TestLocksWhatAnotherProgramUnlocked(t *testing.T) {
	c, _, line := onUnit(t, "petrel.toml")
	require.NoError(t, c.Lock(t.Context()))
	assert.Equal(t, []string{"06 00 f0 00 00"}, line.asked)
}

// A halt in the middle of a write comes through first, then locks.
func TestHaltInterruptsAWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, d, line := onUnit(t, "petrel.toml")
		require.NoError(t, c.CommandThrottle(t.Context(), 0.5))
		unlocking := make(chan bool)
		line.fail = func(p []byte) error {
			if p[3] == 0xF0 && p[5] == 0x5A {
				<-unlocking
			}
			return nil
		}
		line.asked = nil
		wrote, halted := make(chan error, 1), make(chan error, 1)
		go func() {
			_, err := c.WriteSetting(t.Context(), "limits.motor_current", 180)
			wrote <- err
		}()
		synctest.Wait()
		go func() { halted <- c.Halt(t.Context()) }()
		synctest.Wait()
		close(unlocking)
		require.ErrorIs(t, <-wrote, link.ErrHalted)
		require.NoError(t, <-halted)
		assert.Zero(t, d.throttle())
		assert.Equal(t, []string{"04 00 00 00 01", "04 00 00 00 01", "06 00 f0 00 5a", "06 00 40 00 00", "06 00 f0 00 00"}, line.asked)
		assert.Equal(t, 1.0, d.Setting("limits.motor_current"))
	})
}

// Direction and throttle apart: the direction changes at zero throttle only,
// and halt is zero, then neutral.
func TestDirectionChangesAtZero(t *testing.T) {
	c, d, line := onUnit(t, "bracken.toml")
	for _, share := range []float64{0.2, 0.4, -0.4, 0} {
		require.NoError(t, c.CommandThrottle(t.Context(), share))
		assert.InDelta(t, share, d.throttle(), 0.002)
	}
	require.NoError(t, c.Halt(t.Context()))
	assert.Equal(t, []string{
		"06 00 0a 00 00", "06 00 0b 00 01", "06 00 0a 00 33", // 51 of 255 ahead
		"06 00 0a 00 66",
		"06 00 0a 00 00", "06 00 0b 00 02", "06 00 0a 00 66", // the same astern
		"06 00 0a 00 00",
		"06 00 0a 00 00", "06 00 0b 00 00", // halt
	}, line.asked)
}

func TestHaltTriesAgain(t *testing.T) {
	for failures, works := range map[int]bool{1: true, 2: true, 3: false} {
		c, d, line := onUnit(t, "petrel.toml")
		require.NoError(t, c.CommandThrottle(t.Context(), 1))
		lost := &port.LostError{Name: "x", Op: "write", Err: errors.New("gone")}
		left := failures
		line.fail = func([]byte) error {
			if left--; left >= 0 {
				return lost
			}
			return nil
		}
		err := c.Halt(t.Context())
		if works {
			require.NoError(t, err)
			assert.Zero(t, d.throttle())
			continue
		}
		require.ErrorIs(t, err, lost)
		assert.ErrorContains(t, err, "zero throttle was not confirmed; use the hard-wired stop (the controller's own command time-out is 300 ms)")
		assert.ErrorIs(t, c.CommandThrottle(t.Context(), 0.1), link.ErrHalted, "halted all the same")
		require.NoError(t, c.Close(), "and close tries once more")
		assert.Zero(t, d.throttle())
	}
}

// Neutral is tried even where zero could not be confirmed.
func TestNeutralComesEvenWithoutZero(t *testing.T) {
	c, _, line := onUnit(t, "bracken.toml")
	require.NoError(t, c.CommandThrottle(t.Context(), 0.5))
	line.fail = func(p []byte) error {
		if p[3] == 10 {
			return errors.New("no")
		}
		return nil
	}
	line.asked = nil
	require.ErrorContains(t, c.Halt(t.Context()), "zero throttle was not confirmed")
	assert.Equal(t, []string{"06 00 0a 00 00", "06 00 0a 00 00", "06 00 0a 00 00", "06 00 0b 00 00"}, line.asked)
}

// The unit's own side refuses what a careful controller refuses.
func TestUnitRefuses(t *testing.T) {
	m := load(t, "petrel.toml")
	d := newDevice(m)
	u := regmap.NewUnit(m, d)
	step := func(value uint16) { require.NoError(t, u.WriteRegisters(0xF0, []uint16{value})) }
	refused := func(address int, registers ...uint16) {
		t.Helper()
		before := d.Setting("limits.motor_current")
		err := u.WriteRegisters(address, registers)
		var code modbus.Code
		assert.ErrorAs(t, err, &code)
		assert.Equal(t, before, d.Setting("limits.motor_current"))
	}
	refused(0x10, 100) // locked
	step(0xA5)
	refused(0x10, 100) // wrong order
	step(0x5A)
	step(0x5A)
	step(0xA5)
	require.NoError(t, u.WriteRegisters(0x10, []uint16{100}))
	assert.Equal(t, 50.0, d.Setting("limits.motor_current"))
	require.NoError(t, u.WriteRegisters(0x10, []uint16{102, 0, 50000}), "two settings that touch")
	assert.Equal(t, 51.0, d.Setting("limits.motor_current"))
	assert.Equal(t, 50.0, d.Setting("limits.battery_current"))
	refused(0x10, 501)            // 250.5 A
	refused(0x10, 100, 0xFFFF, 0) // the second is out of range: nothing is done
	refused(0x10, 100, 0)         // half of the second
	refused(0x12, 1)              // the other half
	refused(0x13, 1)              // no such word
	refused(0x15, 0)              // no such register
	require.Error(t, u.WriteBits(4, []bool{true}))
	require.NoError(t, u.WriteBits(3, []bool{true}))
	assert.Equal(t, 1.0, d.Setting("throttle.neutral_start"))
	step(0)
	refused(0x10, 100) // locked again

	_, err := u.ReadRegisters(modbus.HoldingRegisters, 0x15, 1)
	assert.ErrorIs(t, err, modbus.IllegalDataAddress)
	_, err = u.ReadRegisters(modbus.InputRegisters, 0, 6)
	assert.ErrorIs(t, err, modbus.IllegalDataAddress, "a gap is no register")
}

// Sensors at the end of their range stay there.
func TestUnitSaturates(t *testing.T) {
	m := load(t, "petrel.toml")
	d := newDevice(m)
	u := regmap.NewUnit(m, d)
	for volts, count := range map[float64]uint16{48: 4800, -1: 0, 1e6: 65535} {
		d.readings["voltage"] = volts
		got, err := u.ReadRegisters(modbus.InputRegisters, 1, 1)
		require.NoError(t, err)
		assert.Equal(t, []uint16{count}, got)
	}
}

// BenchmarkTelemetry is one sample of six channels in three requests over a
// pseudo-terminal, silences included, against a unit in the same process. p99
// tells how steady it is.
func BenchmarkTelemetry(b *testing.B) {
	far, terminal, err := port.Pseudo()
	require.NoError(b, err)
	near, err := port.Open(port.Address{Name: terminal, Baud: 115200, DataBits: 8, Parity: port.None, StopBits: 1})
	require.NoError(b, err)
	m := load(b, "petrel.toml")
	ctx, stop := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	server := modbus.NewServer(m.UnitID(), regmap.NewUnit(m, newDevice(m)), patient, port.WallClock{})
	go func() { ended <- server.Serve(ctx, far) }()
	c := regmap.NewController(m, modbus.NewMaster(near, patient, port.WallClock{}), port.WallClock{})
	var took []time.Duration
	for b.Loop() {
		start := time.Now()
		if _, err := c.ReadTelemetry(ctx); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(start))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2])/1e6, "p50_ms")
	b.ReportMetric(float64(took[len(took)*99/100])/1e6, "p99_ms")
	require.NoError(b, c.Close())
	stop()
	<-ended
	require.NoError(b, errors.Join(near.Close(), far.Close()))
}
