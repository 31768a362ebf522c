package verdict

import (
	"fmt"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/root"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
)

var motorCable = Rule{
	Name:   "motor-cable",
	Title:  "the motor cables carry the motor current limits",
	Source: cableSource + ". That switches fail shorted: common practice, no source; the fuse then: IEC 60364-4-43, I2 at most 1.45 times what the cable carries (from memory)",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		return slices.Concat(withoutCable(b, "motor"), cablesCarry(b, s, "motor", math.Inf(1)), shortedStage(b, s))
	},
}

var batteryCable = Rule{
	Name:   "battery-cable",
	Title:  "the battery cables carry the battery current limits",
	Source: cableSource,
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		if none := withoutCable(b, "battery"); none != nil {
			return none
		}
		out = cablesCarry(b, s, "battery", lastingMotorCurrent(s)) // a stage that drives takes no more battery current than the motor's
		for i := range out {
			out[i].Mind = "how hot it gets before the bank is empty or the lever comes back, the trials judge"
		}
		return out
	},
}

const cableSource = "ampacity of the cable as the boat file gives it, or by its thermal_resistance; engine-space factor 33 CFR 183.425 table 5 note 1 (borrowed, from memory); boost by the heat that copper of that section takes up"

// amperes prints a current beside another that it is compared with: in whole amperes, or with the digits that tell the two apart.
func amperes(x, beside float64) string {
	if whole := quantity.Sentence("%.0f A", x); x == beside || whole != quantity.Sentence("%.0f A", beside) {
		return whole
	}
	return quantity.FormatStated(x, "A")
}

// lastingMotorCurrent returns the highest motor current that the settings let flow for ever, A.
func lastingMotorCurrent(s settings.Set) (most float64) {
	for _, l := range settings.Heating("motor") {
		if value, _ := s.Number(l.Key); !l.Brief {
			most = max(most, value)
		}
	}
	return most
}

// withoutCable finds that the boat file has no cable of a circuit: no boat is without, and one that nobody wrote down is judged by nothing.
func withoutCable(b *boat.Boat, circuit string) []Finding {
	if slices.ContainsFunc(b.Cables, func(c boat.Cable) bool { return c.Circuit == circuit }) {
		return nil
	}
	return []Finding{{Level: Close, Text: fmt.Sprintf("the boat file has no %s cable, so nothing here judges one: add it as a [[cable]] with circuit = %q", circuit, circuit)}}
}

// cablesCarry finds the limits of a circuit's current above what a cable of it may carry for ever: close where another limit, most (A),
// keeps the current at what the cable carries. Boost it finds where it makes a cable hotter than its insulation is rated for.
func cablesCarry(b *boat.Boat, s settings.Set, circuit string, most float64) (out []Finding) {
	for i := range b.Cables {
		c := &b.Cables[i]
		amps := allowable(c)
		if c.Circuit != circuit || amps == 0 {
			continue
		}
		boosts := boostHeats(c, s)
		for _, l := range settings.Heating(circuit) {
			value, _ := s.Number(l.Key)
			if value <= amps || l.Brief {
				continue
			}
			f := Finding{
				Level:  Over,
				Text:   quantity.Sentence("the %s, %s of %s current, is more than the %s may carry for ever where it lies, %s", l.Title, amperes(value, amps), circuit, c.Name, amperes(amps, value)),
				Change: change(s, l.Key, math.Floor(amps), "what the "+c.Name+" may carry for ever"),
			}
			if most <= amps && boosts == nil {
				f.Level = Close
				f.Text += quantity.Sentence("; only the motor current limits, %.0f A at most, hold it", most)
			}
			out = append(out, f)
		}
		if boosts != nil {
			out = append(out, *boosts)
		}
	}
	return out
}

// boostHeats finds a boost that makes a cable hotter than its insulation is rated for, given all at once and as often as it can be.
func boostHeats(c *boat.Cable, s settings.Set) *Finding {
	l, known := lay(c)
	course, boosts := boosting(s)
	if !known || !boosts {
		return nil
	}
	if c.Circuit == "battery" { // boost raises the motor current alone: the battery current limit holds meanwhile
		course.lasting, course.boost = min(course.lasting, s.Limits.BatteryCurrent), min(course.boost, s.Limits.BatteryCurrent)
	}
	course.lasting = min(course.lasting, l.carries) // a limit above that has a finding of its own
	T := l.hottest(course)
	if T <= c.RatedTemperature.SI+1e-6 {
		return nil
	}
	reached := quantity.Sentence("brings the %s to %.0f °C", c.Name, T-celsius)
	if T > thermal.Copper().Melting {
		reached = quantity.Sentence("melts the %s", c.Name)
	}
	tooHot := func(amps float64) bool {
		less := course
		less.boost = min(amps, course.boost)
		return l.hottest(less) > c.RatedTemperature.SI+1e-6
	}
	most := math.Floor(root.Change(course.lasting, course.boost, 0.01, tooHot))
	if most <= s.Limits.MotorCurrent {
		most = 0
	}
	return &Finding{
		Level: Over,
		Text: quantity.Sentence("boost, %.0f A of motor current for %s and again after %s, %s where it lies, its insulation is rated for %.0f °C: for ever the %s may carry %.0f A of %s current",
			s.Boost.Current, written(course.on, "s"), written(course.off, "s"), reached, c.RatedTemperature.SI-celsius, c.Name, l.carries, c.Circuit),
		Change: change(s, s.Key(&s.Boost.Current), most, "what keeps the "+c.Name+" within its rated temperature"),
	}
}

var stageCurrent = Rule{
	Name:   "stage-current",
	Title:  "the controller is made for the motor currents it is set to",
	Source: "maker's rating",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		most := b.Stage.Current.SI
		for _, l := range settings.Heating("motor") {
			if value, _ := s.Number(l.Key); value > most {
				out = append(out, Finding{
					Level:  Over,
					Text:   quantity.Sentence("the %s, %s of motor current, is more than the controller's %s", l.Title, amperes(value, most), amperes(most, value)),
					Change: change(s, l.Key, math.Floor(most), "the controller's rating"),
				})
			}
		}
		return out
	},
	Note: func(_ *boat.Boat, s settings.Set) string {
		if c := s.Boost.Current; c > 0 && c <= s.Limits.MotorCurrent {
			return quantity.Sentence("boost, %.0f A of motor current, is not above the motor current limit, %.0f A: it does nothing", c, s.Limits.MotorCurrent)
		}
		return ""
	},
}

var managementLimit = Rule{
	Name:   "management-limit",
	Title:  "the battery current limit stays below what management allows",
	Source: "maker's rating of the battery's management; that a lithium bank needs one is common practice, no source",
	Absent: func(b *boat.Boat, _ settings.Set) string {
		if b.Battery.Management == nil && !lithium(b) {
			return "the boat file has no management of the battery"
		}
		return ""
	},
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		m := b.Battery.Management
		if m == nil && lithium(b) {
			return []Finding{{
				Level: Close,
				Text:  "this lithium bank has no management in the boat file, so nothing opens when a cell is too low, too full or too hot. If the bank has one, add it as [battery.management]: until then no trial shows when it leaves the boat without drive",
			}}
		}
		if m == nil || s.Limits.BatteryCurrent <= m.DischargeCurrent.SI {
			return nil
		}
		return []Finding{{
			Level: Over,
			Text: quantity.Sentence("the battery current limit, %s, is above what management bears, %s for %.3g s: it opens under load and the boat has no drive",
				amperes(s.Limits.BatteryCurrent, m.DischargeCurrent.SI), amperes(m.DischargeCurrent.SI, s.Limits.BatteryCurrent), m.DischargeDelay.SI),
			Change: change(s, s.Key(&s.Limits.BatteryCurrent), math.Floor(0.95*m.DischargeCurrent.SI), "5 % below what management bears"),
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
				Text:   quantity.Sentence("the battery current limit, %s, is more than the contactor carries for ever, %s", amperes(s.Limits.BatteryCurrent, most), amperes(most, s.Limits.BatteryCurrent)),
				Change: change(s, s.Key(&s.Limits.BatteryCurrent), math.Floor(most), "what the contactor carries"),
			}}
		}
		return nil
	},
}

var braking = Rule{
	Name:   "braking",
	Title:  "braking sends no more back than the battery takes",
	Source: "maker's rating of the battery and its management",
	Absent: func(_ *boat.Boat, s settings.Set) string {
		if s.Limits.BrakingCurrent == 0 {
			return "the motor does not brake"
		}
		return ""
	},
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		if s.Limits.BrakingCurrent > 0 && !b.Stage.Braking {
			return []Finding{{
				Level: Over, Text: quantity.Sentence("the braking limit is %.0f A of motor current, but the boat file says that the controller cannot brake", s.Limits.BrakingCurrent),
				Change: change(s, s.Key(&s.Limits.BrakingCurrent), 0, "no braking quadrant"),
			}}
		}
		m := b.Battery.Management
		if m == nil || s.Limits.BrakingCurrent == 0 || s.Limits.ChargeCurrent <= m.ChargeCurrent.SI {
			return nil
		}
		return []Finding{{
			Level: Over,
			Text: quantity.Sentence("braking may send %s of battery current back, management bears %s for %.3g s: it then opens while the motor brakes, and the link capacitor takes the energy",
				amperes(s.Limits.ChargeCurrent, m.ChargeCurrent.SI), amperes(m.ChargeCurrent.SI, s.Limits.ChargeCurrent), m.ChargeDelay.SI),
			Change: change(s, s.Key(&s.Limits.ChargeCurrent), math.Floor(0.9*m.ChargeCurrent.SI), "10 % below what management bears in charge"),
		}}
	},
}

var coldCharging = Rule{
	Name:   "cold-charging",
	Title:  "it is known how cold a lithium battery may be charged",
	Source: "makers of lithium cells forbid charging below freezing (common practice, no source)",
	Absent: func(b *boat.Boat, s settings.Set) string {
		switch {
		case !lithium(b):
			return "the battery is no lithium one"
		case s.Limits.BrakingCurrent == 0 && b.Charging == nil:
			return "nothing charges the battery under way"
		}
		return ""
	},
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		if !lithium(b) || b.Battery.ChargeLowestTemperature.Given || s.Limits.BrakingCurrent == 0 && b.Charging == nil {
			return nil
		}
		return []Finding{{
			Level: Close,
			Text:  "lithium cells must not be charged below freezing, by braking neither; the boat file does not say from which temperature on, so no trial judges it: give battery.charge_lowest_temperature",
		}}
	},
}

func lithium(b *boat.Boat) bool { return b.Battery.Chemistry == "LFP" || b.Battery.Chemistry == "NMC" }
