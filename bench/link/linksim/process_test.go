package linksim_test

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
)

// The frames that somebody else may send.
func masterSays(command, node byte) slcan.Frame { return slcan.Frame{Data: []byte{command, node}} }

// sources lists where the values of a sample came from.
func sources(s link.Sample) (list []string) {
	for _, o := range s.Origins {
		list = append(list, o.Source)
	}
	return list
}

// Readings come by the TPDO that the map names where the node sends it, each with its instant and its source; else they are asked
// for. What waited in a buffer is as old as the last look at the line, and not believed.
func TestTelemetryByTPDO(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	b.node.Take(masterSays(1, 5)) // somebody started it, before we came
	c := b.open(t)
	bySDO := []string{"SDO", "SDO", "SDO", "SDO"}
	byTPDO := []string{"TPDO 1", "TPDO 1", "SDO", "TPDO 1"}
	read := func(want []string) link.Sample {
		t.Helper()
		begun := b.clock.Now()
		s, err := c.ReadTelemetry(t.Context())
		require.NoError(t, err)
		if want != nil {
			assert.Equal(t, want, sources(s))
		}
		now := b.clock.Now()
		for i, ch := range c.Describe().Channels {
			o := s.Origins[i]
			assert.False(t, o.Since.After(o.At), "%s", ch.Name)
			assert.LessOrEqual(t, now.Sub(o.Since), 100*time.Millisecond, "%s", ch.Name)
			assert.False(t, o.At.Before(begun) && s.At.After(o.At), "the sample is as old as what came before it was asked for")
			tolerance := map[string]float64{link.Voltage: 0.01, link.MotorCurrent: 0.02, link.MotorSpeed: 0.2, link.StageTemperature: 1}[ch.Name]
			assert.InDelta(t, b.sim.Reading(ch.Name), s.Values[i], tolerance, ch.Name)
		}
		return s
	}
	read(nil) // some came while the controller was opened
	for range 20 {
		b.pass(t, 10*time.Millisecond)
		read(byTPDO)
	}
	b.pass(t, time.Second)
	assert.Equal(t, "SDO", read(nil).Origins[0].Source, "what waits may be a second old")
	b.pass(t, 20*time.Millisecond)
	read(nil)
	read(byTPDO)
	b.node.Take(masterSays(0x80, 5))
	b.pass(t, 100*time.Millisecond)
	read(bySDO) // the node sends none
}

// hoard is a line whose bytes wait in the system's buffer while nobody reads: 4 KB, and what comes beyond is lost.
type hoard struct {
	port.Port
	waiting []byte
}

func (h *hoard) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	if len(h.waiting) == 0 {
		return h.Port.Read(ctx, p, wait)
	}
	n := copy(p, h.waiting)
	h.waiting = h.waiting[n:]
	return n, nil
}

// Values that waited in a full buffer are not taken for new ones, though they are all read at once: the motor runs by now.
func TestWhatWaitedIsNotBelieved(t *testing.T) {
	for _, pause := range []time.Duration{300 * time.Millisecond, 30 * time.Second} {
		b := newBus(t, objects(t), canopen.Acts)
		b.node.Take(masterSays(1, 5))
		line := &hoard{Port: linksim.CANLoopback(b.adapter, b.clock)}
		c, _, err := objmap.Open(t.Context(), b.m, line, b.clock, false)
		require.NoError(t, err)
		channels := c.Describe().Channels
		type moment struct {
			at     time.Time
			values []float64
		}
		var was []moment // the truth
		note := func() {
			now := moment{at: b.clock.Now()}
			for _, ch := range channels {
				now.values = append(now.values, b.sim.Reading(ch.Name))
			}
			was = append(was, now)
		}
		for begun := b.clock.Now(); b.clock.Now().Sub(begun) < pause; b.pass(t, 10*time.Millisecond) {
			note()
			if bytes := b.adapter.Tick(); len(line.waiting)+len(bytes) < 4096 {
				line.waiting = append(line.waiting, bytes...)
			}
			if b.clock.Now().Sub(begun) > pause/2 {
				b.sim.Throttle(0.5)
			}
		}
		for range 3 {
			note()
			s, err := c.ReadTelemetry(t.Context())
			require.NoError(t, err)
			note()
			for i, ch := range channels {
				since := s.Origins[i].Since
				assert.LessOrEqual(t, b.clock.Now().Sub(since), 100*time.Millisecond)
				low, high := math.Inf(1), math.Inf(-1)
				for k := len(was) - 1; k >= 0 && (k == len(was)-1 || was[k+1].at.After(since)); k-- {
					low, high = min(low, was[k].values[i]), max(high, was[k].values[i])
				}
				tolerance := map[string]float64{link.Voltage: 0.01, link.MotorCurrent: 0.02, link.MotorSpeed: 0.2, link.StageTemperature: 1}[ch.Name]
				assert.GreaterOrEqual(t, s.Values[i], low-tolerance, ch.Name)
				assert.LessOrEqual(t, s.Values[i], high+tolerance, ch.Name)
			}
		}
	}
}

// What the node tells by itself comes with the next call as what it is, once; a boot-up and the like end every release.
func TestNewsReachesTheCaller(t *testing.T) {
	for name, c := range map[string]struct {
		happens func(b *bus)
		kind    any
		text    string
	}{
		"boot-up":        {func(b *bus) { b.node.Restart() }, new(*canopen.RestartedError), "node 5 began anew"},
		"emergency":      {func(b *bus) { b.node.Emergency(0x4310) }, new(*canopen.DeviceError), "temperature (code 4310"},
		"RPDO time-out":  {func(b *bus) { b.node.Emergency(0x8250) }, new(*canopen.DeviceError), "a PDO did not come in time"},
		"network master": {func(b *bus) { b.others = append(b.others, masterSays(1, 5)) }, new(*canopen.SecondPartyError), "a network master is on the bus too (frame 000#0105)"},
		"another client": {func(b *bus) {
			b.others = append(b.others, slcan.Frame{ID: 0x605, Data: []byte{0x40, 0, 0x10, 0, 0, 0, 0, 0}})
		}, new(*canopen.SecondPartyError), "another client"},
		"short TPDO":      {func(b *bus) { b.others = append(b.others, slcan.Frame{ID: 0x185, Data: []byte{1, 2}}) }, new(*canopen.PDOError), "frame 185 has 2 bytes, and 7 by the mapping"},
		"lost frames":     {func(b *bus) { overrun(b) }, new(*canopen.LossError), "the adapter lost frames or saw errors on the bus (flags 09)"},
		"adapter bus off": {func(b *bus) { deliver(b, slcan.Delivery{Line: "sb256256\r"}) }, nil, "off the bus after too many errors"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, objects(t), canopen.Acts)
			ctl := b.open(t)
			for range 3 { // the adapter is asked for lost frames once a second
				_, err := ctl.ReadTelemetry(t.Context())
				require.NoError(t, err)
				b.pass(t, 400*time.Millisecond)
			}
			c.happens(b)
			var err error
			for range 3 {
				b.pass(t, 400*time.Millisecond)
				if _, err = ctl.ReadTelemetry(t.Context()); err != nil {
					break
				}
			}
			require.ErrorAs(t, err, new(*link.NewsError))
			if c.kind != nil {
				require.ErrorAs(t, err, c.kind)
			}
			assert.ErrorContains(t, err, c.text)
			require.NoError(t, ctl.Halt(t.Context()), "never from a halt")
		})
	}
}

// overrun has the adapter lose one frame.
func overrun(b *bus) { deliver(b, slcan.Delivery{Drop: true, Flags: 0x09}) }

// deliver puts something in place of the next frame of the bus.
func deliver(b *bus, d slcan.Delivery) {
	done := false
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		if done {
			return []slcan.Delivery{{Frame: f}}
		}
		done = true
		return []slcan.Delivery{d}
	}
	b.others = append(b.others, slcan.Frame{ID: 0x7FF, Data: []byte{0}})
}

// A heartbeat that stays away is news while the line is read.
func TestLostHeartbeatReachesTheCaller(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	c := b.open(t)
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x705}}
	}
	for begun := b.clock.Now(); ; b.pass(t, 50*time.Millisecond) {
		_, err := c.ReadTelemetry(t.Context())
		if b.clock.Now().Sub(begun) < 2*time.Second {
			require.NoError(t, err)
			continue
		}
		if err == nil {
			require.Less(t, b.clock.Now().Sub(begun), 4*time.Second)
			continue
		}
		require.ErrorAs(t, err, new(*canopen.HeartbeatError))
		return
	}
}

// PDOs that are not as the map has them are refused when the controller is opened, with what the device says.
func TestMappingsAreCompared(t *testing.T) {
	truth := objects(t)
	for name, c := range map[string]struct{ old, new, text string }{
		"another TPDO": {"type = \"s24\"\ntpdo = 1", "type = \"s24\"\ntpdo = 2", "the map says that TPDO 2 is used, and the controller does not tell of it"},
		"not in it":    {"type = \"s8\"\n", "type = \"s8\"\ntpdo = 1\n", "TPDO 1 of the controller is not as the map has it: 2100:03 is not in it; the controller says that it carries 2100:01 (16 bits), 2100:02 (24 bits), 2100:04 (16 bits)"},
		"its length":   {"type = \"s24\"\ntpdo = 1", "type = \"s32\"\ntpdo = 1", "2100:02 has 24 bits there, and a s32 has 32"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, truth, canopen.Acts)
			m := objects(t, c.old, c.new)
			_, _, err := objmap.Open(t.Context(), m, linksim.CANLoopback(b.adapter, b.clock), b.clock, false)
			assert.ErrorContains(t, err, c.text)
		})
	}
}
