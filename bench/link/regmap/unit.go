package regmap

import (
	"cmp"
	"fmt"
	"sync"

	"quaybench/bench/link/guard"
	"quaybench/bench/link/modbus"
)

// Unit answers Modbus requests for a device by a register map: the other side
// of a [Controller], for simulated controllers.
//
// It does what a careful controller does: it refuses registers that the map
// does not have, half of a 32-bit value, values out of range, writes to
// read-only settings, and settings while locked.
type Unit struct {
	m      *Map
	device guard.Device

	mu       sync.Mutex
	progress int // steps of the unlock sequence seen in order
	command  map[place]uint16
}

var _ modbus.Handler = (*Unit)(nil)

// NewUnit returns a unit; it is to be given to [modbus.NewServer] with the
// map's unit id, see [Map.UnitID].
func NewUnit(m *Map, device guard.Device) *Unit {
	u := &Unit{m: m, device: device, command: map[place]uint16{}}
	if t := m.Throttle; t != nil {
		u.command[t.Place.(place)] = uint16(t.Kind.Raw(t.Zero))
		if t.Direction != nil {
			u.command[t.Direction.Place.(place)] = uint16(t.Direction.Neutral)
		}
	}
	return u
}

// UnitID returns the Modbus unit id in the map.
func (m *Map) UnitID() byte { return m.unit }

// Timing returns the timing of a line at a rate in bit/s, with the time that this controller may take for an answer.
func (m *Map) Timing(baud int) modbus.Timing {
	t := modbus.TimingAt(baud)
	t.Turnaround = cmp.Or(m.turnaround, t.Turnaround)
	return t
}

// ReadBits reads coils or discrete inputs.
func (u *Unit) ReadBits(table modbus.Table, address, count int) ([]bool, error) {
	registers, err := u.read(place{table: table, address: address, registers: count})
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
	return u.read(place{table: table, address: address, registers: count})
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
	for _, s := range u.m.Settings {
		if p := s.Place.(place); p.overlaps(asked) {
			put(p, p.encode(s.Saturate(u.device.Setting(s.Key))))
		}
	}
	for _, r := range u.m.Readings {
		if p := r.Place.(place); p.overlaps(asked) {
			put(p, p.encode(r.Saturate(u.device.Reading(r.Name))))
		}
	}
	if mark := u.m.Running; mark != nil && mark.Place.(place).overlaps(asked) {
		p := mark.Place.(place)
		at := p.address - asked.address
		if mark.Mask != 0 || !filled[at] { // a speed that is a reading tells by itself
			put(p, p.encode(mark.Show(uint64(registers[at]), u.device.Running())))
		}
	}
	for _, ok := range filled {
		if !ok {
			return nil, modbus.IllegalDataAddress
		}
	}
	return registers, nil
}

// WriteBits writes coils.
func (u *Unit) WriteBits(address int, bits []bool) error {
	registers := make([]uint16, len(bits))
	for i, on := range bits {
		if on {
			registers[i] = 1
		}
	}
	return u.write(place{table: modbus.Coils, address: address, registers: len(bits)}, registers)
}

// WriteRegisters writes holding registers.
func (u *Unit) WriteRegisters(address int, registers []uint16) error {
	return u.write(place{table: modbus.HoldingRegisters, address: address, registers: len(registers)}, registers)
}

// write checks the whole request, then carries it out.
func (u *Unit) write(asked place, registers []uint16) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	var acts []func() error
	for i := 0; i < len(registers); {
		used, act, err := u.plan(place{table: asked.table, address: asked.address + i}, registers[i:])
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

// plan finds what starts where a place does, and how to write it.
func (u *Unit) plan(at place, registers []uint16) (used int, act func() error, err error) {
	here := place{table: at.table, address: at.address, registers: 1}
	for _, s := range u.m.Settings {
		p := s.Place.(place)
		if p.table != at.table || p.address != at.address {
			continue
		}
		if p.registers > len(registers) {
			return 0, nil, modbus.IllegalDataAddress // half a value
		}
		value, ok := s.Decode(p.raw(registers))
		if s.ReadOnly || !ok || !s.Takes(value) {
			return 0, nil, modbus.IllegalDataValue
		}
		if u.progress < len(u.m.Unlock) {
			return 0, nil, fmt.Errorf("%s is locked: %w", s.Key, modbus.IllegalDataValue)
		}
		return p.registers, func() error { return u.device.SetSetting(s.Key, value) }, nil
	}
	if u.commands(here) {
		return 1, func() error {
			u.command[here] = registers[0]
			u.device.Throttle(u.share())
			return nil
		}, nil
	}
	if u.isStep(here) {
		return 1, func() error { u.step(guard.Step{Place: here, Raw: uint64(registers[0])}); return nil }, nil
	}
	return 0, nil, modbus.IllegalDataAddress
}

func (u *Unit) commands(at place) bool {
	t := u.m.Throttle
	return t != nil && (at == t.Place || t.Direction != nil && at == t.Direction.Place)
}

func (u *Unit) isStep(at place) bool {
	for _, steps := range [][]guard.Step{u.m.Unlock, u.m.Lock} {
		for _, s := range steps {
			if s.Place == at {
				return true
			}
		}
	}
	return false
}

// step follows the unlock sequence: the steps in order unlock, anything else
// locks again.
func (u *Unit) step(w guard.Step) {
	u.command[w.Place.(place)] = uint16(w.Raw)
	next := u.progress
	if next < len(u.m.Unlock) && u.m.Unlock[next] == w {
		u.progress++
		return
	}
	u.progress = 0
	if len(u.m.Unlock) > 0 && u.m.Unlock[0] == w {
		u.progress = 1
	}
}

// share returns the throttle that the command registers ask for.
func (u *Unit) share() float64 {
	t, direction := u.m.Throttle, uint64(0)
	if t.Direction != nil {
		direction = uint64(u.command[t.Direction.Place.(place)])
	}
	return t.Share(uint64(u.command[t.Place.(place)]), direction)
}
