package quantity

import (
	"cmp"
	"math"
	"strconv"
	"strings"
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

// FormatStated prints a value that somebody set or a meter shows, as a person would write it: four significant digits, without zeros
// behind the decimal point: "140 A", "155.6 A". It panics on a bad unit; "" is a number without a unit.
func FormatStated(si float64, unit string) string {
	const digits = 4
	number, shown, spaced := strings.Cut(Format(si, cmp.Or(unit, "1"), digits), " ")
	if strings.Contains(number, ".") && !strings.ContainsAny(number, "en") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	if spaced {
		return number + " " + shown
	}
	return number
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
