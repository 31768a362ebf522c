// Package quantity reads and writes physical quantities as people write them on
// data sheets ("220 A", "14 mΩ ± 10 %, measured") and turns them into plain SI
// numbers. Units appear at the edges of the tool only: inside, everything is an
// SI float64, temperatures are in kelvin and angles in radians.
//
// No unit is ever guessed: a number without its unit is an error that says what
// to write. All functions are safe for use by several goroutines.
package quantity

import "strings"

// Value is one quantity as somebody stated it.
// The zero Value means "not given".
type Value struct {
	SI         float64 // the value in SI units (kelvin for temperatures, 0..1 for shares)
	Tolerance  float64 // absolute half-width in SI units; 0 means none was stated
	Provenance string  // "data sheet", "measured" or "estimated", with a note if one was written; "" if not stated
	Given      bool    // false if nothing was stated
}

// Exactly returns the Value x (in SI units) without tolerance or provenance.
func Exactly(x float64) Value { return Value{SI: x, Given: true} }

// Or returns the SI value, or fallback (SI) if nothing was given.
func (v Value) Or(fallback float64) float64 {
	if v.Given {
		return v.SI
	}
	return fallback
}

// Low returns the lower end of the tolerance band in SI units.
func (v Value) Low() float64 { return v.SI - v.Tolerance }

// High returns the upper end of the tolerance band in SI units.
func (v Value) High() float64 { return v.SI + v.Tolerance }

// origins are the words that may open a provenance.
var origins = []string{"data sheet", "measured", "estimated"}

// Origin returns the provenance without its note: "data sheet", "measured",
// "estimated" or "".
func (v Value) Origin() string {
	for _, origin := range origins {
		if strings.HasPrefix(v.Provenance, origin) {
			return origin
		}
	}
	return ""
}
