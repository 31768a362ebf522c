package canopen

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"quaybench/bench/link/slcan"
)

// PDO is a process data object as the device has it: its communication parameters (1400 or 1800 and on) and its mapping (1600
// or 1A00 and on).
type PDO struct {
	ID       uint32 // CAN identifier
	Off      bool   // it does not exist (bit 31 of the identifier)
	Extended bool   // it has an identifier of 29 bits (bit 29)
	Type     byte   // transmission type: 254 and 255 by event, 0 to 240 by SYNC
	Inhibit  time.Duration
	Event    time.Duration // event timer, 0: none
	Fields   []Mapped
}

// Mapped is a value in a PDO: an object, or a filler that takes room alone.
type Mapped struct {
	Object
	Bits int
}

// Filler reports whether it only takes room: a data type of CiA 301 (0001 to 0007) in place of an object.
func (m Mapped) Filler() bool { return m.Index >= 1 && m.Index <= 7 && m.Sub == 0 }

func (m Mapped) String() string { return fmt.Sprintf("%v (%d bits)", m.Object, m.Bits) }

// ByEvent reports whether it is sent, or acts, by itself: without SYNC.
func (p *PDO) ByEvent() bool { return p.Type >= 254 }

// Bytes returns how long its frame is.
func (p *PDO) Bytes() int {
	bits := 0
	for _, f := range p.Fields {
		bits += f.Bits
	}
	return (bits + 7) / 8
}

// Find returns where an object is in the frame, in bits from the lowest of the first byte; ok is false where it is not in it.
func (p *PDO) Find(o Object) (from, bits int, ok bool) {
	for _, f := range p.Fields {
		if f.Object == o && !f.Filler() {
			return from, f.Bits, true
		}
		from += f.Bits
	}
	return 0, 0, false
}

// Extract returns the bits of a field, low byte first.
func Extract(data []byte, from, bits int) (raw uint64) {
	for i := range bits {
		if at := from + i; data[at/8]>>(at%8)&1 != 0 {
			raw |= 1 << i
		}
	}
	return raw
}

// Insert writes a field's bits into a frame's data, low byte first.
func Insert(data []byte, from, bits int, raw uint64) {
	for i := range bits {
		at := from + i
		data[at/8] &^= 1 << (at % 8)
		data[at/8] |= byte(raw>>i&1) << (at % 8)
	}
}

// Direction is which way a PDO goes, seen from the device.
type Direction uint16

// The directions, by the index of the first communication parameter.
const (
	Receive  Direction = 0x1400
	Transmit Direction = 0x1800
)

func (d Direction) String() string {
	if d == Receive {
		return "RPDO"
	}
	return "TPDO"
}

// MostPDOs is how many PDOs a device may have in either direction: its objects 1400 to 15FF, or 1800 to 19FF (CiA 301).
const MostPDOs = 512

// Parameter and Mapping name the objects of the PDO of a number, from 1.
func (d Direction) Parameter(number int) uint16 { return uint16(d) + uint16(number-1) }

// Mapping returns the index of the mapping of the PDO of a number, from 1.
func (d Direction) Mapping(number int) uint16 { return uint16(d) + 0x200 + uint16(number-1) }

// DefaultID returns the identifier that the first four PDOs of a node have where nobody changed it (the predefined connection
// set of CiA 301).
func (d Direction) DefaultID(number int, node byte) uint32 {
	first := uint32(0x180)
	if d == Receive {
		first = 0x200
	}
	return first + uint32(number-1)*0x100 + uint32(node)
}

// The bits of the identifier in a communication parameter.
const (
	bitOff      = 1 << 31
	bitExtended = 1 << 29
)

// Restricted reports whether an identifier is none that a PDO may have: network management (000), SYNC and emergencies (080 to
// 0FF), time (100), SDO (580 to 67F), heartbeats (700 and on) and what is reserved (CiA 301, from memory).
func Restricted(id uint32) bool {
	return id <= 0x180 || id >= 0x580 && id <= 0x67F || id >= 0x6E0
}

// ErrMapping is the error of a mapping that nothing here can make sense of.
var ErrMapping = errors.New("a mapping that cannot be read")

// ReadPDO reads what the device says of its PDO of a number, from 1. A device that has no such PDO refuses, with its [*Abort]; what
// was read before a refusal is returned with it.
func (c *Client) ReadPDO(ctx context.Context, d Direction, number int) (p PDO, err error) {
	whole := func(o Object, bytes int) (uint64, error) {
		data, exact, err := c.Upload(ctx, o)
		switch {
		case err != nil:
			return 0, err
		case !exact && len(data) > bytes:
			data = data[:bytes]
		case len(data) != bytes:
			return 0, &ReplyError{Node: c.node, Object: o, Err: ErrLength}
		}
		var eight [8]byte
		copy(eight[:], data)
		return binary.LittleEndian.Uint64(eight[:]), nil
	}
	parameter, mapping := d.Parameter(number), d.Mapping(number)
	id, err := whole(Object{parameter, 1}, 4)
	if err != nil {
		return p, err
	}
	p.Off, p.Extended, p.ID = id&bitOff != 0, id&bitExtended != 0, uint32(id)&0x7FF
	if p.Extended {
		p.ID = uint32(id) & 0x1FFF_FFFF
	}
	kind, err := whole(Object{parameter, 2}, 1)
	if err != nil {
		return p, err
	}
	p.Type = byte(kind)
	for _, timer := range []struct {
		sub  byte
		unit time.Duration
		into *time.Duration
	}{{3, 100 * time.Microsecond, &p.Inhibit}, {5, time.Millisecond, &p.Event}} {
		raw, err := whole(Object{parameter, timer.sub}, 2)
		if err != nil && !errors.As(err, new(*Abort)) { // neither need be there
			return p, err
		}
		*timer.into = time.Duration(raw) * timer.unit
	}
	count, err := whole(Object{mapping, 0}, 1)
	if err != nil {
		return p, err
	}
	if count > 64 {
		return p, fmt.Errorf("%w: object %v says that %d values are mapped; CiA 301 has 64 at most, and 254 and 255 for a mapping that nothing here reads", ErrMapping, Object{mapping, 0}, count)
	}
	for sub := byte(1); sub <= byte(count); sub++ {
		entry, err := whole(Object{mapping, sub}, 4)
		if err != nil {
			return p, err
		}
		p.Fields = append(p.Fields, Mapped{Object{uint16(entry >> 16), byte(entry >> 8)}, int(entry & 0xFF)})
	}
	if p.Bytes() > slcan.MaxData {
		return p, fmt.Errorf("%w: %v %d of node %d has %d bytes by its mapping (%04X), and a frame holds %d", ErrMapping, d, number, c.node, p.Bytes(), mapping, slcan.MaxData)
	}
	return p, nil
}

// mostServers is how many SDO servers a device may have: its objects 1200 to 127F. The first is the one that everybody uses.
const mostServers = 128

// ReserveServers keeps for ourselves the identifiers by which others write to the node over further SDO servers of it (objects 1201 and
// on), as displays do.
func (c *Client) ReserveServers(ctx context.Context) error {
	for number := 2; number <= mostServers; number++ {
		data, _, err := c.Upload(ctx, Object{0x1200 + uint16(number-1), 1})
		switch {
		case errors.As(err, new(*Abort)):
			continue
		case err != nil:
			return err
		case len(data) < 4:
			continue
		}
		raw := binary.LittleEndian.Uint32(data)
		id := raw & 0x7FF
		if raw&bitExtended != 0 {
			id = raw & 0x1FFF_FFFF
		}
		if raw&bitOff == 0 && id != 0 {
			c.Reserve(identifier(id, raw&bitExtended != 0), fmt.Sprintf("another client that reads or writes the same controller (by its SDO server %d)", number))
		}
	}
	return nil
}

// object returns the bytes of one of the PDO's objects, as a device of this PDO gives them; ok is false for another one.
func (p *PDO) object(d Direction, number int, o Object) (data []byte, ok bool) {
	word := func(raw uint64, bytes int) ([]byte, bool) {
		return binary.LittleEndian.AppendUint64(nil, raw)[:bytes], true
	}
	switch {
	case o.Index == d.Parameter(number):
		switch o.Sub {
		case 0:
			return []byte{5}, true
		case 1:
			id := uint64(p.ID)
			if p.Off {
				id |= bitOff
			}
			if p.Extended {
				id |= bitExtended
			}
			return word(id, 4)
		case 2:
			return []byte{p.Type}, true
		case 3:
			return word(uint64(p.Inhibit/(100*time.Microsecond)), 2)
		case 5:
			return word(uint64(p.Event/time.Millisecond), 2)
		}
	case o.Index == d.Mapping(number) && o.Sub == 0:
		return []byte{byte(len(p.Fields))}, true
	case o.Index == d.Mapping(number) && int(o.Sub) <= len(p.Fields):
		f := p.Fields[o.Sub-1]
		return word(uint64(f.Index)<<16|uint64(f.Sub)<<8|uint64(f.Bits), 4)
	}
	return nil, false
}
