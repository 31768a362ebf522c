package quantity

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// exactDigits is how many significant digits Value.Text prints: enough to come
// back the same, few enough to hide the rounding of the last bits.
const exactDigits = 14

// Format prints the SI value in the given unit with at least so many significant
// digits: Format(0.014, "mΩ", 3) is "14.0 mΩ". Digits before the decimal point are
// never rounded away. A speed of rotation is printed in rpm: the SI value of "1/min"
// is a rate, without the 2π. What would take an exponent in the unit takes another
// prefix: Format(1.2e-7, "A", 3) is "120 nA". It panics on a bad unit.
func Format(si float64, unit string, digits int) string {
	return MustUnit(unit).Format(si, digits)
}

// Format returns the text that the function Format returns, for a parsed unit.
func (u Unit) Format(si float64, digits int) string {
	if size := math.Abs(u.FromSI(si)); size != 0 && (size < 1e-4 || size >= 1e9) && !math.IsInf(size, 1) {
		if base := u.base(); base != "" {
			return MustUnit(suited(si, base, digits)).format(si, digits)
		}
	}
	return u.format(si, digits)
}

// base returns the symbol without its prefix; "" for a unit that takes none.
func (u Unit) base() string {
	text := normalise(u.text)
	if s, ok := symbols[text]; ok {
		if s.prefixed {
			return text
		}
		return ""
	}
	for prefix := range prefixes {
		if base, ok := strings.CutPrefix(text, prefix); ok && symbols[base].prefixed {
			return base
		}
	}
	return ""
}

// Suited returns a unit with the prefix that suits the size of an SI value: "mΩ" of 0.014 and "Ω". Where its number in the unit itself is
// short, or the unit takes no prefix, that is the unit.
func Suited(si float64, unit string) string {
	u := MustUnit(unit)
	base := u.base()
	if size := math.Abs(u.FromSI(si)); base == "" || size == 0 || size >= 0.1 && size < 1e5 || math.IsInf(size, 1) {
		return unit
	}
	return suited(si, base, exactDigits)
}

// format returns Format in this unit, however large or small the number is.
func (u Unit) format(si float64, digits int) string {
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
	return MustUnit(suited(si, base, digits)).format(si, digits)
}

// suited returns a unit that takes prefixes with the one that suits an SI value.
func suited(si float64, base string, digits int) string {
	s := symbols[normalise(base)]
	size := math.Abs(si) * s.den / s.num
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
	return best
}

// FormatDuration prints a duration as FormatAuto prints a time: 400 ms, 2.00 s, 3.00 min.
func FormatDuration(d time.Duration) string { return FormatAuto(d.Seconds(), "s") }

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
	case size != 0 && (size < 1e-21 || size >= 1e21): // nothing that is read is so small or large
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
