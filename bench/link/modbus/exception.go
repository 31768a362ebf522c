package modbus

import "fmt"

// Code says why a slave refuses. A [Handler] returns one as its error.
type Code byte

// The exception codes (MODBUS Application Protocol V1.1b3, section 7).
const (
	IllegalFunction    Code = 1
	IllegalDataAddress Code = 2
	IllegalDataValue   Code = 3
	ServerFailure      Code = 4
	Acknowledge        Code = 5
	ServerBusy         Code = 6
	MemoryParity       Code = 8
	GatewayPath        Code = 10
	GatewayTarget      Code = 11
)

func (c Code) Error() string {
	switch c {
	case IllegalFunction:
		return "illegal function"
	case IllegalDataAddress:
		return "illegal data address"
	case IllegalDataValue:
		return "illegal data value"
	case ServerFailure:
		return "server failure"
	case Acknowledge:
		return "acknowledge: accepted, but not done yet"
	case ServerBusy:
		return "server busy"
	case MemoryParity:
		return "memory parity error"
	case GatewayPath:
		return "gateway path unavailable"
	case GatewayTarget:
		return "gateway target does not respond"
	}
	return "unknown reason"
}

// Exception is a slave's refusal. errors.Is finds its Code:
//
//	errors.Is(err, modbus.IllegalDataAddress)
type Exception struct {
	Unit     byte
	Function Function // what was asked
	Code     Code
}

func (e *Exception) Error() string {
	return fmt.Sprintf("unit %d refuses to %v: %v (exception %d)", e.Unit, e.Function, e.Code, byte(e.Code))
}

// Unwrap returns the code.
func (e *Exception) Unwrap() error { return e.Code }
