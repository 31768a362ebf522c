package linksim_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/slcan"
)

// A receive PDO that is not as the map has it, or that would act otherwise than at once, is refused when the controller is opened.
func TestReceivePDOIsCompared(t *testing.T) {
	// says has the device answer otherwise to one request.
	says := func(asked string, answer ...byte) func(b *bus) {
		return func(b *bus) {
			b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
				if f.ID == 0x585 && fmt.Sprintf("%X", f.Data[1:4]) == asked {
					f.Data = append(append([]byte{f.Data[0]}, f.Data[1:4]...), answer...)
				}
				return []slcan.Delivery{{Frame: f}}
			}
		}
	}
	for name, c := range map[string]struct {
		change []string
		device func(b *bus)
		text   string
	}{
		"it carries more":   {[]string{"[[throttle.with]]\nindex = 0x2302\ntype = \"u8\"\nvalue = 1\n", ""}, nil, "RPDO 1 of the controller is not as the map has it: it carries 2302:00 too, and the map does not say what to send there"},
		"another number":    {[]string{"rpdo = 1", "rpdo = 2"}, nil, "the map says that RPDO 2 is used"},
		"another length":    {[]string{"index = 0x2300\nsub = 1\ntype = \"s16\"", "index = 0x2300\nsub = 1\ntype = \"s32\""}, nil, "2300:01 has 16 bits there, and a s32 has 32"},
		"only with SYNC":    {nil, says("001402", 1, 0, 0, 0), "its transmission type is 1, so it acts only with SYNC"},
		"switched off":      {nil, says("001401", 5, 2, 0, 0x80), "it is switched off in the controller (bit 31 of 1400:01)"},
		"29-bit identifier": {nil, says("001401", 5, 2, 0, 0x20), "its identifier has 29 bits"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, objects(t), canopen.Acts)
			if c.device != nil {
				c.device(b)
			}
			_, _, err := objmap.Open(t.Context(), objects(t, c.change...), linksim.CANLoopback(b.adapter, b.clock), b.clock, false)
			assert.ErrorContains(t, err, c.text)
		})
	}
}

// A node that does not start, or does not say that it is ready, is not commanded, and left out of operation.
func TestNodeThatDoesNotGetReady(t *testing.T) {
	for name, c := range map[string]struct {
		sent func(f slcan.Frame) bool // lost
		text string
	}{
		"it does not start":     {func(f slcan.Frame) bool { return f.ID == 0 }, "node 5 was started and did not become operational: it says pre-operational"},
		"it does not get ready": {func(f slcan.Frame) bool { return f.ID == 0x605 && f.Data[0]>>5 == 1 && f.Data[1] == 2 }, "make the controller ready: node 5, object 2302:00: no answer"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, objects(t), canopen.Acts)
			ctl := b.open(t)
			b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f, Drop: c.sent(f)}} }
			assert.ErrorContains(t, ctl.MakeReady(t.Context()), c.text)
			_, err := ctl.ReadTelemetry(t.Context())
			require.NoError(t, err)
			assert.Error(t, ctl.CommandThrottle(t.Context(), 0.5))
			assert.Zero(t, b.sim.Lever())
			b.adapter.Sent = nil
			require.NoError(t, ctl.Halt(t.Context()))
			b.pass(t, time.Second)
			b.node.Take(slcan.Frame{ID: 0x205, Data: []byte{1, 0xE8, 3}})
			assert.Zero(t, b.sim.Lever(), "it obeys nobody")
		})
	}
}

// While a person reads, the system's buffer runs over, and cuts a line: that is no frame lost, neither when the controller is made
// ready after it nor when it is read.
func TestABufferThatRanOverIsNoLoss(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	b.node.Take(masterSays(1, 5))
	line := &hoard{Port: linksim.CANLoopback(b.adapter, b.clock)}
	c, _, err := objmap.Open(t.Context(), b.m, line, b.clock, false)
	require.NoError(t, err)
	for _, room := range []int{4095, 4091, 4080, 3000} { // it is cut at another place each time
		pause := func() {
			for range 3000 {
				b.pass(t, 10*time.Millisecond)
				more := b.adapter.Tick()
				line.waiting = append(line.waiting, more[:min(len(more), room-len(line.waiting))]...)
			}
		}
		pause()
		for range 5 {
			_, err := c.ReadTelemetry(t.Context())
			require.NoError(t, err, "room %d", room)
			b.pass(t, 400*time.Millisecond)
		}
		pause()
		require.NoError(t, c.MakeReady(t.Context()), "room %d", room)
		for range 3 {
			_, err := c.ReadTelemetry(t.Context())
			require.NoError(t, err, "room %d", room)
		}
		require.NoError(t, c.CommandThrottle(t.Context(), 0.3))
		require.NoError(t, c.CommandThrottle(t.Context(), 0))
	}
	require.NoError(t, c.Halt(t.Context()))
}

// A line that is slow beside a short time-out is refused before the node is started.
func TestSlowLineIsRefused(t *testing.T) {
	m := objects(t, `command_timeout = "300 ms"`, `command_timeout = "40 ms"`)
	b := newBus(t, m, canopen.Acts)
	ctl := b.open(t)
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		return []slcan.Delivery{{Frame: f, After: 16 * time.Millisecond}}
	}
	assert.ErrorContains(t, ctl.MakeReady(t.Context()), "too long for a controller that goes to zero after 40ms")
}
