// Package quantity reads and writes physical quantities as people write them on
// data sheets ("220 A", "14 mΩ ± 10 %, measured") and turns them into plain SI
// numbers. Units appear at the edges of the tool only: inside, everything is an
// SI float64, temperatures are in kelvin and angles in radians.
//
// No unit is ever guessed: a number without its unit is an error that says what
// to write. All functions are safe for use by several goroutines.
package quantity

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Value is one quantity as somebody stated it.
// The zero Value means "not given".
type Value struct {
	SI         float64 // the value in SI units (kelvin for temperatures, 0..1 for shares)
	Tolerance  float64 // absolute half-width in SI units; 0 means none was stated
	Provenance string  // "data sheet", "measured", "estimated" or "example", with a note if one was written; "" if not stated
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

// The words that may open a provenance. Example is that of a value nobody has looked at yet: a template's.
const (
	DataSheet = "data sheet"
	Measured  = "measured"
	Estimated = "estimated"
	Example   = "example"
)

// origins lists them.
var origins = []string{DataSheet, Measured, Estimated, Example}

// Origin returns the provenance without its note: one of the words above, or "".
func (v Value) Origin() string { return OriginOf(v.Provenance) }

// OriginOf returns the word that opens a provenance, or "" where none does.
func OriginOf(provenance string) string {
	for _, origin := range origins {
		note, ok := strings.CutPrefix(provenance, origin)
		if first, _ := utf8.DecodeRuneInString(note); ok && (note == "" || !unicode.IsLetter(first) && !unicode.IsDigit(first)) {
			return origin
		}
	}
	return ""
}
