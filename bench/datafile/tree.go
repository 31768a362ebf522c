package datafile

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// nodeKind says what stands in the file.
type nodeKind int

const (
	table  nodeKind = iota // [table], a dotted key's table or an inline table
	tables                 // [[array of tables]]
	array
	text
	integer
	float
	boolean
	date
	broken // a key whose value could not be read; its error is already reported
)

// String names the kind with its article, for messages.
func (k nodeKind) String() string {
	return [...]string{"a table", "an array of tables", "an array", "a text", "a whole number", "a number", "true or false", "a date or time", "unreadable"}[k]
}

// node is one key or element of the file with its place. Offsets are bytes from
// the start of the data.
type node struct {
	kind       nodeKind
	key        int    // where the key or header's name starts; for elements, the element
	start, end int    // the value as written; for a table its header
	value      string // of a scalar: decoded text, or the number as written
	raw        string // of a scalar: as written

	names    []string         // keys of a table in order
	children map[string]*node // of a table
	elements []*node          // of an array or of tables

	explicit bool   // table: has a header of its own
	dotted   bool   // table: made by a dotted key
	inline   bool   // table: written {…}
	bodyEnd  int    // table: end of its header or of its last key's value, where another key may follow
	prefix   [2]int // dotted table: where the prefix of its keys stands in the file
}

func newTable(at int) *node {
	return &node{kind: table, key: at, start: at, end: at, bodyEnd: at, children: map[string]*node{}}
}

func (n *node) add(name string, child *node) {
	n.names = append(n.names, name)
	n.children[name] = child
}

// reader builds the tree of one file and reports what breaks TOML's own rules.
type reader struct {
	*Source
	lost bool // keys were passed over because their table's header could not be read
}

// plausible matches a line on which reading can start again after a syntax error.
var plausible = regexp.MustCompile(`^[ \t]*(\[{1,2}[ \t]*[A-Za-z0-9_-][A-Za-z0-9_. \t-]*\]{1,2}[ \t]*(#.*)?\r?$|[A-Za-z0-9_."'-]+[ \t]*=)`)

var startOfKey = regexp.MustCompile(`^([A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*)([ \t\r\n=]|$)`)

// read parses the whole file. After a syntax error it goes on at the next line
// that looks like a key or header, so that one slip does not hide the others.
func (r *reader) read(from int) {
	r.root = newTable(from)
	r.root.explicit = true
	current := r.root
	for from < len(r.data) && !r.full() {
		base := from
		var p unstable.Parser
		p.Reset(r.data[base:])
		end := 0 // of the last good expression
		for p.NextExpression() {
			var ends int
			current, ends = r.expression(&p, base, p.Expression(), current)
			end = ends - base
		}
		if p.Error() == nil {
			return
		}
		r.syntax = true
		at := base + end
		var bad *unstable.ParserError
		if errors.As(p.Error(), &bad) {
			at = base + offsetOf(p.Data(), bad.Highlight)
		}
		statement := r.nextStatement(base + end)
		name := ""
		if m := startOfKey.FindSubmatch(r.data[statement:]); m != nil {
			name = string(m[1])
			current.addBroken(name, statement)
		}
		r.report(at, name, "%s", r.syntaxMessage(p.Error(), at, statement))
		from = r.resume(statement)
		// After a broken header nobody knows which table the keys belong to.
		if statement < len(r.data) && r.data[statement] == '[' {
			current, r.lost = nil, true
		}
	}
}

// addBroken adds a key whose value could not be read, so that it does not count as missing.
func (n *node) addBroken(path string, at int) {
	names := strings.Split(path, ".")
	for i, name := range names {
		if n == nil || n.children == nil {
			return
		}
		child := n.children[name]
		switch {
		case child == nil && i == len(names)-1:
			n.add(name, &node{kind: broken, key: at, start: at, end: at})
		case child == nil:
			child = newTable(at)
			child.dotted = true
			n.add(name, child)
		}
		n = child
	}
}

// offsetOf returns where part starts inside whole, of which it is a slice.
func offsetOf(whole, part []byte) int {
	if at := cap(whole) - cap(part); at >= 0 && at <= len(whole) {
		return at
	}
	return 0
}

// nextStatement returns where the expression after an earlier one starts.
func (r *reader) nextStatement(at int) int {
	if at > 0 && at < len(r.data) && r.data[at-1] != '\n' {
		at = r.lineEnd(at)
	}
	for at < len(r.data) {
		line := bytes.TrimLeft(r.data[at:r.lineEnd(at)], " \t\r\n")
		if len(line) > 0 && line[0] != '#' {
			return r.lineEnd(at) - len(line)
		}
		// A comment is skipped unless the error is in the comment itself.
		if bytes.IndexFunc(line, func(c rune) bool { return c < ' ' && c != '\t' && c != '\n' && c != '\r' }) >= 0 {
			return r.lineEnd(at) - len(line)
		}
		at = r.lineEnd(at)
	}
	return at
}

// lineEnd returns the offset after the newline that ends the line at the offset.
func (r *reader) lineEnd(at int) int {
	if i := bytes.IndexByte(r.data[at:], '\n'); i >= 0 {
		return at + i + 1
	}
	return len(r.data)
}

// resume returns the next plausible line after the statement.
func (r *reader) resume(statement int) int {
	at := statement
	for at < len(r.data) {
		at = r.lineEnd(at)
		line := r.data[at:r.lineEnd(min(at, len(r.data)))]
		if plausible.Match(bytes.TrimSuffix(line, []byte("\n"))) {
			return at
		}
	}
	return at
}

// syntaxMessage adds what to do to the parser's word where that is known.
func (r *reader) syntaxMessage(err error, at, statement int) string {
	message := printable(err.Error())
	line := string(bytes.TrimSpace(r.data[statement:r.lineEnd(min(statement, len(r.data)))]))
	switch {
	case strings.HasSuffix(message, "at start of value") && bytes.IndexByte([]byte("\r\n#"), r.data[at]) >= 0, strings.HasPrefix(message, "expected value, not end"):
		message = "the value after = is missing"
	case strings.Contains(message, "at start of value"), strings.Contains(message, "expected newline") && !strings.Contains(line, `"`) && strings.Contains(line, "="):
		message += `; a value with a unit stands in quotes, for example resistance = "14 mΩ"`
	case strings.Contains(message, "expected '=' after key"):
		message += `; write key = value`
	case strings.Contains(message, "array is incomplete"):
		message += `; a closing ] is missing`
	}
	if first, _ := r.position(statement); first != r.lineOf(at) {
		message += fmt.Sprintf(" (in what starts in line %d)", first)
	}
	return "syntax: " + message
}

// expression adds one top-level expression to the tree. It returns the table the
// following keys belong to and where the expression ends.
func (r *reader) expression(p *unstable.Parser, base int, n *unstable.Node, current *node) (*node, int) {
	if n.Kind == unstable.KeyValue {
		end := base + int(n.Raw.Offset+n.Raw.Length)
		if current != nil {
			r.keyValue(p, base, n, current)
			if end > current.bodyEnd {
				current.bodyEnd = end
			}
		}
		return current, end
	}
	path := keyPath(base, n.Key())
	end := path[len(path)-1].end
	if i := bytes.IndexByte(r.data[end:], ']'); i >= 0 {
		end += i + 1
	}
	if n.Kind == unstable.ArrayTable {
		end++
	}
	if r.tooDeep(path) {
		return nil, end
	}
	return r.header(path, n.Kind == unstable.ArrayTable, end), end
}

// maxDepth bounds dotted keys; a tree of millions of tables would eat the memory.
const maxDepth = 16

func (r *reader) tooDeep(path []part) bool {
	if len(path) <= maxDepth {
		return false
	}
	r.report(path[0].start, "", "a key of %d parts is too deep; at most %d are read", len(path), maxDepth)
	return true
}

// part is one part of a dotted key.
type part struct {
	name       string
	start, end int
}

func keyPath(base int, keys unstable.Iterator) (path []part) {
	for keys.Next() {
		k := keys.Node()
		start := base + int(k.Raw.Offset)
		path = append(path, part{string(k.Data), start, start + int(k.Raw.Length)})
	}
	return path
}

func dotted(path []part) string {
	names := make([]string, len(path))
	for i, p := range path {
		names[i] = p.name
	}
	return strings.Join(names, ".")
}

// header opens a [table] or a [[table]].
func (r *reader) header(path []part, many bool, end int) *node {
	t := r.root
	for i, p := range path[:len(path)-1] {
		child := t.children[p.name]
		switch {
		case child == nil:
			child = newTable(p.start)
			t.add(p.name, child)
		case child.kind == tables:
			child = child.elements[len(child.elements)-1]
		case child.kind != table || child.inline:
			r.report(p.start, dotted(path[:i+1]), "%s is already used as %s in line %d", printable(shorten(dotted(path[:i+1]))), child.kind, r.lineOf(child.key))
			return nil
		}
		t = child
	}
	last, full := path[len(path)-1], dotted(path)
	child := t.children[last.name]
	if many {
		if child == nil {
			child = &node{kind: tables, key: last.start, start: last.start, end: last.end}
			t.add(last.name, child)
		}
		if child.kind != tables {
			r.report(last.start, full, "[[%s]] is already used as %s in line %d", printable(shorten(full)), child.kind, r.lineOf(child.key))
			return nil
		}
		element := newTable(last.start)
		element.explicit, element.bodyEnd = true, end
		child.elements = append(child.elements, element)
		return element
	}
	switch {
	case child == nil:
		child = newTable(last.start)
		t.add(last.name, child)
	case child.kind != table:
		r.report(last.start, full, "[%s] is already used as %s in line %d", printable(shorten(full)), child.kind, r.lineOf(child.key))
		return nil
	case child.explicit || child.dotted || child.inline:
		r.report(last.start, full, "the table [%s] is there twice; first in line %d", printable(shorten(full)), r.lineOf(child.key))
		return nil
	}
	child.explicit, child.key, child.start, child.end, child.bodyEnd = true, last.start, last.start, last.end, end
	return child
}

// keyValue adds one key = value to the table t.
func (r *reader) keyValue(p *unstable.Parser, base int, n *unstable.Node, t *node) {
	path := keyPath(base, n.Key())
	if r.tooDeep(path) {
		return
	}
	valueEnd := base + int(n.Raw.Offset+n.Raw.Length)
	for i, q := range path[:len(path)-1] {
		child := t.children[q.name]
		switch {
		case child == nil:
			child = newTable(q.start)
			child.dotted = true
			child.prefix = [2]int{path[0].start, q.end}
			t.add(q.name, child)
		case child.kind != table || child.inline || child.explicit || !child.dotted:
			r.report(q.start, dotted(path[:i+1]), "%s is already used as %s in line %d", printable(shorten(dotted(path[:i+1]))), child.kind, r.lineOf(child.key))
			return
		}
		child.bodyEnd = valueEnd
		t = child
	}
	last := path[len(path)-1]
	if first := t.children[last.name]; first != nil {
		if first.kind != broken {
			r.report(last.start, dotted(path), "%s is there twice; first in line %d", printable(shorten(last.name)), r.lineOf(first.key))
		}
		return
	}
	at := last.end
	at += bytes.IndexByte(r.data[at:], '=') + 1
	child, _ := r.value(p, base, n.Value(), r.skipBlank(at))
	child.key = last.start
	t.add(last.name, child)
}

// skipBlank skips white space, commas and comments: all that may stand before a
// value inside an array.
func (r *reader) skipBlank(at int) int {
	for at < len(r.data) {
		switch r.data[at] {
		case ' ', '\t', '\r', '\n', ',':
			at++
		case '#':
			at = r.lineEnd(at)
		default:
			return at
		}
	}
	return at
}

// value reads the value that starts at the offset and returns it with its end.
func (r *reader) value(p *unstable.Parser, base int, n *unstable.Node, at int) (*node, int) {
	v := &node{key: at, start: at, value: string(n.Data)}
	switch n.Kind {
	case unstable.Array:
		v.kind = array
		cursor := at + 1
		for it := n.Children(); it.Next(); {
			var element *node
			element, cursor = r.value(p, base, it.Node(), r.skipBlank(cursor))
			v.elements = append(v.elements, element)
		}
		v.end = r.skipBlank(cursor) + 1
	case unstable.InlineTable:
		v.kind, v.children, v.inline, v.explicit = table, map[string]*node{}, true, true
		cursor := at + 1
		for it := n.Children(); it.Next(); {
			kv := it.Node()
			r.keyValue(p, base, kv, v)
			cursor = base + int(kv.Raw.Offset+kv.Raw.Length)
		}
		v.bodyEnd = cursor
		v.end = r.skipBlank(cursor) + 1
	default:
		switch n.Kind {
		case unstable.String:
			v.kind = text
		case unstable.Integer:
			v.kind = integer
		case unstable.Float:
			v.kind = float
		case unstable.Bool:
			v.kind = boolean
		default:
			v.kind = date
		}
		v.end = at + int(n.Raw.Length)
	}
	v.end = min(v.end, len(r.data))
	if v.kind != array && v.kind != table {
		v.raw = string(r.data[v.start:v.end])
	}
	return v, v.end
}

func (r *reader) lineOf(at int) int {
	line, _ := r.position(at)
	return line
}

// rawOffset returns where in the file the byte of the decoded text stands.
func (n *node) rawOffset(decoded int) int {
	raw := n.raw
	switch {
	case strings.HasPrefix(raw, `"""`), strings.HasPrefix(raw, "'''"):
		// Exact only without line breaks and escapes, which no quantity has.
		if i := strings.Index(raw, n.value); i >= 0 {
			return n.start + i + decoded
		}
		return n.start
	case strings.HasPrefix(raw, `'`):
		return n.start + 1 + decoded
	case !strings.HasPrefix(raw, `"`):
		return n.start + decoded
	}
	at, seen := 1, 0
	for at < len(raw)-1 && seen < decoded {
		if raw[at] != '\\' {
			at++
			seen++
			continue
		}
		length, char := escape(raw[at:])
		at += length
		seen += char
	}
	return n.start + min(at, len(raw))
}

// escape returns the length of the escape sequence at the start of s and of the
// character it stands for, in bytes.
func escape(s string) (length, char int) {
	digits := map[byte]int{'x': 2, 'u': 4, 'U': 8}[s[1]]
	if digits == 0 || len(s) < 2+digits {
		return 2, 1
	}
	var r rune
	if _, err := fmt.Sscanf(s[2:2+digits], "%x", &r); err != nil {
		return 2 + digits, 1
	}
	return 2 + digits, utf8.RuneLen(r)
}
