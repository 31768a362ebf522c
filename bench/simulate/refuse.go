package simulate

import (
	"fmt"
	"math"

	"quaybench/bench/record"
)

// NoDriveError reports numbers that no drive can be built from: a fuse curve that no element follows, a propeller outside
// its series. It comes from the boat file; a solver's failure is another error.
type NoDriveError struct {
	Boat string
	Err  error
}

func (e *NoDriveError) Error() string { return fmt.Sprintf("boat %s: %v", e.Boat, e.Err) }

func (e *NoDriveError) Unwrap() error { return e.Err }

// UnbalancedError reports a run that lost or made energy: its numbers are wrong.
type UnbalancedError struct {
	Share float64 // of what passed the battery
}

func (e *UnbalancedError) Error() string {
	return fmt.Sprintf("energy does not balance, %.2g %% of what passed the battery is missing: this result is wrong, and not shown; look for a value that no boat has", 100*e.Share)
}

const (
	mostResidual  = 1e-3 // of what passed the battery; sound boats stay below a tenth of it
	leastResidual = 5.0  // J, what the tolerances of the energies allow in a run that hardly draws anything
)

// balanced returns an error for a run that breaks the conservation of energy, or does not know.
func balanced(e record.Energy) error {
	lost := math.Abs(e.Residual)
	if lost <= max(leastResidual, mostResidual*e.Throughput) {
		return nil
	}
	return &UnbalancedError{lost / e.Throughput}
}
