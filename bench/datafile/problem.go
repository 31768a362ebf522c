package datafile

import (
	"fmt"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Problem is one thing wrong with a file, and where.
type Problem struct {
	File         string // name of the file, as given to Decode
	Line, Column int    // both from 1; columns count characters
	Key          string // dotted key the problem belongs to, "" if none
	Text         string // what is wrong and what to write instead
	Excerpt      string // the offending source line with a caret underneath, "" if there is none
}

// Error returns "file:line:column: text".
func (p Problem) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", printable(p.File), p.Line, p.Column, p.Text)
}

// Problems is everything wrong with one file, sorted by position.
type Problems []Problem

// maxShown bounds how many problems are printed; a file that is no data file at
// all would otherwise fill the screen.
const maxShown = 50

// Error prints each problem followed by its source line and a caret.
func (ps Problems) Error() string {
	var b strings.Builder
	for i, p := range ps {
		if i == maxShown {
			fmt.Fprintf(&b, "\nand %d more", len(ps)-maxShown)
			break
		}
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.Error())
		if p.Excerpt != "" {
			b.WriteByte('\n')
			b.WriteString(p.Excerpt)
		}
	}
	return b.String()
}

// Unwrap returns the single problems, for errors.As.
func (ps Problems) Unwrap() []error {
	errs := make([]error, len(ps))
	for i, p := range ps {
		errs[i] = p
	}
	return errs
}

func (ps Problems) sort() {
	sort.SliceStable(ps, func(i, j int) bool {
		if ps[i].Line != ps[j].Line {
			return ps[i].Line < ps[j].Line
		}
		return ps[i].Column < ps[j].Column
	})
}

// printable escapes control and other invisible characters, so that a file
// cannot drive the terminal its errors are printed on.
func printable(s string) string {
	if strings.IndexFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) < 0 && utf8.ValidString(s) {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], "\uFFFD"):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case unicode.IsPrint(r):
			b.WriteRune(r)
		case r < 0x80:
			fmt.Fprintf(&b, `\x%02x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.String()
}

// quoted returns a user's text as a message shows it: shortened, escaped and in quotes.
func quoted(s string) string { return `"` + printable(shorten(s)) + `"` }

// shorten cuts a long text for use in a message.
func shorten(s string) string {
	const most = 60
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most]) + "…"
}

// excerpt returns the line with a caret under the byte at the offset. Long lines
// are cut around it; what cannot be printed becomes one character, so that the
// caret stays in place.
func excerpt(line string, at int) string {
	const before, after = 60, 40
	left, right := []rune(line[max(0, at-4*before):at]), []rune(line[at:min(len(line), at+4*after)])
	cutLeft, cutRight := len(left) > before || at > 4*before, len(right) > after || len(line)-at > 4*after
	if cutLeft {
		left = append([]rune{'…'}, left[max(0, len(left)-before):]...)
	}
	if cutRight {
		right = append(right[:min(after, len(right))], '…')
	}
	shown := strings.Map(func(r rune) rune {
		switch {
		case r == '\t':
			return ' '
		case !unicode.IsPrint(r):
			return utf8.RuneError
		}
		return r
	}, string(left)+string(right))
	return "    " + shown + "\n    " + strings.Repeat(" ", len(left)) + "^"
}
