package layout

import (
	"regexp"
	"strings"
	"unicode/utf8"
)

// Wrap breaks text into lines that fit into width columns. A number stays on a line with its unit.
func Wrap(text string, width int) string { return Hang("", text, width) }

// Hang sets text behind a prefix, with all further lines below its beginning. A number stays on a line with its unit.
func Hang(prefix, text string, width int) string {
	left := Visible(prefix)
	lines := Fill(Words(text), float64(width-left), func(line string) float64 { return float64(Visible(line)) })
	return prefix + strings.Join(lines, "\n"+strings.Repeat(" ", left))
}

// Fill sets words into lines of a width, in whatever measure returns of a line. A word that is wider has a line of its own.
func Fill(words []string, width float64, measure func(line string) float64) (lines []string) {
	for _, word := range words {
		if last := len(lines) - 1; last >= 0 && measure(lines[last]+" "+word) <= width {
			lines[last] += " " + word
		} else {
			lines = append(lines, word)
		}
	}
	return lines
}

// Words returns the words of a text, a number together with the short word after it.
func Words(text string) (out []string) {
	words := strings.Fields(text)
	for i, word := range words {
		if i > 0 && number.MatchString(words[i-1]) && Visible(word) <= 4 {
			out[len(out)-1] += " " + word
		} else {
			out = append(out, word)
		}
	}
	return out
}

var number = regexp.MustCompile(`^(±|[-+]?[0-9.]+)$`)

// Visible returns how many columns a text takes; colour takes none.
func Visible(text string) int { return utf8.RuneCountInString(Plain(text)) }

// Plain returns a text without its colours.
func Plain(text string) string { return escapes.ReplaceAllString(text, "") }

var escapes = regexp.MustCompile("\x1b\\[[0-9;]*m")

// Widest returns the columns that the longest line takes.
func Widest(lines []string) (w int) {
	for _, l := range lines {
		w = max(w, Visible(l))
	}
	return w
}

// Command sets a command, indented by two columns. One that is too wide is broken as a shell takes it: a backslash at the end of
// each line but the last, so that it can be copied.
func Command(command string, width int) string {
	if Visible(command)+2 <= width {
		return "  " + command
	}
	lines := []string{" "}
	for _, word := range shellWords(command) {
		last := &lines[len(lines)-1]
		if Visible(*last)+1+Visible(word)+2 > width {
			lines = append(lines, "     ")
			last = &lines[len(lines)-1]
		}
		*last += " " + word
	}
	return strings.Join(lines, " \\\n")
}

// shellWords returns the words of a command; a quoted text is one, with its quotes.
func shellWords(command string) (words []string) {
	open, quote := false, rune(0)
	for _, r := range command {
		if r == ' ' && quote == 0 {
			open = false
			continue
		}
		if !open {
			words, open = append(words, ""), true
		}
		switch {
		case quote == 0 && (r == '"' || r == '\''):
			quote = r
		case r == quote:
			quote = 0
		}
		words[len(words)-1] += string(r)
	}
	return words
}
