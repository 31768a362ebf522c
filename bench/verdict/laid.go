package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
)

const celsius = 273.15 // K

// laid is a cable where it lies.
type laid struct {
	cable   *boat.Cable
	heat    drive.Cable
	carries float64 // A: what it may carry for ever there
	air     float64 // K around it, by that
}

// lay returns a cable where it lies; ok is false where too little is known of it to say what it carries.
func lay(c *boat.Cable) (l laid, ok bool) {
	heat, err := drive.CableHeat(c)
	l = laid{cable: c, heat: heat, carries: allowable(c), air: c.AmpacityAt.SI}
	if err != nil || l.carries == 0 {
		return l, false
	}
	if c.EngineSpace {
		f := engineSpace(c.RatedTemperature.SI)
		l.air = c.RatedTemperature.SI - f*f*(c.RatedTemperature.SI-c.AmpacityAt.SI)
	}
	return l, true
}

// course returns what a steady current (A) makes of a temperature (K) of the conductor in so many seconds: kept·T + added.
func (l *laid) course(amps, seconds float64) (kept, added float64) {
	watts := amps * amps * l.heat.Ohms // at 20 °C
	rate := (watts*thermal.Copper().Coefficient - 1/l.heat.Resistance) / l.heat.Capacity
	driven := (watts*(1-thermal.Copper().Coefficient*thermal.Celsius20) + l.air/l.heat.Resistance) / l.heat.Capacity
	grown := seconds // (e^(rate·t) − 1)/rate
	if x := rate * seconds; math.Abs(x) > 1e-12 {
		grown = math.Expm1(x) / rate
	}
	return math.Exp(rate * seconds), driven * grown
}

// reaches returns the temperature of the conductor after so many seconds of a current (A), K, from its rated temperature.
func (l *laid) reaches(amps, seconds float64) float64 {
	kept, added := l.course(amps, seconds)
	return kept*l.cable.RatedTemperature.SI + added
}

// hottest returns the highest temperature (K) that a conductor reaches under a current that lasts and a boost above it, over and over;
// +Inf where it grows without end.
func (l *laid) hottest(c cycle) float64 {
	up, upAdded := l.course(c.boost, c.on)
	down, downAdded := l.course(c.lasting, c.off)
	if up*down >= 1 {
		return math.Inf(1)
	}
	return (up*downAdded + upAdded) / (1 - up*down)
}

// cycle is a current that lasts, and boost above it as often as the controller gives it.
type cycle struct {
	lasting, boost float64 // A
	on, off        float64 // s: how long boost lasts, and how long until it is full again
}

// boosting returns the hardest course of the motor current by the settings: all of the boost at once, and again as soon as it is full,
// the motor current limit between. Nothing brings more heat: the budget of boost is of the current squared above that of the limit,
// so less current that lasts longer brings the same and waits longer for the next. ok is false where there is no boost.
func boosting(s settings.Set) (c cycle, ok bool) {
	limit := s.Limits.MotorCurrent
	return cycle{lasting: limit, boost: s.Boost.Current, on: s.Boost.Time, off: s.Boost.Rest}, s.Boost.Current > limit && s.Boost.Time > 0
}
