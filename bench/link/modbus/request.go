package modbus

import (
	"encoding/binary"
	"fmt"
)

// The most one request may carry (MODBUS Application Protocol V1.1b3, section
// 6): what fits into one frame.
const (
	MaxReadBits       = 2000
	MaxReadRegisters  = 125
	MaxWriteBits      = 1968
	MaxWriteRegisters = 123
)

const (
	coilOn  = 0xFF00
	coilOff = 0x0000
)

// request is a message to a slave, in the form both sides use.
type request struct {
	function  Function
	address   uint16
	count     int          // of bits or registers
	bits      []bool       // for the writing functions
	registers []uint16     //
	still     func() error // asked just before it goes out; nil: it goes out
}

// RequestError is a request that no frame can hold, or that asks nobody.
type RequestError struct {
	Function Function
	Reason   string
}

func (e *RequestError) Error() string { return fmt.Sprintf("%v: %s", e.Function, e.Reason) }

// limit returns the most the function may carry.
func (f Function) limit() int {
	switch f {
	case ReadCoils, ReadDiscrete:
		return MaxReadBits
	case ReadHolding, ReadInput:
		return MaxReadRegisters
	case WriteCoils:
		return MaxWriteBits
	case WriteRegisters:
		return MaxWriteRegisters
	}
	return 1
}

// check returns an error for a request that no unit could take, before it goes over the line.
func (r request) check(unit byte) error {
	fail := func(format string, args ...any) error {
		return &RequestError{Function: r.function, Reason: fmt.Sprintf(format, args...)}
	}
	if unit < 1 || unit > maxUnit {
		// 0 would be everybody, and nobody would say that it arrived.
		return fail("unit %d is not from 1 to %d", unit, maxUnit)
	}
	if r.count < 1 || r.count > r.function.limit() {
		return fail("count %d is not from 1 to %d", r.count, r.function.limit())
	}
	if int(r.address)+r.count > 1<<16 {
		return fail("%d from address %d goes beyond 65535", r.count, r.address)
	}
	return nil
}

const maxUnit = 247

// data returns what stands in the frame behind the function code.
func (r request) data() []byte {
	p := binary.BigEndian.AppendUint16(nil, r.address)
	switch r.function {
	case WriteCoil:
		value := uint16(coilOff)
		if r.bits[0] {
			value = coilOn
		}
		return binary.BigEndian.AppendUint16(p, value)
	case WriteRegister:
		return binary.BigEndian.AppendUint16(p, r.registers[0])
	}
	p = binary.BigEndian.AppendUint16(p, uint16(r.count))
	switch r.function {
	case WriteCoils:
		packed := packBits(r.bits)
		p = append(append(p, byte(len(packed))), packed...)
	case WriteRegisters:
		p = append(p, byte(2*len(r.registers)))
		p = packRegisters(p, r.registers)
	}
	return p
}

// replyLength returns the length of the frame that does as asked.
func (r request) replyLength() int {
	switch r.function {
	case ReadCoils, ReadDiscrete:
		return minFrame + 1 + (r.count+7)/8
	case ReadHolding, ReadInput:
		return minFrame + 1 + 2*r.count
	}
	return minFrame + 4 // the first four bytes of what was written come back
}

// parseRequest reads a request as a slave does. The error is the code to refuse
// with.
func parseRequest(f Frame) (request, error) {
	r := request{function: f.Function, count: 1}
	if f.Function.limit() == 1 && f.Function != WriteCoil && f.Function != WriteRegister {
		return r, IllegalFunction
	}
	if len(f.Data) < 4 {
		return r, IllegalDataValue
	}
	r.address = binary.BigEndian.Uint16(f.Data)
	second, rest := binary.BigEndian.Uint16(f.Data[2:]), f.Data[4:]
	switch f.Function {
	case WriteCoil:
		if second != coilOn && second != coilOff {
			return r, IllegalDataValue
		}
		r.bits = []bool{second == coilOn}
	case WriteRegister:
		r.registers = []uint16{second}
	default:
		r.count = int(second)
		if r.count < 1 || r.count > f.Function.limit() {
			return r, IllegalDataValue
		}
	}
	want := 0 // bytes of values, their count before them
	switch f.Function {
	case WriteCoils:
		want = (r.count + 7) / 8
	case WriteRegisters:
		want = 2 * r.count
	}
	if want > 0 {
		if len(rest) == 0 || int(rest[0]) != want {
			return r, IllegalDataValue
		}
		rest = rest[1:]
	}
	if len(rest) != want {
		return r, IllegalDataValue
	}
	switch f.Function {
	case WriteCoils:
		r.bits = unpackBits(rest, r.count)
	case WriteRegisters:
		r.registers = unpackRegisters(rest)
	}
	if int(r.address)+r.count > 1<<16 {
		return r, IllegalDataAddress
	}
	return r, nil
}

// requestLength returns how long the request that starts with raw will be: 0 while
// that can't be told.
func requestLength(raw []byte) int {
	if len(raw) < 2 {
		return 0
	}
	switch Function(raw[1]) {
	case ReadCoils, ReadDiscrete, ReadHolding, ReadInput, WriteCoil, WriteRegister:
		return minFrame + 4
	case WriteCoils, WriteRegisters:
		const before = 7 // unit, function, address, count, byte count
		if len(raw) >= before {
			return before + int(raw[before-1]) + 2
		}
	}
	return 0
}

// packBits packs bits into bytes, the first bit lowest in the first byte.
func packBits(bits []bool) []byte {
	p := make([]byte, (len(bits)+7)/8)
	for i, on := range bits {
		if on {
			p[i/8] |= 1 << (i % 8)
		}
	}
	return p
}

func unpackBits(p []byte, count int) []bool {
	bits := make([]bool, count)
	for i := range bits {
		bits[i] = p[i/8]>>(i%8)&1 == 1
	}
	return bits
}

func packRegisters(p []byte, registers []uint16) []byte {
	for _, r := range registers {
		p = binary.BigEndian.AppendUint16(p, r)
	}
	return p
}

func unpackRegisters(p []byte) []uint16 {
	registers := make([]uint16, len(p)/2)
	for i := range registers {
		registers[i] = binary.BigEndian.Uint16(p[2*i:])
	}
	return registers
}
