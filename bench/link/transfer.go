package link

import (
	"context"
	"errors"
	"fmt"
)

// Change is one setting to write. Values are SI; of a choice the index of the word.
type Change struct {
	Key      string
	From, To float64
}

// Journal hears of every write before and after it, so that after a crash or an unplugged line somebody knows what is in
// the controller. Note must have reached the disk when it returns.
type Journal interface {
	Note(state State, c Change) error
}

// State is how far a write has come.
type State string

const (
	Intends    State = "intends"     // about to be written: either value may be in the controller
	Holds      State = "holds"       // read back: the new value is in the controller
	Failed     State = "failed"      // not read back: nobody knows
	RolledBack State = "rolled back" // read back: the old value is in the controller again
)

// TransferError is a transfer that failed part-way.
type TransferError struct {
	Change     Change
	Err        error
	Restored   bool     // everything written before is back as it was
	Unrestored []Change // what could not be put back
}

func (e *TransferError) Error() string {
	if e.Restored {
		return fmt.Sprintf("%s was not taken; what had been written is back as it was: %v", e.Change.Key, e.Err)
	}
	return fmt.Sprintf("%s was not taken, and %d settings could not be put back: read the controller before anything else: %v", e.Change.Key, len(e.Unrestored), e.Err)
}

// Unwrap gives what went wrong first.
func (e *TransferError) Unwrap() error { return e.Err }

// Transfer writes changes one by one in the order given, each read back. If one fails it puts back what was there, latest
// first. It refuses while the motor runs. The error is a *TransferError once anything was written or tried.
func Transfer(ctx context.Context, c Controller, changes []Change, journal Journal) error {
	switch running, err := c.Running(ctx); {
	case errors.Is(err, ErrUnknown):
	case err != nil:
		return fmt.Errorf("nothing was written: the controller does not say whether the motor runs: %w", err)
	case running:
		return fmt.Errorf("nothing was written: %w", ErrRunning)
	}
	for i, change := range changes {
		err := journal.Note(Intends, change)
		if err != nil {
			err = fmt.Errorf("the journal could not be written: %w", err)
		} else {
			_, err = c.WriteSetting(ctx, change.Key, change.To)
		}
		if err == nil {
			if err = journal.Note(Holds, change); err == nil {
				continue
			}
			err = fmt.Errorf("the journal could not be written: %w", err)
		}
		failed := &TransferError{Change: change, Err: err}
		_ = journal.Note(Failed, change) // the first error is the one to tell
		failed.Unrestored = restore(context.WithoutCancel(ctx), c, changes[:i+1], journal)
		failed.Restored = len(failed.Unrestored) == 0
		return failed
	}
	return nil
}

// restore puts settings back, latest first, and returns those it could not.
func restore(ctx context.Context, c Controller, written []Change, journal Journal) (left []Change) {
	for i := len(written) - 1; i >= 0; i-- {
		change := written[i]
		if _, err := c.WriteSetting(ctx, change.Key, change.From); err != nil {
			left = append(left, change)
			continue
		}
		_ = journal.Note(RolledBack, change)
	}
	return left
}
