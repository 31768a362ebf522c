package datafile

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"quaybench/bench/quantity"
)

// Source is a file as it was read: its text, where each key stands, and what was
// found wrong with it. It is not safe for several goroutines.
type Source struct {
	name     string
	data     []byte
	lines    []int // offset of the start of each line
	root     *node
	schema   *schema
	problems Problems
	syntax   bool // reading stopped or resumed at a syntax error
}

func newSource(name string, data []byte, s *schema) *Source {
	src := &Source{name: name, data: slices.Clip(bytes.Clone(data)), schema: s, root: newTable(0), lines: []int{0}}
	for i, c := range src.data {
		if c == '\n' {
			src.lines = append(src.lines, i+1)
		}
	}
	return src
}

// Name returns the name of the file as given to Decode.
func (s *Source) Name() string { return s.name }

// Data returns a copy of the file's text.
func (s *Source) Data() []byte { return bytes.Clone(s.data) }

// Err returns everything found wrong so far as Problems, or nil.
func (s *Source) Err() error {
	if len(s.problems) == 0 {
		return nil
	}
	sorted := slices.Clone(s.problems)
	sorted.sort()
	return sorted
}

// Problem adds what a check of the caller's own found, at the key it is about:
// "limits.motor_current", "joint[2].resistance" (from 0), or a row of a table,
// "battery.ocv[3]". A key that is not in the file is placed at its table.
func (s *Source) Problem(key string, format string, args ...any) {
	at := nowhere
	if n, deepest := s.find(key); n != nil {
		at = n.key
		if n.kind != table && n.kind != tables {
			at = n.start
		}
	} else if deepest != s.root {
		at = deepest.key
	}
	s.report(at, key, format, args...)
}

// Has reports whether the key stands in the file itself (not by default).
func (s *Source) Has(key string) bool {
	n, _ := s.find(key)
	return n != nil
}

// Unit returns the unit in which the file writes the value of a key; the one given where the file has no such value.
func (s *Source) Unit(key, otherwise string) string {
	if n, _ := s.find(key); n != nil {
		return quantity.WrittenUnit(n.value, otherwise)
	}
	return otherwise
}

// Position returns the line and column (from 1, in characters) of the key's
// value, or of a table's header. ok is false if it is not in the file.
func (s *Source) Position(key string) (line, column int, ok bool) {
	n, _ := s.find(key)
	if n == nil {
		return 0, 0, false
	}
	at := n.start
	if n.kind == table && !n.inline {
		at = n.key
	}
	line, column = s.position(at)
	return line, column, true
}

// maxProblems bounds how many problems of one file are kept: a file with more is
// no data file at all, and describing them takes time.
const maxProblems = 1000

// nowhere is the offset of what concerns the whole file: line 1, column 1, no excerpt.
const nowhere = -1

// full reports whether no more problems are kept, so that no more need looking for.
func (s *Source) full() bool { return len(s.problems) == maxProblems }

// report adds a problem at an offset.
func (s *Source) report(at int, key, format string, args ...any) {
	if s.full() {
		return
	}
	line, column := s.position(at)
	p := Problem{File: s.name, Line: line, Column: column, Key: printable(key), Text: printable(fmt.Sprintf(format, args...))}
	if content := s.line(line); at != nowhere && strings.TrimSpace(content) != "" {
		p.Excerpt = excerpt(content, min(at-s.lineStart(line), len(content)))
	}
	s.problems = append(s.problems, p)
}

// position returns the line and column of an offset, both from 1.
func (s *Source) position(at int) (line, column int) {
	at = min(max(at, 0), len(s.data))
	line = sort.SearchInts(s.lines, at+1)
	return line, utf8.RuneCount(s.data[min(s.lineStart(line), at):at]) + 1
}

// lineStart returns the offset of a line (from 1), after the byte order mark.
func (s *Source) lineStart(line int) int {
	if line == 1 {
		return len(bom(s.data))
	}
	return s.lines[line-1]
}

// line returns the text of a line (from 1) without its line break.
func (s *Source) line(n int) string {
	end := len(s.data)
	if n < len(s.lines) {
		end = s.lines[n] - 1
	}
	return strings.TrimSuffix(string(s.data[s.lineStart(n):end]), "\r")
}

// bom returns the byte order mark some editors put before UTF-8 text, if there.
func bom(data []byte) []byte {
	if mark := []byte("\xEF\xBB\xBF"); bytes.HasPrefix(data, mark) {
		return mark
	}
	return nil
}

// step is one part of a key path: a name, or an index into an array.
type step struct {
	name  string
	index int // -1 for a name
}

// steps splits "joint[2].resistance". Malformed brackets give ok = false.
func steps(path string) (list []step, ok bool) {
	for _, name := range strings.Split(path, ".") {
		name, rest, indexed := strings.Cut(name, "[")
		if name == "" {
			return nil, false
		}
		list = append(list, step{name, -1})
		for indexed {
			var digits string
			digits, rest, ok = strings.Cut(rest, "]")
			n, err := strconv.Atoi(digits)
			if !ok || err != nil || n < 0 {
				return nil, false
			}
			list = append(list, step{"", n})
			if rest == "" {
				break
			}
			if rest[0] != '[' {
				return nil, false
			}
			rest = rest[1:]
		}
	}
	return list, true
}

// find returns the node of a key path, and the deepest table on the way to it.
func (s *Source) find(path string) (found, deepest *node) {
	n := s.root
	list, ok := steps(path)
	if !ok {
		return nil, s.root
	}
	for _, st := range list {
		var next *node
		if st.index < 0 {
			next = n.children[st.name]
		} else if st.index < len(n.elements) {
			next = n.elements[st.index]
		}
		if next == nil {
			return nil, n
		}
		n = next
	}
	return n, n
}

// structType returns the type the file was decoded into.
func (s *Source) structType() reflect.Type { return s.schema.of }
