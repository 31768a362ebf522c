// Package scaling is how a number on a line becomes an SI value: what one
// count is, what zero means, and what can be true. Register maps and column
// lists state it in the same four or five texts.
package scaling

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/quantity"
)

// Text is how a file states a scaling. Empty is not given.
type Text struct {
	Unit     string // to show values in: "A", "°C", "1/min", "1" for a plain number
	Scale    string // what one count is: "0.1 A"; of a temperature a difference, "0.1 K"
	Offset   string // what count 0 means: "-40 °C"; not given: zero of the unit
	Min, Max string // what is allowed or can be true
}

// Scaling turns counts into SI values: count × Factor + Offset.
type Scaling struct {
	Unit     string  // to show values in; a speed of rotation in rpm
	Factor   float64 // not 0
	Offset   float64
	Min, Max float64 // SI; −∞ and +∞ where not given
}

// SI returns the value of a count.
func (s Scaling) SI(count float64) float64 { return count*s.Factor + s.Offset }

// Count returns the count of an SI value, not rounded.
func (s Scaling) Count(si float64) float64 { return (si - s.Offset) / s.Factor }

// Read reads a scaling. Everything wrong goes to problem with the key it is
// about (unit, scale, offset, min, max); ok is false if there was anything.
func Read(t Text, problem func(key, format string, args ...any)) (s Scaling, ok bool) {
	if t.Unit == "" {
		problem("unit", `unit is missing; write for example unit = "A", or unit = "1" for a plain number`)
		return s, false
	}
	unit, shown, err := parseUnit(t.Unit)
	if err != nil {
		problem("unit", "%v", err)
		return s, false
	}
	difference := unit
	if absolute(unit) {
		difference = quantity.MustUnit("K")
		s.Offset = zeroCelsius
	}
	s.Unit, s.Min, s.Max = shown, math.Inf(-1), math.Inf(1)
	ok = true
	read := func(key, text string, unit quantity.Unit, into *float64) {
		if text == "" {
			return
		}
		v, err := quantity.Parse(text, unit)
		switch {
		case err != nil:
			problem(key, "%v", err)
			ok = false
		case v.Tolerance != 0 || v.Provenance != "":
			problem(key, "%s is exact here: leave out tolerance and provenance", text)
			ok = false
		default:
			*into = v.SI
		}
	}
	read("scale", t.Scale, difference, &s.Factor)
	switch {
	case t.Scale == "":
		problem("scale", "scale is missing; write what one count is, for example scale = %q", "0.1 "+difference.String())
		ok = false
	case ok && s.Factor == 0:
		problem("scale", "scale is zero; write what one count is")
		ok = false
	}
	read("offset", t.Offset, unit, &s.Offset)
	read("min", t.Min, unit, &s.Min)
	read("max", t.Max, unit, &s.Max)
	if ok && s.Min >= s.Max {
		problem("max", "max is not above min")
		ok = false
	}
	return s, ok
}

// zeroCelsius is 0 °C in kelvin.
const zeroCelsius = 273.15

// absolute reports whether the unit counts from a zero of its own (°C).
func absolute(u quantity.Unit) bool { return u.FromSI(0) != 0 }

// parseUnit reads a unit as controllers' manuals write it: 1/min is a speed of
// rotation there, and shown as rpm.
func parseUnit(text string) (u quantity.Unit, shown string, err error) {
	if u, err = quantity.ParseUnit(text); err != nil {
		return u, "", err
	}
	if u.Name() == "rate" && strings.Contains(text, "%") {
		return u, "", fmt.Errorf("%s is a share per time, and nothing here is measured in one: a ramp is a time (from nothing to full demand), so leave out what the controller holds as a rate", text)
	}
	if u.Name() != "rate" {
		return u, text, nil
	}
	if _, err = quantity.Parse("1 "+text, quantity.MustUnit("rad/s")); err != nil {
		return u, "", err
	}
	return quantity.MustUnit("rpm"), "rpm", nil
}
