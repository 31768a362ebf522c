package measure

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Complete turns a measured test into a record: the measured channels, and the parts' traces that follow from them by the
// same equations as a simulation's. What the traces take for granted, and the parts that cannot be known from what was
// measured, are named in the record.
func Complete(ctx context.Context, b *boat.Boat, s settings.Set, program *trial.Trial, measured *Result) (*record.Run, error) {
	model, err := modelOf(b, s, program)
	if err != nil {
		return nil, err
	}
	r := &record.Run{
		Boat: b.Name, Trial: program.Name, // what protection a trial expects cannot be seen in telemetry
		Provenance: record.Provenance{Source: "measured", Settings: s.Hash(), Clock: measured.Start.Format(time.RFC3339), Program: string(trial.Write(program))},
	}
	fill(r, measured.Channels, measured.Samples)
	if e := ended(measured.Stop); e != nil {
		r.Events = append(r.Events, *e)
		r.Stopped = fmt.Sprintf("%s: %s", measured.Stop.Reason, measured.Stop.Text)
	}
	if text := measured.Stop.Unusual; text != "" {
		r.Events = append(r.Events, record.Event{At: measured.Stop.At, Device: "step test", What: text, Kind: record.Note, Count: 1})
	}
	if len(r.Time) < 2 {
		return r, nil
	}
	in := instrumentsOf(measured)
	if !in.known.MotorCurrent && !in.known.BatteryCurrent {
		return r, fmt.Errorf("neither motor current nor battery current was measured: nothing can be inferred")
	}
	return r, infer(ctx, r, model, b, program, in)
}

// modelOf returns a boat's model in the conditions of a programme.
func modelOf(b *boat.Boat, s settings.Set, program *trial.Trial) (*drive.Model, error) {
	model, err := drive.New(b, s, drive.Conditions{
		Air: program.Air, Water: program.Water, Moored: program.Moored, Charging: program.Charging,
		Load: loads[program.Load], LoadFactor: program.LoadFactor, WaterDensity: program.WaterDensity,
	})
	if err != nil {
		return nil, fmt.Errorf("boat %s: %w", b.Name, err)
	}
	return model, nil
}

var loads = map[string]drive.Load{"fouled": drive.Fouled, "dry": drive.Dry, "locked": drive.Locked, "ventilated": drive.Ventilated}

// fill writes samples into a record, each value at the instant of its reading. A channel of which nothing was read is named as left out.
func fill(r *record.Run, channels []link.Channel, samples []Sample) {
	lever := record.Trace{Name: record.Lever, Unit: "%"}
	for _, x := range samples {
		r.Time = append(r.Time, x.At)
		lever.Values = append(lever.Values, x.Lever)
	}
	r.Traces = append(r.Traces, lever)
	for i, c := range channels {
		tr := record.Trace{Name: link.TraceName(c.Name), Unit: cmp.Or(c.Unit, "1"), Source: c.Source, Values: inRows(samples, i)}
		if c.Meter != (link.Meter{}) {
			tr.Meter = &record.Meter{Gain: c.Meter.Gain, Offset: c.Meter.Offset}
		}
		read := slices.ContainsFunc(tr.Values, func(v float64) bool { return !math.IsNaN(v) })
		if len(samples) > 0 && !read {
			r.LeftOut = append(r.LeftOut, fmt.Sprintf("%s (%s had no reading)", tr.Name, c.Source))
			continue
		}
		tr.Gaps = slices.ContainsFunc(tr.Values, math.IsNaN)
		r.Traces = append(r.Traces, tr)
	}
}

// inRows returns a channel's values in the rows of the record, NaN where a row has none. A reading stands in the row in which it
// came; where it was so more than a row earlier, in that row. What was so before the first row stands there: all was at rest.
func inRows(samples []Sample, channel int) []float64 {
	values := make([]float64, len(samples))
	for k := range values {
		values[k] = math.NaN()
	}
	for k := range samples {
		x := &samples[k]
		was := x.Time(channel)
		if math.IsNaN(was) || k > 0 && x.Times != nil && was == samples[k-1].Time(channel) {
			continue // not heard of yet, or nothing new
		}
		row := k
		if k > 0 && was < samples[k-1].At {
			row = sort.Search(k, func(i int) bool { return samples[i].At >= was })
			if row > 0 && was-samples[row-1].At < samples[row].At-was {
				row--
			}
		}
		values[row] = x.Values[channel]
	}
	return values
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

// movedBefore returns when the last movement of the lever up to an instant began.
func (m *Result) movedBefore(t float64) float64 {
	at := 0.0
	if m.Performed != nil {
		for _, s := range m.Performed.Throttle {
			if s.At <= t {
				at = s.At
			}
		}
	}
	return at
}

// ended returns the event of a test that did not run to its end.
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

// Thinned returns a result with about so many samples at most, each the mean of those it stands for; none stands for both sides of a hole. Completed with
// several boats it tells how the inferred traces spread, at a fraction of the work.
func (m *Result) Thinned(most int) *Result {
	n := len(m.Samples)
	if n <= most {
		return m
	}
	thin := *m
	thin.Samples, thin.thinned, thin.holes = nil, true, nil
	edge := map[float64]bool{} // where a hole ends, a group begins
	for i := range m.Channels {
		holes := m.holesOf(i)
		thin.holes = append(thin.holes, holes)
		for _, h := range holes {
			edge[h.To] = true
		}
	}
	from := 0
	for k := 1; k <= n; k++ {
		if k == n || k-from >= (n+most-1)/most || edge[m.Samples[k].Since] {
			thin.Samples = append(thin.Samples, m.mean(m.Samples[from:k]))
			from = k
		}
	}
	return &thin
}

// mean returns the mean of samples; of a channel over those that have it.
func (m *Result) mean(group []Sample) Sample {
	mean := Sample{Values: make([]float64, len(m.Channels))}
	counts := make([]float64, len(m.Channels))
	for _, x := range group {
		mean.At += x.At / float64(len(group))
		mean.Lever += x.Lever / float64(len(group))
		for i, v := range x.Values {
			if !math.IsNaN(v) {
				mean.Values[i], counts[i] = mean.Values[i]+v, counts[i]+1
			}
		}
	}
	for i, n := range counts {
		mean.Values[i] /= n // NaN for none
	}
	mean.Due, mean.Since = mean.At, mean.At
	return mean
}

// Spread sets the bands of a record's inferred traces: how much the same test completed with other boats differs from
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
		if len(same) == 0 {
			continue
		}
		tr.Low, tr.High = make([]float64, len(tr.Values)), make([]float64, len(tr.Values))
		column := make([]float64, 0, len(same))
		for k, t := range r.Time {
			if math.IsNaN(tr.Values[k]) {
				tr.Low[k], tr.High[k] = math.NaN(), math.NaN()
				continue
			}
			at := base.At(own, t)
			column = column[:0]
			for j := range same {
				if v := runs[j].At(same[j], t) - at; !math.IsNaN(v) {
					column = append(column, v)
				}
			}
			if len(column) == 0 {
				tr.Low[k], tr.High[k] = tr.Values[k], tr.Values[k]
				continue
			}
			slices.Sort(column)
			tr.Low[k], tr.High[k] = tr.Values[k]+record.Quantile(column, low), tr.Values[k]+record.Quantile(column, high)
		}
	}
}
