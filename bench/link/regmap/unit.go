package regmap

import (
	"fmt"
	"math"
	"sync"

	"quaybench/bench/link/modbus"
)

// Device is a controller seen from its own side: what stands behind the
// registers of a [Unit]. Values are SI, of a choice the index of the word.
// Calls come one at a time.
type Device interface {
	Setting(key string) float64
	// SetSetting is called with a value in the map's range. An error refuses
	// it: a [modbus.Code], or anything for a server failure.
	SetSetting(key string, value float64) error
	Reading(name string) float64
	Running() bool
	// Throttle is the commanded share of full throttle, −1 to 1.
	Throttle(share float64)
}

// Unit answers Modbus requests for a device by a register map: the other side
// of a [Controller], for simulated controllers.
//
// It does what a careful controller does: it refuses registers that the map
// does not have, half of a 32-bit value, values out of range, writes to
// read-only settings, and settings while locked.
type Unit struct {
	m      *Map
	device Device

	mu       sync.Mutex
	progress int // steps of the unlock sequence seen in order
	command  map[place]uint16
}

var _ modbus.Handler = (*Unit)(nil)

// NewUnit makes a unit; it is to be given to [modbus.NewServer] with the
// map's unit id, see [Map.UnitID].
func NewUnit(m *Map, device Device) *Unit {
	u := &Unit{m: m, device: device, command: map[place]uint16{}}
	if t := m.throttle; t != nil {
		u.command[t.place] = t.hold(t.zero)[0]
		if t.direction != nil {
			u.command[t.direction.place] = t.direction.neutral
		}
	}
	return u
}

// UnitID is the Modbus unit id in the map.
func (m *Map) UnitID() byte { return m.unit }

// ReadBits reads coils or discrete inputs.
func (u *Unit) ReadBits(table modbus.Table, address, count int) ([]bool, error) {
	registers, err := u.read(place{table, address, count})
	if err != nil {
		return nil, err
	}
	bits := make([]bool, count)
	for i := range bits {
		bits[i] = registers[i] != 0
	}
	return bits, nil
}

// ReadRegisters reads holding or input registers.
func (u *Unit) ReadRegisters(table modbus.Table, address, count int) ([]uint16, error) {
	return u.read(place{table, address, count})
}

func (u *Unit) read(asked place) ([]uint16, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	registers := make([]uint16, asked.registers)
	filled := make([]bool, asked.registers)
	put := func(p place, values []uint16) {
		for i, v := range values {
			if at := p.address + i - asked.address; at >= 0 && at < asked.registers {
				registers[at], filled[at] = v, true
			}
		}
	}
	for p, value := range u.command {
		if p.overlaps(asked) {
			put(p, []uint16{value})
		}
	}
	for _, s := range u.m.settings {
		if s.overlaps(asked) {
			put(s.place, s.saturate(u.device.Setting(s.Key)))
		}
	}
	for _, r := range u.m.readings {
		if r.overlaps(asked) {
			put(r.place, r.saturate(u.device.Reading(r.Name)))
		}
	}
	if mark := u.m.running; mark != nil && mark.overlaps(asked) {
		at := mark.address - asked.address
		if mark.mask != 0 || !filled[at] { // a speed that is a reading tells by itself
			put(mark.place, []uint16{mark.show(registers[at], u.device.Running())})
		}
	}
	for _, ok := range filled {
		if !ok {
			return nil, modbus.IllegalDataAddress
		}
	}
	return registers, nil
}

// show puts the mark of a driven motor into a register.
func (r *running) show(register uint16, runs bool) uint16 {
	switch {
	case r.mask == 0 && runs:
		return uint16(r.above) + 1
	case r.mask == 0:
		return 0
	case runs != r.whenClear:
		return register | r.mask
	}
	return register &^ r.mask
}

// saturate holds the value, or the nearest the type can hold, as a sensor at
// the end of its range does.
func (c codec) saturate(value float64) []uint16 {
	if registers, ok := c.encode(value); ok {
		return registers
	}
	low, high := c.kind.limits()
	if c.codes != nil {
		return c.hold(c.codes[0])
	}
	count := c.Count(value)
	if math.IsNaN(count) {
		count = high // an open sensor
	}
	return c.hold(min(max(count, low), high))
}

// WriteBits writes coils.
func (u *Unit) WriteBits(address int, bits []bool) error {
	registers := make([]uint16, len(bits))
	for i, on := range bits {
		if on {
			registers[i] = 1
		}
	}
	return u.write(place{modbus.Coils, address, len(bits)}, registers)
}

// WriteRegisters writes holding registers.
func (u *Unit) WriteRegisters(address int, registers []uint16) error {
	return u.write(place{modbus.HoldingRegisters, address, len(registers)}, registers)
}

// write checks the whole request, then carries it out.
func (u *Unit) write(asked place, registers []uint16) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	var acts []func() error
	for i := 0; i < len(registers); {
		used, act, err := u.plan(place{asked.table, asked.address + i, len(registers) - i}, registers[i:])
		if err != nil {
			return err
		}
		acts = append(acts, act)
		i += used
	}
	for _, act := range acts {
		if err := act(); err != nil {
			return err
		}
	}
	return nil
}

// plan finds what starts at a place, and how to write it.
func (u *Unit) plan(at place, registers []uint16) (used int, act func() error, err error) {
	here := place{at.table, at.address, 1}
	for _, s := range u.m.settings {
		if s.table != at.table || s.address != at.address {
			continue
		}
		if s.registers > len(registers) {
			return 0, nil, modbus.IllegalDataAddress // half a value
		}
		value, ok := s.decode(registers[:s.registers])
		if s.ReadOnly || !ok || !s.takes(value) {
			return 0, nil, modbus.IllegalDataValue
		}
		if u.progress < len(u.m.unlock) {
			return 0, nil, fmt.Errorf("%s is locked: %w", s.Key, modbus.IllegalDataValue)
		}
		return s.registers, func() error { return u.device.SetSetting(s.Key, value) }, nil
	}
	if u.commands(here) {
		return 1, func() error {
			u.command[here] = registers[0]
			u.device.Throttle(u.share())
			return nil
		}, nil
	}
	if u.isStep(here) {
		return 1, func() error { u.step(write1{here, registers[0]}); return nil }, nil
	}
	return 0, nil, modbus.IllegalDataAddress
}

func (u *Unit) commands(at place) bool {
	t := u.m.throttle
	return t != nil && (at == t.place || t.direction != nil && at == t.direction.place)
}

func (u *Unit) isStep(at place) bool {
	for _, steps := range [][]write1{u.m.unlock, u.m.lock} {
		for _, s := range steps {
			if s.place == at {
				return true
			}
		}
	}
	return false
}

// step follows the unlock sequence: the steps in order unlock, anything else
// locks again.
func (u *Unit) step(w write1) {
	u.command[w.place] = w.value
	next := u.progress
	if next < len(u.m.unlock) && u.m.unlock[next] == w {
		u.progress++
		return
	}
	u.progress = 0
	if len(u.m.unlock) > 0 && u.m.unlock[0] == w {
		u.progress = 1
	}
}

// share is the throttle that the command registers ask for.
func (u *Unit) share() float64 {
	t := u.m.throttle
	count := t.count([]uint16{u.command[t.place]})
	if t.direction != nil {
		share := clamp((count - t.zero) / (t.ahead - t.zero))
		switch u.command[t.direction.place] {
		case t.direction.ahead:
			return share
		case t.direction.astern:
			if t.takesAstern {
				return -share
			}
		}
		return 0
	}
	ahead := (count - t.zero) / (t.ahead - t.zero)
	if ahead >= 0 || !t.takesAstern {
		return clamp(ahead)
	}
	return -clamp((count - t.zero) / (t.astern - t.zero))
}

func clamp(share float64) float64 { return min(max(share, 0), 1) }
