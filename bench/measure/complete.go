package measure

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/ode"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Complete turns a measured test into a record: the measured channels, and the parts' traces that the drive's heat
// networks, driven by them, infer. Parts heated by a current that was not measured are left out; without either current
// it is an error.
func Complete(ctx context.Context, b *boat.Boat, s settings.Set, program *trial.Trial, measured *Result) (*record.Run, error) {
	model, err := drive.New(b, s, drive.Conditions{Air: program.Air, Water: program.Water, Moored: program.Moored})
	if err != nil {
		return nil, fmt.Errorf("boat %s: %w", b.Name, err)
	}
	r := &record.Run{
		Boat: b.Name, Trial: program.Name, // what protection a trial expects cannot be seen in telemetry
		Provenance: record.Provenance{Source: "measured", Settings: s.Hash(), Clock: measured.Start.Format(time.RFC3339)},
	}
	fill(r, measured.Channels, measured.Samples)
	if e := ended(measured.Stop); e != nil {
		r.Events = append(r.Events, *e)
	}
	if len(r.Time) < 2 {
		return r, nil
	}
	seen := new(record.Run)
	fill(seen, measured.Channels, measured.held())
	in, see, err := eyes(seen)
	if err != nil {
		return r, err
	}
	return r, infer(ctx, r, model, b, s, program, in, see)
}

// fill puts samples into a record.
func fill(r *record.Run, channels []link.Channel, samples []Sample) {
	lever := record.Trace{Name: record.Lever, Unit: "%"}
	for _, x := range samples {
		r.Time = append(r.Time, x.At)
		lever.Values = append(lever.Values, x.Lever)
	}
	r.Traces = append(r.Traces, lever)
	for i, c := range channels {
		tr := record.Trace{Name: link.TraceName(c.Name), Unit: c.Unit}
		if tr.Unit == "" {
			tr.Unit = "1"
		}
		for _, x := range samples {
			tr.Values = append(tr.Values, x.Values[i])
		}
		r.Traces = append(r.Traces, tr)
	}
}

// held are the samples, and between those that hold since earlier what follows from that: a person reads a meter once in a
// hold, and the value stands for all of it.
func (m *Result) held() (out []Sample) {
	for i, x := range m.Samples {
		if i > 0 && x.Since < x.At {
			before := m.Samples[i-1]
			if moved := m.movedBefore(x.Since); moved > before.At {
				before.At = moved
				out = append(out, before)
			}
			since := x
			since.At = max(x.Since, before.At+1e-3)
			if since.At < x.At {
				out = append(out, since)
			}
		}
		out = append(out, x)
	}
	return out
}

// movedBefore is when the last movement of the lever up to an instant began.
func (m *Result) movedBefore(t float64) float64 {
	at := 0.0
	if m.Performed != nil {
		for _, s := range m.Performed.Steps {
			if s.At <= t {
				at = s.At
			}
		}
	}
	return at
}

// ended is the event of a test that did not run to its end.
func ended(s Stop) *record.Event {
	if s.Reason == Finished {
		return nil
	}
	kind := record.Stopping
	if s.Reason == Cancelled || s.Reason == NotReady {
		kind = record.Note
	}
	return &record.Event{At: s.At, Device: "step test", What: "the test stopped: " + s.Reason.String() + ": " + s.Text, Kind: kind, Count: 1}
}

// instruments says what was measured that parts depend on.
type instruments struct{ motor, battery, speed bool }

// carries says whether what heats or loads a part was measured.
func (in instruments) carries(p *drive.Part) bool {
	switch {
	case p.Current == "motor":
		return in.motor
	case p.Current == "battery":
		return in.battery
	case p.Name == "rotor speed":
		return in.speed
	}
	return true
}

// eyes interpolates what was measured.
func eyes(r *record.Run) (in instruments, see func(t float64) drive.Seen, err error) {
	of := func(names ...string) *record.Trace {
		for _, n := range names {
			if tr, ok := r.Trace(n); ok {
				return tr
			}
		}
		return nil
	}
	motor, battery := of(record.MotorCurrent), of(record.BatteryCurrent)
	if motor == nil && battery == nil {
		return in, nil, fmt.Errorf("neither motor current nor battery current was measured: nothing can be inferred")
	}
	voltage, speed := of(record.Voltage), of(record.MotorSpeed)
	sink, winding, cells := of(link.StageTemperature), of(link.MotorTemperature), of(link.BatteryTemperature)
	at := func(tr *record.Trace, t float64) float64 {
		if tr == nil {
			return math.NaN()
		}
		return r.At(tr, t)
	}
	return instruments{motor != nil, battery != nil, speed != nil}, func(t float64) drive.Seen {
		return drive.Seen{
			MotorCurrent: at(motor, t), BatteryCurrent: at(battery, t), Voltage: at(voltage, t), Speed: at(speed, t),
			Sink: at(sink, t), Motor: at(winding, t), Battery: at(cells, t),
		}
	}, nil
}

// infer adds the parts and their traces.
func infer(ctx context.Context, r *record.Run, model *drive.Model, b *boat.Boat, s settings.Set, program *trial.Trial, in instruments, see func(float64) drive.Seen) error {
	first := see(r.Time[0])
	or := func(x, fallback float64) float64 {
		if math.IsNaN(x) {
			return fallback
		}
		return x
	}
	nan := math.NaN()
	run := model.NewRun(func(float64) float64 { return 0 })
	y := run.Begin(drive.Start{
		Charge: program.Charge, Winding: program.Start.Winding.Or(or(first.Motor, nan)), Housing: program.Start.Housing.Or(or(first.Motor, nan)),
		Sink: program.Start.Sink.Or(or(first.Sink, nan)), Battery: program.Start.Battery.Or(or(first.Battery, nan)),
		Cables: program.Start.Cables.Or(nan), Air: program.Compartment.Or(nan),
	})
	f := run.Follow(see)
	values := make([][]float64, len(model.Parts))
	state := make([]float64, len(y))
	next := 0
	take := func(t float64, y []float64) {
		p := f.Point(t, y)
		for i := range model.Parts {
			values[i] = append(values[i], model.Parts[i].Value(p, y))
		}
		next++
	}
	start := map[int]float64{}
	p := f.Point(r.Time[0], y)
	for i, part := range model.Parts {
		switch {
		case part.Start != nil:
			start[i] = part.Start(p, y)
		case part.Measure == drive.Temperature:
			start[i] = program.Air
		}
	}
	take(r.Time[0], y)
	var integrator ode.Integrator
	last := len(r.Time) - 1
	_, err := integrator.Integrate(ctx, f, r.Time[0], r.Time[last], y, nil, ode.Options{
		RelTol: 1e-5, AbsTol: model.Tolerances(1e-5), MaxStep: 2 * (r.Time[last] - r.Time[0]) / float64(last), Check: ode.CheckOptions{Every: -1},
	}, func(st *ode.Step) error {
		for next <= last && r.Time[next] <= st.T1 {
			st.At(r.Time[next], state)
			take(r.Time[next], state)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("what nobody measured could not be inferred: %w", err)
	}
	for i := range model.Parts {
		part := &model.Parts[i]
		if !in.carries(part) || slices.ContainsFunc(values[i], math.IsNaN) {
			continue
		}
		r.Traces = append(r.Traces, record.Trace{Name: part.Name, Unit: part.Unit, Values: values[i], Inferred: true})
		r.Parts = append(r.Parts, record.Part{
			Name: part.Name, Trace: part.Name, Unit: part.Unit, Limit: part.Limit, Start: start[i], Measure: record.Measure(part.Measure),
			Close: b.CloseShare(part.Name), Consequence: part.Consequence, Current: part.Current,
		})
	}
	return nil
}

// Thinned is a result with no more than so many samples, each the mean of those it stands for. Completed with several boats
// it tells how the inferred traces spread, at a fraction of the work.
func (m *Result) Thinned(most int) *Result {
	n := len(m.Samples)
	if n <= most {
		return m
	}
	thin := *m
	thin.Samples = nil
	for k := range most {
		group := m.Samples[k*n/most : (k+1)*n/most]
		mean := Sample{Values: make([]float64, len(m.Channels))}
		for _, x := range group {
			w := 1 / float64(len(group))
			mean.At += w * x.At
			mean.Lever += w * x.Lever
			for i, v := range x.Values {
				mean.Values[i] += w * v
			}
		}
		mean.Due, mean.Since = mean.At, mean.At
		thin.Samples = append(thin.Samples, mean)
	}
	return &thin
}

// Spread gives the inferred traces of a record a band: by how much the same test completed with other boats differs from
// the test completed with this one (base), at each instant, from a low to a high quantile.
func Spread(r, base *record.Run, others []*record.Run, low, high float64) {
	for i := range r.Traces {
		tr := &r.Traces[i]
		own, ok := base.Trace(tr.Name)
		if !tr.Inferred || !ok {
			continue
		}
		var same []*record.Trace
		var runs []*record.Run
		for _, o := range others {
			if s, ok := o.Trace(tr.Name); ok {
				same, runs = append(same, s), append(runs, o)
			}
		}
		n := len(same)
		if n == 0 {
			continue
		}
		tr.Low, tr.High = make([]float64, len(tr.Values)), make([]float64, len(tr.Values))
		column := make([]float64, n)
		for k, t := range r.Time {
			at := base.At(own, t)
			for j := range same {
				column[j] = runs[j].At(same[j], t) - at
			}
			slices.Sort(column)
			tr.Low[k] = tr.Values[k] + column[int(low*float64(n-1))]
			tr.High[k] = tr.Values[k] + column[int(math.Ceil(high*float64(n-1)))]
		}
	}
}
