package verdict

import (
	"math"
	"slices"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
)

// StandstillSpeed is the speed below which a motor counts as standing still, rad/s; about 20 rpm (common practice, no source).
const StandstillSpeed = 2.0

const (
	asksToRun = 0.05 // demand from which on it is meant to
	ahead     = 0.40 // lever from which on it is meant to, where a latch of the controller makes no demand of it: no dead band is wider
	idles     = 0.02 // share of the controller's current below which a meter shows none
)

// StandsStill returns in words that a run's motor was asked to turn and did not, so that what the run was to try was never tried; "" where
// it turned, where nobody knows, and where the trial itself holds the shaft.
func StandsStill(r *record.Run) string {
	if slices.Contains(r.Expect, stallTimerDevice) || slices.ContainsFunc(r.Events, func(e record.Event) bool { return e.What == record.ShaftLocked }) {
		return ""
	}
	for _, e := range r.Events {
		if e.Device == stallTimerDevice && e.Kind == record.Stopping {
			return quantity.Sentence("the motor stands still and the stall timer stops it, after %.4g s: what comes after was not driven", e.At)
		}
	}
	w, known := r.Most(record.MotorSpeed)
	if !known {
		return ""
	}
	lever, _ := r.Most(record.Lever)
	asks := lever > ahead
	if demand, simulated := r.Most(record.DemandTrace); simulated {
		asks = asks || demand > asksToRun
	} else if amps, measured := r.Most(record.MotorCurrent); !measured || amps > idles*ratedFor(r) {
		return "" // perhaps the shaft was held
	}
	if asks && w < StandstillSpeed {
		return quantity.Sentence("the motor stands still, whatever the lever asks for (%.2g rpm at most): the boat was not driven", w*30/math.Pi)
	}
	return ""
}

// ratedFor returns the motor current that the controller of a run is made for, A; 0 where the run does not say.
func ratedFor(r *record.Run) float64 {
	for _, p := range r.Parts {
		if p.Name == "power stage" {
			return p.Limit
		}
	}
	return 0
}

// stallTimerDevice is the name of the controller's stall timer in events.
const stallTimerDevice = "stall timer"
