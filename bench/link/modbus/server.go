package modbus

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"quaybench/bench/link/port"
)

// Table is one of a slave's four address spaces, each counted from 0.
type Table byte

// The four tables.
const (
	Coils            Table = iota // bits, read and written
	DiscreteInputs                // bits, read only
	HoldingRegisters              // registers, read and written
	InputRegisters                // registers, read only
)

func (t Table) String() string {
	if int(t) < len(tableNames) {
		return tableNames[t]
	}
	return fmt.Sprintf("table %d", byte(t))
}

var tableNames = [...]string{"coil", "discrete input", "holding register", "input register"}

// Handler is what stands behind a [Server]. An error that is a [Code] is sent
// as that exception, any other as [ServerFailure]. A write is done as a whole
// or not at all.
type Handler interface {
	ReadBits(table Table, address, count int) ([]bool, error)
	ReadRegisters(table Table, address, count int) ([]uint16, error)
	WriteBits(address int, bits []bool) error
	WriteRegisters(address int, registers []uint16) error
}

// Server answers one unit's requests, as a controller does.
type Server struct {
	unit    byte
	handler Handler
	timing  Timing
	clock   port.Clock
	wrecks  atomic.Int64
}

// NewServer returns a server for a unit id from 1 to 247; it panics on another.
func NewServer(unit byte, handler Handler, timing Timing, clock port.Clock) *Server {
	if unit < 1 || unit > maxUnit {
		panic(fmt.Sprintf("modbus: unit %d is not from 1 to %d", unit, maxUnit))
	}
	return &Server{unit: unit, handler: handler, timing: timing, clock: clock}
}

// Serve answers over p until the context ends or the line fails, and returns
// that error. It does not close p.
func (s *Server) Serve(ctx context.Context, p port.Port) error {
	l := line{port: p, timing: s.timing, clock: s.clock}
	for {
		raw, err := l.receive(ctx, time.Hour, nil, requestLength)
		if err != nil {
			return fmt.Errorf("serve unit %d: %w", s.unit, err)
		}
		if reply := s.Answer(raw); reply != nil {
			if err := p.Write(ctx, reply); err != nil {
				return fmt.Errorf("serve unit %d: %w", s.unit, err)
			}
		}
	}
}

// Answer returns the reply to one received frame, or nil where a slave stays
// silent: a broken frame, another unit's, or one to everybody (unit 0), which
// is carried out if it writes.
func (s *Server) Answer(raw []byte) []byte {
	if len(raw) == 0 {
		return nil
	}
	asked, err := ParseFrame(raw)
	if err != nil {
		s.wrecks.Add(1)
		return nil
	}
	broadcast := asked.Unit == 0
	if asked.Unit != s.unit && !broadcast {
		return nil
	}
	if broadcast && asked.Function.reads() {
		return nil
	}
	data, err := s.do(asked)
	if broadcast {
		return nil
	}
	reply := Frame{Unit: s.unit, Function: asked.Function, Data: data}
	if err != nil {
		code := ServerFailure
		errors.As(err, &code)
		reply.Function |= exceptionFlag
		reply.Data = []byte{byte(code)}
	}
	return reply.Bytes()
}

func (s *Server) do(asked Frame) ([]byte, error) {
	r, err := parseRequest(asked)
	if err != nil {
		return nil, err
	}
	address := int(r.address)
	switch r.function {
	case ReadCoils, ReadDiscrete:
		bits, err := s.handler.ReadBits(tableOf[r.function], address, r.count)
		if err != nil || len(bits) != r.count {
			return nil, orFailure(err)
		}
		packed := packBits(bits)
		return append([]byte{byte(len(packed))}, packed...), nil
	case ReadHolding, ReadInput:
		registers, err := s.handler.ReadRegisters(tableOf[r.function], address, r.count)
		if err != nil || len(registers) != r.count {
			return nil, orFailure(err)
		}
		return packRegisters([]byte{byte(2 * r.count)}, registers), nil
	case WriteCoil, WriteCoils:
		err = s.handler.WriteBits(address, r.bits)
	default:
		err = s.handler.WriteRegisters(address, r.registers)
	}
	return asked.Data[:4], err
}

var tableOf = map[Function]Table{
	ReadCoils: Coils, ReadDiscrete: DiscreteInputs, ReadHolding: HoldingRegisters, ReadInput: InputRegisters,
}

// orFailure covers a handler that gave another count than asked for.
func orFailure(err error) error {
	if err == nil {
		return ServerFailure
	}
	return err
}
