package quantity

import (
	"math"
	"strconv"
)

// exactDigits is how many significant digits Value.Text prints: enough to come
// back the same, few enough to hide the rounding of the last bits.
const exactDigits = 14

// Format prints the SI value in the given unit with at least so many significant
// digits: Format(0.014, "mΩ", 3) is "14.0 mΩ". Digits before the decimal point are
// never rounded away. A speed of rotation is printed in rpm: the SI value of "1/min"
// is a rate, without the 2π. It panics on a bad unit.
func Format(si float64, unit string, digits int) string {
	return MustUnit(unit).Format(si, digits)
}

// Format is the function Format for a parsed unit.
func (u Unit) Format(si float64, digits int) string {
	x := u.FromSI(si)
	switch {
	case math.IsNaN(x):
		return "unknown"
	case math.IsInf(x, 1):
		return "infinite"
	case math.IsInf(x, -1):
		return "-infinite"
	case u.absolute:
		// Near 0 °C significant digits would print decimals that mean nothing.
		scale := math.Pow(10, float64(max(digits-2, 0)))
		if rounded := math.Round(x*scale) / scale; math.Abs(rounded) < 10 {
			return withUnit(strconv.FormatFloat(rounded+0, 'f', max(digits-2, 0), 64), u)
		}
	}
	return withUnit(roundedNumber(x, digits), u)
}

// FormatAuto prints the SI value with three digits and the SI prefix that suits
// it: FormatAuto(0.014, "Ω") is "14.0 mΩ". A time goes over to minutes, hours and
// days. A unit that takes no prefix (°C, N·m, kg) is used as it is.
// It panics on a bad unit.
func FormatAuto(si float64, base string) string {
	const digits = 3
	size := math.Abs(si)
	if base == "s" {
		switch {
		case size >= 2*86400:
			base = "d"
		case size >= 2*3600:
			base = "h"
		case size >= 2*60:
			base = "min"
		}
		if base != "s" {
			return Format(si, base, digits)
		}
	}
	s, ok := symbols[normalise(base)]
	if !ok || !s.prefixed || size == 0 || math.IsInf(si, 0) || math.IsNaN(si) {
		return Format(si, base, digits)
	}
	size = size * s.den / s.num
	best := base
	if rounded := roundTo(size, digits); rounded < 1 || rounded >= 1000 {
		for _, prefix := range []string{"p", "n", "µ", "m", "", "k", "M", "G"} {
			scale := 1.0
			if prefix != "" {
				scale = prefixes[prefix][0] / prefixes[prefix][1]
			}
			if base == "s" && scale > 1 {
				break
			}
			// 999.6 m would be printed as 1000 m: take the rounding into account.
			if roundTo(size/scale, digits) >= 1 || prefix == "p" {
				best = prefix + base
			}
		}
	}
	return Format(si, best, digits)
}

// Text prints the value in the given unit with its tolerance and provenance, so
// that Parse reads the same back: "14 mΩ ± 1.4 mΩ, measured".
// A value that was not given is "". It panics on a bad unit.
func (v Value) Text(unit string) string {
	if !v.Given {
		return ""
	}
	u := MustUnit(unit)
	text := withUnit(exactNumber(u.FromSI(v.SI)), u)
	if v.Tolerance != 0 {
		text += " ± "
		switch {
		case u.absolute:
			text += exactNumber(v.Tolerance) + " K"
		case u.dim == dimension{}:
			text += exactNumber(v.Tolerance) // a share in % would be read as a share of the value
		default:
			text += withUnit(exactNumber(u.differenceFromSI(v.Tolerance)), u)
		}
	}
	if v.Provenance != "" {
		text += ", " + v.Provenance
	}
	return text
}

func withUnit(number string, u Unit) string {
	if u.text == "" || u.text == "1" {
		return number
	}
	return number + " " + u.text
}

// roundTo rounds x to so many significant digits.
func roundTo(x float64, digits int) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', digits-1, 64), 64)
	if err != nil {
		return x
	}
	return rounded
}

// roundedNumber prints x with at least so many significant digits.
func roundedNumber(x float64, digits int) string {
	switch size := math.Abs(x); {
	case size != 0 && (size < 1e-4 || size >= 1e9):
		return strconv.FormatFloat(x, 'e', max(digits-1, 0), 64)
	case size == 0:
		return "0"
	default:
		before := int(math.Floor(math.Log10(roundTo(size, max(digits, 1))))) + 1
		return strconv.FormatFloat(x, 'f', max(digits-before, 0), 64)
	}
}

// exactNumber prints x as short as it can be with exactDigits significant digits.
func exactNumber(x float64) string {
	if size := math.Abs(x); size != 0 && (size < 1e-4 || size >= 1e9) {
		return strconv.FormatFloat(roundTo(x, exactDigits), 'e', -1, 64)
	}
	return strconv.FormatFloat(roundTo(x, exactDigits), 'f', -1, 64)
}
