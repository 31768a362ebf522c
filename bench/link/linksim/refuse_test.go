package linksim_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
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
		"it carries more":        {[]string{"[[throttle.with]]\nindex = 0x2302\ntype = \"u8\"\nvalue = 1\n", ""}, nil, "RPDO 1 of the controller is not as the map has it: it carries 2302:00 too, and the map does not say what to send there"},
		"another number":         {[]string{"rpdo = 1", "rpdo = 2"}, nil, "the map says that RPDO 2 is used"},
		"another length":         {[]string{"index = 0x2300\nsub = 1\ntype = \"s16\"", "index = 0x2300\nsub = 1\ntype = \"s32\""}, nil, "2300:01 has 16 bits there, and a s32 has 32"},
		"only with SYNC":         {nil, says("001402", 1, 0, 0, 0), "its transmission type is 1, so it acts only with SYNC"},
		"switched off":           {nil, says("001401", 5, 2, 0, 0x80), "it is switched off in the controller (bit 31 of 1400:01)"},
		"SDO's own identifier":   {nil, says("001401", 5, 6, 0, 0), "its identifier is 605 (1400:01), which CiA 301 keeps for other things"},
		"the network master's":   {nil, says("001401", 0, 0, 0, 0), "its identifier is 000 (1400:01), which CiA 301 keeps for other things"},
		"another node's":         {nil, says("001401", 6, 2, 0, 0), "its identifier is 206 (1400:01), which is not this node's own by CiA 301, so that another controller may obey it too: if that is meant, add rpdo_id = 0x206"},
		"not the one in the map": {[]string{"rpdo = 1\n", "rpdo = 1\nrpdo_id = 0x186\n"}, nil, "its identifier is 205 (1400:01), and rpdo_id in the map is 186"},
		"29-bit identifier":      {nil, says("001401", 5, 2, 0, 0x20), "its identifier has 29 bits"},
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

// A throttle by SDO whose object has another length than the map's type is another place's, and refused when the controller is opened.
func TestAThrottleOfAnotherLengthIsRefused(t *testing.T) {
	b := newBus(t, throttles(t)["SDO, the maker's own time-out"], canopen.Acts)
	m := objects(t, "rpdo = 1\n", "", "[[throttle.with]]\nindex = 0x2302\ntype = \"u8\"\nvalue = 1\n", "", "sub = 1\ntype = \"s16\"\nzero", "sub = 1\ntype = \"s32\"\nzero")
	_, _, err := objmap.Open(t.Context(), m, linksim.CANLoopback(b.adapter, b.clock), b.clock, false)
	assert.ErrorContains(t, err, "object 2300:01 has 2 bytes, but the map's type s32 has 4")
}

// answers has the device have objects that it has not, by their bytes in a request.
func answers(b *bus, objects map[string][]byte) {
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		if f.ID == 0x585 && f.Data[0] == 0x80 {
			if with, ok := objects[fmt.Sprintf("%02X%02X%02X", f.Data[1], f.Data[2], f.Data[3])]; ok {
				head := byte(0x43 | (4-len(with))<<2)
				f.Data = append([]byte{head, f.Data[1], f.Data[2], f.Data[3]}, append(with, 0, 0, 0, 0)[:4]...)
			}
		}
		return []slcan.Delivery{{Frame: f}}
	}
}

// driven returns a controller whose motor is commanded two fifths of full throttle.
func driven(t *testing.T, m *objmap.Map) (*bus, *guard.Controller) {
	t.Helper()
	b := newBus(t, m, canopen.Ignores)
	ctl := b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	_, err := ctl.ReadTelemetry(t.Context())
	require.NoError(t, err)
	require.NoError(t, ctl.CommandThrottle(t.Context(), 0.4))
	require.InDelta(t, 0.4, b.sim.Lever(), 0.01)
	return b, ctl
}

// confirmed reports whether a halt says that zero was confirmed.
func confirmed(err error) bool { return err == nil || errors.As(err, new(*link.OtherwiseError)) }

// Another receive PDO of the device that carries the throttle too is another way to command it: it is listened for before the
// node is started, and found out while the throttle is on. With our identifier it is refused.
func TestAnotherReceivePDOCarriesTheThrottle(t *testing.T) {
	second := func(b *bus, id uint32, mapped uint32) {
		answers(b, map[string][]byte{"011401": {byte(id), byte(id >> 8), byte(id >> 16), byte(id >> 24)}, "011402": {255}, "011403": {0, 0}, "011405": {0, 0}, "011600": {1}, "011601": {0x10, byte(mapped >> 8), byte(mapped >> 16), byte(mapped >> 24)}})
	}
	for name, m := range map[string]*objmap.Map{"RPDO": objects(t), "SDO": throttles(t)["SDO, the maker's own time-out"]} {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, m, canopen.Acts)
			second(b, 0x305, 0x2300_0110)
			ctl := b.open(t)
			b.others = append(b.others, slcan.Frame{ID: 0x305, Data: []byte{0, 0}})
			sent := 0
			b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
				if f.ID == 0 && f.Data[0] == 1 {
					sent++
				}
				return []slcan.Delivery{{Frame: f}}
			}
			require.NoError(t, ctl.MakeReady(t.Context()), "it was heard before anybody knew that it matters")
			_, err := ctl.ReadTelemetry(t.Context())
			require.NoError(t, err)
			require.NoError(t, ctl.CommandThrottle(t.Context(), 0.2))
			b.others = append(b.others, slcan.Frame{ID: 0x305, Data: []byte{0, 0}})
			b.pass(t, 20*time.Millisecond)
			_, err = ctl.ReadTelemetry(t.Context())
			assert.ErrorContains(t, err, "another throttle, by RPDO 2 of the controller, is on the bus too (frame 305#0000)")
			assert.Error(t, ctl.CommandThrottle(t.Context(), 0.2))
			require.NoError(t, ctl.Halt(t.Context()))
			sent = 0

			b = newBus(t, m, canopen.Acts)
			second(b, 0x305, 0x2300_0110)
			ctl = b.open(t)
			tick := b.adapter.Mishap
			b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
				out := tick(f)
				if f.ID == 0x705 || f.ID == 0x585 {
					out = append(out, slcan.Delivery{Frame: slcan.Frame{ID: 0x305, Data: []byte{0, 0}}})
				}
				return out
			}
			assert.ErrorContains(t, ctl.MakeReady(t.Context()), "another throttle, by RPDO 2 of the controller,")
			assert.Zero(t, sent, "not started")
		})
	}
	b := newBus(t, objects(t), canopen.Acts)
	second(b, 0x205, 0x2310_0110)
	assert.ErrorContains(t, b.open(t).MakeReady(t.Context()), "RPDO 2 of the controller is not as the map has it: it has the identifier 205 of RPDO 1, so that each throttle command is taken for something else too")
}

// keepsApart returns a controller, made ready, whose throttle's object always reads zero: it keeps what a receive PDO brings apart.
func keepsApart(t *testing.T) (*bus, *guard.Controller) {
	t.Helper()
	b := newBus(t, objects(t), canopen.Ignores)
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		if f.ID == 0x585 && f.Data[0] == 0x4B && f.Data[2] == 0x23 && f.Data[3] == 1 {
			f.Data = []byte{0x4B, 0, 0x23, 1, 0, 0, 0, 0}
		}
		return []slcan.Delivery{{Frame: f}}
	}
	ctl := b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	_, err := ctl.ReadTelemetry(t.Context())
	require.NoError(t, err)
	return b, ctl
}

// An object that reads zero while something else was commanded by receive PDO confirms nothing at a halt.
func TestAReadingThatNeverFollowedConfirmsNothing(t *testing.T) {
	b, ctl := keepsApart(t)
	require.NoError(t, ctl.CommandThrottle(t.Context(), 0.4))
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery { // zero gets lost
		return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x205}}
	}
	var otherwise *link.OtherwiseError
	require.ErrorAs(t, ctl.Halt(t.Context()), &otherwise)
	assert.ErrorContains(t, otherwise, "never read as what a receive PDO had brought, so that confirms nothing; instead the node was taken out of operation")
	assert.Zero(t, b.sim.Lever())
}

// Where neither PDO nor SDO reaches a node, zero is not confirmed, and the words of a node that left operation by itself are told.
func TestAnUnconfirmedZeroTellsWhatTheNodeSaid(t *testing.T) {
	for late, says := range map[time.Duration]string{0: "it said that it is pre-operational", 5 * time.Second: "it did not say that it obeyed"} {
		b := newBus(t, objects(t), canopen.Acts)
		ctl := b.open(t)
		require.NoError(t, ctl.MakeReady(t.Context()))
		_, err := ctl.ReadTelemetry(t.Context())
		require.NoError(t, err)
		require.NoError(t, ctl.CommandThrottle(t.Context(), 0.4))
		b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
			return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x205 || f.ID == 0x605}}
		}
		b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery { // its heartbeat comes through, sooner or later
			return []slcan.Delivery{{Frame: f, After: late, Drop: f.ID != 0x705}}
		}
		err = ctl.Halt(t.Context())
		assert.ErrorContains(t, err, "zero throttle was not confirmed")
		assert.ErrorContains(t, err, "told to leave operation, where it obeys no receive PDO: "+says)
	}
}

// Where SDO is dead at a halt, nothing tells whether zero arrived: a node that we started is taken out of operation at once, not after
// all that is tried then.
func TestADeadSDOTakesTheNodeOutAtOnce(t *testing.T) {
	b := newBus(t, objects(t), canopen.Ignores)
	ctl := b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	_, err := ctl.ReadTelemetry(t.Context())
	require.NoError(t, err)
	require.NoError(t, ctl.CommandThrottle(t.Context(), 0.4))
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x585}}
	}
	begun, out := b.clock.Now(), time.Duration(0)
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		if f.String() == "000#8005" && out == 0 {
			out = b.clock.Now().Sub(begun)
		}
		return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x205}}
	}
	assert.ErrorContains(t, ctl.Halt(t.Context()), "it said that it is pre-operational")
	assert.InDelta(t, 0.5, out.Seconds(), 0.1, "after the first answer that did not come")
	assert.Zero(t, b.sim.Lever())
}

// An adapter that sends our own frames back is named beside another client, which looks the same.
func TestAnAdapterThatEchoesIsNamed(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	ctl := b.open(t)
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		return []slcan.Delivery{{Frame: f}, {Line: "t" + strings.Replace(fmt.Sprintf("%03X8%X", f.ID, f.Data), " ", "", -1) + "\r", Drop: true}}
	}
	_, err := ctl.ReadSettings(t.Context())
	assert.ErrorContains(t, err, "or an adapter that sends our own frames back, is on the bus too")
}

// A late answer to the command before is no confirmation of zero: what is written by SDO is read back at a halt.
func TestALateConfirmationConfirmsNoZero(t *testing.T) {
	b := newBus(t, throttles(t)["SDO, the maker's own time-out"], canopen.Ignores)
	ctl := b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	answered := false // the first request, late; the node has no room for the one that comes meanwhile
	asks := func(f slcan.Frame) bool {
		return f.ID == 0x605 && f.Data[0]>>5 == 1 && f.Data[2] == 0x23 && f.Data[3] == 1
	}
	count := 0
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		if !answered && f.ID == 0x585 && f.Data[0] == 0x60 {
			answered = true
			return []slcan.Delivery{{Frame: f, After: 510 * time.Millisecond}}
		}
		return []slcan.Delivery{{Frame: f}}
	}
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		if asks(f) {
			count++
		}
		return []slcan.Delivery{{Frame: f, Drop: asks(f) && count == 2}}
	}
	_, err := ctl.ReadTelemetry(t.Context())
	require.NoError(t, err)
	require.Error(t, ctl.CommandThrottle(t.Context(), 0.4))
	err = ctl.Halt(t.Context())
	if err == nil || errors.As(err, new(*link.OtherwiseError)) {
		assert.Zero(t, b.sim.Lever(), "said to be confirmed: %v", err)
	}
}

// An adapter that tells of bus off many times does not keep zero from going out.
func TestManyWordsOfBusOffDoNotHoldZeroBack(t *testing.T) {
	for name, m := range throttles(t) {
		if name == "no throttle" {
			continue
		}
		t.Run(name, func(t *testing.T) {
			b := newBus(t, m, canopen.Ignores)
			ctl := b.open(t)
			require.NoError(t, ctl.MakeReady(t.Context()))
			_, err := ctl.ReadTelemetry(t.Context())
			require.NoError(t, err)
			require.NoError(t, ctl.CommandThrottle(t.Context(), 0.4))
			deliver(b, slcan.Delivery{Line: strings.Repeat("sb256256\r", 20)})
			b.pass(t, 20*time.Millisecond)
			require.NoError(t, ctl.Halt(t.Context()))
			assert.Zero(t, b.sim.Lever())
		})
	}
}

// A node that began anew while its boot-up got lost is found out by its state, where the throttle goes by SDO too: what made it
// ready is gone, its time-out perhaps.
func TestLostBootUpIsFoundOutByTheState(t *testing.T) {
	for name, m := range throttles(t) {
		if name == "no throttle" {
			continue
		}
		t.Run(name, func(t *testing.T) {
			b := newBus(t, m, canopen.Ignores)
			b.node.Take(masterSays(1, 5))
			b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
				return []slcan.Delivery{{Frame: f, Drop: f.String() == "705#00"}}
			}
			ctl := b.open(t)
			b.pass(t, time.Second)
			require.NoError(t, ctl.MakeReady(t.Context()))
			b.node.Restart()
			var err error
			for i := 0; i < 30 && err == nil; i++ {
				b.pass(t, 50*time.Millisecond)
				if _, err = ctl.ReadTelemetry(t.Context()); err == nil {
					err = ctl.CommandThrottle(t.Context(), 0)
				}
			}
			assert.ErrorContains(t, err, "node 5 is pre-operational and was operational")
		})
	}
}

// Emergencies are heard at the identifier that the device says (object 1014).
func TestEmergenciesAtAnotherIdentifier(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		if f.ID == 0x585 && f.Data[1] == 0x14 && f.Data[2] == 0x10 {
			f.Data = []byte{0x43, 0x14, 0x10, 0, 0xA7, 0, 0, 0}
		}
		return []slcan.Delivery{{Frame: f}}
	}
	ctl := b.open(t)
	b.others = append(b.others, slcan.Frame{ID: 0x085, Data: []byte{0x10, 0x43, 1, 0, 0, 0, 0, 0}})
	_, err := ctl.ReadTelemetry(t.Context())
	require.NoError(t, err, "another node's")
	for _, data := range [][]byte{{0x10, 0x43, 1, 0, 0, 0, 0, 0}, {0x10, 0x43, 1}, {0x10, 0x43}} { // some send it short
		b.others = append(b.others, slcan.Frame{ID: 0x0A7, Data: data})
		b.pass(t, 20*time.Millisecond)
		_, err = ctl.ReadTelemetry(t.Context())
		assert.ErrorContains(t, err, "node 5 reports an emergency: temperature (code 4310")
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

// A controller that refuses zero by SDO confirms none: only a refusal to be read is none of zero.
func TestARefusedZeroIsNotConfirmed(t *testing.T) {
	b, ctl := driven(t, throttles(t)["SDO, the maker's own time-out"])
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		if f.ID == 0x605 && f.Data[0]>>5 == 1 && f.Data[2] == 0x23 { // device state
			b.others = append(b.others, slcan.Frame{ID: 0x585, Data: []byte{0x80, f.Data[1], f.Data[2], f.Data[3], 0x22, 0, 0, 8}})
			return []slcan.Delivery{{Frame: f, Drop: true}}
		}
		return []slcan.Delivery{{Frame: f}}
	}
	err := ctl.Halt(t.Context())
	assert.NotZero(t, b.sim.Lever())
	assert.False(t, confirmed(err), "%v", err)
	assert.ErrorContains(t, err, "zero throttle was not confirmed")
}

// Where the throttle's object can be written only, zero is written once more at a halt: the answer to the first may be a late one.
func TestALateConfirmationOfWhatCannotBeRead(t *testing.T) {
	b := newBus(t, throttles(t)["SDO, the maker's own time-out"], canopen.Ignores)
	late, wrote := false, 0
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		switch {
		case f.ID == 0x585 && f.Data[0] == 0x4B && f.Data[2] == 0x23 && f.Data[3] == 1: // write only
			f.Data = []byte{0x80, 0, 0x23, 1, 1, 0, 1, 6}
		case f.ID == 0x585 && f.Data[0] == 0x60 && f.Data[2] == 0x23 && f.Data[3] == 1 && wrote == 1 && late:
			late = false
			return []slcan.Delivery{{Frame: f, After: 510 * time.Millisecond}}
		}
		return []slcan.Delivery{{Frame: f}}
	}
	ctl := b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	late = true
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		writes := f.ID == 0x605 && f.Data[0]>>5 == 1 && f.Data[2] == 0x23 && f.Data[3] == 1
		if writes {
			wrote++
		}
		return []slcan.Delivery{{Frame: f, Drop: writes && wrote == 2}}
	}
	_, err := ctl.ReadTelemetry(t.Context())
	require.NoError(t, err)
	require.Error(t, ctl.CommandThrottle(t.Context(), 0.4))
	if err := ctl.Halt(t.Context()); confirmed(err) {
		assert.Zero(t, b.sim.Lever(), "said to be confirmed: %v", err)
	}
	assert.GreaterOrEqual(t, wrote, 3)
}

// That a node left operation is believed by its own word only, where nothing else tells of zero: the command to leave may get lost too.
func TestANodeThatDidNotLeaveConfirmsNothing(t *testing.T) {
	b, ctl := keepsApart(t)
	require.NoError(t, ctl.CommandThrottle(t.Context(), 0.4))
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x205 || f.ID == 0}}
	}
	err := ctl.Halt(t.Context())
	assert.NotZero(t, b.sim.Lever())
	assert.False(t, confirmed(err), "%v", err)
	assert.ErrorContains(t, err, "instead the node was told to leave operation, where it obeys no receive PDO: it did not say that it obeyed")
}

// While another throttle is on the bus a zero that was read is one of a moment: confirmed it is once the node left operation.
func TestZeroBesideAnotherThrottleNeedsTheNodeToLeave(t *testing.T) {
	for lost, want := range map[bool]bool{false: true, true: false} {
		b, ctl := driven(t, objects(t))
		b.others = append(b.others, slcan.Frame{ID: 0x205, Data: []byte{1, 0xE8, 3}})
		b.pass(t, 20*time.Millisecond)
		_, err := ctl.ReadTelemetry(t.Context())
		require.ErrorContains(t, err, "another throttle")
		b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f, Drop: lost && f.ID == 0}} }
		err = ctl.Halt(t.Context())
		assert.Equal(t, want, confirmed(err), "%v", err)
		b.node.Take(slcan.Frame{ID: 0x205, Data: []byte{1, 0xE8, 3}})
		assert.Equal(t, want, b.sim.Lever() == 0)
	}
}

// A receive PDO that carries the throttle twice is refused: which of the two counts is not told, and the other would stay at 0000.
func TestAThrottleThatIsMappedTwice(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	b.adapter.Mishap = func(f slcan.Frame) []slcan.Delivery {
		if f.ID == 0x585 && f.Data[1] == 0 && f.Data[2] == 0x16 {
			switch f.Data[3] {
			case 0:
				f.Data = []byte{0x4F, 0, 0x16, 0, 3, 0, 0, 0}
			case 3:
				f.Data = []byte{0x43, 0, 0x16, 3, 0x10, 1, 0, 0x23}
			}
		}
		return []slcan.Delivery{{Frame: f}}
	}
	_, _, err := objmap.Open(t.Context(), b.m, linksim.CANLoopback(b.adapter, b.clock), b.clock, false)
	assert.ErrorContains(t, err, "it carries 2300:01 twice, and which of the two counts, nothing tells")
}

// Other receive PDOs that nothing here can read keep no controller from being used; who speaks to one is taken for another throttle,
// with 29 bits in its identifier too.
func TestOtherReceivePDOsThatCannotBeRead(t *testing.T) {
	for name, c := range map[string]struct {
		device map[string][]byte
		heard  slcan.Frame
		text   string
	}{
		"off, whatever is mapped there": {map[string][]byte{"011401": {5, 3, 0, 0x80}, "011402": {255}, "011600": {255}}, slcan.Frame{ID: 0x305, Data: []byte{0, 0}}, ""},
		"multiplexed":                   {map[string][]byte{"011401": {5, 3, 0, 0}, "011402": {255}, "011600": {255}}, slcan.Frame{ID: 0x305, Data: []byte{0, 0}}, "somebody who speaks to RPDO 2 of the controller, which may carry the throttle too"},
		"its mapping refused":           {map[string][]byte{"011401": {5, 3, 0, 0}, "011402": {255}}, slcan.Frame{ID: 0x305, Data: []byte{0, 0}}, "somebody who speaks to RPDO 2 of the controller"},
		"29 bits":                       {map[string][]byte{"011401": {5, 3, 0, 0x20}, "011402": {255}, "011600": {1}, "011601": {0x10, 1, 0, 0x23}}, slcan.Frame{ID: 0x305, Extended: true, Data: []byte{0, 0}}, "another throttle, by RPDO 2 of the controller, is on the bus too (frame 00000305#0000)"},
		"29 bits, and 11 heard":         {map[string][]byte{"011401": {5, 3, 0, 0x20}, "011402": {255}, "011600": {1}, "011601": {0x10, 1, 0, 0x23}}, slcan.Frame{ID: 0x305, Data: []byte{0, 0}}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, objects(t), canopen.Acts)
			answers(b, c.device)
			ctl := b.open(t)
			require.NoError(t, ctl.MakeReady(t.Context()))
			b.others = append(b.others, c.heard)
			b.pass(t, 20*time.Millisecond)
			_, err := ctl.ReadTelemetry(t.Context())
			if c.text == "" {
				assert.NoError(t, err)
			} else {
				assert.ErrorContains(t, err, c.text)
			}
			require.NoError(t, ctl.Halt(t.Context()))
		})
	}
	b := newBus(t, objects(t), canopen.Acts)
	answers(b, map[string][]byte{"011401": {5, 2, 0, 0}, "011402": {255}}) // its mapping refused
	assert.ErrorContains(t, b.open(t).MakeReady(t.Context()), "it has the identifier 205 of RPDO 1")
}

// Emergencies that repeat themselves leave room for what else the node tells.
func TestABootUpAmongManyEmergencies(t *testing.T) {
	b := newBus(t, objects(t), canopen.Acts)
	ctl := b.open(t)
	require.NoError(t, ctl.MakeReady(t.Context()))
	b.pass(t, 2*time.Second) // silent
	for range 50 {
		b.others = append(b.others, slcan.Frame{ID: 0x085, Data: []byte{0x30, 0x81, 0x11, 0, 0, 0, 0, 0}})
	}
	b.others = append(b.others, slcan.Frame{ID: 0x705, Data: []byte{0}})
	b.pass(t, 20*time.Millisecond)
	_, err := ctl.ReadTelemetry(t.Context())
	assert.ErrorContains(t, err, "node 5 began anew")
}

// A line that is lost while a halt waits for the node's word ends the wait.
func TestALineThatIsLostWhileAHaltWaits(t *testing.T) {
	b, ctl := keepsApart(t)
	require.NoError(t, ctl.CommandThrottle(t.Context(), 0.4))
	out := false
	b.adapter.Sent = func(f slcan.Frame) []slcan.Delivery {
		gone := out && f.ID == 0x605 // the first answer after the node was told to leave
		out = out || f.ID == 0
		return []slcan.Delivery{{Frame: f, Drop: f.ID == 0x205, Gone: gone}}
	}
	assert.ErrorContains(t, ctl.Halt(t.Context()), "zero throttle was not confirmed")
}
