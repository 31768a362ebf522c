package datafile

import (
	"bytes"
	"fmt"
	"strings"

	"quaybench/bench/quantity"
)

// Stated is a value that a file states.
type Stated struct {
	Key    string // dotted path, elements of tables by number: "joint[2].resistance"
	Origin string // where it says that it comes from: a word of quantity.Origins, or "" where it says nothing
	Text   string // the value as it stands in the file
	Field  Field
}

// Stated lists the values that the file states, in the order of the schema. A quantity says in its text where it comes from;
// what is no quantity (a choice, a count, a table of rows) says it in a comment on its line, `cells = 16 # data sheet`.
// Free texts, such as names, are no values.
func (s *Source) Stated() (list []Stated) {
	s.stated("", s.root, s.schema, func(st Stated) { list = append(list, st) })
	return list
}

func (s *Source) stated(prefix string, n *node, in *schema, visit func(Stated)) {
	for _, f := range in.fields {
		child := n.children[f.key]
		if child == nil || child.kind == broken {
			continue
		}
		path := prefix + f.key
		switch {
		case f.kind == KindGroup && child.kind == table:
			s.stated(path+".", child, f.sub, visit)
		case f.kind == KindGroups:
			for i, element := range child.elements {
				if element.kind == table {
					s.stated(fmt.Sprintf("%s[%d].", path, i), element, f.sub, visit)
				}
			}
		case f.group(), f.kind == KindText && f.one == nil, f.kind == KindTexts:
		default:
			visit(Stated{Key: path, Origin: s.origin(child, f), Text: string(s.data[child.start:child.end]), Field: f.describe(path)})
		}
	}
}

// origin returns the word that says where a value comes from.
func (s *Source) origin(n *node, f *field) string {
	if f.kind == KindQuantity && n.kind == text {
		if v, err := quantity.Parse(n.value, f.columns[0].unit); err == nil && v.Origin() != "" {
			return v.Origin()
		}
	}
	rest := s.data[min(n.end, len(s.data)):]
	if i := bytes.IndexByte(rest, '\n'); i >= 0 {
		rest = rest[:i]
	}
	_, comment, _ := strings.Cut(string(rest), "#")
	return quantity.OriginOf(strings.TrimSpace(comment))
}

// LeftOut lists the keys that the file leaves to their defaults, or to what follows from other values, in tables that are
// there. Only keys whose documentation says what then holds count.
func (s *Source) LeftOut() (keys []string) {
	s.leftOut("", s.root, s.schema, func(key string) { keys = append(keys, key) })
	return keys
}

func (s *Source) leftOut(prefix string, n *node, in *schema, visit func(string)) {
	for _, f := range in.fields {
		path := prefix + f.key
		child := n.children[f.key]
		switch {
		case child == nil && f.kind == KindGroup && !f.pointer:
			s.leftOut(path+".", newTable(0), f.sub, visit)
		case child == nil:
			doc := f.tag("doc")
			if !f.group() && (f.hasDef || strings.Contains(doc, "; else ") || strings.Contains(doc, "left out")) {
				visit(path)
			}
		case f.kind == KindGroup && child.kind == table:
			s.leftOut(path+".", child, f.sub, visit)
		case f.kind == KindGroups:
			for i, element := range child.elements {
				if element.kind == table {
					s.leftOut(fmt.Sprintf("%s[%d].", path, i), element, f.sub, visit)
				}
			}
		}
	}
}
