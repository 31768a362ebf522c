// Package canfault is how a CAN bus and the adapter on it misbehave: one by one, on demand, for tests and for practising with
// a simulated controller.
package canfault

import (
	"bytes"
	"time"

	"quaybench/bench/link/slcan"
)

// Fault is one way a frame on its way to the host goes wrong.
type Fault struct {
	Name   string
	Strike func(f slcan.Frame) []slcan.Delivery
}

// NoWord is the fault of an adapter that never says that it took a frame, as some do.
const NoWord = "no word of the adapter"

// NoFlags is the fault of an adapter that has no word for frames that it lost, as some have not.
const NoFlags = "no word for lost frames"

// Sent returns the faults of the frames that go to a node, one by one.
func Sent() []Fault {
	return []Fault{
		{"sent frame lost", func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Drop: true}} }},
		{"sent frame late", func(f slcan.Frame) []slcan.Delivery {
			return []slcan.Delivery{{Frame: f, After: 520 * time.Millisecond}}
		}},
		{"sent frame twice", func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f}, {Frame: f}} }},
		{"sent frame short", func(f slcan.Frame) []slcan.Delivery {
			f.Data = bytes.Clone(f.Data[:len(f.Data)/2])
			return []slcan.Delivery{{Frame: f}}
		}},
		{"sent frame refused", func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Line: "\a", Drop: true}} }},
	}
}

// All returns the faults of the frames of a node, one by one. What comes late comes just after a client gave up.
func All(node byte) []Fault {
	change := func(name string, how func(f *slcan.Frame)) Fault {
		return Fault{name, func(f slcan.Frame) []slcan.Delivery {
			f.Data = bytes.Clone(f.Data)
			how(&f)
			return []slcan.Delivery{{Frame: f}}
		}}
	}
	beside := func(name string, more ...slcan.Delivery) Fault {
		return Fault{name, func(f slcan.Frame) []slcan.Delivery { return append([]slcan.Delivery{{Frame: f}}, more...) }}
	}
	instead := func(name string, d slcan.Delivery) Fault {
		return Fault{name, func(slcan.Frame) []slcan.Delivery { return []slcan.Delivery{d} }}
	}
	id := uint32(node)
	return []Fault{
		instead("frame lost", slcan.Delivery{Drop: true}),
		{"frame late", func(f slcan.Frame) []slcan.Delivery {
			return []slcan.Delivery{{Frame: f, After: 520 * time.Millisecond}}
		}},
		{"frame twice", func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f}, {Frame: f}} }},
		change("wrong identifier", func(f *slcan.Frame) { f.ID ^= 0x10 }),
		change("short frame", func(f *slcan.Frame) { f.Data = f.Data[:len(f.Data)/2] }),
		change("wrong toggle bit", func(f *slcan.Frame) {
			if len(f.Data) > 0 {
				f.Data[0] ^= 0x10
			}
		}),
		change("wrong index", func(f *slcan.Frame) {
			if len(f.Data) > 2 {
				f.Data[1] ^= 0x01
			}
		}),
		{"abort", func(f slcan.Frame) []slcan.Delivery {
			if f.ID == 0x580+id && len(f.Data) >= 4 {
				f.Data = append([]byte{0x80, f.Data[1], f.Data[2], f.Data[3]}, 0x22, 0x00, 0x00, 0x08)
			}
			return []slcan.Delivery{{Frame: f}}
		}},
		change("another node's answer", func(f *slcan.Frame) { f.ID = f.ID&^0x7F | (id+1)&0x7F }),
		beside("boot-up", slcan.Delivery{Frame: slcan.Frame{ID: 0x700 + id, Data: []byte{0}}}),
		beside("emergency", slcan.Delivery{Frame: slcan.Frame{ID: 0x080 + id, Data: []byte{0x10, 0x43, 0x08, 0, 0, 0, 0, 0}}}),
		beside("second client", slcan.Delivery{Frame: slcan.Frame{ID: 0x600 + id, Data: []byte{0x40, 0, 0x10, 0, 0, 0, 0, 0}}}),
		instead("bus off", slcan.Delivery{Line: "sb256256\r"}),
		instead("adapter refuses", slcan.Delivery{Line: "\a"}),
		instead("adapter overrun", slcan.Delivery{Drop: true, Flags: 0x09}),
		instead("half a line", slcan.Delivery{Line: "t58\r"}),
		instead("noise", slcan.Delivery{Line: "\x00\xff#~\r"}),
		instead("unplugged", slcan.Delivery{Gone: true}),
		{NoWord, func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f}} }},
		{NoFlags, func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f}} }},
	}
}
