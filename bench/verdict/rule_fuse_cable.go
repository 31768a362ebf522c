package verdict

import (
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/thermal"
)

const (
	adiabatic    = 5.0  // s up to which a conductor is taken to lose no heat: IEC 60364-4-43, 434.5.2
	conventional = 1.45 // I2 over what the cable carries, at most: IEC 60364-4-43, 433.1
)

// guard is a fuse with a cable behind it.
type guard struct {
	cable    *boat.Cable
	fuse     *boat.Fuse
	slowest  thermal.FuseModel
	heat     drive.Cable
	carries  float64 // A: what the cable may carry for ever where it lies
	air      float64 // K around it, by that
	opens    float64 // A: the fuse surely opens within the conventional time (I2)
	within   float64 // s: that time
	shorted  float64 // A: the short-circuit current
	mostHeat float64 // K that the insulation bears for up to 5 s
}

// guards pairs the fuse with each battery cable of which enough is known. What cannot be built is another rule's finding.
func guards(b *boat.Boat) (out []guard) {
	_, slowest, err := drive.FuseCurves(&b.Fuse)
	if err != nil {
		return nil
	}
	for i := range b.Cables {
		c := &b.Cables[i]
		heat, err := drive.CableHeat(c)
		carries := allowable(c)
		if c.Circuit != "battery" || err != nil || carries == 0 {
			continue
		}
		g := guard{cable: c, fuse: &b.Fuse, slowest: slowest, heat: heat, carries: carries, air: c.AmpacityAt.SI, shorted: prospective(b)}
		if c.EngineSpace {
			f := engineSpace(c.Rated.SI)
			g.air = c.Rated.SI - f*f*(c.Rated.SI-c.AmpacityAt.SI)
		}
		g.within = thermal.ConventionalTime(b.Fuse.Rating.SI)
		g.opens = slowest.MeltCurrent(g.within)
		g.mostHeat = shortCircuitTemperature(c)
		out = append(out, g)
	}
	return out
}

// shortCircuitTemperature is what the insulation bears for up to 5 s, K: as the file says, else by the temperature it is rated
// for the least of the materials of IEC 60364-5-54 annex A that are so rated (from memory).
func shortCircuitTemperature(c *boat.Cable) float64 {
	celsius := 160.0 // PVC
	switch rated := c.Rated.SI - 273.15; {
	case rated >= 150:
		celsius = 350 // silicone
	case rated > 105:
		celsius = 250 // cross-linked
	}
	return c.ShortCircuit.Or(273.15 + celsius)
}

// clears is how long a slow fuse takes to break a current, s.
func (g *guard) clears(amps float64) float64 {
	return g.slowest.MeltTime(amps).Time + g.fuse.Arcing.SI
}

// reaches is the temperature of the cable after so many seconds of a current, K, from its rated temperature.
func (g *guard) reaches(amps, seconds float64) float64 {
	watts := amps * amps * g.heat.Ohms // at 20 °C
	gain := watts*thermal.Copper.Coefficient - 1/g.heat.Resistance
	steady := -(watts*(1-thermal.Copper.Coefficient*thermal.Celsius20) + g.air/g.heat.Resistance) / gain
	return steady + (g.cable.Rated.SI-steady)*math.Exp(gain/g.heat.Capacity*seconds)
}

// fast finds a short circuit that the fuse does not break in time: the current (A) with the least room, how long a slow fuse
// takes, and how long the cable bears it, both in s. ok reports that all is well: also where the bank cannot drive more than
// the cable carries for ever.
func (g *guard) fast() (amps, takes, bears float64, ok bool) {
	k := thermal.Copper.WithstandConstant(g.cable.Rated.SI, g.mostHeat)
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

// hottest is the current between the surely opening one and that which opens within 5 s at which the cable gets hottest before
// a slow fuse opens, A, and that temperature, K.
func (g *guard) hottest() (amps, kelvin float64) {
	to := max(g.opens, g.slowest.MeltCurrent(adiabatic))
	const points = 60
	for i := range points {
		I := g.opens * math.Pow(to/g.opens, float64(i)/(points-1))
		if T := g.reaches(I, min(g.clears(I), g.within)); T > kelvin {
			amps, kelvin = I, T
		}
	}
	return amps, kelvin
}

// findings judges the slowest curve against the cable.
func (g *guard) findings() (out []Finding) {
	rating := g.fuse.Rating.SI
	if amps, takes, bears, ok := g.fast(); !ok {
		opens := fmt.Sprintf("opens after %.2g s", takes)
		if math.IsInf(takes, 1) {
			opens = "never opens"
		}
		out = append(out, Finding{Level: Over, Text: fmt.Sprintf(
			"the fuse of %.0f A does not protect the %s in a short circuit: at %.3g kA of battery current a slow one %s, and the insulation bears that for %.2g s (from %.0f °C to %.0f °C without loss of heat)",
			rating, g.cable.Name, amps/1e3, opens, bears, g.cable.Rated.SI-273.15, g.mostHeat-273.15)})
	}
	if most := conventional * g.carries; g.opens > most {
		out = append(out, Finding{Level: Over, Text: fmt.Sprintf(
			"the fuse of %.0f A does not protect the %s from overload: %s%s; at most %.0f A would do, %.2f times the %.0f A that the cable may carry where it lies. %s",
			rating, g.cable.Name, g.surely(), g.beyond(), most, conventional, g.carries, g.meanwhile())})
	}
	return out
}

// surely says which current opens a slow fuse at last.
func (g *guard) surely() string {
	return fmt.Sprintf("a slow one surely opens only from %.0f A of battery current on, within %s", g.opens, hours(g.within))
}

// beyond says where the curve in the file does not go so far.
func (g *guard) beyond() string {
	if math.IsInf(g.slowest.Longest, 1) || g.slowest.Longest >= g.within*0.99 {
		return ""
	}
	return fmt.Sprintf(" (its slowest curve ends at %.3g s: give fuse.melts)", g.slowest.Longest)
}

// meanwhile says how hot the cable gets before a slow fuse opens.
func (g *guard) meanwhile() string {
	amps, kelvin := g.hottest()
	reached := fmt.Sprintf("can reach %.0f °C", kelvin-273.15)
	if kelvin > thermal.Copper.Melting {
		reached = "can melt"
	}
	return fmt.Sprintf("Before a slow fuse opens the cable %s, at %.0f A; it is rated for %.0f °C", reached, amps, g.cable.Rated.SI-273.15)
}

// gap says in which range of current nothing but the settings protects the cable; "" where there is none.
func (g *guard) gap(limit float64) string {
	if g.opens <= g.carries {
		return ""
	}
	text := fmt.Sprintf("from %.0f A to %.0f A of battery current nothing protects the %s but the settings (battery current limit %.0f A). %s", g.carries, g.opens, g.cable.Name, limit, g.meanwhile())
	if limit > g.carries {
		text += "; the limit lies above what the cable may carry"
	}
	return text
}

// hours is a conventional time in words.
func hours(s float64) string {
	if s == 3600 {
		return "an hour"
	}
	return fmt.Sprintf("%.3g hours", s/3600)
}
