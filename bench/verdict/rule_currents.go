package verdict

import (
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
)

// motorLimits are the settings that limit motor current.
func motorLimits(s settings.Set) []struct {
	key   string
	value float64
	title string
} {
	return []struct {
		key   string
		value float64
		title string
	}{
		{"limits.motor_current", s.Limits.MotorCurrent, "motor current limit"},
		{"limits.astern_current", s.Limits.AsternCurrent, "astern limit"},
		{"limits.braking_current", s.Limits.BrakingCurrent, "braking limit"},
	}
}

var motorCable = Rule{
	Name:   "motor-cable",
	Title:  "the motor cables carry the motor current limits",
	Source: "ampacity of the cable as the boat file gives it; engine-space factor 33 CFR 183.425 table 5 note 1 (borrowed, from memory)",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		for i := range b.Cables {
			c := &b.Cables[i]
			amps := allowable(c)
			if c.Circuit != "motor" || amps == 0 {
				continue
			}
			for _, l := range motorLimits(s) {
				if l.value > amps {
					out = append(out, Finding{
						Level:  Over,
						Text:   fmt.Sprintf("the %s, %.0f A of motor current, is more than the %s may carry for ever where it lies, %.0f A", l.title, l.value, c.Name, amps),
						Change: change(s, l.key, math.Floor(amps), "what the "+c.Name+" may carry for ever"),
					})
				}
			}
		}
		return out
	},
}

var stageCurrent = Rule{
	Name:   "stage-current",
	Title:  "the controller is made for the motor currents it is set to",
	Source: "maker's rating",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		most := b.Stage.Current.SI
		limits := motorLimits(s)
		limits = append(limits, struct {
			key   string
			value float64
			title string
		}{"boost.current", s.Boost.Current, "boost"})
		for _, l := range limits {
			if l.value > most {
				out = append(out, Finding{
					Level:  Over,
					Text:   fmt.Sprintf("the %s, %.0f A of motor current, is more than the controller's %.0f A", l.title, l.value, most),
					Change: change(s, l.key, math.Floor(most), "the controller's rating"),
				})
			}
		}
		if c := s.Boost.Current; c > 0 && c <= s.Limits.MotorCurrent {
			out = append(out, Finding{Level: Close, Text: fmt.Sprintf("boost, %.0f A of motor current, is not above the motor current limit, %.0f A: it does nothing", c, s.Limits.MotorCurrent)})
		}
		return out
	},
}

var managementLimit = Rule{
	Name:   "management-limit",
	Title:  "the battery current limit stays below what management allows",
	Source: "maker's rating of the battery's management",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		m := b.Battery.Management
		if m == nil || s.Limits.BatteryCurrent <= m.DischargeCurrent.SI {
			return nil
		}
		return []Finding{{
			Level: Over,
			Text: fmt.Sprintf("the battery current limit, %.0f A, is above what management bears, %.0f A for %.3g s: it opens under load and the boat has no drive",
				s.Limits.BatteryCurrent, m.DischargeCurrent.SI, m.DischargeDelay.SI),
			Change: change(s, "limits.battery_current", math.Floor(0.95*m.DischargeCurrent.SI), "5 % below what management bears"),
		}}
	},
}

var contactorCarries = Rule{
	Name:   "contactor-carries",
	Title:  "the contactor carries the battery current limit",
	Source: "maker's rating",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		if most := b.Contactor.Current.SI; s.Limits.BatteryCurrent > most {
			return []Finding{{
				Level:  Over,
				Text:   fmt.Sprintf("the battery current limit, %.0f A, is more than the contactor carries for ever, %.0f A", s.Limits.BatteryCurrent, most),
				Change: change(s, "limits.battery_current", math.Floor(most), "what the contactor carries"),
			}}
		}
		return nil
	},
}

var braking = Rule{
	Name:   "braking",
	Title:  "braking sends no more back than the battery takes",
	Source: "maker's rating of the battery and its management",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		if s.Limits.BrakingCurrent > 0 && !b.Stage.Braking {
			return []Finding{{
				Level: Over, Text: fmt.Sprintf("the braking limit is %.0f A of motor current, but the boat file says that the controller cannot brake", s.Limits.BrakingCurrent),
				Change: change(s, "limits.braking_current", 0, "no braking quadrant"),
			}}
		}
		m := b.Battery.Management
		if m == nil || s.Limits.BrakingCurrent == 0 || s.Limits.ChargeCurrent <= m.ChargeCurrent.SI {
			return nil
		}
		return []Finding{{
			Level: Over,
			Text: fmt.Sprintf("braking may send %.0f A of battery current back, management bears %.0f A for %.3g s: it then opens while the motor brakes, and the link capacitor takes the energy",
				s.Limits.ChargeCurrent, m.ChargeCurrent.SI, m.ChargeDelay.SI),
			Change: change(s, "limits.charge_current", math.Floor(0.9*m.ChargeCurrent.SI), "10 % below what management bears in charge"),
		}}
	},
}

var coldCharging = Rule{
	Name:   "cold-charging",
	Title:  "it is known how cold a lithium battery may be charged",
	Source: "makers of lithium cells forbid charging below freezing (common practice, no source)",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		lithium := b.Battery.Chemistry == "LFP" || b.Battery.Chemistry == "NMC"
		if !lithium || b.Battery.ChargeLowest.Given || s.Limits.BrakingCurrent == 0 && b.Charging == nil {
			return nil
		}
		return []Finding{{
			Level: Close,
			Text:  "lithium cells must not be charged below freezing, by braking neither; the boat file does not say from which temperature on, so no trial judges it: give battery.charge_lowest_temperature",
		}}
	},
}
