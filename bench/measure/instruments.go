package measure

import (
	"math"
	"slices"
	"sort"

	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/record"
)

// meter is one channel as it was read.
type meter struct {
	name       string
	at, values []float64     // SI
	holes      []record.Span // in which nobody knows what it would have shown
	error      *link.Meter   // nil: what the boat's file says
}

// value returns what the meter showed at t, straight between two readings and level beyond their ends; NaN inside a hole.
func (m *meter) value(t float64) float64 {
	i := sort.SearchFloat64s(m.at, t)
	if len(m.holes) > 0 {
		between := i > 0 && i < len(m.at)
		j := sort.Search(len(m.holes), func(j int) bool { return m.holes[j].To > t }) // the first that ends later
		switch {
		case j < len(m.holes) && m.holes[j].From < t:
			return math.NaN()
		case between && j < len(m.holes) && m.at[i] > m.holes[j].From: // a mean may stand for readings up to the hole
			return m.values[i-1]
		case between && j > 0 && m.at[i-1] < m.holes[j-1].To:
			return m.values[i]
		}
	}
	switch {
	case i == 0:
		return m.values[0]
	case i == len(m.at):
		return m.values[i-1]
	}
	return record.Between(m.at[i-1:i+1], m.values[i-1:i+1], t)
}

// instruments are the measured channels that a run can follow; nil: not measured.
type instruments struct {
	motor, battery, voltage, duty, speed, boat *meter
	ground                                     *meter // where nothing shows the speed through the water
	sink, winding, cells                       *meter
	known                                      drive.Measured
	thinned                                    bool // see Result
}

// mostBetween is the longest pause, s, between two readings of a thermometer over which a straight line stands for what it would have shown (common practice, no
// source).
const mostBetween = 300.0

func instrumentsOf(m *Result) *instruments {
	in := &instruments{thinned: m.thinned}
	samples := m.withSteps()
	for i, c := range m.Channels {
		k := &meter{name: c.Name}
		for row, v := range inRows(samples, i) {
			if !math.IsNaN(v) {
				k.at, k.values = append(k.at, samples[row].At), append(k.values, v)
			}
		}
		if c.Meter != (link.Meter{}) {
			k.error = &c.Meter
		}
		if at := in.place(c.Name); at != nil && len(k.at) > 0 {
			k.holes, *at = m.holesOf(i), k
		}
	}
	if in.boat == nil {
		in.boat = in.ground
	} else {
		in.ground = nil
	}
	in.known = in.knownBy(func(k *meter) bool { return k != nil })
	return in
}

// follows says how a run follows a channel. Any other channel is recorded and compared.
type follows struct {
	channel    string
	meter      func(*instruments) **meter
	seen       func(*drive.Seen) *float64
	electrical func(*drive.Measured) *bool // of what meters must agree on (Disagree); nil: they need not
}

// followed lists the channels that a run can follow.
var followed = []follows{
	{link.MotorCurrent, func(in *instruments) **meter { return &in.motor }, func(s *drive.Seen) *float64 { return &s.MotorCurrent }, func(m *drive.Measured) *bool { return &m.MotorCurrent }},
	{link.BatteryCurrent, func(in *instruments) **meter { return &in.battery }, func(s *drive.Seen) *float64 { return &s.BatteryCurrent }, func(m *drive.Measured) *bool { return &m.BatteryCurrent }},
	{link.Voltage, func(in *instruments) **meter { return &in.voltage }, func(s *drive.Seen) *float64 { return &s.Voltage }, func(m *drive.Measured) *bool { return &m.Voltage }},
	{link.MotorSpeed, func(in *instruments) **meter { return &in.speed }, func(s *drive.Seen) *float64 { return &s.Speed }, func(m *drive.Measured) *bool { return &m.Speed }},
	{link.Duty, func(in *instruments) **meter { return &in.duty }, func(s *drive.Seen) *float64 { return &s.Duty }, func(m *drive.Measured) *bool { return &m.Duty }},
	{link.BoatSpeed, func(in *instruments) **meter { return &in.boat }, func(s *drive.Seen) *float64 { return &s.Boat }, nil},
	{link.StageTemperature, func(in *instruments) **meter { return &in.sink }, func(s *drive.Seen) *float64 { return &s.Sink }, nil},
	{link.MotorTemperature, func(in *instruments) **meter { return &in.winding }, func(s *drive.Seen) *float64 { return &s.Motor }, nil},
	{link.BatteryTemperature, func(in *instruments) **meter { return &in.cells }, func(s *drive.Seen) *float64 { return &s.Battery }, nil},
	{link.SpeedOverGround, func(in *instruments) **meter { return &in.ground }, nil, nil},
}

// place returns where a channel belongs; nil: nothing follows it.
func (in *instruments) place(channel string) **meter {
	for _, f := range followed {
		if f.channel == channel {
			return f.meter(in)
		}
	}
	return nil
}

// all lists the meters that there are.
func (in *instruments) all() (list []*meter) {
	for _, f := range followed {
		if k := *f.meter(in); k != nil && f.seen != nil {
			list = append(list, k)
		}
	}
	return list
}

func (in *instruments) knownBy(has func(*meter) bool) drive.Measured {
	return drive.Measured{
		MotorCurrent: has(in.motor), BatteryCurrent: has(in.battery), Voltage: has(in.voltage), Duty: has(in.duty), Speed: has(in.speed),
		Sink: has(in.sink), Motor: has(in.winding), Battery: has(in.cells),
	}
}

// holesOf lists the stretches in which nobody read a channel: from a reading to that since when the next one held. Where it began late or ended early they
// reach to ±Inf.
func (m *Result) holesOf(channel int) (list []record.Span) {
	if m.holes != nil {
		return m.holes[channel]
	}
	var at []float64
	for row, v := range inRows(m.Samples, channel) {
		if !math.IsNaN(v) {
			at = append(at, m.Samples[row].At)
		}
	}
	most := record.Hole(record.Usual(at))
	if k, _ := link.KindOf(m.Channels[channel].Name); k.Unit == "°C" {
		most = min(most, mostBetween)
	}
	n := len(m.Samples)
	last, from := m.Samples[0].Since, math.Inf(-1)
	samples := m.withSteps()
	for row, v := range inRows(samples, channel) {
		if math.IsNaN(v) {
			continue
		}
		x := &samples[row]
		if x.Since-last > most {
			list = append(list, record.Span{From: from, To: x.Since})
		}
		last, from = x.At, x.At
	}
	if m.Samples[n-1].At-last > most {
		list = append(list, record.Span{From: from, To: math.Inf(1)})
	}
	return list
}

// at returns what the meters showed at t; NaN: nobody knows.
func (in *instruments) at(t float64) drive.Seen {
	of := func(k *meter) float64 {
		if k == nil {
			return math.NaN()
		}
		return k.value(t)
	}
	return drive.Seen{
		MotorCurrent: of(in.motor), BatteryCurrent: of(in.battery), Voltage: of(in.voltage), Duty: of(in.duty), Speed: of(in.speed),
		Boat: of(in.boat), Sink: of(in.sink), Motor: of(in.winding), Battery: of(in.cells),
	}
}

// unseen is a stretch in which what was read does not tell what the parts take, as it does before and after.
type unseen struct {
	record.Span
	missing []string // channels; nil: nothing was read at all
}

// unseen lists those stretches of a model's record.
func (in *instruments) unseen(model *drive.Model) (list []unseen) {
	var edges []float64
	for _, k := range in.all() {
		for _, h := range k.holes {
			edges = append(edges, h.From, h.To)
		}
	}
	slices.Sort(edges)
	edges = slices.Compact(edges)
	whole := model.Known(in.known)
	for i := 1; i < len(edges); i++ {
		middle := (edges[i-1] + edges[i]) / 2
		switch {
		case math.IsInf(edges[i-1], -1):
			middle = edges[i] - 1
		case math.IsInf(edges[i], 1):
			middle = edges[i-1] + 1
		}
		reads := func(k *meter) bool { return k != nil && !math.IsNaN(k.value(middle)) }
		known := in.knownBy(reads)
		known.Denied = in.known.Denied
		if slices.Equal(model.Known(known), whole) {
			continue
		}
		u := unseen{Span: record.Span{From: edges[i-1], To: edges[i]}}
		all := true
		for _, k := range in.all() {
			if reads(k) {
				all = false
			} else {
				u.missing = append(u.missing, k.name)
			}
		}
		if all {
			u.missing = nil
		}
		if n := len(list); n > 0 && list[n-1].To == u.From && slices.Equal(list[n-1].missing, u.missing) {
			list[n-1].To = u.To
			continue
		}
		list = append(list, u)
	}
	return list
}
