package learn

import (
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/link"
	"quaybench/bench/record"
)

// channel is what one meter showed, beside the trace of the simulation that it is compared with.
type channel struct {
	name   string // of the measured trace
	trace  string // of the simulation
	unit   string
	t, y   []float64
	white  float64 // standard deviation of one reading
	offset float64 // of the meter's offset
	low    float64 // share of the rise over the air that it leaves out, as a mean: a one-sided error; its half is its standard deviation
	gain   float64 // of its gain
	slow   float64 // usual size of what the channel strays slowly beside the model
	typed  bool    // read by a person
	size   bool    // it tells a size alone, without sign
}

// channels returns those of a record that the model has a trace for.
func channels(r *record.Run, b *boat.Boat, sensor string) (list []*channel) {
	for i := range r.Traces {
		tr := &r.Traces[i]
		trace := simulated(tr.Name, sensor)
		k, known := link.ByTrace(tr.Name)
		if tr.Inferred || trace == "" || tr.Name == record.Lever || known && k.Stray == 0 {
			continue
		}
		c := &channel{name: tr.Name, trace: trace, unit: tr.Unit, size: k.Unsigned}
		for k, v := range tr.Values {
			if !math.IsNaN(v) {
				c.t, c.y = append(c.t, r.Time[k]), append(c.y, v)
			}
		}
		if len(c.t) == 0 {
			continue
		}
		c.typed = spacing(c.t) > sparse // a thermometer that a person held to a part, beside a logger too
		c.meter(b, tr)
		list = append(list, c)
	}
	return list
}

// simulated returns the trace of a simulation that a measured trace is compared with; "" where there is none.
func simulated(name, sensor string) string {
	if k, ok := link.ByTrace(name); ok {
		return link.PredictedTrace(k.Name, sensor)
	}
	return name // a part that a thermometer was held to
}

// meter fills in the errors of the instrument behind a trace: half-widths of the boat file or of the record are two standard deviations.
func (c *channel) meter(b *boat.Boat, tr *record.Trace) {
	most := 0.0
	for _, v := range c.y {
		most = max(most, math.Abs(v))
	}
	k, ok := link.ByTrace(tr.Name)
	if !ok {
		k, _ = link.KindOf(link.MotorTemperature) // a thermometer that was held to a part
	}
	spot := k.Unit == "°C"
	c.offset, c.gain, c.slow = k.InstrumentError(b)/2, k.Gain, max(k.Stray, k.StrayShare*most)
	if m := tr.Meter; m != nil {
		if m.Offset > 0 {
			c.offset = m.Offset / 2
		}
		if m.Gain > 0 {
			c.gain = m.Gain / 2
		}
		c.low = m.ReadsLow / lowAt / 2 // the middle of none and all of the bound
	}
	c.white = whiteNoise(c.y)
	switch floor := c.offset / 10; {
	case c.typed && spot && c.white == 0: // a person who holds a thermometer to a part hits another spot each time, and few readings do not show how far apart (common practice, no source)
		c.white = max(floor, c.offset)
	case c.typed:
		c.white = max(floor, c.offset/3)
	case c.white < floor:
		c.white = floor
	}
}

// lowAt is the rise over the air at which a thermometer reads low by its whole bound, K. What a meter that takes bare metal for paint leaves out is a
// share of the rise, for the rest of what it sees is the reflection of the surroundings: 60 to 90 % at emissivities of 0.4 to 0.1 (common practice, no source).
const lowAt = 40.0

// whiteNoise returns the standard deviation of one reading beside its neighbours, robust against jumps.
func whiteNoise(y []float64) float64 {
	if len(y) < 30 {
		return 0
	}
	var d []float64
	for i := 2; i < len(y); i++ {
		d = append(d, math.Abs(y[i]-2*y[i-1]+y[i-2]))
	}
	slices.Sort(d)
	return 1.4826 * d[len(d)/2] / math.Sqrt(6)
}
