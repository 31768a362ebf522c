package linksim_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/slcan"
)

// Whoever can command the controller is known, whatever its number: by a receive PDO up to the 512th, by a further SDO server.
func TestEveryWayToCommandIsLookedAt(t *testing.T) {
	for name, c := range map[string]struct {
		device map[string][]byte
		heard  slcan.Frame
		text   string
	}{
		"RPDO 65":      {map[string][]byte{"401401": {0x05, 3, 0, 0}, "401402": {255}, "401600": {1}, "401601": {0x10, 1, 0, 0x23}}, slcan.Frame{ID: 0x305, Data: []byte{0, 0}}, "another throttle, by RPDO 65 of the controller, is on the bus too"},
		"RPDO 512":     {map[string][]byte{"FF1501": {0x05, 3, 0, 0}, "FF1502": {255}, "FF1700": {1}, "FF1701": {0x10, 1, 0, 0x23}}, slcan.Frame{ID: 0x305, Data: []byte{0, 0}}, "another throttle, by RPDO 512 of the controller, is on the bus too"},
		"SDO server 2": {map[string][]byte{"011201": {0x45, 6, 0, 0}}, slcan.Frame{ID: 0x645, Data: []byte{0x2B, 0, 0x23, 1, 0xE8, 3, 0, 0}}, "another client that reads or writes the same controller (by its SDO server 2) is on the bus too (frame 645#2B002301E8030000)"},
		"off":          {map[string][]byte{"011201": {0x45, 6, 0, 0x80}}, slcan.Frame{ID: 0x645, Data: []byte{0x2B, 0, 0x23, 1, 0xE8, 3, 0, 0}}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, objects(t), canopen.Acts)
			answers(b, c.device)
			ctl := b.open(t)
			require.NoError(t, ctl.MakeReady(t.Context()))
			_, err := ctl.ReadTelemetry(t.Context())
			require.NoError(t, err)
			require.NoError(t, ctl.CommandThrottle(t.Context(), 0.2))
			b.others = append(b.others, c.heard)
			b.pass(t, 20*time.Millisecond)
			_, err = ctl.ReadTelemetry(t.Context())
			if c.text == "" {
				require.NoError(t, err)
				return
			}
			assert.ErrorContains(t, err, c.text)
			assert.ErrorIs(t, ctl.CommandThrottle(t.Context(), 0.2), link.ErrVoid)
			assert.NoError(t, ctl.Halt(t.Context()))
			assert.Zero(t, b.sim.Lever())
		})
	}
}

// Two nodes with one number answer twice, and both obey: that is refused, though each answer is right. A frame that a disturbed bus
// repeats, now and then, is not.
func TestTwoNodesWithOneNumber(t *testing.T) {
	for name, m := range map[string]*objmap.Map{"RPDO": objects(t), "SDO": throttles(t)["SDO, the maker's own time-out"]} {
		t.Run(name, func(t *testing.T) {
			twice := 40
			b := newBus(t, m, canopen.Acts)
			n := 0
			b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
				if f.ID != 0x585 {
					return []slcan.Delivery{{Frame: f}}
				}
				if n++; n%twice == 0 {
					return []slcan.Delivery{{Frame: f}, {Frame: f}}
				}
				return []slcan.Delivery{{Frame: f}}
			}
			ctl := b.open(t)
			require.NoError(t, ctl.MakeReady(t.Context()), "one in forty")
			twice = 1
			var err error
			for range 10 {
				if _, err = ctl.ReadTelemetry(t.Context()); err != nil {
					break
				}
				_ = ctl.CommandThrottle(t.Context(), 0.2)
				b.pass(t, 50*time.Millisecond)
			}
			assert.ErrorContains(t, err, "or a second node with the number 5, is on the bus too")
			assert.NoError(t, ctl.Halt(t.Context()))
			assert.Zero(t, b.sim.Lever())
		})
	}
}

// An adapter that has no word for lost frames may lose an emergency: the error register tells then. The person is told of either.
func TestAnAdapterWithoutFlags(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	b.adapter.Flagless = true
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x085}} }
	ctl := b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	s, err := ctl.ReadTelemetry(t.Context())
	require.NoError(t, err)
	assert.Contains(t, strings.Join(s.Told, "; "), "this adapter has no word for frames that it lost (F)")
	require.NoError(t, ctl.CommandThrottle(t.Context(), 0.2))
	b.node.Emergency(0x4310)
	for range 30 {
		if _, err = ctl.ReadTelemetry(t.Context()); err != nil {
			break
		}
		require.NoError(t, ctl.CommandThrottle(t.Context(), 0.2))
		b.pass(t, 50*time.Millisecond)
	}
	assert.ErrorAs(t, err, new(*link.NewsError))
	assert.ErrorContains(t, err, "node 5 has an error of which no emergency was heard: its error register (1001) is 01 and was 00, generic")
	assert.ErrorIs(t, ctl.CommandThrottle(t.Context(), 0.2), link.ErrVoid)
	assert.NoError(t, ctl.Halt(t.Context()))

	b = newBus(t, objects(t), canopen.Acts)
	b.node.Emergency(0x4310) // before anybody listened
	ctl = b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	s, err = ctl.ReadTelemetry(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []string{"the error register of node 5 (1001) is 01: generic"}, s.Told)
}

// An adapter that is taken off its bus may drop what it has not sent yet: a node that we started has left operation before.
func TestTheNodeLeavesOperationBeforeTheAdapterDoes(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	p := linksim.CANLoopback(b.adapter, b.clock)
	ctl, shut, err := objmap.Open(t.Context(), b.m, p, b.clock, false)
	require.NoError(t, err)
	require.NoError(t, ctl.MakeReady(t.Context()))
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		return []slcan.Delivery{{Frame: f, After: 5 * time.Millisecond}}
	}
	require.NoError(t, ctl.Close())
	require.NoError(t, shut())
	require.NoError(t, p.Close())
	b.pass(t, 100*time.Millisecond)
	b.adapter.Tick()
	assert.Equal(t, canopen.PreOperational, b.node.State())
}

// A simulated node whose program was late does not take up again what its controller has forgotten.
func TestALateSimulationForgetsAllTheSame(t *testing.T) {
	for name, m := range throttles(t) {
		if m.Throttle == nil {
			continue
		}
		t.Run(name, func(t *testing.T) {
			b := newBus(t, m, canopen.Acts)
			ctl := b.open(t)
			require.NoError(t, ctl.MakeReady(t.Context()))
			_, err := ctl.ReadTelemetry(t.Context())
			require.NoError(t, err)
			require.NoError(t, ctl.CommandThrottle(t.Context(), 0.2))
			require.NotZero(t, b.sim.Lever())
			b.pass(t, 2*m.Throttle.Timeout)
			b.adapter.Tick()
			require.Zero(t, b.sim.Lever())
			b.node.Overslept(60 * time.Millisecond)
			assert.Zero(t, b.sim.Lever())
		})
	}
}
