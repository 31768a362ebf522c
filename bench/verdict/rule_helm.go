package verdict

import (
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
)

var reversal = Rule{
	Name:   "reversal",
	Title:  "the boat answers a crash stop in time",
	Source: "way made before thrust astern at hull speed, 1.34·√(waterline in ft) kn; one and a half boat lengths: common practice, no source",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		length := b.Hull.WaterlineLength.SI
		speed := math.Sqrt(9.80665*length/(2*math.Pi)) * 0.9
		way := speed * s.Ramp.Reversal
		if way <= 1.5*length {
			return nil
		}
		return []Finding{{
			Level:  Close,
			Text:   fmt.Sprintf("in a crash stop the boat runs about %.0f m before the propeller begins to pull astern, more than one and a half boat lengths", way),
			Change: change(s, "ramp.reversal", math.Floor(15*length/speed)/10, "one and a half boat lengths"),
		}}
	},
}

var stallTimer = Rule{
	Name:   "stall-timer",
	Title:  "a motor that does not turn is stopped",
	Source: "common practice, no source",
	Check: func(_ *boat.Boat, s settings.Set) []Finding {
		if s.Stall.Time > 0 {
			return nil
		}
		return []Finding{{
			Level: Close, Text: "the stall timer is off: a rope in the propeller leaves full motor current in a motor that does not turn, and the battery meter hardly shows it",
			Change: change(s, "stall.time", 5, "common practice"),
		}}
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
			Change: &Change{Key: "throttle.neutral_start", From: "false", To: "true", Why: "interlock"},
		}}
	},
}
