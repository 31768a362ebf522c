package slcan

import (
	"errors"
	"fmt"
	"time"

	"quaybench/bench/quantity"
)

// What listening to a bus may find.
var (
	// ErrNoAdapter reports that nothing on the port speaks the protocol.
	ErrNoAdapter = errors.New("nothing answers as a serial CAN adapter does: check port and rate of the serial line, and unplug the adapter and plug it in again")
	// ErrNotListening reports that the adapter cannot listen only.
	ErrNotListening = errors.New("the adapter cannot open a bus for listening only, so it might disturb a live one: where this controller is alone on the bus and the rate is sure, say so (--alone)")
	// ErrRefused reports that the adapter refused a frame.
	ErrRefused = errors.New("the adapter did not take the frame: it is not open for sending, or the bus is off (a short circuit, a missing terminator, a wrong bit rate)")
	// ErrBusOff reports that the adapter took itself off the bus after too many errors.
	ErrBusOff = errors.New("the adapter is off the bus after too many errors: look for a short circuit, a missing terminator, a wrong bit rate; then open the line again")
	// ErrClosed reports that the bus was closed by its owner.
	ErrClosed = errors.New("the bus is closed")
)

// SilenceError reports why no frame was believed while listening: three cases that must not be taken for one another.
type SilenceError struct {
	Rate   Rate
	Waited time.Duration
	Flags  byte   // of the adapter, 0 where it saw nothing wrong
	Again  *Frame // the one frame that came over and over
}

func (e *SilenceError) Error() string {
	switch {
	case e.Again != nil:
		return fmt.Sprintf("frame %v comes over and over as fast as the bus can carry it: its sender is alone, and nobody acknowledges it. Where this is the controller, alone on a bench, say so (--alone): then the adapter takes part and acknowledges", *e.Again)
	case e.Flags != 0:
		return fmt.Sprintf("the adapter sees errors on the bus (flags %02X) and no frame in %s: the bit rate is not %s; look it up in the controller's manual, or listen for it (quaybench controller objects --find-rate), and correct rate in the map", e.Flags, quantity.FormatDuration(e.Waited), e.Rate.Name)
	}
	return fmt.Sprintf("nothing was heard in %s at %s: no power, a wire off, another bit rate, or a controller without heartbeat. Where it is alone on the bus and the rate is sure, say so (--alone)", quantity.FormatDuration(e.Waited), e.Rate.Name)
}
