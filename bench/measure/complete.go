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
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Complete turns a measured test into a record: the measured channels, and the parts' traces that follow from them by the
// same equations as a simulation's. What the traces take for granted, and the parts that cannot be known from what was
// measured, are named in the record.
func Complete(ctx context.Context, b *boat.Boat, s settings.Set, program *trial.Trial, measured *Result) (*record.Run, error) {
	model, err := drive.New(b, s, drive.Conditions{
		Air: program.Air, Water: program.Water, Moored: program.Moored, Charging: program.Charging,
		Load: loads[program.Load], LoadFactor: program.LoadFactor, WaterDensity: program.WaterDensity,
	})
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
		r.Stopped = fmt.Sprintf("%s: %s", measured.Stop.Reason, measured.Stop.Text)
	}
	if len(r.Time) < 2 {
		return r, nil
	}
	seen := new(record.Run)
	fill(seen, measured.Channels, measured.withSteps())
	in := instrumentsOf(seen)
	if !in.known.MotorCurrent && !in.known.BatteryCurrent {
		return r, fmt.Errorf("neither motor current nor battery current was measured: nothing can be inferred")
	}
	in.name(r, b, program)
	return r, infer(ctx, r, model, b, program, in)
}

var loads = map[string]drive.Load{"fouled": drive.Fouled, "dry": drive.Dry, "locked": drive.Locked, "ventilated": drive.Ventilated}

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

// withSteps expands each sample that holds since earlier into two, so that it does not look like a ramp: a person reads a
// meter once in a hold, and the value stands for all of it.
func (m *Result) withSteps() (out []Sample) {
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

// instruments are the measured channels that a run can follow.
type instruments struct {
	run                     *record.Run
	motor, battery, voltage *record.Trace
	duty, speed, boat       *record.Trace
	sink, winding, cells    *record.Trace
	known                   drive.Measured
}

func instrumentsOf(r *record.Run) *instruments {
	of := func(name string) *record.Trace {
		tr, _ := r.Trace(name)
		return tr
	}
	in := &instruments{
		run:   r,
		motor: of(record.MotorCurrent), battery: of(record.BatteryCurrent), voltage: of(record.Voltage),
		duty: of(record.Duty), speed: of(record.MotorSpeed), boat: of(record.BoatSpeed),
		sink: of(link.StageTemperature), winding: of(link.MotorTemperature), cells: of(link.BatteryTemperature),
	}
	in.known = drive.Measured{
		MotorCurrent: in.motor != nil, BatteryCurrent: in.battery != nil, Voltage: in.voltage != nil,
		Duty: in.duty != nil, Speed: in.speed != nil,
		Sink: in.sink != nil, Motor: in.winding != nil, Battery: in.cells != nil,
	}
	return in
}

// at interpolates what was measured.
func (in *instruments) at(t float64) drive.Seen {
	of := func(tr *record.Trace) float64 {
		if tr == nil {
			return math.NaN()
		}
		return in.run.At(tr, t)
	}
	return drive.Seen{
		MotorCurrent: of(in.motor), BatteryCurrent: of(in.battery), Voltage: of(in.voltage), Duty: of(in.duty), Speed: of(in.speed),
		Boat: of(in.boat), Sink: of(in.sink), Motor: of(in.winding), Battery: of(in.cells),
	}
}

// name lists in the record what its inferred traces take for granted.
func (in *instruments) name(r *record.Run, b *boat.Boat, program *trial.Trial) {
	assume := func(if_ bool, text string) {
		if if_ {
			r.Assumed = append(r.Assumed, text)
		}
	}
	k := in.known
	with := "speed"
	if k.Duty {
		with = "duty"
	}
	all := k.Complete()
	assume(all && !k.MotorCurrent, "motor current follows from battery current and "+with)
	assume(all && !k.BatteryCurrent, "battery current follows from motor current and "+map[bool]string{true: "speed", false: "duty"}[k.Speed])
	assume(all && !k.Speed, "motor speed follows from the motor's voltage; while no current flows, from propeller and hull as the boat file has them")
	assume(!k.Voltage, fmt.Sprintf("voltage follows from the bank's resistance and a charge of %.0f %% at the start", 100*program.Charge))
	assume(!k.Sink || !k.Motor || !k.Battery, fmt.Sprintf("what has no thermometer began at the temperature around it, with air of %s", quantity.Format(program.Air, "°C", 3)))
	assume(b.Charging != nil && program.Charging, "the charging source gave what the boat file says")
	assume(true, "cooling is as the boat file has it")
	if !k.Speed { // where no current flows, the shaft turns as these have it
		r.Assumed = append(r.Assumed, b.Estimates()...)
	}
}

// infer adds the parts and their traces.
func infer(ctx context.Context, r *record.Run, model *drive.Model, b *boat.Boat, program *trial.Trial, in *instruments) error {
	first := in.at(r.Time[0])
	or := func(x, fallback float64) float64 {
		if math.IsNaN(x) {
			return fallback
		}
		return x
	}
	nan := math.NaN()
	run := model.NewRun(program.Lever(r.Time[0]))
	y := run.Begin(drive.Start{
		Charge: program.Charge, Speed: or(first.Boat, program.Speed),
		Winding: program.Start.Winding.Or(first.Motor), Housing: program.Start.Housing.Or(first.Motor),
		Sink: program.Start.Sink.Or(first.Sink), Battery: program.Start.Battery.Or(first.Battery),
		Cables: program.Start.Cables.Or(nan), Air: program.Compartment.Or(nan),
		Each: program.Start.Named(),
	})
	f := run.Follow(in.at)
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
	start := make([]float64, len(model.Parts))
	p := f.Point(r.Time[0], y)
	for i := range model.Parts {
		start[i] = model.Parts[i].Reference(p, y)
	}
	take(r.Time[0], y)
	var integrator ode.Integrator
	last := len(r.Time) - 1
	options := ode.Options{
		RelTol: 1e-5, AbsTol: model.Tolerances(1e-5), MaxStep: 2 * (r.Time[last] - r.Time[0]) / float64(last), Check: ode.CheckOptions{Every: -1},
	}
	from := r.Time[0]
	for _, until := range changes(r, program) {
		run.CoolingLost = from >= program.CoolingLost
		if from >= program.LoadFrom && !run.Loaded && program.Load != "normal" {
			run.Loaded = true
			if program.Load == "locked" {
				run.Lock(y)
			}
		}
		run.Changed()
		result, err := integrator.Integrate(ctx, f, from, until, y, nil, options, func(st *ode.Step) error {
			for next <= last && r.Time[next] <= st.T1 {
				st.At(r.Time[next], state)
				take(r.Time[next], state)
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("what nobody measured could not be inferred: %w", err)
		}
		from, y = until, result.Y
	}
	known := model.Known(in.known)
	for i := range model.Parts {
		part := &model.Parts[i]
		if !known[i] || slices.ContainsFunc(values[i], math.IsNaN) {
			r.LeftOut = append(r.LeftOut, part.Name)
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

// changes are the instants after the first at which load or cooling changes, and the last.
func changes(r *record.Run, program *trial.Trial) (at []float64) {
	first, last := r.Time[0], r.Time[len(r.Time)-1]
	for _, t := range []float64{program.LoadFrom, program.CoolingLost} {
		if t > first && t < last {
			at = append(at, t)
		}
	}
	at = append(at, last)
	slices.Sort(at)
	return slices.Compact(at)
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
