package link

import (
	"context"
	"errors"
	"sync/atomic"
)

// ErrLockedOut reports that nobody has released the throttle.
var ErrLockedOut = errors.New("the throttle is locked out: a person at the terminal releases it, for one test")

// LockOut keeps the throttle of a controller locked out: it is not made ready and only zero passes until release is called, and again from the next
// Halt on, for good. Whoever holds release decides; whoever holds the controller cannot.
func LockOut(c Controller) (locked Controller, release func()) {
	l := &lockedOut{Controller: c}
	return l, func() { l.state.CompareAndSwap(lockedBefore, released) }
}

const (
	lockedBefore int32 = iota
	released
	lockedAfter
)

type lockedOut struct {
	Controller
	state atomic.Int32
}

func (l *lockedOut) MakeReady(ctx context.Context) error {
	if l.state.Load() != released {
		return ErrLockedOut
	}
	return l.Controller.MakeReady(ctx)
}

func (l *lockedOut) CommandThrottle(ctx context.Context, throttle float64) error {
	if throttle != 0 && l.state.Load() != released {
		return ErrLockedOut
	}
	return l.Controller.CommandThrottle(ctx, throttle)
}

func (l *lockedOut) Halt(ctx context.Context) error {
	l.state.Store(lockedAfter)
	return l.Controller.Halt(ctx)
}
