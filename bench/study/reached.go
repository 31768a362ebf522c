package study

import (
	"fmt"
	"math"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
)

// limitedTrace returns the trace that a setting limits while driving; "" for a setting that is no such limit.
func limitedTrace(key string, set settings.Set) string {
	return map[string]string{
		set.Key(&set.Limits.MotorCurrent): record.MotorCurrent, set.Key(&set.Limits.BatteryCurrent): record.BatteryCurrent,
		set.Key(&set.Limits.AsternCurrent): record.MotorCurrent, set.Key(&set.Boost.Current): record.MotorCurrent,
	}[key]
}

// HighestReached returns the highest current (A) that a run comes to of the kind that a setting limits while driving, and its name; ok is false
// for a setting that is no such limit, and where no trace shows it.
func HighestReached(key string, set settings.Set, run *record.Run) (amps float64, name string, ok bool) {
	if name = limitedTrace(key, set); name == "" {
		return 0, "", false
	}
	tr, ok := run.Trace(name)
	if !ok {
		return 0, name, false
	}
	direction := 1.0 // the astern limit is reached by what flows astern
	if key == set.Key(&set.Limits.AsternCurrent) {
		direction = -1
	}
	for _, v := range tr.Values {
		amps = max(amps, direction*v)
	}
	return amps, name, true
}

// reachedShare is the share of a current limit from which on it is taken to be reached.
const reachedShare = 0.98

// Reached reports whether a run comes near a current limit, and if not in words how far it comes; known is HighestReached's ok.
func Reached(key string, set settings.Set, run *record.Run) (reached, known bool, far string) {
	amps, name, known := HighestReached(key, set, run)
	limit, _ := set.Number(key)
	if !known || amps >= reachedShare*limit {
		return known, known, ""
	}
	return false, true, fmt.Sprintf("%s comes to %.0f A at most", quantity.Spoken(name), math.Abs(amps))
}
