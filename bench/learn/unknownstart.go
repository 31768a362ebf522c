package learn

import (
	"fmt"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// throughout returns the rows of a run up to the first stretch in which nobody saw what went on, and says what it leaves out.
func throughout(run *record.Run) (rows *record.Run, notes []string) {
	holes := record.Holes(run.Time)
	if len(holes) == 0 {
		return run, nil
	}
	h := holes[0]
	n, _ := slices.BinarySearch(run.Time, h.To)
	notes = append(notes, fmt.Sprintf("its rows from %s on are not used: nobody saw what went on before, for %s", quantity.FormatTime(h.To), quantity.FormatTime(h.To-h.From)))
	part := *run
	part.Time = run.Time[:n]
	part.Traces = slices.Clone(run.Traces)
	for i := range part.Traces {
		tr := &part.Traces[i]
		tr.Values, tr.Low, tr.High = tr.Values[:n], nil, nil
	}
	return &part, notes
}

// moved returns a run by another clock.
func moved(run *record.Run, by float64) *record.Run {
	out := *run
	out.Time = slices.Clone(run.Time)
	for i := range out.Time {
		out.Time[i] += by
	}
	return &out
}

const (
	// leastLoad is the share of the motor's rated current from which on a record begins under load (common practice, no source).
	leastLoad = 0.05
	// underWay is how long a model runs with the first row's lever before that row, until the boat makes the way that it made, s.
	underWay = 180.0
)

// beginning returns what the meters showed in the first row, and whether the boat was driven then.
func beginning(run *record.Run, b *boat.Boat) (seen drive.Seen, loaded bool) {
	seen = drive.Unseen()
	for _, k := range []struct {
		name string
		to   *float64
	}{{record.MotorCurrent, &seen.MotorCurrent}, {record.BatteryCurrent, &seen.BatteryCurrent}, {record.Voltage, &seen.Voltage}, {record.MotorSpeed, &seen.Speed}, {record.Duty, &seen.Duty}} {
		if tr, ok := run.Trace(k.name); ok && !tr.Inferred {
			*k.to = tr.Values[0]
		}
	}
	least := leastLoad * b.Motor.RatedCurrent.SI
	return seen, math.Abs(seen.MotorCurrent) > least || math.Abs(seen.BatteryCurrent) > least
}

// openStart sets the trials of a record that begins under load: between as cool as what is around it and as warm as those currents for ever make it, how warm
// the drive was nobody saw. It is an unknown of the record, and the record is simulated from the middle.
func (r *recorded) openStart(b *boat.Boat, s settings.Set, seen drive.Seen) error {
	model, err := drive.New(b, s, simulate.Conditions(r.trial))
	if err != nil {
		return err
	}
	run := model.NewRun(r.trial.Lever(0))
	cold := run.Begin(simulate.Start(r.trial))
	warm := append([]float64{}, cold...)
	if !run.Follow(func(float64) drive.Seen { return seen }).Settle(0, warm, run.KnownTemperatures(simulate.Start(r.trial), drive.Unseen())) {
		return &UselessError{r.Name, "it begins under a load that the drive does not bear for long: how warm it was then nobody knows; learn from a record that begins at rest"}
	}
	from, to := run.Temperatures(cold), run.Temperatures(warm)
	at := func(share float64) *trial.Trial {
		t := *r.trial
		t.Start.Cable = nil
		mix := func(v *quantity.Value, a, b float64) { *v = quantity.Exactly(a + share*(b-a)) }
		mix(&t.Start.Winding, from.Winding, to.Winding)
		mix(&t.Start.Housing, from.Housing, to.Housing)
		mix(&t.Start.Sink, from.Sink, to.Sink)
		mix(&t.Start.Battery, from.Battery, to.Battery)
		mix(&t.Compartment, from.Air, to.Air)
		for name, v := range to.Each {
			t.Start.Cable = append(t.Start.Cable, trial.CableStart{Name: name, Temperature: from.Each[name] + share*(v-from.Each[name])})
		}
		return &t
	}
	r.cool, r.warm, r.trial = at(0), at(1), at(0.5)
	r.notes = append(r.notes, "it begins under load: how warm the drive was then nobody saw, so that is left open")
	return nil
}

// started returns the record as it would have begun in a trial.
func (r *recorded) started(t *trial.Trial) *recorded {
	other := *r
	other.trial = t
	return &other
}
