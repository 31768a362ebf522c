package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

var reversal = Rule{
	Name:   "reversal",
	Title:  "the boat answers a crash stop in time",
	Source: "way made before thrust astern at hull speed, 1.34·√(waterline in ft) kn; one and a half boat lengths: common practice, no source",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		length := b.Hull.WaterlineLength.SI
		speed := 0.9 * hydro.HullSpeed(length)
		way := speed * s.Ramp.Reversal
		if way <= 1.5*length {
			return nil
		}
		return []Finding{{
			Level:  Close,
			Text:   quantity.Sentence("in a crash stop the boat runs about %.0f m before the propeller begins to pull astern, more than one and a half boat lengths", way),
			Change: change(s, s.Key(&s.Ramp.Reversal), math.Floor(15*length/speed)/10, "one and a half boat lengths"),
		}}
	},
	Note: plugging,
}

// plugging returns in words on what the plugging of a series-wound motor stands: the diode across the armature feeds the field, and the chopper
// holds the armature current only while that feeds it less than the field needs. The two diodes are taken to drop the same.
func plugging(b *boat.Boat, s settings.Set) string {
	m := &b.Motor
	if m.Kind != "series-wound" || b.Stage.Braking || len(m.Magnetisation) < 2 {
		return ""
	}
	armature, field := m.Resistance.SI*(1-m.FieldShare.SI), m.Resistance.SI*m.FieldShare.SI
	takes := armature*s.Limits.AsternCurrent + m.BrushDrop.SI + b.Stage.FreewheelDrop.SI
	perSpeed := takes / m.RatedSpeed.SI // V·s/rad that drives the limit's current from rated speed
	amps := 0.0
	for i := 1; i < len(m.Magnetisation); i++ {
		low, high := m.Magnetisation[i-1], m.Magnetisation[i]
		if share := (perSpeed - low[1]) / (high[1] - low[1]); share >= 0 && share <= 1 {
			amps = low[0] + share*(high[0]-low[0])
		}
	}
	return quantity.Sentence("reversed under way a series-wound motor plugs: from rated speed the controller holds the astern limit, %.0f A of motor current, by a field of %.2g A, and can do so only if the plug diode across the armature drops at most %.2g V more than the freewheel diode. The trials take the two for equal; where they are not, the motor excites itself to currents that no trial shows",
		s.Limits.AsternCurrent, amps, amps*field)
}

var stallTimer = Rule{
	Name:   "stall-timer",
	Title:  "a motor that does not turn is stopped",
	Source: "common practice, no source",
	Check: func(_ *boat.Boat, s settings.Set) []Finding {
		const rope = "a rope in the propeller leaves full motor current in a motor that does not turn, and the battery meter hardly shows it"
		const slowest = 10 * math.Pi / 30 // rad/s: no tachometer tells less from standing still (common practice, no source)
		switch {
		case s.Stall.Time == 0:
			return []Finding{{Level: Close, Text: "the stall timer is off: " + rope, Change: change(s, s.Key(&s.Stall.Time), 5, "common practice")}}
		case s.Stall.Speed < slowest:
			return []Finding{{
				Level: Close, Text: quantity.Sentence("the stall timer counts the motor as not turning below %.2g rpm only, which no tachometer tells from standing still: it may never act, and %s", s.Stall.Speed*30/math.Pi, rope),
				Change: change(s, s.Key(&s.Stall.Speed), 60*math.Pi/30, "common practice"),
			}}
		case s.Stall.Current >= 1:
			return []Finding{{
				Level: Close, Text: quantity.Sentence("the stall timer runs above %.0f %% of the motor current limit, and the limit keeps the motor current below: it never acts, and %s", 100*s.Stall.Current, rope),
				Change: change(s, s.Key(&s.Stall.Current), 0.3, "common practice"),
			}}
		}
		return nil
	},
}

var neutralStart = Rule{
	Name:   "neutral-start",
	Title:  "nothing moves until the lever has been in neutral",
	Source: "ISO 11547 (start-in-gear protection) as a model",
	Check: func(_ *boat.Boat, s settings.Set) []Finding {
		if s.Throttle.NeutralStart {
			return nil
		}
		return []Finding{{
			Level: Close, Text: "the neutral start interlock is off: switched on with the lever ahead, the boat leaves at once",
			Change: &Change{Key: s.Key(&s.Throttle.NeutralStart), From: "false", To: "true", Why: "interlock"},
		}}
	},
}
