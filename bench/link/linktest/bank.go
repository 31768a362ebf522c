package linktest

import (
	"sync"

	"quaybench/bench/link/modbus"
)

// Bank is a [modbus.Handler] that just remembers: four tables in memory, each as long
// as its slice. What lies beyond is an illegal data address. The methods are
// safe for several goroutines; the fields are the owner's before serving.
type Bank struct {
	mu       sync.Mutex
	Coils    []bool
	Discrete []bool
	Holding  []uint16
	Input    []uint16
}

// ReadBits reads coils or discrete inputs.
func (b *Bank) ReadBits(table modbus.Table, address, count int) ([]bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	from := b.Coils
	if table == modbus.DiscreteInputs {
		from = b.Discrete
	}
	return cut(from, address, count)
}

// ReadRegisters reads holding or input registers.
func (b *Bank) ReadRegisters(table modbus.Table, address, count int) ([]uint16, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	from := b.Holding
	if table == modbus.InputRegisters {
		from = b.Input
	}
	return cut(from, address, count)
}

// WriteBits writes coils.
func (b *Bank) WriteBits(address int, bits []bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return paste(b.Coils, address, bits)
}

// WriteRegisters writes holding registers.
func (b *Bank) WriteRegisters(address int, registers []uint16) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return paste(b.Holding, address, registers)
}

func cut[T any](from []T, address, count int) ([]T, error) {
	if address+count > len(from) {
		return nil, modbus.IllegalDataAddress
	}
	return append([]T(nil), from[address:address+count]...), nil
}

func paste[T any](to []T, address int, values []T) error {
	if address+len(values) > len(to) {
		return modbus.IllegalDataAddress
	}
	copy(to[address:], values)
	return nil
}
