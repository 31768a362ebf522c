package profiles

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// plain tells whether r may stand in a line of the book: anything that a terminal shows as itself.
// Control characters could drive the terminal, and direction marks could make a line read as another.
func plain(r rune) bool {
	switch {
	case ' ' <= r && r <= '~':
		return true
	case r == '\u200c' || r == '\u200d': // the joiners, which some scripts need
		return true
	case unicode.In(r, unicode.Cc, unicode.Cf, unicode.Co, unicode.Cs, unicode.Zl, unicode.Zp):
		return false
	}
	return true
}

// Printable is s with every character that a terminal might obey written as an escape. Use it for
// text that the book did not check: kept files, names of stray files.
func Printable(s string) string {
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], "\ufffd"):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case !plain(r):
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// checkLine accepts one line of plain text.
func checkLine(field, s string, most int) error {
	if strings.TrimSpace(s) == "" {
		return &InputError{Field: field, Value: s, Why: "is empty"}
	}
	return checkOptionalLine(field, s, most)
}

// checkOptionalLine is checkLine for a field that may be left empty.
func checkOptionalLine(field, s string, most int) error {
	switch {
	case len(s) > most:
		return &InputError{Field: field, Value: s[:most], Why: fmt.Sprintf("is longer than %d bytes", most)}
	case !utf8.ValidString(s):
		return &InputError{Field: field, Value: s, Why: "is not UTF-8 text"}
	case strings.ContainsFunc(s, func(r rune) bool { return !plain(r) }):
		return &InputError{Field: field, Value: s, Why: "holds a control character; give one line of plain text"}
	}
	return nil
}

// checkText accepts the text of a working file: UTF-8 lines with tabs and either kind of line end.
func checkText(field, s string, most int) error {
	if len(s) > most {
		return &InputError{Field: field, Why: fmt.Sprintf("is longer than %d bytes", most)}
	}
	if isASCIIText(s) {
		return nil
	}
	if !utf8.ValidString(s) {
		return &InputError{Field: field, Why: "is not UTF-8 text"}
	}
	line := 1
	for i, r := range s {
		switch {
		case r == '\n':
			line++
		case r == '\t', r == '\r' && strings.HasPrefix(s[i:], "\r\n"), plain(r):
		default:
			return &InputError{Field: field, Why: fmt.Sprintf("holds the control character %U in line %d", r, line)}
		}
	}
	return nil
}

// isASCIIText tells quickly what nearly every settings file is; List looks at a thousand of them.
func isASCIIText(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < ' ' || c > '~') && c != '\n' && c != '\t' {
			return false
		}
	}
	return true
}
