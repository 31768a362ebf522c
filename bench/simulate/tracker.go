package simulate

import (
	"sort"

	"quaybench/bench/drive"
	"quaybench/bench/record"
)

// condition is something that the controller does for a while.
type condition struct {
	device, what string
	kind         record.EventKind
	active       func(p *drive.Point) bool
}

var watched = []condition{
	{"battery current limit", "battery current limit holds the motor current down", record.Limiting, func(p *drive.Point) bool { return p.BatteryLimited }},
	{"charge current limit", "charge limit (battery current) holds the braking current down", record.Limiting, func(p *drive.Point) bool { return p.ChargeLimited }},
	{"full duty", "full battery voltage is on the motor: no current limit acts", record.Note, func(p *drive.Point) bool { return p.DutyLimited }},
	{"stage derating", "derating by heat sink temperature lowers the motor current limit", record.Limiting, func(p *drive.Point) bool { return p.Command.Deratings.Stage < 1 }},
	{"motor derating", "derating by motor temperature lowers the motor current limit", record.Limiting, func(p *drive.Point) bool { return p.Command.Deratings.Motor < 1 }},
	{"low-voltage derating", "low-voltage derating lowers the motor current limit", record.Limiting, func(p *drive.Point) bool { return p.Command.Deratings.LowVoltage < 1 }},
	{"high-voltage derating", "high-voltage derating lowers the braking limit (motor current)", record.Limiting, func(p *drive.Point) bool { return p.Command.Deratings.HighVoltage < 1 }},
	{record.SelfExcitation, "the motor, turned against its field, excites itself: the controller cannot limit what its armature drives through the plug diode (motor current)", record.Limiting, func(p *drive.Point) bool { return p.SelfExcited }},
	{"freewheel path", "the turning motor drives a motor current that the controller cannot limit", record.Limiting, func(p *drive.Point) bool { return p.Uncontrolled && !p.SelfExcited }},
}

// tracker collects events. A condition that comes back within a moment of its end is one event that counts its returns.
type tracker struct {
	events []record.Event
	active []bool // per condition
	last   []int  // per condition: index of its last event, −1 for none
}

// moment is the pause after which a returning condition is a new event, s.
const moment = 2.0

func (k *tracker) note(e record.Event) { k.events = append(k.events, e) }

func (k *tracker) look(t float64, p *drive.Point) {
	if k.active == nil {
		k.active, k.last = make([]bool, len(watched)), make([]int, len(watched))
		for i := range k.last {
			k.last[i] = -1
		}
	}
	for i := range watched {
		c := &watched[i]
		on, at := c.active(p), k.last[i]
		switch {
		case on == k.active[i]:
		case on && at >= 0 && t-k.events[at].Until < moment:
			k.events[at].Until = 0
			k.events[at].Count++
		case on:
			k.last[i] = len(k.events)
			k.note(record.Event{At: t, Device: c.device, What: c.what, Kind: c.kind, Count: 1})
		default:
			k.events[at].Until = t
		}
		k.active[i] = on
	}
}

// finish sorts the events by time; what is still active stays open-ended.
func (k *tracker) finish() {
	sort.SliceStable(k.events, func(i, j int) bool { return k.events[i].At < k.events[j].At })
}
