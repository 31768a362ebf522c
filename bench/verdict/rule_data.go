package verdict

import (
	"math"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// The rules "the data agree" hold the values of a boat file against each other. Each is a list of comparisons: a figure
// that follows from several values, and the range in which it lies on boats. Outside the usual range the finding is
// close, outside the possible one over: then one of the values is wrong, and every result that stands on it.
//
// The ranges are common practice, no source, unless the comparison states one.

// span is a range of a figure, both ends included.
type span struct{ low, high float64 }

func (s span) times(k float64) span { return span{k * s.low, k * s.high} }

func (s span) holds(x float64) bool { return x >= s.low*(1-1e-9) && x <= s.high*(1+1e-9) }

// comparison is one figure that follows from values of the boat file.
type comparison struct {
	says            string // what the figure is, with its two sides where there are two
	value           float64
	unit            string // of the figure, as it is written
	usual, possible span
	look            string // the keys to look at
	instead         string // of the usual range, where the figure's sentence holds its own comparison
}

// finding returns what is wrong with the figure, or nil.
func (c comparison) finding() []Finding {
	level := Close
	switch {
	case c.usual.holds(c.value):
		return nil
	case !c.possible.holds(c.value):
		level = Over
	}
	usual := quantity.Sentence("%s to %s is usual", shownFigure(c.usual.low, c.unit), shownFigure(c.usual.high, c.unit))
	switch {
	case c.instead != "":
		usual = c.instead
	case math.IsInf(c.usual.high, 1):
		usual = quantity.Sentence("%s and more is usual", shownFigure(c.usual.low, c.unit))
	case c.usual.low == 0:
		usual = quantity.Sentence("up to %s is usual", shownFigure(c.usual.high, c.unit))
	}
	return []Finding{{Level: level, Text: quantity.Sentence("%s; %s: look at %s", c.says, usual, c.look)}}
}

// shownFigure writes a figure with its unit; "" is a bare number, "times" a ratio.
func shownFigure(x float64, unit string) string {
	switch unit {
	case "":
		return quantity.Sentence("%.3g", x)
	case "times":
		return quantity.Sentence("%.3g times", x)
	}
	return written(x, unit)
}

// dataRule returns a rule of comparisons. Figures that the file's values do not give are left out by compare.
func dataRule(name, title string, compare func(b *boat.Boat) []comparison) Rule {
	return Rule{
		Name: name, Title: title,
		Source: "values of the boat file against each other; ranges: common practice, no source",
		Check: func(b *boat.Boat, _ settings.Set) (out []Finding) {
			for _, c := range compare(b) {
				c.look = b.WithNames(c.look)
				out = append(out, c.finding()...)
			}
			return out
		},
	}
}

// noting adds to a rule what is worth knowing although it finds nothing.
func noting(note func(b *boat.Boat, s settings.Set) string, r Rule) Rule {
	r.Note = note
	return r
}

// nominalVoltage returns the open-circuit voltage of the half-full bank, V.
func nominalVoltage(b *boat.Boat) float64 { return restVoltage(b) }

func leadAcid(b *boat.Boat) bool { return strings.HasSuffix(b.Battery.Chemistry, "lead-acid") }

// written returns a value with its unit for a finding's text: three digits, and of large ones four.
func written(x float64, unit string) string {
	if size := math.Abs(quantity.MustUnit(unit).FromSI(x)); unit != "°C" && size >= 1e4 && !math.IsInf(size, 1) {
		x *= roundedTo(size, 4) / size
	}
	text := quantity.Format(x, unit, 3)
	number, unit, _ := strings.Cut(text, " ")
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	return strings.TrimSpace(number + " " + unit)
}

// roundedTo rounds a positive number to so many digits.
func roundedTo(x float64, digits int) float64 {
	scale := math.Pow(10, math.Floor(math.Log10(x))-float64(digits-1))
	return math.Round(x/scale) * scale
}
