package canopen

import (
	"bytes"
	"encoding/binary"
	"time"

	"quaybench/bench/link/slcan"
)

// Process is what a simulated node does beside SDO. The numbers of PDOs count from 1, in the order of the lists.
type Process struct {
	Heartbeat time.Duration // its own; 0: none
	Sends     []PDO         // transmit PDOs
	Takes     []PDO         // receive PDOs; the event timer of one is its time-out
	Watches   byte          // node whose heartbeat it watches (1016:01); 0: none
	WatchTime time.Duration
	Falls     byte    // 1029:01: where it goes when that heartbeat is lost: 0 pre-operational, 1 nowhere, 2 stopped
	Silence   Silence // what it does when what it watches falls silent
}

// Silence is how a node takes it that what it watches falls silent.
type Silence int

// A node may act, only report it, or take no note: the standard leaves it to the device.
const (
	Acts Silence = iota
	Reports
	Ignores
	// Limps is Acts of a machine that goes on with less, to come home.
	Limps
)

func (s Silence) acts() bool { return s == Acts || s == Limps }

// Machine is a dictionary with a machine behind it, which obeys what receive PDOs write while the node is operational.
type Machine interface {
	Dictionary
	// Take takes a value that a receive PDO brought.
	Take(o Object, raw uint64)
	// Obey is told that a command or a heartbeat came. Where nothing more comes, it is to be forgotten at an instant; the zero
	// time: never.
	Obey(forget time.Time)
	// Fall is told that what it watches fell silent.
	Fall()
	// Operate is told that the node is operational, or is no more.
	Operate(on bool)
	// Restart is told that the node began anew.
	Restart()
}

// sending is a transmit PDO on its way.
type sending struct {
	data []byte // last sent; nil: none since the node is operational
	at   time.Time
}

// enter changes the state.
func (n *Node) enter(s State) {
	was := n.state
	n.state = s
	switch {
	case s == was || n.machine == nil:
	case s == Operational:
		n.sends = make([]sending, len(n.sends))
		n.machine.Operate(true)
	case was == Operational:
		n.takes = make([]time.Time, len(n.takes))
		n.machine.Operate(false)
	}
}

// Emergency has the node tell of an error of its own.
func (n *Node) Emergency(code uint16) {
	n.register |= 1
	data := binary.LittleEndian.AppendUint16(nil, code)
	n.pending = append(n.pending, slcan.Frame{ID: idEmergency + uint32(n.id), Data: append(data, n.register, 0, 0, 0, 0, 0)})
}

// forget returns when what was commanded is to be forgotten: when the first that is watched runs out.
func (n *Node) forget() (at time.Time) {
	if !n.process.Silence.acts() {
		return at
	}
	first := func(t time.Time) {
		if at.IsZero() || t.Before(at) {
			at = t
		}
	}
	for i, last := range n.takes {
		if !last.IsZero() && n.process.Takes[i].Event > 0 {
			first(last.Add(n.process.Takes[i].Event))
		}
	}
	if !n.watched.IsZero() {
		first(n.watched.Add(n.process.WatchTime))
	}
	return at
}

func (n *Node) obey() {
	if n.machine != nil {
		n.machine.Obey(n.forget())
	}
}

// attend reports receive PDOs and heartbeats that fell silent, and lets the node fall, as far as it is one that does.
func (n *Node) attend(now time.Time) {
	over := func(last time.Time, most time.Duration) bool {
		return !last.IsZero() && most > 0 && now.Sub(last) >= most
	}
	lost := func(code uint16) {
		if n.process.Silence != Ignores {
			n.Emergency(code)
		}
		if n.process.Silence.acts() && n.machine != nil {
			n.machine.Fall()
		}
	}
	for i, last := range n.takes {
		if n.state == Operational && over(last, n.process.Takes[i].Event) {
			n.takes[i] = time.Time{}
			lost(0x8250)
		}
	}
	if over(n.watched, n.process.WatchTime) {
		n.watched = time.Time{}
		lost(0x8130)
		if n.process.Silence.acts() && n.state == Operational {
			switch n.process.Falls {
			case 0:
				n.enter(PreOperational)
			case 2:
				n.enter(Stopped)
			}
		}
	}
}

// Overslept notes that the node did not run for a while, as a busy machine's program: what came meanwhile waits for it, so that
// time counts for nothing that it watches.
func (n *Node) Overslept(d time.Duration) {
	for i := range n.takes {
		if !n.takes[i].IsZero() {
			n.takes[i] = n.takes[i].Add(d)
		}
	}
	if !n.watched.IsZero() {
		n.watched = n.watched.Add(d)
	}
	if !n.forget().IsZero() { // else nothing that was commanded waits to be forgotten
		n.obey()
	}
}

// receive writes the values of a receive PDO into the objects that it maps.
func (n *Node) receive(f slcan.Frame) {
	for i := range n.process.Takes {
		p := &n.process.Takes[i]
		if f.ID != p.ID || p.Off || n.state != Operational {
			continue
		}
		if len(f.Data) < p.Bytes() {
			n.Emergency(0x8210)
			return
		}
		n.takes[i] = n.clock.Now()
		from := 0
		for _, field := range p.Fields {
			if !field.Filler() && n.machine != nil {
				n.machine.Take(field.Object, Extract(f.Data, from, field.Bits))
			}
			from += field.Bits
		}
		n.obey()
		return
	}
}

// transmit returns the transmit PDOs that are due: by their event timer, and where something changed, no sooner than their
// inhibit time allows.
func (n *Node) transmit(now time.Time) (out []slcan.Frame) {
	for i := range n.process.Sends {
		p, s := &n.process.Sends[i], &n.sends[i]
		if p.Off || !p.ByEvent() {
			continue
		}
		timer := p.Event > 0 && now.Sub(s.at) >= p.Event
		if s.data != nil && !timer && now.Sub(s.at) < p.Inhibit {
			continue
		}
		data := make([]byte, p.Bytes())
		from := 0
		for _, field := range p.Fields {
			var eight [8]byte
			got, _ := n.dictionary.Read(field.Object) // a filler is not there, and zero
			copy(eight[:], got)
			Insert(data, from, field.Bits, binary.LittleEndian.Uint64(eight[:]))
			from += field.Bits
		}
		if timer || !bytes.Equal(data, s.data) {
			s.data, s.at = data, now
			out = append(out, slcan.Frame{ID: p.ID, Data: data})
		}
	}
	return out
}

// read reads an object: of the node's own communication, or of the dictionary.
func (n *Node) read(o Object) ([]byte, error) {
	for _, list := range []struct {
		way  Direction
		pdos []PDO
	}{{Transmit, n.process.Sends}, {Receive, n.process.Takes}} {
		for i := range list.pdos {
			if data, ok := list.pdos[i].object(list.way, i+1, o); ok {
				return data, nil
			}
			if o.Index == list.way.Parameter(i+1) || o.Index == list.way.Mapping(i+1) {
				return nil, NoSubIndex
			}
		}
	}
	switch o {
	case ErrorRegister():
		return []byte{n.register}, nil
	case heartbeatTime():
		return binary.LittleEndian.AppendUint16(nil, uint16(n.process.Heartbeat/time.Millisecond)), nil
	case Object{0x1016, 0}, Object{0x1029, 0}:
		return []byte{1}, nil
	case watchObject:
		return binary.LittleEndian.AppendUint32(nil, uint32(n.process.Watches)<<16|uint32(n.process.WatchTime/time.Millisecond)), nil
	case fallsObject:
		return []byte{n.process.Falls}, nil
	}
	return n.dictionary.Read(o)
}

// The objects that say what is watched, and where the node goes then.
var (
	watchObject = Object{0x1016, 1}
	fallsObject = Object{0x1029, 1}
)

// set writes an object.
func (n *Node) set(o Object, data []byte) error {
	raw := func(bytes int) (uint64, error) {
		if len(data) != bytes {
			return 0, LengthMismatch
		}
		var eight [8]byte
		copy(eight[:], data)
		return binary.LittleEndian.Uint64(eight[:]), nil
	}
	for i := range n.process.Takes {
		if o == (Object{Receive.Parameter(i + 1), 5}) {
			ms, err := raw(2)
			if err == nil {
				n.process.Takes[i].Event = time.Duration(ms) * time.Millisecond
			}
			return err
		}
	}
	switch o {
	case heartbeatTime():
		ms, err := raw(2)
		if err == nil {
			n.process.Heartbeat = time.Duration(ms) * time.Millisecond
		}
		return err
	case watchObject:
		v, err := raw(4)
		if err == nil {
			n.process.Watches, n.process.WatchTime = byte(v>>16), time.Duration(v&0xFFFF)*time.Millisecond
		}
		return err
	case fallsObject:
		v, err := raw(1)
		if err == nil {
			n.process.Falls = byte(v)
		}
		return err
	}
	if o.Index < 0x2000 {
		if _, err := n.read(o); err == nil {
			return ReadOnly
		}
	}
	return n.dictionary.Write(o, data)
}
