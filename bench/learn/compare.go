package learn

import (
	"context"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
)

// Overlay is one channel of a record beside what the boat file predicts for it.
type Overlay struct {
	Trace, Predicted string // names: of the record, and of the simulation
	Unit             string

	Time, Measured, Model, Half []float64 // row by row, SI; Half: what meter, lever and tolerances explain at 95 %

	Largest, At float64 // largest difference in those half-widths: the difference, SI, and when, s
	RMS         float64
	Outside     float64 // share of the rows beyond the half-width
	From        float64 // s, of the first such row; NaN: none
}

// Compared is a record beside the prediction of the boat file.
type Compared struct {
	Channels []Overlay
	Suspects []Suspect // strongest first
	Doubt    float64   // as that of a Result
	Meters   []string  // as those of a Result
	Runs     int
	Notes    []string // what of the record is not used or not known, in sentences
}

// Doubtful reports whether the boat that fits the record lies further from the file than its tolerances explain.
func (c *Compared) Doubtful() bool { return c.Doubt < doubtful }

// Compare lays a record over what the boat file predicts for the same lever and weather, and asks the causes. It linearises the model once, so causes are tested
// near the boat file, not at the values found.
func Compare(ctx context.Context, b *boat.Boat, s settings.Set, rec *Record) (*Compared, error) {
	p, err := newProblem(b, s, []*Record{rec})
	if err != nil {
		return nil, err
	}
	l, err := p.linearise(ctx, make([]float64, p.size()), nil, false)
	if err != nil {
		return nil, err
	}
	out := &Compared{Notes: p.records[0].notes}
	for _, s := range l.sets[0] {
		out.Channels = append(out.Channels, s.overlay(p.records[0]))
	}
	p.screen(l)
	f := &fitted{linear: l}
	if f.x, _, _, err = p.tune(l).solve(); err != nil {
		return nil, err
	}
	for k, r := range p.records {
		for _, s := range l.sets[k] {
			s.downweight(p.local(r, f.x), p.local(r, l.x))
		}
	}
	if f.x, f.cov, f.cost, err = p.sum(l).solve(); err != nil {
		return nil, err
	}
	out.Doubt = p.doubt(f)
	found := *f
	// One linear step from the file is far enough to see past the values, and may be too far to simulate.
	f.x = slices.Clone(f.x)
	for j := range f.x {
		f.x[j] = max(-3, min(3, f.x[j]))
	}
	if out.Suspects, _, err = p.blame(ctx, f); err != nil {
		return nil, err
	}
	out.Meters = p.badMeters(&found, out.Suspects, func(i int) bool { return out.Channels[i].Outside > 0.5 }) // a step as far as this one takes a channel astray that agrees
	out.Runs = p.runs + len(causesOf(p.boat, p.records[0].trial)) + 1
	return out, nil
}

// overlay returns where and by how much a series parts from the prediction at the boat file.
func (s *series) overlay(r *recorded) Overlay {
	o := Overlay{Trace: s.name, Predicted: s.trace, Unit: s.unit, From: math.NaN()}
	worst, outside := 0.0, 0
	fastest := 0.0 // what a shaft that idles stays below
	for _, v := range s.level {
		fastest = max(fastest, math.Abs(v))
	}
	for i, t := range s.at {
		v := s.noise.white*s.noise.white/s.weight[i] + s.slow*s.slow + s.jitter[i]
		for _, c := range s.cols {
			v += c[i] * c[i]
		}
		half, e := two*math.Sqrt(v), s.error[i]
		if slices.Contains(s.idle, i) {
			half = two*math.Sqrt(s.noise.white*s.noise.white/s.weight[i]+s.slow*s.slow) + math.Abs(s.level[i]) + fastest
		}
		t -= r.clock
		o.Time, o.Model, o.Half = append(o.Time, t), append(o.Model, s.level[i]), append(o.Half, half)
		o.Measured = append(o.Measured, s.level[i]+e)
		o.RMS += e * e / float64(len(s.at))
		if math.Abs(e)/half > worst {
			worst, o.Largest, o.At = math.Abs(e)/half, e, t
		}
		if math.Abs(e) > half {
			if outside++; math.IsNaN(o.From) {
				o.From = t
			}
		}
	}
	o.RMS = math.Sqrt(o.RMS)
	o.Outside = float64(outside) / float64(max(1, len(s.at)))
	return o
}
