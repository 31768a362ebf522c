package verdict

import (
	"math"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
)

// HighestVoltage returns the highest voltage the bank reaches: its cells' highest where the file gives it, else a full charge.
func HighestVoltage(b *boat.Boat) float64 {
	return float64(b.Battery.Cells) * b.Battery.CellHighest.Or(b.Battery.Cell().Full)
}

// engineSpace returns the factor on the allowable amperage of a conductor in the engine space, by insulation temperature (K):
// 33 CFR 183.425 table 5 note 1. From memory (the numbers for 60, 75 and 90 °C were seen elsewhere). Between two classes the
// lower one holds; below the lowest, the head-room that 50 °C of air leaves (√((T − 50)/(T − 30))).
func engineSpace(rated float64) float64 {
	celsius := rated - 273.15
	factor := 0.0
	if celsius > 50 {
		factor = math.Sqrt((celsius - 50) / (celsius - 30))
	}
	for _, row := range []struct{ celsius, factor float64 }{{60, 0.58}, {75, 0.75}, {80, 0.78}, {90, 0.82}, {105, 0.85}, {125, 0.89}, {200, 1}} {
		if celsius >= row.celsius-1e-6 {
			factor = row.factor
		}
	}
	return factor
}

// ampacity is what a cable carries in air of ampacity_at, A, and in words which key it comes from.
type ampacity struct {
	amps      float64
	said, key string
}

// carriesBy lists what a cable carries by each value that the file states of its cooling: by its ampacity, and by its thermal resistance,
// which is the current that holds it at its rated temperature.
func carriesBy(c *boat.Cable) (out []ampacity) {
	if c.RatedTemperature.SI <= c.AmpacityAt.SI {
		return nil
	}
	if c.Ampacity.Given {
		out = append(out, ampacity{c.Ampacity.SI, "is said to carry", "ampacity"})
	}
	if k, err := drive.CableHeat(c); err == nil && c.ThermalResistance.Given {
		loss := k.Ohms * thermal.Copper().Ratio(c.RatedTemperature.SI) // W for each A²
		out = append(out, ampacity{math.Sqrt((c.RatedTemperature.SI - c.AmpacityAt.SI) / (k.Resistance * loss)), "carries by its thermal resistance", "thermal_resistance"})
	}
	return out
}

// allowable returns the current a cable may carry for ever where it lies, the least by what the file states; 0 where that is not known. A
// thermal resistance is that of the cable as it lies, bundled or not.
func allowable(c *boat.Cable) (least float64) {
	for _, by := range carriesBy(c) {
		if by.key == "ampacity" {
			by.amps *= c.Bundling.SI
		}
		if least == 0 || by.amps < least {
			least = by.amps
		}
	}
	if c.EngineSpace {
		least *= engineSpace(c.RatedTemperature.SI)
	}
	return least
}

var fuseAgainstCable = Rule{
	Name:   "fuse-against-cable",
	Title:  "the fuse is as small as the standards ask for the battery cables",
	Source: "IEC 60364-4-43: up to 5 s adiabatic withstand of the conductor, longer I2 at most 1.45 times what it carries (k and temperatures of IEC 60364-5-54 annex A; conventional times of IEC 60269-1; from memory). Between the two by the cable's own heat, cooling in proportion to the rise, which errs on the safe side (common practice, no source). 33 CFR 183.455(c): below 50 V at most 150 % of the allowable amperage, from 50 V on the allowable amperage or the next standard size within 150 %. A borrowed benchmark: that part applies to boats with petrol engines, outboards excepted",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		out = withoutCable(b, "battery")
		volts := HighestVoltage(b)
		for i := range b.Cables {
			c := &b.Cables[i]
			amps := allowable(c)
			if c.Circuit != "battery" || amps == 0 {
				continue
			}
			rating, most := b.Fuse.Rating.SI, 1.5*amps
			branch := quantity.Sentence("below 50 V (the bank reaches %.1f V)", volts)
			if volts >= 50 {
				most = min(most, nextStandard(amps))
				branch = quantity.Sentence("from 50 V on (the bank reaches %.1f V)", volts)
			}
			if rating > most {
				out = append(out, Finding{Level: Over, Text: quantity.Sentence(
					"the fuse of %.0f A does not protect the %s, which may carry %.0f A of battery current where it lies: at most %.0f A %s",
					rating, c.Name, amps, most, branch)})
			}
		}
		for _, g := range guards(b, s, "battery") {
			out = append(out, g.findings()...)
		}
		return out
	},
	Note: func(b *boat.Boat, s settings.Set) string {
		var gaps []string
		for _, g := range guards(b, s, "battery") {
			if gap := g.gap(); gap != "" {
				gaps = append(gaps, gap)
			}
		}
		return strings.Join(gaps, "; ")
	},
}

// nextStandard returns the allowable amperage itself or the next standard fuse size above it.
func nextStandard(amps float64) float64 {
	for _, r := range []float64{10, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250} {
		if r >= amps {
			return r
		}
	}
	return amps
}

// Prospective returns the bolted short-circuit current at the controller, A: the highest voltage of the bank over the resistances
// of bank, fuse, contactor, battery cables and battery joints as the boat file has them. A cable whose resistance was not measured
// counts with its section in copper at 20 °C; arc and inductance do not count.
func Prospective(b *boat.Boat) float64 {
	ohms := b.Battery.Resistance.SI + b.Fuse.Resistance.SI + b.Contactor.Resistance.SI
	for i := range b.Cables {
		if c := &b.Cables[i]; c.Circuit == "battery" {
			ohms += c.Resistance.Or(c.Length.SI / (58e6 * c.Section.SI)) // standard annealed copper: IEC 60028
		}
	}
	for i := range b.Joints {
		if j := &b.Joints[i]; j.Circuit == "battery" {
			ohms += j.Resistance.SI
		}
	}
	return HighestVoltage(b) / ohms
}

var fuseBreaking = Rule{
	Name:   "fuse-breaking-capacity",
	Title:  "the fuse can break the bank's short-circuit current",
	Source: "IEC 60269-1 (breaking capacity at least the prospective current)",
	Check: func(b *boat.Boat, _ settings.Set) []Finding {
		if i := Prospective(b); i > b.Fuse.BreakingCapacity.SI {
			return []Finding{{Level: Over, Text: quantity.Sentence("a short circuit drives %.1f kA of battery current; the fuse breaks %.1f kA", i/1e3, b.Fuse.BreakingCapacity.SI/1e3)}}
		}
		return nil
	},
}

var voltageRatings = Rule{
	Name:   "voltage-ratings",
	Title:  "fuse, contactor and controller bear the bank's highest voltage",
	Source: "makers' ratings; direct current does not extinguish its own arc",
	Check: func(b *boat.Boat, _ settings.Set) (out []Finding) {
		volts := HighestVoltage(b)
		for _, d := range []struct {
			name  string
			bears float64
		}{{"fuse", b.Fuse.Voltage.SI}, {"contactor", b.Contactor.Voltage.SI}, {"controller", b.Stage.VoltageLimit.SI}} {
			if d.bears < volts {
				out = append(out, Finding{Level: Over, Text: quantity.Sentence("the bank reaches %.1f V; the %s is rated for %.0f V direct", volts, d.name, d.bears)})
			}
		}
		return out
	},
}

var chargingVoltage = Rule{
	Name:   "charging-voltage",
	Title:  "the charging source holds back at the voltage at which the cells are full",
	Source: "makers' ratings of the cells: charged on beyond their highest voltage they heat, vent or burn",
	Absent: func(b *boat.Boat, _ settings.Set) string {
		if b.Charging == nil {
			return "the boat file has no charging source"
		}
		return ""
	},
	Check: func(b *boat.Boat, _ settings.Set) []Finding {
		if b.Charging == nil || b.Charging.VoltageLimit.SI <= HighestVoltage(b) {
			return nil
		}
		return []Finding{{Level: Over, Text: quantity.Sentence("the charging source holds back at %.1f V only; %d cells are full at %.1f V, and it charges them on beyond that",
			b.Charging.VoltageLimit.SI, b.Battery.Cells, HighestVoltage(b))}}
	},
}

var fuseAgainstLimit = Rule{
	Name:   "fuse-against-limit",
	Title:  "the fuse carries the battery current limit",
	Source: "makers' ratings: a fuse carries its rating for ever, no more",
	Check: func(b *boat.Boat, s settings.Set) []Finding {
		if rating := b.Fuse.Rating.SI; s.Limits.BatteryCurrent > rating {
			return []Finding{{
				Level:  Close,
				Text:   quantity.Sentence("the battery current limit, %s, is above the fuse's rating, %s: held long enough, the fuse opens", amperes(s.Limits.BatteryCurrent, rating), amperes(rating, s.Limits.BatteryCurrent)),
				Change: change(s, s.Key(&s.Limits.BatteryCurrent), math.Floor(rating), "the fuse's rating"),
			}}
		}
		return nil
	},
}
