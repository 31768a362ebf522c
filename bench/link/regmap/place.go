package regmap

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"quaybench/bench/link/guard"
	"quaybench/bench/link/modbus"
)

// place is where in a unit something is.
type place struct {
	table     modbus.Table
	address   int
	registers int  // or bits
	lowFirst  bool // word order of two registers
}

func (p place) end() int { return p.address + p.registers }

func (p place) String() string { return fmt.Sprintf("%v %d", p.table, p.address) }

// bits reports whether the place holds bits, not registers.
func (p place) bits() bool { return p.table == modbus.Coils || p.table == modbus.DiscreteInputs }

// overlaps reports whether two places share a register.
func (p place) overlaps(q place) bool {
	return p.table == q.table && p.address < q.end() && q.address < p.end()
}

// block is a run of adjacent places, read in one request: fewer requests, and
// what stands together is of one moment.
type block struct {
	place
	items []int // indices into the places asked for
}

// registersOf returns how many registers (or bits) a value takes.
func registersOf(k guard.Kind) int { return (k.Bits() + 15) / 16 }

// raw returns the value that registers hold. A bit is a register of 0 or 1.
func (p place) raw(registers []uint16) uint64 {
	if p.registers == 1 {
		return uint64(registers[0])
	}
	high, low := registers[0], registers[1]
	if p.lowFirst {
		high, low = low, high
	}
	return uint64(high)<<16 | uint64(low)
}

// encode returns the registers of a raw value.
func (p place) encode(raw uint64) []uint16 {
	switch {
	case p.registers == 1:
		return []uint16{uint16(raw)}
	case p.lowFirst:
		return []uint16{uint16(raw), uint16(raw >> 16)}
	}
	return []uint16{uint16(raw >> 16), uint16(raw)}
}

// blocks groups places that touch, up to what one request may read. It never
// bridges a gap: a unit may refuse to read a register it does not have.
func blocks(places []place) []block {
	order := make([]int, len(places))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		return cmp.Or(cmp.Compare(places[i].table, places[j].table), cmp.Compare(places[i].address, places[j].address))
	})
	var list []block
	for _, i := range order {
		p := places[i]
		most := modbus.MaxReadRegisters
		if p.bits() {
			most = modbus.MaxReadBits
		}
		if n := len(list) - 1; n >= 0 {
			last := &list[n]
			if last.table == p.table && last.end() == p.address && last.registers+p.registers <= most {
				last.registers += p.registers
				last.items = append(last.items, i)
				continue
			}
		}
		list = append(list, block{p, []int{i}})
	}
	return list
}

// read reads a run of places; bits come as registers of 0 or 1.
func read(ctx context.Context, m *modbus.Master, unit byte, p place) ([]uint16, error) {
	address := uint16(p.address)
	switch p.table {
	case modbus.HoldingRegisters:
		return m.ReadRegisters(ctx, unit, modbus.ReadHolding, address, p.registers)
	case modbus.InputRegisters:
		return m.ReadRegisters(ctx, unit, modbus.ReadInput, address, p.registers)
	}
	function := modbus.ReadCoils
	if p.table == modbus.DiscreteInputs {
		function = modbus.ReadDiscrete
	}
	bits, err := m.ReadBits(ctx, unit, function, address, p.registers)
	if err != nil {
		return nil, err
	}
	registers := make([]uint16, len(bits))
	for i, on := range bits {
		if on {
			registers[i] = 1
		}
	}
	return registers, nil
}
