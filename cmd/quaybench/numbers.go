package main

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/quantity"
)

// Numbers are shown as exactly as a person can use them; --json and --csv have all digits.

// shown is a value of a part. Degrees, amperes, per cent and turns are whole numbers, but for what is less than one.
func shown(si float64, unit string) string { return rounded(si, unit, 3) }

// rounded is shown, with so many digits in other units.
func rounded(si float64, unit string, digits int) string {
	x := quantity.MustUnit(unit).FromSI(si)
	switch unit {
	case "°C", "K", "A", "%", "rpm":
	default:
		return quantity.Format(si, unit, digits)
	}
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0):
		return quantity.Format(si, unit, digits)
	case math.Abs(x) < 0.05:
		return "0 " + unit
	case math.Abs(x) < 0.95:
		return fmt.Sprintf("%.1f %s", x, unit)
	}
	return fmt.Sprintf("%.0f %s", x, unit)
}

// shownMargin is the room that is left; between temperatures it is in kelvin.
func shownMargin(si float64, unit string) string {
	if unit == "°C" {
		unit = "K"
	}
	return rounded(si, unit, 2)
}

// shownShare is a share of a limit.
func shownShare(x float64) string {
	switch {
	case math.IsNaN(x):
		return "-"
	case x >= 10:
		return "> 999 %"
	}
	return fmt.Sprintf("%.0f %%", 100*max(0, x))
}

// shownTime is an instant of a run, or how long something lasts.
func shownTime(s float64) string {
	switch {
	case s < 0.0005:
		return "0 s"
	case s < 0.0995:
		return fmt.Sprintf("%.0f ms", 1000*s)
	case s < 9.95:
		return fmt.Sprintf("%.1f s", s)
	case s < 119.5:
		return fmt.Sprintf("%.0f s", s)
	case s < 9.95*60:
		return fmt.Sprintf("%.1f min", s/60)
	case s < 99.5*60:
		return fmt.Sprintf("%.0f min", s/60)
	}
	return fmt.Sprintf("%.1f h", s/3600)
}

// shownPair shows two values in one unit, the one that suits the larger.
func shownPair(a, b float64, base string) (string, string) {
	unit := base
	if base == "s" || base == "m" {
		_, unit, _ = strings.Cut(quantity.FormatAuto(max(math.Abs(a), math.Abs(b)), base), " ")
	}
	return quantity.Format(a, unit, 3), quantity.Format(b, unit, 3)
}

// times says how often as fast: "about 230 times".
func times(ratio float64) string {
	switch {
	case ratio >= 1000:
		return "more than 1000 times"
	case ratio >= 10:
		scale := math.Pow(10, math.Floor(math.Log10(ratio))-1)
		return fmt.Sprintf("about %.0f times", math.Round(ratio/scale)*scale)
	case ratio >= 0.1:
		return fmt.Sprintf("about %.1f times", ratio)
	}
	return "less than 0.1 times"
}
