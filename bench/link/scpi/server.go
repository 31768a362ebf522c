package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"unicode"

	"quaybench/bench/link/port"
)

// Server is the instrument's side of the line: a simulated meter.
type Server struct {
	Identity string // its answer to *IDN?
	// Readings are what it measures, by query in full, the short form in capitals: "MEASure:VOLTage:DC?". A header in brackets may be
	// left out: "MEASure[:SCALar]:VOLTage[:DC]?".
	Readings map[string]func() float64
	errors   []string
}

// queueLength is how many errors are kept (SCPI-1999 asks for two at the least).
const queueLength = 16

// Serve answers until the context ends or the port is lost.
func (s *Server) Serve(ctx context.Context, p port.Port) error {
	var input []byte
	var buffer [longest]byte
	for {
		n, err := p.Read(ctx, buffer[:], quiet)
		if err != nil && !errors.Is(err, port.ErrTimeout) {
			return err
		}
		if input = append(input, buffer[:n]...); len(input) > longest && bytes.IndexByte(input, '\n') < 0 {
			input = input[:0]
			s.note(-363, "Input buffer overrun")
		}
		for {
			line, rest, ok := bytes.Cut(input, []byte("\n"))
			if !ok {
				break
			}
			text := string(line)
			input = append(input[:0], rest...)
			if answers := s.Answer(text); answers != "" {
				if err := p.Write(ctx, []byte(answers+"\n")); err != nil && !errors.Is(err, port.ErrWriteTimeout) {
					return err
				}
			}
		}
	}
}

// Answer answers a line of commands; "" is silence. What it does not know it notes in its error queue.
func (s *Server) Answer(line string) string {
	var out []string
	for text := range strings.SplitSeq(line, ";") {
		text = strings.TrimSpace(text)
		if text == "" {
			continue
		}
		if answer := s.one(text); answer != "" {
			out = append(out, answer)
		}
	}
	return strings.Join(out, ";")
}

func (s *Server) one(text string) string {
	head, _, _ := strings.Cut(text, " ")
	switch {
	case strings.EqualFold(head, "*IDN?"):
		return s.Identity
	case strings.EqualFold(head, "*OPC?"):
		return "1"
	case strings.EqualFold(head, "*CLS"):
		s.errors = nil
		return ""
	case matches("SYSTem:REMote", head), matches("SYSTem:LOCal", head):
		return ""
	case matches("SYSTem:ERRor[:NEXT]?", head):
		if len(s.errors) == 0 {
			return `0,"No error"`
		}
		first := s.errors[0]
		s.errors = s.errors[1:]
		return first
	}
	for full, reading := range s.Readings {
		if matches(full, head) {
			return number(reading())
		}
	}
	s.note(-113, "Undefined header")
	return ""
}

// number writes a reading: infinity for an overload, 9.91E37 for none.
func number(v float64) string {
	switch {
	case math.IsNaN(v):
		v = 9.91e37
	case math.Abs(v) > overload:
		v = math.Copysign(overload, v)
	}
	return fmt.Sprintf("%+.6E", v)
}

func (s *Server) note(number int, text string) {
	if len(s.errors) == queueLength {
		s.errors[queueLength-1] = `-350,"Queue overflow"`
		return
	}
	s.errors = append(s.errors, fmt.Sprintf("%d,%q", number, text))
}

// matches reports whether a header is written as a full one has it: each word whole or by its capitals, in any case, and those in
// brackets or not.
func matches(full, head string) bool {
	head = strings.TrimPrefix(strings.ToUpper(head), ":")
	fullQuery, headQuery := strings.HasSuffix(full, "?"), strings.HasSuffix(head, "?")
	if fullQuery != headQuery {
		return false
	}
	full = strings.NewReplacer("[:", ":[", "?", "").Replace(full)
	words := strings.Split(strings.TrimSuffix(head, "?"), ":")
	for part := range strings.SplitSeq(full, ":") {
		optional := strings.HasPrefix(part, "[")
		part = strings.Trim(part, "[]")
		short := strings.TrimRightFunc(part, unicode.IsLower)
		if len(words) > 0 && (words[0] == strings.ToUpper(part) || words[0] == short) {
			words = words[1:]
		} else if !optional {
			return false
		}
	}
	return len(words) == 0
}
