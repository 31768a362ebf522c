package repl

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"
)

// Shown returns text as a terminal may have it: control characters, which could move the cursor or change what stands on the
// screen, and characters that turn the direction of writing are written as escapes (\x1b). Line breaks and tabs stay.
func Shown(text string) string {
	clean := !strings.ContainsFunc(text, hidden)
	if clean && utf8.ValidString(text) {
		return text
	}
	var b strings.Builder
	for len(text) > 0 {
		r, n := utf8.DecodeRuneInString(text)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, text[0])
		case !hidden(r):
			b.WriteString(text[:n])
		case r < 0x100:
			fmt.Fprintf(&b, `\x%02x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
		text = text[n:]
	}
	return b.String()
}

// hidden reports whether a terminal acts on r and does not show it.
func hidden(r rune) bool {
	return unicode.IsControl(r) && r != '\n' && r != '\t' || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029'
}

// Visible returns a writer that passes on what is written to it as Shown has it. It may be used by several goroutines.
func Visible(to io.Writer) io.Writer { return &visible{to: to} }

type visible struct {
	to io.Writer

	mu    sync.Mutex
	begun []byte // the first bytes of a character
}

func (v *visible) Write(p []byte) (int, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	text := append(v.begun, p...)
	v.begun = nil
	for i := len(text) - 1; i >= max(0, len(text)-utf8.UTFMax); i-- {
		if utf8.RuneStart(text[i]) {
			if !utf8.FullRune(text[i:]) {
				v.begun = append([]byte{}, text[i:]...)
				text = text[:i]
			}
			break
		}
	}
	if _, err := io.WriteString(v.to, Shown(string(text))); err != nil {
		return 0, err
	}
	return len(p), nil
}
