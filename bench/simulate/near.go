package simulate

import (
	"math"
	"slices"

	"quaybench/bench/control"
	"quaybench/bench/drive"
)

// Near is how near something that stops a run or changes its course came to acting: a device outside the controller, its stall timer
// or its cut-off, a brink. A verdict that shares of limits explain changes by a jump where one of these acts.
type Near struct {
	Name   string  // of its events
	Device bool    // outside the controller
	Brink  bool    // see drive.Brink; it never acts
	Sharp  bool    // of a brink: a share or an event jumps at the brink itself
	Margin float64 // the greatest: its condition holds above zero; −Inf where it never could
	Held   float64 // the longest time for which the condition held, as a share of what it takes to act: 1 where it acted
	At     float64 // when it acted, s; NaN: never
}

// nears keeps the greatest values of a run.
type nears struct {
	list     []Near // devices first, in their order, then the stops below, then brinks
	devices  int
	switches []*control.Switch // whose condition starts each stop
	brinks   []drive.Brink
}

// nearOf returns whose nearness the margin of a switch is, from 1; 0: nobody's.
func (s *simulation) nearOf(i int) int {
	first := func(sw control.Switch) bool { return sw.Name == s.drive.Switches[i].Name }
	stop := slices.IndexFunc(stops[:], func(k stop) bool { return k.name == s.drive.Switches[i].Name })
	if stop < 0 || slices.IndexFunc(s.drive.Switches, first) != i {
		return 0
	}
	return len(s.devices) + stop + 1
}

type stop struct {
	name  string
	timer int // state that counts
	takes func(s *simulation) float64
}

// stops are what the controller stops by: the switch that begins its condition is the first of its name.
var stops = [...]stop{
	{"stall timer", control.StallTime, func(s *simulation) float64 { return s.drive.Law.Settings.Stall.Time }},
	{"controller cut-off", control.LowTime, func(s *simulation) float64 { return s.drive.Law.Settings.LowVoltage.CutOffDelay }},
}

func newNears(s *simulation) *nears {
	n := &nears{devices: len(s.devices)}
	add := func(k Near) {
		k.Margin, k.At = math.Inf(-1), math.NaN()
		n.list = append(n.list, k)
	}
	for i := range s.devices {
		add(Near{Name: s.devices[i].Name, Device: true})
	}
	for _, stop := range stops {
		add(Near{Name: stop.name})
		for i := range s.drive.Switches {
			if sw := &s.drive.Switches[i]; sw.Name == stop.name {
				n.switches = append(n.switches, sw)
				break
			}
		}
	}
	n.brinks = s.drive.Brinks()
	if slices.Contains(s.trial.Expect, lowVoltage) { // a device that is expected is one of those above
		start := s.drive.Law.Settings.LowVoltage.Start
		n.brinks = append(n.brinks, drive.Brink{Name: lowVoltage, Sharp: true, Margin: func(_ *drive.Point, y []float64) float64 {
			return 1 - s.drive.ControlState(y)[control.Voltage]/start
		}})
	}
	for _, b := range n.brinks {
		add(Near{Name: b.Name, Brink: true, Sharp: b.Sharp})
	}
	return n
}

// lowVoltage is the device of the events of a derating that a trial may expect.
const lowVoltage = "low-voltage derating"

// look updates how near each device came with one instant.
func (n *nears) look(s *simulation, t float64, p *drive.Point, y []float64) {
	x := s.drive.ControlState(y)
	first := n.devices + len(stops) // of the brinks
	for i := range n.list {
		k := &n.list[i]
		if i >= first {
			k.Margin = max(k.Margin, n.brinks[i-first].Margin(p, y))
			continue
		}
		if i < n.devices {
			if d := &s.devices[i]; !s.disarmed {
				k.Margin = max(k.Margin, d.Margin(p, y))
				if since := s.since[i]; !math.IsNaN(since) && d.Delay > 0 {
					k.Held = max(k.Held, (t-since)/d.Delay)
				}
			}
			continue
		}
		stop, sw := stops[i-n.devices], n.switches[i-n.devices]
		if sw.Armed(s.drive.Mode) {
			k.Margin = max(k.Margin, sw.Margin(p.Measured, x))
		}
		if takes := stop.takes(s); takes > 0 {
			k.Held = max(k.Held, x[stop.timer]/takes)
		}
	}
}

// nearActed records that one of the list has acted.
func (s *simulation) nearActed(at int) {
	if s.nears == nil {
		return
	}
	if k := &s.nears.list[at]; math.IsNaN(k.At) {
		k.Held, k.At = 1, s.t
	}
}
