package report

import (
	"math"

	"quaybench/bench/record"
)

// timeCurrent draws the curves of a circuit with what the runs ask of it. nil where there is nothing to draw.
func timeCurrent(curves []curve, circuit string, runs ...exposed) *Chart {
	c := &Chart{
		Title: "What the " + circuit + " circuit bears, and what the run asks (" + circuit + " current)",
		About: "Below and left of a curve nothing happens. The run's line is the highest rms " + circuit + " current over any stretch that long or longer. Curves hold for a constant current from cold; a warm start shortens them.",
		X:     Axis{Label: circuit + " current", Unit: "A", Log: true, Fixed: true, Low: math.Inf(1), High: 0},
		Y:     Axis{Label: "time", Time: true, Log: true, Fixed: true, Low: 0.01, High: 7200},
	}
	trace := record.BatteryCurrent
	if circuit == "motor" {
		trace = record.MotorCurrent
	}
	drawn := false
	for i, r := range runs {
		tr, ok := r.run.Trace(trace)
		if !ok {
			continue
		}
		length, rms := exposure(r.run.Time, tr.Values)
		if len(length) == 0 || rms[0] <= 0 {
			continue
		}
		s := Series{Name: r.name}
		for k := len(rms) - 1; k >= 0; k-- { // current rises
			s.X, s.Y = append(s.X, rms[k]), append(s.Y, length[k])
		}
		if i > 0 {
			s.Drawn = Aside
		}
		c.Series = append(c.Series, s)
		c.X.Low, c.X.High = min(c.X.Low, rms[len(rms)-1]), max(c.X.High, rms[0])
		c.Y.High = max(c.Y.High, length[len(length)-1])
		drawn = true
	}
	any := false
	for _, k := range curves {
		if k.circuit != circuit || len(k.current) == 0 {
			continue
		}
		s := Series{Name: k.name}
		for i := range k.current {
			if finite(k.time[i]) {
				s.X, s.Y = append(s.X, k.current[i]), append(s.Y, k.time[i])
			}
		}
		if len(s.X) == 0 {
			continue
		}
		c.Series = append(c.Series, s)
		c.X.Low = min(c.X.Low, 0.7*s.X[0])
		for i := range s.X { // far enough to the right to see what a tenth of a second bears
			if s.Y[i] >= 0.1 {
				c.X.High = max(c.X.High, s.X[i])
			}
		}
		any = true
	}
	if !any || !drawn {
		return nil
	}
	c.X.Low, c.X.High = max(c.X.Low/1.2, c.X.High/1000), c.X.High*1.3
	return c
}

// exposed is a run with its name in a chart.
type exposed struct {
	name string
	run  *record.Run
}
