package canopen

import (
	"encoding/binary"
	"errors"
	"slices"
	"time"

	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
)

// Dictionary is what stands behind the objects of a [Node]. An error refuses: a [Code], or anything for a general error.
type Dictionary interface {
	Read(o Object) ([]byte, error)
	Write(o Object, data []byte) error
}

// Node answers for a dictionary: the other side of a [Client], for simulated controllers. It is an [slcan.Node], for one
// goroutine.
type Node struct {
	id         byte
	dictionary Dictionary
	clock      port.Clock
	initial    Process // as it is switched on
	process    Process
	machine    Machine // the dictionary, where it is one; else nil
	beaten     time.Time
	booted     bool
	state      State
	pending    []slcan.Frame // told by itself, not sent yet
	register   byte          // error register
	ticked     time.Time
	sends      []sending   // beside process.Sends
	takes      []time.Time // when each of process.Takes last came; zero: not since the node began, or its time ran out
	watched    time.Time   // when the heartbeat that is watched last came; zero as above

	// The transfer under way.
	object  Object
	sending []byte // still to be sent; nil where none is
	taking  bool
	taken   []byte
	size    int // announced; −1: not
	toggle  byte
}

var _ slcan.Node = (*Node)(nil)

// NewNode returns a node. A dictionary that is a [Machine] is told what the node does beside SDO.
func NewNode(id byte, d Dictionary, p Process, clock port.Clock) *Node {
	n := &Node{id: id, dictionary: d, clock: clock, initial: p}
	n.machine, _ = d.(Machine)
	n.begin()
	return n
}

// begin brings the node to where it is when it is switched on.
func (n *Node) begin() {
	n.process = n.initial
	n.process.Takes = slices.Clone(n.initial.Takes)
	n.booted, n.state, n.register = false, PreOperational, 0
	n.sending, n.taking, n.pending = nil, false, nil
	n.sends, n.takes, n.watched = make([]sending, len(n.process.Sends)), make([]time.Time, len(n.process.Takes)), time.Time{}
}

// Tick returns what is due: the boot-up message at first, heartbeats, emergencies, PDOs.
func (n *Node) Tick() (out []slcan.Frame) {
	now := n.clock.Now()
	if !n.booted {
		n.booted, n.beaten = true, now
		return []slcan.Frame{n.says(bootUp)}
	}
	n.attend(now)
	out, n.pending = n.pending, nil
	if n.process.Heartbeat > 0 && now.Sub(n.beaten) >= n.process.Heartbeat {
		n.beaten = n.beaten.Add(n.process.Heartbeat)
		if now.Sub(n.beaten) >= n.process.Heartbeat { // nobody looked for long
			n.beaten = now
		}
		out = append(out, n.says(n.state))
	}
	if n.state == Operational && now.After(n.ticked) {
		n.ticked = now
		out = append(out, n.transmit(now)...)
	}
	return out
}

func (n *Node) says(s State) slcan.Frame {
	return slcan.Frame{ID: idHeartbeat + uint32(n.id), Data: []byte{byte(s)}}
}

// Restart starts the node anew, as after its power failed.
func (n *Node) Restart() {
	n.begin()
	if n.machine != nil {
		n.machine.Restart()
	}
}

// Take hears a frame.
func (n *Node) Take(f slcan.Frame) []slcan.Frame {
	if f.Extended || f.Remote {
		return nil
	}
	n.attend(n.clock.Now())
	switch f.ID {
	case idNMT:
		if len(f.Data) == 2 && (f.Data[1] == n.id || f.Data[1] == 0) {
			n.command(f.Data[0])
		}
	case idHeartbeat + uint32(n.process.Watches):
		if n.process.Watches != 0 && n.process.WatchTime > 0 && len(f.Data) == 1 {
			n.watched = n.clock.Now()
			n.obey()
		}
	case idRequest + uint32(n.id):
		if len(f.Data) == slcan.MaxData && n.state != Stopped {
			if reply := n.answer(f.Data); reply != nil {
				return []slcan.Frame{{ID: idReply + uint32(n.id), Data: reply}}
			}
		}
	default:
		n.receive(f)
	}
	return nil
}

// State returns the node's state.
func (n *Node) State() State { return n.state }

func (n *Node) command(c byte) {
	switch c {
	case nmtStart:
		n.enter(Operational)
	case nmtStop:
		n.enter(Stopped)
	case nmtPreOperational:
		n.enter(PreOperational)
	case nmtReset, nmtResetCommunication:
		n.Restart()
	}
}

// answer returns the reply to a request.
func (n *Node) answer(r []byte) []byte {
	o := Object{binary.LittleEndian.Uint16(r[1:]), r[3]}
	switch r[0] >> 5 {
	case 2: // read
		data, err := n.read(o)
		if err != nil {
			return n.abort(o, err)
		}
		n.taking = false
		if len(data) >= 1 && len(data) <= 4 {
			return frame(0x43|byte(4-len(data))<<2, o, data...)
		}
		n.object, n.sending, n.toggle = o, append([]byte{}, data...), 0
		return frame(0x41, o, binary.LittleEndian.AppendUint32(nil, uint32(len(data)))...)
	case 3: // a segment is asked for
		if n.sending == nil || r[0]&0x10 != n.toggle {
			return n.abort(n.object, toggleError(n.sending != nil))
		}
		size := min(len(n.sending), 7)
		head := n.toggle | byte(7-size)<<1
		if size == len(n.sending) {
			head |= 1
		}
		reply := request(head, n.sending[:size]...)
		n.sending, n.toggle = n.sending[size:], n.toggle^0x10
		if head&1 != 0 {
			n.sending = nil
		}
		return reply
	case 1: // write
		n.sending = nil
		if r[0]&2 != 0 {
			size := 4
			if r[0]&1 != 0 {
				size -= int(r[0] >> 2 & 3)
			}
			return n.write(o, slices.Clone(r[4:4+size]), frame(0x60, o))
		}
		n.object, n.taking, n.taken, n.toggle, n.size = o, true, nil, 0, -1
		if r[0]&1 != 0 {
			n.size = int(binary.LittleEndian.Uint32(r[4:]))
		}
		return frame(0x60, o)
	case 0: // a segment comes
		if !n.taking || r[0]&0x10 != n.toggle {
			return n.abort(n.object, toggleError(n.taking))
		}
		n.taken = append(n.taken, r[1:8-int(r[0]>>1&7)]...)
		reply := request(0x20 | n.toggle)
		n.toggle ^= 0x10
		switch {
		case len(n.taken) > longest:
			return n.abort(n.object, Code(0x05040005))
		case r[0]&1 == 0:
			return reply
		}
		n.taking = false
		if n.size >= 0 && n.size != len(n.taken) {
			return n.abort(n.object, LengthMismatch)
		}
		return n.write(n.object, n.taken, reply)
	case 4: // aborted by the client
		n.sending, n.taking = nil, false
		return nil
	}
	return n.abort(o, UnknownCommand)
}

func toggleError(under bool) Code {
	if under {
		return ToggleNotAltered
	}
	return UnknownCommand
}

func (n *Node) write(o Object, data, yes []byte) []byte {
	if err := n.set(o, data); err != nil {
		return n.abort(o, err)
	}
	return yes
}

func (n *Node) abort(o Object, err error) []byte {
	n.sending, n.taking = nil, false
	code := GeneralError
	errors.As(err, &code)
	return frame(0x80, o, binary.LittleEndian.AppendUint32(nil, uint32(code))...)
}
