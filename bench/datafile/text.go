package datafile

import (
	"bytes"
	"fmt"
	"unicode/utf16"
	"unicode/utf8"
)

// Text returns a text that some other program wrote in UTF-8: it may be UTF-8 with or without a mark, UTF-16, or Windows-1252.
func Text(text []byte) (string, error) {
	switch {
	case bytes.HasPrefix(text, []byte{0xEF, 0xBB, 0xBF}):
		text = text[3:]
	case bytes.HasPrefix(text, []byte{0xFF, 0xFE}), bytes.HasPrefix(text, []byte{0xFE, 0xFF}):
		big := text[0] == 0xFE
		var units []uint16
		for i := 2; i+1 < len(text); i += 2 {
			if big {
				units = append(units, uint16(text[i])<<8|uint16(text[i+1]))
			} else {
				units = append(units, uint16(text[i+1])<<8|uint16(text[i]))
			}
		}
		text = []byte(string(utf16.Decode(units)))
	}
	if i := bytes.IndexByte(text, 0); i >= 0 {
		return "", fmt.Errorf("line %d of it holds a NUL byte: it is no text; export it as CSV", 1+bytes.Count(text[:i], []byte("\n")))
	}
	if utf8.Valid(text) {
		return string(text), nil
	}
	out := make([]rune, len(text)) // Windows-1252 has the degree and plus-minus signs where Latin-1 has them
	for i, b := range text {
		out[i] = rune(b)
	}
	return string(out), nil
}
