package fault

import (
	"bytes"
	"slices"
	"time"

	"quaybench/bench/link/modbus"
)

// All returns the ways a Modbus line misbehaves, one by one. timing is that of
// the master: what is slow is slower than it waits, what comes late comes just
// after it gave up or went on.
func All(timing modbus.Timing) []Fault {
	tooSlow := timing.Turnaround + timing.HandOver + 20*time.Millisecond
	noise := []byte{0x00, 0x5A, 0xFF, 0x13, 0x37}
	reply := func(change func(reply []byte) []byte) func(_, reply []byte) []Piece {
		return func(_, reply []byte) []Piece { return []Piece{{Bytes: change(bytes.Clone(reply))}} }
	}
	return []Fault{
		{Name: "request lost", Request: func([]byte) []byte { return nil }},
		{Name: "request garbled", Request: func(p []byte) []byte { p[2] ^= 0x10; return p }},
		{Name: "request cut short", Request: func(p []byte) []byte { return p[:len(p)/2] }},
		{Name: "silence", Reply: func(_, _ []byte) []Piece { return nil }},
		{Name: "slow reply", Reply: func(_, reply []byte) []Piece { return []Piece{{After: tooSlow, Bytes: reply}} }},
		{Name: "noise instead", Reply: reply(func([]byte) []byte { return noise })},
		{Name: "noise before", Reply: reply(func(p []byte) []byte { return slices.Concat(noise, p) })},
		{Name: "noise after", Reply: reply(func(p []byte) []byte { return slices.Concat(p, noise) })},
		{Name: "bad check sum", Reply: reply(func(p []byte) []byte { p[len(p)-1] ^= 0x40; return p })},
		{Name: "one bit wrong", Reply: reply(func(p []byte) []byte { p[len(p)-3] ^= 0x01; return p })},
		{Name: "wrong unit id", Reply: reply(func(p []byte) []byte { p[0]++; return resum(p) })},
		{Name: "wrong function", Reply: reply(func(p []byte) []byte { p[1] ^= 0x03; return resum(p) })},
		{Name: "exception", Reply: func(request, _ []byte) []Piece {
			refusal := modbus.Frame{Unit: request[0], Function: modbus.Function(request[1] | 0x80), Data: []byte{byte(modbus.ServerBusy)}}
			return []Piece{{Bytes: refusal.Bytes()}}
		}},
		{Name: "half a frame", Reply: reply(func(p []byte) []byte { return p[:len(p)/2] })},
		{Name: "pause inside a frame", Reply: func(_, p []byte) []Piece {
			return []Piece{{Bytes: p[:3]}, {After: timing.Inside + timing.HandOver + time.Millisecond, Bytes: p[3:]}}
		}},
		{Name: "frame twice", Reply: reply(func(p []byte) []byte { return slices.Concat(p, p) })},
		{Name: "frame again later", Reply: func(_, p []byte) []Piece {
			return []Piece{{Bytes: p}, {After: timing.Between + time.Microsecond, Bytes: bytes.Clone(p)}}
		}},
		{Name: "unplugged before the reply", Reply: func(_, _ []byte) []Piece { return []Piece{{Unplug: true}} }},
		{Name: "unplugged inside the reply", Reply: func(_, p []byte) []Piece { return []Piece{{Bytes: p[:2]}, {Unplug: true}} }},
		{Name: "unplugged after the reply", Reply: func(_, p []byte) []Piece {
			return []Piece{{Bytes: p}, {After: timing.Between + time.Microsecond, Unplug: true}}
		}},
	}
}

// resum writes the right check sum at the end of a changed frame.
func resum(p []byte) []byte {
	return modbus.Frame{Unit: p[0], Function: modbus.Function(p[1]), Data: p[2 : len(p)-2]}.Bytes()
}
