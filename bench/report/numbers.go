package report

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// Numbers are shown as exactly as a person can use them, and in the units a person reads; JSON and CSV have all digits.

// Shown returns a value of a part or setting. Degrees, amperes, per cent and turns are whole numbers, but for what is less than one.
func Shown(si float64, unit string) string {
	if math.IsNaN(si) {
		return "-"
	}
	return quantity.FormatShort(si, unit, 3)
}

// ShownMargin returns the room that is left; between temperatures it is in kelvin.
func ShownMargin(si float64, unit string) string {
	if math.IsNaN(si) {
		return "-"
	}
	unit = quantity.Difference(unit)
	return quantity.FormatShort(si, unit, 2)
}

// ShownBand returns a margin with half of its 95 % interval, never finer than the margin itself: "36 K ± 14 K"; a half of 0 or NaN: the
// margin alone.
func ShownBand(si, half float64, unit string) string {
	text := ShownMargin(si, unit)
	if half == 0 || !finite(half) {
		return text
	}
	unit = quantity.Difference(unit)
	number, shown, _ := strings.Cut(text, " ")
	_, decimals, _ := strings.Cut(number, ".")
	if least := math.Pow(10, -float64(len(decimals))); quantity.MustUnit(quantity.ReaderUnit(unit)).FromSI(half) < least {
		return fmt.Sprintf("%s ± %.*f %s", text, len(decimals), least, shown)
	}
	return text + " ± " + quantity.FormatShort(half, unit, 1)
}

// ShownShare returns a share of a limit.
func ShownShare(x float64) string {
	switch {
	case math.IsNaN(x):
		return "-"
	case x >= 10:
		return "> 999 %"
	}
	return fmt.Sprintf("%.0f %%", 100*max(0, x))
}

// ShownTime returns an instant of a run, or how long something lasts.
func ShownTime(s float64) string { return quantity.FormatTime(s) }

// shownPair shows values in one unit, the one that suits the largest.
func shownPair(base string, values ...float64) (out []string) {
	unit, most := base, 0.0
	for _, v := range values {
		most = max(most, math.Abs(v))
	}
	if base == "s" || base == "m" {
		_, unit, _ = strings.Cut(quantity.FormatAuto(most, base), " ")
	}
	for _, v := range values {
		out = append(out, quantity.Format(v, unit, 3))
	}
	return out
}

// multiple returns a ratio in words: "about 230 times".
func multiple(ratio float64) string {
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

// grouped returns a large number to one digit, with its thousands set apart: 2 000 000.
func grouped(x float64) string {
	scale := math.Pow(10, math.Floor(math.Log10(x)))
	digits := fmt.Sprintf("%.0f", math.Floor(x/scale)*scale)
	for i := len(digits) - 3; i > 0; i -= 3 {
		digits = digits[:i] + " " + digits[i:]
	}
	return digits
}

func percent(x float64) string { return short(100*x) + " %" }

// statedText returns a value of a file as its person would write it: shares in per cent, speeds of rotation in rpm.
func statedText(q quantity.Value, f datafile.Field) string {
	unit := cmp.Or(f.ReaderUnit(), "1")
	if unit == "%" {
		return percent(q.SI)
	}
	if quantity.MustUnit(unit).FromSI(1) == 1 {
		short := quantity.FormatAuto(q.SI, unit)
		if same, err := quantity.Parse(short, quantity.MustUnit(unit)); err == nil && math.Abs(same.SI-q.SI) <= 1e-9*math.Abs(q.SI) {
			return short
		}
	}
	return quantity.Exactly(q.SI).Text(unit)
}
