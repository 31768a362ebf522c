package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Sentence is fmt.Sprintf for what a person reads: %g writes a float64 without an exponent, and %.3g rounds to three significant digits,
// digits before the decimal point too. A number is never shown as 4.8e+02 or 160.55555555555554.
func Sentence(format string, args ...any) string {
	plain := make([]any, len(args))
	for i, a := range args {
		if x, ok := a.(float64); ok {
			a = sentenceNumber(x)
		}
		plain[i] = a
	}
	return fmt.Sprintf(format, plain...)
}

// List returns words as a sentence lists them: "a", "a and b", "a, b and c".
func List(words []string) string { return list(words, " and ") }

// Either returns words as a sentence leaves a choice of them: "a", "a or b", "a, b or c".
func Either(words []string) string { return list(words, " or ") }

func list(words []string, last string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + last + words[n-1]
	}
	return strings.Join(words, "")
}

// Spoken returns the name of a channel or trace as a sentence has it: "motor current" for "motor_current".
func Spoken(name string) string { return strings.ReplaceAll(name, "_", " ") }

// SpokenList lists names as a sentence does: "voltage and motor current".
func SpokenList(names []string) string { return Spoken(List(names)) }

// sentenceNumber is a number in a sentence.
type sentenceNumber float64

// sentenceDigits is how many significant digits %g without a precision writes.
const sentenceDigits = 5

// Format writes the number for a verb of package fmt.
func (n sentenceNumber) Format(s fmt.State, verb rune) {
	x := float64(n)
	if verb != 'g' && verb != 'v' || math.IsInf(x, 0) || math.IsNaN(x) {
		fmt.Fprintf(s, fmt.FormatString(s, verb), x)
		return
	}
	digits, given := s.Precision()
	if !given {
		digits = sentenceDigits
	}
	rounded := roundTo(x, max(digits, 1))
	text := strconv.FormatFloat(rounded, 'f', -1, 64)
	if width, ok := s.Width(); ok && len(text) < width {
		text = strings.Repeat(" ", width-len(text)) + text
	}
	_, _ = s.Write([]byte(text))
}
