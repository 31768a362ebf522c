package modbus

import (
	"encoding/binary"
	"fmt"
)

// Function is a function code.
type Function byte

// The function codes spoken here.
const (
	ReadCoils      Function = 1
	ReadDiscrete   Function = 2
	ReadHolding    Function = 3
	ReadInput      Function = 4
	WriteCoil      Function = 5
	WriteRegister  Function = 6
	WriteCoils     Function = 15
	WriteRegisters Function = 16
	exceptionFlag  Function = 0x80 // set in the reply that refuses
)

func (f Function) String() string {
	switch f &^ exceptionFlag {
	case ReadCoils:
		return "read coils"
	case ReadDiscrete:
		return "read discrete inputs"
	case ReadHolding:
		return "read holding registers"
	case ReadInput:
		return "read input registers"
	case WriteCoil:
		return "write coil"
	case WriteRegister:
		return "write register"
	case WriteCoils:
		return "write coils"
	case WriteRegisters:
		return "write registers"
	}
	return fmt.Sprintf("function %d", byte(f))
}

const (
	minFrame = 4   // unit, function, check sum
	maxFrame = 256 // MODBUS over Serial Line V1.02, section 2.3
)

// Frame is one message on the line, without its check sum.
type Frame struct {
	Unit     byte // the slave; 0 is everybody
	Function Function
	Data     []byte // at most 252 bytes
}

// Bytes returns the frame as it goes over the line, check sum last.
func (f Frame) Bytes() []byte {
	p := append([]byte{f.Unit, byte(f.Function)}, f.Data...)
	return binary.LittleEndian.AppendUint16(p, CRC(p))
}

// ParseFrame reads exactly one frame. Data aliases raw. The error is [ErrCRC],
// [ErrHalfFrame] for less than a frame can be or [ErrNoise] for more.
func ParseFrame(raw []byte) (Frame, error) {
	switch {
	case len(raw) < minFrame:
		return Frame{}, ErrHalfFrame
	case len(raw) > maxFrame:
		return Frame{}, ErrNoise
	case !sumsUp(raw):
		return Frame{}, ErrCRC
	}
	return Frame{Unit: raw[0], Function: Function(raw[1]), Data: raw[2 : len(raw)-2]}, nil
}

// sumsUp reports whether raw ends with its own check sum.
func sumsUp(raw []byte) bool {
	n := len(raw) - 2
	return n >= 0 && CRC(raw[:n]) == binary.LittleEndian.Uint16(raw[n:])
}
