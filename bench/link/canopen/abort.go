package canopen

import "fmt"

// Code says why a node aborts an SDO transfer (CiA 301). A [Dictionary] returns one as its error.
type Code uint32

// The codes a node of ours uses, and the client.
const (
	ToggleNotAltered  Code = 0x05030000
	TimedOut          Code = 0x05040000
	UnknownCommand    Code = 0x05040001
	UnsupportedAccess Code = 0x06010000
	WriteOnly         Code = 0x06010001
	ReadOnly          Code = 0x06010002
	NoObject          Code = 0x06020000
	LengthMismatch    Code = 0x06070010
	NoSubIndex        Code = 0x06090011
	InvalidValue      Code = 0x06090030
	ValueTooHigh      Code = 0x06090031
	ValueTooLow       Code = 0x06090032
	GeneralError      Code = 0x08000000
	DeviceState       Code = 0x08000022
)

// words are all codes of the standard.
var words = map[Code]string{
	ToggleNotAltered:  "toggle bit not altered",
	TimedOut:          "SDO protocol timed out",
	UnknownCommand:    "command not valid or unknown",
	0x05040002:        "invalid block size",
	0x05040003:        "invalid sequence number",
	0x05040004:        "CRC error",
	0x05040005:        "out of memory",
	UnsupportedAccess: "unsupported access",
	WriteOnly:         "read of a write-only object",
	ReadOnly:          "write of a read-only object",
	NoObject:          "object does not exist",
	0x06040041:        "object cannot be mapped to the PDO",
	0x06040042:        "mapped objects exceed the PDO length",
	0x06040043:        "parameter incompatibility",
	0x06040047:        "internal incompatibility",
	0x06060000:        "hardware error",
	LengthMismatch:    "type or length does not match",
	0x06070012:        "length too high",
	0x06070013:        "length too low",
	NoSubIndex:        "sub-index does not exist",
	InvalidValue:      "invalid value",
	ValueTooHigh:      "value too high",
	ValueTooLow:       "value too low",
	0x06090036:        "maximum less than minimum",
	0x060A0023:        "resource not available",
	GeneralError:      "general error",
	0x08000020:        "cannot be transferred or stored",
	0x08000021:        "local control",
	DeviceState:       "present device state",
	0x08000023:        "no object dictionary",
	0x08000024:        "no data available",
}

func (c Code) Error() string {
	if w, ok := words[c]; ok {
		return w
	}
	return "a reason of the maker's own"
}

// Abort is a node's refusal. errors.Is finds its Code:
//
//	errors.Is(err, canopen.NoObject)
type Abort struct {
	Node   byte
	Object Object
	Write  bool
	Code   Code
}

func (e *Abort) Error() string {
	verb := "read"
	if e.Write {
		verb = "write"
	}
	return fmt.Sprintf("node %d refuses to %s %v: %v (abort code %08X)", e.Node, verb, e.Object, e.Code, uint32(e.Code))
}

// Unwrap returns the code.
func (e *Abort) Unwrap() error { return e.Code }
