package study

import (
	"context"
	"errors"
	"fmt"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/simulate"
)

// LeftOut counts the draws that a study does not count, and keeps the first reason of each kind in the order of the draws.
type LeftOut struct {
	Draws    int  // of how many
	NoDrive  int  // draws whose numbers no drive can be built from
	Unsolved int  // draws that the solver failed on, or whose energy does not balance
	Unjudged int  // draws of which a run says nothing: the motor stands still, or excites itself
	NotClear bool // a search counts these two kinds as not clear, since nothing shows that they are
	// The first reason; nil where none is left out.
	WhyNoDrive, WhyUnsolved, WhyUnjudged error
}

// UnjudgedError reports why a draw's run cannot be judged.
type UnjudgedError struct{ Trial, Why string }

func (e *UnjudgedError) Error() string { return e.Trial + ": " + e.Why }

// Total returns the number of draws that are left out.
func (l *LeftOut) Total() int { return l.NoDrive + l.Unsolved + l.Unjudged }

// Join returns the count of two lots of draws.
func (l LeftOut) Join(o LeftOut) LeftOut {
	l.Draws, l.NoDrive, l.Unsolved, l.Unjudged = l.Draws+o.Draws, l.NoDrive+o.NoDrive, l.Unsolved+o.Unsolved, l.Unjudged+o.Unjudged
	if l.WhyNoDrive == nil {
		l.WhyNoDrive = o.WhyNoDrive
	}
	if l.WhyUnsolved == nil {
		l.WhyUnsolved = o.WhyUnsolved
	}
	if l.WhyUnjudged == nil {
		l.WhyUnjudged = o.WhyUnjudged
	}
	return l
}

// Lines returns the sentences that a result shows about draws that are left out; none where all are counted.
func (l *LeftOut) Lines() (out []string) {
	counted := "are not counted"
	if l.NotClear {
		counted = "count as not clear"
	}
	if l.NoDrive > 0 {
		out = append(out, fmt.Sprintf("%d of %d draws are impossible boats and are not counted; the first: %v", l.NoDrive, l.Draws, l.WhyNoDrive))
	}
	if l.Unsolved > 0 {
		out = append(out, fmt.Sprintf("%d of %d draws could not be simulated and %s; the first: %v", l.Unsolved, l.Draws, counted, l.WhyUnsolved))
	}
	if l.Unjudged > 0 {
		out = append(out, fmt.Sprintf("%d of %d draws cannot be judged and %s; the first: %v", l.Unjudged, l.Draws, counted, l.WhyUnjudged))
	}
	return out
}

// mostUnsolved is the share of draws that the solver may fail on. Beyond it the rest is no fair sample of the tolerances.
const mostUnsolved = 0.01

// leftOut sorts the error of each draw, nil for one that was judged. It returns an error itself where what is left says nothing
// about the boat.
func leftOut(failed []error) (l LeftOut, err error) {
	l.Draws = len(failed)
	for _, e := range failed {
		switch {
		case e == nil:
		case errors.As(e, new(*simulate.NoDriveError)):
			if l.NoDrive++; l.WhyNoDrive == nil {
				l.WhyNoDrive = e
			}
		case errors.As(e, new(*UnjudgedError)):
			if l.Unjudged++; l.WhyUnjudged == nil {
				l.WhyUnjudged = e
			}
		default:
			if l.Unsolved++; l.WhyUnsolved == nil {
				l.WhyUnsolved = e
			}
		}
	}
	switch {
	case float64(l.Unsolved) > mostUnsolved*float64(l.Draws):
		return l, fmt.Errorf("%d of %d draws over the tolerances could not be simulated; the first: %w", l.Unsolved, l.Draws, l.WhyUnsolved)
	case l.Draws > 0 && l.Unjudged == l.Draws:
		return l, fmt.Errorf("none of %d draws over the tolerances can be judged; the first: %w", l.Draws, l.WhyUnjudged)
	case l.Draws > 0 && l.NoDrive == l.Draws:
		return l, fmt.Errorf("none of %d draws over the tolerances makes a drive; the first: %w", l.Draws, l.WhyNoDrive)
	}
	return l, nil
}

// stopped reports whether an error comes from a context that ended, not from the boat.
func stopped(err error) bool {
	return errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

// NoToleranceError reports that a boat cannot be drawn, since its file makes every value exact.
type NoToleranceError struct{ Boat string }

func (e *NoToleranceError) Error() string {
	return fmt.Sprintf("every value of boat %s is exact by its [[tolerance]] tables: there is nothing to draw over", e.Boat)
}

// tolerated returns the values of a boat that are not exact, and an error where there is none.
func tolerated(b *boat.Boat) ([]drive.Unknown, error) {
	list := drive.Unknowns(b)
	if len(list) == 0 {
		return nil, &NoToleranceError{b.Name}
	}
	return list, nil
}
