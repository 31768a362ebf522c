package link

import (
	"context"
	"time"
)

// Controller is a motor controller at the end of a line. Its methods are safe
// for several goroutines.
//
// A throttle command can turn a propeller. [Controller.Halt] is the way to make
// it inert, and is to be called on every way out.
type Controller interface {
	// Describe says what the controller has: the same at every call.
	Describe() Description

	// ReadSettings reads settings by key, or all of them if none is named. The
	// error is a [*SettingError] if it is about one setting; no values come
	// with an error.
	ReadSettings(ctx context.Context, keys ...string) (map[string]float64, error)

	// WriteSetting writes one setting, reads it back and returns what is now
	// stored: the value, rounded to what the controller can hold. The error is
	// a [*SettingError] around [ErrUnknown], [ErrReadOnly], [ErrRunning], a
	// [*RangeError], a [*ReadBackError] or the line's error. After the last two
	// nobody knows what is stored: read it.
	WriteSetting(ctx context.Context, key string, value float64) (stored float64, err error)

	// Running reports whether the motor is driven, by the controller's own
	// word. It is [ErrUnknown] where the controller can't tell.
	Running(ctx context.Context) (bool, error)

	// ReadTelemetry reads all channels once. A value the hardware can't have
	// is an [*ImpossibleError]; no values come with an error.
	ReadTelemetry(ctx context.Context) (Sample, error)

	// MakeReady brings the controller to where it takes throttle commands, at zero, as [Throttle.Ready] says. From then on it is
	// to be commanded within its command time-out, or it is to be made ready again. It does nothing where it is ready. A person
	// lets it happen, each time.
	MakeReady(ctx context.Context) error

	// CommandThrottle asks for a share of full throttle, from −1 (full astern)
	// to 1 (full ahead). The controller forgets a command after its own
	// command time-out, so it is to be repeated well within that. The error is
	// [ErrNoThrottle], [ErrHalted], [ErrUnread], [ErrNotReady], [ErrVoid], a [*RangeError] or the line's.
	//
	// Only zero passes where longer than the command time-out has gone by, also
	// in a suspended machine, since it was opened, since the last reading of
	// all channels and since the last command that passed. That is looked at just before the command goes
	// out. What remains is a process stopped between that look and the write:
	// its command arrives stale, and acts for the controller's own command
	// time-out at most, as the next look finds the gap.
	CommandThrottle(ctx context.Context, throttle float64) error

	// AtRest reads the place that throttle commands go to and fails if it does
	// not hold zero: then the register map may name another thing's place, or
	// the last command of a test that was cut off stands there. It is to be
	// asked before the first command. A place that can't be read passes.
	AtRest(ctx context.Context) error

	// Lock ends what an unlock sequence began, also one of a program that was
	// killed. It does nothing where the controller needs none.
	Lock(ctx context.Context) error

	// Halt commands zero throttle, then neutral, then refuses every further
	// throttle command: zero is the last one. It interrupts whatever else is
	// under way, goes ahead even if ctx has ended, tries again by itself, and
	// takes a bounded time. An error other than an [*OtherwiseError] means that
	// zero was not confirmed: use the hard-wired stop, and count on the
	// controller's own command time-out.
	// It does nothing, without error, where there is no throttle to command.
	Halt(ctx context.Context) error

	// Close halts the controller if it was ever commanded, and makes every
	// further call [ErrClosed]. It leaves the port open. A second Close does
	// nothing.
	Close() error
}

// Description is what a controller has.
type Description struct {
	Title    string
	Settings []Setting
	Channels []Channel
	Throttle *Throttle // nil: takes no throttle over the line
}

// Setting describes one setting a controller holds. Values are SI numbers; of
// a setting with Words the value is the index into them.
type Setting struct {
	Key      string   // dotted, as in a settings file: limits.motor_current
	Unit     string   // to show values in; "" with Words
	Min, Max float64  // SI, what the controller takes
	Step     float64  // SI, between neighbouring values it can hold; 0 for floating-point
	ReadOnly bool     // it can be read, not written
	Words    []string // for a choice; "false", "true" for a switch
}

// Channel describes one thing that is measured. Values are SI.
type Channel struct {
	Name   string
	Unit   string // to show values in
	Source string // what measures it, in words; "": the controller that is asked
	Meter  Meter  // its error; zero: nobody said
	// Delay is how long after the fact a value comes, as of an instrument that smooths. It is known to within itself.
	Delay time.Duration
}

// Meter is the error of an instrument.
type Meter struct {
	Gain   float64 // half-width, as a share of the reading
	Offset float64 // half-width, SI
}

// Throttle describes the throttle command.
type Throttle struct {
	Astern         bool          // takes negative commands
	CommandTimeout time.Duration // after so long without one the controller itself goes to zero
	Ready          string        // what MakeReady does, in words; "": nothing, since it takes commands at any time
}

// Sample is one reading of every channel.
type Sample struct {
	At     time.Time // when it arrived, by the clock given: its last value, or the first of those that had come before it was asked for
	Values []float64 // SI, in the order of the channels; NaN: the instrument says that it has no reading
	// Times is when each value was so; nil: all of them At. A zero time: the sample holds nothing new of that channel.
	Times []time.Time
	// Moved is when the values were so at the earliest, by the instrument's own clock; zero: it sends none. What hangs and sends its last
	// lines for ever is told by nothing else.
	Moved time.Time
	// Origins says where each value came from and how old it may be; nil: nobody says.
	Origins []Origin
	// Told is what the controller or its line told by itself since the last sample, in words, where it is no [NewsError], as it may be
	// the answer to a silence of ours: a person is to see it.
	Told []string
}

// Origin is where a value came from: it was so after Since, and arrived At.
type Origin struct {
	Since, At time.Time
	Source    string // "SDO", "TPDO 1"; "": asked for
}

// Time returns when the value of a channel was so; ok is false where the sample holds nothing new of it.
func (s *Sample) Time(channel int) (at time.Time, ok bool) {
	if s.Times == nil {
		return s.At, true
	}
	return s.Times[channel], !s.Times[channel].IsZero()
}
