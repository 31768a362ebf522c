package link

import (
	"errors"
	"fmt"
	"time"

	"quaybench/bench/quantity"
)

// What a controller or instrument may answer.
var (
	ErrUnknown  = errors.New("the controller has no such thing")
	ErrReadOnly = errors.New("the map of the controller says read-only")
	ErrRunning  = errors.New("the motor is running: stop it and put the lever in neutral first")
	// ErrNoTimeout reports that nothing is known to end a command when the line is lost.
	ErrNoTimeout  = errors.New("the map states no command time-out of the controller's own: throttle over the line is refused")
	ErrNoThrottle = errors.New("this controller takes no throttle over the line: use prompted mode")
	ErrHalted     = errors.New("halted: no throttle until the controller is opened again")
	// ErrUnread holds a throttle back that may be stale: the machine slept, the process was stopped or the line was busy.
	ErrUnread = errors.New("the controller's state was not read for longer than its command time-out (did this machine sleep?): only zero goes out until it is read anew")
	// ErrOutOfStep casts doubt on the reading before: it is to be thrown away.
	ErrOutOfStep = errors.New("a reply came unasked: the one before it may have been to an older request, so read that again")
	ErrStale     = errors.New("no new readings")
	// ErrHangs comes with ErrStale.
	ErrHangs = errors.New("its lines keep coming, but its own clock stands still, keeps going back or falls behind: it hangs, or what it sends is old")
	// ErrOther ends the use of an instrument: what it sends is not what it was said to send.
	ErrOther = errors.New("the instrument sends something else than it was said to")
	// ErrNotReady holds a throttle back from a controller that has first to be made ready, or that went to zero by itself since.
	ErrNotReady = errors.New("the controller is not ready to take a throttle command, or went to zero by itself since it was: prove its time-out again")
	// ErrVoid ends a release, and the proof before it, for good: see [NewsError].
	ErrVoid   = errors.New("the release of the throttle no longer holds: open the controller again, for a new proof and a new release")
	ErrClosed = errors.New("the link is closed")
)

// SettingError reports which setting an error is about.
type SettingError struct {
	Key string
	Err error
}

func (e *SettingError) Error() string { return e.Key + ": " + e.Err.Error() }

// Unwrap returns the error itself.
func (e *SettingError) Unwrap() error { return e.Err }

// NewsError is what a controller told by itself, as no answer to anything: it began anew, reports an emergency, left its state, is
// silent, or somebody else speaks to it. It comes with the next call, but never from Halt. From then on a throttle command other
// than zero is [ErrVoid].
type NewsError struct{ Err error }

func (e *NewsError) Error() string { return e.Err.Error() }

// Unwrap returns the news.
func (e *NewsError) Unwrap() error { return e.Err }

// OtherwiseError reports that zero throttle is confirmed, but that the controller did not take it in the usual way.
type OtherwiseError struct {
	Why error  // what was wrong with the usual way
	Did string // what was done instead
}

func (e *OtherwiseError) Error() string {
	return fmt.Sprintf("zero throttle is confirmed, though not in the usual way: %v; instead %s. Look into it before the next test", e.Why, e.Did)
}

// Unwrap returns what was wrong.
func (e *OtherwiseError) Unwrap() error { return e.Why }

// UnconfirmedError reports that nothing confirmed zero throttle.
type UnconfirmedError struct {
	Timeout time.Duration // the controller's own command time-out, which is left to act
	Why     error
}

func (e *UnconfirmedError) Error() string {
	return fmt.Sprintf("zero throttle was not confirmed; use the hard-wired stop (the controller's own command time-out is %s): %v", quantity.FormatDuration(e.Timeout), e.Why)
}

// Unwrap returns why.
func (e *UnconfirmedError) Unwrap() error { return e.Why }

// RangeError is a value that a controller does not take. Values are SI.
type RangeError struct {
	Value, Min, Max float64
	Unit            string // to show them in; "" for a plain number
}

func (e *RangeError) Error() string {
	return fmt.Sprintf("%s is not from %s to %s", quantity.FormatStated(e.Value, e.Unit), quantity.FormatStated(e.Min, e.Unit), quantity.FormatStated(e.Max, e.Unit))
}

// ReadBackError is a setting that did not take what was written. Values are SI.
type ReadBackError struct {
	Wrote, Got float64
	Unit       string // to show them in; "" for a plain number
}

func (e *ReadBackError) Error() string {
	return fmt.Sprintf("wrote %s, but the controller now holds %s: read all settings before anything else", quantity.FormatStated(e.Wrote, e.Unit), quantity.FormatStated(e.Got, e.Unit))
}

// ImpossibleError is a reading that can't be true. Values are SI.
type ImpossibleError struct {
	Channel         Channel
	Value, Min, Max float64
}

func (e *ImpossibleError) Error() string {
	unit := e.Channel.Unit
	return fmt.Sprintf("%s reads %s, which can't be: it is from %s to %s; check sensor and wiring",
		quantity.Spoken(e.Channel.Name), quantity.FormatStated(e.Value, unit), quantity.FormatStated(e.Min, unit), quantity.FormatStated(e.Max, unit))
}
