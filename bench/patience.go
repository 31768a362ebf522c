package bench

import (
	"context"
	"fmt"
	"math"

	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// untested is how much longer than planned a hold may last whose continuation cannot be simulated, s.
const untested = 30

// Patience returns what measure.Options.Patience wants: a hold may go on, while a person reads the meters, until the
// simulation of what was performed so far brings a part close to its limit that was not close when the hold was to end, or
// beyond it where it was.
func (p *Prediction) Patience(ctx context.Context, s *Setup) func(performed *trial.Trial, planned, latest float64) (until float64, why string) {
	return func(performed *trial.Trial, planned, latest float64) (until float64, why string) {
		longer := *performed
		longer.Duration = latest
		run, err := simulate.Run(ctx, s.Boat, s.Settings, s.Conditions.Of(&longer), simulate.Options{})
		if err != nil {
			return min(latest, planned+untested), "how long it may go on could not be simulated"
		}
		until = latest
		begun := performed.Throttle[len(performed.Throttle)-1].At
		for _, part := range run.Parts {
			tr, ok := run.Trace(part.Trace)
			if !ok {
				continue
			}
			from, limit, what := planned, part.IsClose, "would come close to its limit"
			if atEnd := run.At(tr, planned); part.IsClose(atEnd) {
				from, limit, what = begun, func(v float64) bool { return part.Margin(v) < 0 }, "would pass its limit"
			}
			if at := firstAfter(run, tr, from, limit); at < until {
				until, why = at, fmt.Sprintf("%s %s, by the simulation", part.Name, what)
			}
		}
		return until, why
	}
}

// firstAfter returns the first instant after t at which a trace is beyond what is asked; +Inf: never.
func firstAfter(run *record.Run, tr *record.Trace, t float64, beyond func(float64) bool) float64 {
	for i, at := range run.Time {
		if at >= t && beyond(tr.Values[i]) {
			return max(t, at)
		}
	}
	return math.Inf(1)
}
