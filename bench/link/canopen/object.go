package canopen

import "fmt"

// Object is where in a node's object dictionary a value is.
type Object struct {
	Index uint16
	Sub   byte
}

// String shows it as manuals do: 1018:01.
func (o Object) String() string { return fmt.Sprintf("%04X:%02X", o.Index, o.Sub) }

// DeviceType returns the object of a node that holds what the device is (CiA 301).
func DeviceType() Object { return Object{0x1000, 0} }

// ErrorRegister returns the object of a node that holds its errors, in bits (CiA 301).
func ErrorRegister() Object { return Object{0x1001, 0} }

// DeviceName returns the object of a node that holds its name, as text (CiA 301).
func DeviceName() Object { return Object{0x1008, 0} }

// emergencyID returns the object of a node that holds the identifier of its emergency messages (CiA 301).
func emergencyID() Object { return Object{0x1014, 0} }

// heartbeatTime returns the object of a node that holds the time between its heartbeats, ms (CiA 301).
func heartbeatTime() Object { return Object{0x1017, 0} }

// VendorID returns the object of a node that holds its maker (CiA 301).
func VendorID() Object { return Object{0x1018, 1} }

// ProductCode returns the object of a node that holds which of its maker's products it is (CiA 301).
func ProductCode() Object { return Object{0x1018, 2} }

// Revision returns the object of a node that holds the product's revision (CiA 301).
func Revision() Object { return Object{0x1018, 3} }

// SerialNumber returns the object of a node that holds its serial number (CiA 301).
func SerialNumber() Object { return Object{0x1018, 4} }

// Storing reports whether writing an object stores or restores all parameters: never done here.
func (o Object) Storing() bool { return o.Index == 0x1010 || o.Index == 0x1011 }

// The identifiers of the default connections.
const (
	idNMT       = 0x000
	idSync      = 0x080
	idEmergency = 0x080 // + node
	idReply     = 0x580 // + node: SDO, from the node
	idRequest   = 0x600 // + node: SDO, to the node
	idHeartbeat = 0x700 // + node
)

// State is what a node says of itself by heartbeat.
type State byte

// The states.
const (
	bootUp         State = 0x00
	Stopped        State = 0x04
	Operational    State = 0x05
	PreOperational State = 0x7F
)

func (s State) String() string {
	switch s {
	case bootUp:
		return "boot-up"
	case Stopped:
		return "stopped"
	case Operational:
		return "operational"
	case PreOperational:
		return "pre-operational"
	}
	return fmt.Sprintf("state %02X", byte(s))
}
