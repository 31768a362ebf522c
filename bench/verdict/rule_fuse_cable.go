package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
)

const (
	adiabatic    = 5.0  // s up to which a conductor is taken to lose no heat: IEC 60364-4-43, 434.5.2
	conventional = 1.45 // I2 over what the cable carries, at most: IEC 60364-4-43, 433.1
)

// guard is a fuse with a cable behind it.
type guard struct {
	laid
	fuse     *boat.Fuse
	slowest  thermal.FuseModel
	opens    float64 // A: the fuse surely opens within the conventional time (I2)
	within   float64 // s: that time
	shorted  float64 // A: the short-circuit current
	mostHeat float64 // K that the insulation bears for up to 5 s
	limit    float64 // A: what the settings let flow at most
	worst    exposure
}

// guards pairs the fuse with each cable of a circuit of which enough is known. What cannot be built is another rule's finding.
func guards(b *boat.Boat, s settings.Set, circuit string) (out []guard) {
	_, slowest, err := drive.FuseCurves(&b.Fuse)
	if err != nil {
		return nil
	}
	for i := range b.Cables {
		c := &b.Cables[i]
		cable, ok := lay(c)
		if c.Circuit != circuit || !ok {
			continue
		}
		g := guard{laid: cable, fuse: &b.Fuse, slowest: slowest, shorted: Prospective(b)}
		g.within = thermal.ConventionalTime(b.Fuse.Rating.SI)
		g.opens = slowest.MeltCurrent(g.within)
		g.mostHeat = shortCircuitTemperature(c)
		for _, l := range settings.Heating(circuit) {
			value, _ := s.Number(l.Key)
			g.limit = max(g.limit, value)
		}
		g.worst = g.exposed()
		out = append(out, g)
	}
	return out
}

// shortCircuitTemperature returns what the insulation bears for up to 5 s, K: as the file says, else by the temperature it is rated
// for the least of the materials of IEC 60364-5-54 annex A that are so rated (from memory).
func shortCircuitTemperature(c *boat.Cable) float64 {
	celsius := 160.0 // PVC
	switch rated := c.RatedTemperature.SI - 273.15; {
	case rated >= 150:
		celsius = 350 // silicone
	case rated > 105:
		celsius = 250 // cross-linked
	}
	return c.ShortCircuitTemperature.Or(273.15 + celsius)
}

// clears returns how long a slow fuse takes to break a current, s.
func (g *guard) clears(amps float64) float64 {
	return g.slowest.MeltTime(amps).Time + g.fuse.ArcingTime.SI
}

// fast finds a short circuit that the fuse does not break in time: the current (A) with the least room, how long a slow fuse
// takes, and how long the cable bears it, both in s. ok reports that all is well: also where the bank cannot drive more than
// the cable carries for ever.
func (g *guard) fast() (amps, takes, bears float64, ok bool) {
	k := thermal.Copper().WithstandConstant(g.cable.RatedTemperature.SI, g.mostHeat)
	if g.shorted <= g.carries {
		return 0, 0, 0, true
	}
	room := math.Inf(1)
	from := min(g.slowest.MeltCurrent(adiabatic), g.shorted)
	const points = 60
	for i := range points {
		I := from * math.Pow(g.shorted/from, float64(i)/(points-1))
		t, most := g.clears(I), thermal.WithstandTime(I, g.cable.Section.SI, k)
		if r := most / t; r < room {
			room, amps, takes, bears = r, I, t, most
		}
	}
	return amps, takes, bears, room >= 1
}

// exposure is what the cable goes through before a slow fuse opens, over the currents from what it carries for ever to that which
// opens the fuse within 5 s, as far as the bank drives them.
type exposure struct {
	amps, kelvin, takes float64 // at the current that makes it hottest: A, K, s until the fuse is open (at most the conventional time)
	from                float64 // A: the least current that brings it past its short-circuit temperature; 0 where none does
}

// exposed works that out.
func (g *guard) exposed() (c exposure) {
	to := min(max(g.opens, g.slowest.MeltCurrent(adiabatic)), g.shorted)
	const points = 120
	for i := range points {
		I := g.carries * math.Pow(to/g.carries, float64(i)/(points-1))
		takes := min(g.clears(I), g.within)
		T := g.reaches(I, takes)
		if T > c.kelvin {
			c.amps, c.kelvin, c.takes = I, T, takes
		}
		if T > g.mostHeat && c.from == 0 {
			c.from = I
		}
	}
	return c
}

// findings judges the slowest curve against the cable.
func (g *guard) findings() (out []Finding) {
	rating := g.fuse.Rating.SI
	if amps, takes, bears, ok := g.fast(); !ok {
		opens := quantity.Sentence("opens after %.2g s", takes)
		if math.IsInf(takes, 1) {
			opens = "never opens"
		}
		out = append(out, Finding{Level: Over, Text: quantity.Sentence(
			"the fuse of %.0f A does not protect the %s in a short circuit: at %.3g kA of battery current a slow one %s, and the insulation bears that for %.2g s (from %.0f °C to %.0f °C without loss of heat)",
			rating, g.cable.Name, amps/1e3, opens, bears, g.cable.RatedTemperature.SI-273.15, g.mostHeat-273.15)})
	}
	if most := conventional * g.carries; g.opens > most {
		out = append(out, Finding{Level: Over, Text: quantity.Sentence(
			"the fuse of %.0f A does not protect the %s from overload: %s%s; at most %.0f A would do, %.2f times the %.0f A that the cable may carry where it lies. %s",
			rating, g.cable.Name, g.surely(), g.beyond(), most, conventional, g.carries, "B"+g.meanwhile()[1:])})
	} else if f := g.between(); f != nil {
		out = append(out, *f)
	}
	return out
}

// nearLimit is the share of the rise up to the short-circuit temperature above which the finding is close, as for parts.
const nearLimit = 0.9

// between judges the currents that are too small to open the fuse within 5 s and too large for the rule of overload to mean much:
// a slow fuse may let the insulation pass what it bears in a short circuit, and then nothing but the controller's limit, which a
// failed power stage does not keep, holds the cable below it.
func (g *guard) between() *Finding {
	c := g.worst
	if c.kelvin-g.cable.RatedTemperature.SI <= nearLimit*(g.mostHeat-g.cable.RatedTemperature.SI) {
		return nil
	}
	level := Close
	by := quantity.Sentence("What keeps it cooler is the controller's limit of %.0f A alone, and a power stage that fails keeps no limit", g.limit)
	if c.from > 0 && g.limit >= c.from {
		level = Over
		by = quantity.Sentence("The controller's limit of %.0f A does not keep it cooler either: it passes that from %.0f A on", g.limit, c.from)
	}
	return &Finding{Level: level, Text: quantity.Sentence("%s, and its insulation bears %.0f °C for up to 5 s. %s: a larger cable, a smaller or faster fuse, or insulation that bears more (short_circuit_temperature) mends it",
		g.meanwhile(), g.mostHeat-273.15, by)}
}

// shortedStage finds what only the fuse holds when the switch of a chopper fails as it does, shorted: the motor is on the bank then, and what a propeller that
// is fouled or a shaft that turns hard draws flows through its cable whatever the settings say. The bridge of a brushless motor drives nothing that way.
func shortedStage(b *boat.Boat, s settings.Set) (out []Finding) {
	if b.Motor.Kind == "permanent-magnet brushless" {
		return nil
	}
	for _, g := range guards(b, s, "motor") {
		if most := conventional * g.carries; g.opens > most {
			out = append(out, Finding{Level: Close, Text: quantity.Sentence(
				"a power stage that fails shorted puts the motor on the bank, and the fuse of %.0f A, which then alone protects the %s, does not protect it from overload: %s%s; at most %.0f A would do, %.2f times the %.0f A that the cable may carry where it lies. %s",
				g.fuse.Rating.SI, g.cable.Name, g.surely(), g.beyond(), most, conventional, g.carries, "B"+g.meanwhile()[1:])})
		}
	}
	return out
}

// surely returns which current opens a slow fuse at last.
func (g *guard) surely() string {
	return quantity.Sentence("a slow one surely opens only from %.0f A of battery current on, within %s", g.opens, hours(g.within))
}

// beyond returns where the curve in the file does not go so far.
func (g *guard) beyond() string {
	if math.IsInf(g.slowest.Longest, 1) || g.slowest.Longest >= g.within*0.99 {
		return ""
	}
	how := "give fuse.melts"
	if g.fuse.Class != "" {
		how = "the maker's own curve and fuse.melts, in place of fuse.class " + g.fuse.Class + ", may say more"
	}
	return quantity.Sentence(" (its slowest curve ends at %.3g s: %s)", g.slowest.Longest, how)
}

// meanwhile returns how hot the cable gets before a slow fuse opens.
func (g *guard) meanwhile() string {
	c := g.worst
	reached := quantity.Sentence("can reach %.0f °C", c.kelvin-273.15)
	if c.kelvin > thermal.Copper().Melting {
		reached = "can melt"
	}
	return quantity.Sentence("before a slow fuse of %.0f A opens the %s %s, at %.0f A of battery current; it is rated for %.0f °C", g.fuse.Rating.SI, g.cable.Name, reached, c.amps, g.cable.RatedTemperature.SI-273.15)
}

// gap returns in which range of current nothing but the settings protects the cable; "" where there is none.
func (g *guard) gap() string {
	if to := min(g.opens, g.shorted); to > g.carries {
		return quantity.Sentence("from %.0f A to %.0f A of battery current nothing protects the %s but the settings (battery current limit %.0f A); %s", g.carries, to, g.cable.Name, g.limit, g.meanwhile())
	}
	return ""
}

// hours returns a conventional time in words.
func hours(s float64) string {
	if s == 3600 {
		return "an hour"
	}
	return quantity.Sentence("%.3g hours", s/3600)
}
