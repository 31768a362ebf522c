package ode

import (
	"errors"
	"fmt"
)

// OptionError is a bad argument or option: nothing was integrated.
type OptionError struct {
	Name  string
	Value float64
	Want  string // what is allowed
}

func (e *OptionError) Error() string {
	return fmt.Sprintf("ode: %s = %g: want %s", e.Name, e.Value, e.Want)
}

// NonFiniteError is a derivative, Jacobian entry or initial value that is NaN
// or infinite, and stays so however small the step.
type NonFiniteError struct {
	What  string // "derivative", "jacobian", "time derivative" or "initial value"
	State int    // index of the first such state
	T     float64
	Value float64
}

func (e *NonFiniteError) Error() string {
	return fmt.Sprintf("ode: %s of state %d is %g at t = %.9g s: check the model's inputs near that state", e.What, e.State, e.Value, e.T)
}

// EventValueError is an event function that answered NaN.
type EventValueError struct {
	Name string
	T    float64
}

func (e *EventValueError) Error() string {
	return fmt.Sprintf("ode: event %q is not a number at t = %.9g s", e.Name, e.T)
}

// StepSizeError is a step that had to shrink below the smallest allowed one:
// most often f jumps inside the call (make the jump an event or a corner).
type StepSizeError struct {
	T, H, MinStep float64
	State         int // whose error estimate was largest
}

func (e *StepSizeError) Error() string {
	return fmt.Sprintf("ode: step size %.3g s fell below %.3g s at t = %.9g s, held down by state %d: a jump of its derivative there must be an event or a corner", e.H, e.MinStep, e.T, e.State)
}

// TooManyStepsError is Options.MaxSteps used up before t1.
type TooManyStepsError struct {
	T     float64
	Steps int // steps tried
}

func (e *TooManyStepsError) Error() string {
	return fmt.Sprintf("ode: %d steps reached only t = %.9g s: raise MaxSteps, loosen the tolerance, or look for chatter", e.Steps, e.T)
}

// SuspectError is a checked step whose repetition with two half steps
// disagreed by more than CheckOptions.Limit tolerances, where
// CheckOptions.Fail asks for an error.
type SuspectError struct {
	Disagreement
	Limit float64
}

func (e *SuspectError) Error() string {
	return fmt.Sprintf("ode: the step from t = %.9g s over %.3g s disagrees with two half steps by %.3g tolerances at its end and %.3g in its middle (limits %g and %g), most in state %d: something happens between the points looked at; bound MaxStep or make it a corner", e.T, e.H, e.End, e.Middle, e.Limit, middleLimit*e.Limit, e.State)
}

// CanceledError is a context that ended; it unwraps to the context's cause.
type CanceledError struct {
	T     float64
	Cause error
}

func (e *CanceledError) Error() string {
	return fmt.Sprintf("ode: stopped at t = %.9g s: %v", e.T, e.Cause)
}

func (e *CanceledError) Unwrap() error { return e.Cause }

// PlainError reports to somebody who knows no integrator how far a problem was solved and why no further. The integrator's own
// words are in Cause.
type PlainError struct {
	At    float64
	Cause error
}

func (e *PlainError) Error() string {
	why := "something comes and goes there faster than can be followed"
	if errors.As(e.Cause, new(*NonFiniteError)) || errors.As(e.Cause, new(*EventValueError)) {
		why = "a current, speed or temperature grows beyond all bounds there"
	}
	return fmt.Sprintf("nothing can be computed beyond %.4g s: %s", e.At, why)
}

func (e *PlainError) Unwrap() error { return e.Cause }

// Plain returns an error of Solve, which was solved up to an instant, as a PlainError, and the cause of one that was stopped.
func Plain(at float64, err error) error {
	var stopped *CanceledError
	if errors.As(err, &stopped) {
		return stopped.Cause
	}
	return &PlainError{At: at, Cause: err}
}
