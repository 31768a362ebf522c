package canopen

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// What can be wrong with the answer to a request. Each comes inside a [*ReplyError].
var (
	ErrNoReply = errors.New("no answer: is the node number right, the controller on, and not in state stopped (where it answers nothing)?")
	ErrOther   = errors.New("the answer is about another object: another client asks the same node, or the answer came late")
	ErrForm    = errors.New("the answer is none of the kinds that CiA 301 has for this request")
	ErrLength  = errors.New("the answer's length is not the object's")
	ErrToggle  = errors.New("a segment came twice or one is missing (the toggle bit is wrong)")
	ErrTooLong = errors.New("the object is longer than anything read here")
)

// ReplyError is an exchange with a node that gave nothing to be believed.
type ReplyError struct {
	Node   byte
	Object Object
	Frame  string // what came, "" for nothing
	Err    error
	Lost   bool // the adapter told of lost frames or errors meanwhile
	Before bool // the node answered before
}

func (e *ReplyError) Error() string {
	what := e.Err.Error()
	if e.Err == ErrNoReply && e.Before {
		what = "no answer, and it answered before: is the controller still on, the cable in, the bus not overloaded?"
	}
	text := fmt.Sprintf("node %d, object %v: %s", e.Node, e.Object, what)
	if e.Frame != "" {
		text += fmt.Sprintf(" (%s)", e.Frame)
	}
	if e.Lost {
		text += "; the adapter tells of lost frames or errors on the bus"
	}
	return text
}

// Unwrap returns the kind.
func (e *ReplyError) Unwrap() error { return e.Err }

// SecondPartyError reports that somebody else speaks to the node or commands the bus. Nothing tells one client's answers from
// another's, so nothing more is asked until the line is opened again.
type SecondPartyError struct {
	Frame string
	Who   string
}

func (e *SecondPartyError) Error() string {
	return fmt.Sprintf("%s is on the bus too (frame %s): unplug it or end it, then open the line again", e.Who, e.Frame)
}

// RestartedError reports that the node began anew (boot-up): what was read of it before may no longer hold.
type RestartedError struct {
	Node byte
	At   time.Time
}

func (e *RestartedError) Error() string {
	return fmt.Sprintf("node %d began anew (boot-up heard): its settings may be others than were read, so read it again", e.Node)
}

// DeviceError is an emergency that the node told of.
type DeviceError struct {
	Node     byte
	Code     uint16  // emergency error code (CiA 301)
	Register byte    // error register, object 1001
	Maker    [5]byte // of the maker's own
	At       time.Time
}

func (e *DeviceError) Error() string {
	return fmt.Sprintf("node %d reports an emergency: %s (code %04X, error register %02X, maker's bytes %X); look it up in the controller's manual", e.Node, emergency(e.Code), e.Code, e.Register, e.Maker)
}

// OfSilence reports whether it may say that something watched fell silent: communication, protocol, or what only the maker knows.
func (e *DeviceError) OfSilence() bool {
	switch e.Code >> 8 {
	case 0x10, 0x81, 0x82, 0xFF:
		return true
	}
	return false
}

// emergency returns the name of an emergency error code by its class (CiA 301, from memory; the four below it by a public list).
func emergency(code uint16) string {
	switch code {
	case 0x8130:
		return "heartbeat or life guard lost"
	case 0x8140:
		return "back from bus off"
	case 0x8210:
		return "a PDO of the wrong length"
	case 0x8250:
		return "a PDO did not come in time"
	}
	switch code >> 8 {
	case 0x10:
		return "generic error"
	case 0xFF:
		return "specific to the device"
	case 0x81:
		return "communication"
	case 0x82:
		return "protocol"
	}
	switch code >> 12 {
	case 2:
		return "current"
	case 3:
		return "voltage"
	case 4:
		return "temperature"
	case 5:
		return "hardware"
	case 6:
		return "software"
	case 7:
		return "additional modules"
	case 8:
		return "monitoring"
	case 9:
		return "external error"
	}
	return "error"
}

// RegisterError reports that the node has an error of which no emergency was heard.
type RegisterError struct {
	Node    byte
	Was, Is byte // error register, object 1001
}

func (e *RegisterError) Error() string {
	return fmt.Sprintf("node %d has an error of which no emergency was heard: its error register (1001) is %02X and was %02X, %s; look it up in the controller's manual", e.Node, e.Is, e.Was, RegisterWords(e.Is&^e.Was))
}

// RegisterWords returns what the bits of an error register stand for (CiA 301, from memory).
func RegisterWords(register byte) string {
	var words []string
	for i, word := range []string{"generic", "current", "voltage", "temperature", "communication", "of the device profile", "reserved", "of the maker's own"} {
		if register>>i&1 != 0 {
			words = append(words, word)
		}
	}
	return strings.Join(words, ", ")
}

// StateError reports that the node left the state that it was in, by itself or by another's word.
type StateError struct {
	Node       byte
	Is, Wanted State
}

func (e *StateError) Error() string {
	return fmt.Sprintf("node %d is %v and was %v: it fell out by itself, or another master said so", e.Node, e.Is, e.Wanted)
}

// HeartbeatError reports that the node's heartbeat is lost.
type HeartbeatError struct {
	Node  byte
	After time.Duration
}

func (e *HeartbeatError) Error() string {
	return fmt.Sprintf("no heartbeat of node %d for %v: the controller is off, off the bus, or beats more slowly than heartbeat in the map says (object 1017)", e.Node, e.After)
}

// LossError reports that frames were lost between bus and program.
type LossError struct {
	Flags byte // of the adapter, 0: it noticed nothing
	Cut   int  // lines that came cut
}

func (e *LossError) Error() string {
	if e.Flags == 0 {
		return fmt.Sprintf("frames were lost on the way from the adapter (lines cut: %d): the serial line is too slow for this bus, or disturbed", e.Cut)
	}
	return fmt.Sprintf("the adapter lost frames or saw errors on the bus (flags %02X): the serial line is too slow for this bus, or wiring, termination or bit rate are wrong", e.Flags)
}

// PDOError reports that a frame was not as long as the mapping that was read from the device.
type PDOError struct {
	ID            uint32
	Bytes, Wanted int
}

func (e *PDOError) Error() string {
	return fmt.Sprintf("frame %03X has %d bytes, and %d by the mapping that the device told: its mapping was changed, or another node sends with this identifier; open the line again", e.ID, e.Bytes, e.Wanted)
}

// IdentityError is a node that is another device than the map is for.
type IdentityError struct {
	Node       byte
	Object     Object
	Is, Wanted uint32
}

func (e *IdentityError) Error() string {
	return fmt.Sprintf("node %d is another device than the map is for: %v is %08X, the map says %08X", e.Node, e.Object, e.Is, e.Wanted)
}
