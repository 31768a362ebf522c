package quantity

import (
	"math"
	"strconv"
)

// FormatShort prints the SI value as exactly as a person can use it, in the unit that a person reads. Degrees, amperes, per cent and
// rpm are whole numbers, with one decimal below one; km/h have one; other units have so many significant digits. It panics on a bad unit.
func FormatShort(si float64, unit string, digits int) string {
	unit = ReaderUnit(unit)
	x := MustUnit(unit).FromSI(si)
	switch unit {
	case "°C", "K", "A", "%", "rpm":
	case "km/h": // as a phone shows it
		return strconv.FormatFloat(x, 'f', 1, 64) + " " + unit
	default:
		return Format(si, unit, digits)
	}
	switch size := math.Abs(x); {
	case math.IsNaN(x), math.IsInf(x, 0):
		return Format(si, unit, digits)
	case size < 0.05:
		return "0 " + unit
	case size < 0.95:
		return strconv.FormatFloat(x, 'f', 1, 64) + " " + unit
	}
	return strconv.FormatFloat(x, 'f', 0, 64) + " " + unit
}

// ReaderUnit returns the unit in which a person reads a value that is kept in the given one: rpm for rad/s, % for a share.
func ReaderUnit(unit string) string {
	switch unit {
	case "rad/s":
		return "rpm"
	case "1", "":
		return "%"
	}
	return unit
}

// Difference returns the unit of a difference of two values in a unit: K between temperatures in °C.
func Difference(unit string) string {
	if unit == "°C" {
		return "K"
	}
	return unit
}
