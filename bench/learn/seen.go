package learn

import (
	"context"
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/ode"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

const voltageTrace = record.Voltage

// seen drives a model by the current that was measured, where no lever was: the same right-hand side, with the operating point that belongs to that current. What the
// other meters showed is compared. The ammeter's offset and gain are unknowns of the record.
type seen struct {
	driver   *channel
	at, amps []float64 // thinned: a run that follows ten readings a second takes thirty times as long and says no more
}

// drivenEvery is how far apart the readings of a driving current are at least, s, and drivenTiming how late they may stand for it.
const (
	drivenEvery  = 4.0
	drivenTiming = 2.0
)

func (s *seen) unknowns() int {
	if s == nil {
		return 0
	}
	return 2
}

func (s *seen) by() string { return s.driver.name }

// driveByCurrent removes the motor current, else the battery current, from the channels and drives the model by it.
func (r *recorded) driveByCurrent() error {
	for _, name := range []string{record.MotorCurrent, record.BatteryCurrent} {
		for i, c := range r.channels {
			if c.name != name || len(c.t) < 2 {
				continue
			}
			r.channels = append(r.channels[:i:i], r.channels[i+1:]...)
			s := &seen{driver: c}
			for k := 0; k < len(c.t); {
				j := k + 1
				for j < len(c.t) && c.t[j] < c.t[k]+drivenEvery {
					j++
				}
				s.at, s.amps = append(s.at, mean(c.t[k:j])), append(s.amps, mean(c.y[k:j]))
				k = j
			}
			r.seen = s
			r.timing = max(r.timing, drivenTiming, spacing(c.t)/math.Sqrt(12)) // what the current did between two readings nobody saw
			return nil
		}
	}
	return &UselessError{r.Name, "it holds neither a lever nor a current to drive the model with"}
}

// current returns the true current at an instant where the meter errs by scores of offset and gain.
func (s *seen) current(t float64, own []float64) float64 {
	v := record.Between(s.at, s.amps, t)
	return (v - s.driver.offset*own[0]) / (1 + s.driver.gain*own[1])
}

// run follows the current with a boat; own are the scores of the ammeter's offset and gain.
func (s *seen) run(ctx context.Context, b *boat.Boat, set settings.Set, t *trial.Trial, instants, own []float64) (*record.Run, error) {
	model, err := drive.New(b, set, simulate.Conditions(t))
	if err != nil {
		return nil, fmt.Errorf("boat %s: %w", b.Name, err)
	}
	run := model.NewRun(t.Lever(0))
	y := run.Begin(simulate.Start(t))
	f := run.Follow(func(at float64) drive.Seen {
		see := drive.Unseen()
		if s.driver.name == record.MotorCurrent {
			see.MotorCurrent = s.current(at, own)
		} else {
			see.BatteryCurrent = s.current(at, own)
		}
		return see
	})
	out := &record.Run{Boat: b.Name, Trial: t.Name}
	names := []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed, record.BoatSpeed}
	for _, n := range names {
		out.Traces = append(out.Traces, record.Trace{Name: n, Unit: "1"})
	}
	for i := range model.Parts {
		out.Traces = append(out.Traces, record.Trace{Name: model.Parts[i].Name, Unit: model.Parts[i].Unit})
	}
	take := func(at float64, y []float64) {
		p := f.Point(at, y)
		out.Time = append(out.Time, at)
		for i, v := range []float64{p.Voltage, p.BatteryCurrent, p.MotorCurrent, p.Measured.Speed, run.BoatSpeed(y)} {
			out.Traces[i].Values = append(out.Traces[i].Values, v)
		}
		for i := range model.Parts {
			k := len(names) + i
			out.Traces[k].Values = append(out.Traces[k].Values, model.Parts[i].Value(p, y))
		}
	}
	take(0, y)
	state := make([]float64, len(y))
	next := 0
	var integrator ode.Integrator
	options := ode.Options{RelTol: 1e-5, AbsTol: model.Tolerances(1e-5), MaxStep: 2 * max(drivenEvery, spacing(s.at)), Check: noCheck}
	from := 0.0
	for _, until := range []float64{min(t.CoolingLostFrom, t.Duration), t.Duration} {
		if until <= from {
			run.CoolingLost = from >= t.CoolingLostFrom
			continue
		}
		run.CoolingLost = from >= t.CoolingLostFrom
		run.Changed()
		result, err := integrator.Solve(ctx, ode.Problem{System: f, T0: from, T1: until, Y0: y, Observe: func(st *ode.Step) error {
			for ; next < len(instants) && instants[next] <= st.T1; next++ {
				st.At(instants[next], state)
				take(instants[next], state)
			}
			return nil
		}}, options)
		if err != nil {
			return nil, fmt.Errorf("the model cannot follow the current: %w", ode.Plain(result.T, err))
		}
		from, y = until, result.Y
	}
	take(t.Duration, y)
	return out, nil
}
