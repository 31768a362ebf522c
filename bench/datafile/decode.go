// Package datafile reads any of the tool's TOML files into a Go struct by its
// tags and reports everything wrong with a file at once, each problem with line,
// column and what to write instead.
//
// Struct tags:
//
//	key:"resistance"   the TOML key; a field without it is left alone
//	unit:"mΩ"          quantity.Value and float64: the wanted unit; the value is a text with unit
//	unit:"%|V"         Table: the units of the columns
//	min, max           inclusive bounds; above, below: exclusive bounds
//	default:"20 ms"    what holds if the key is absent
//	optional:"yes"     the key may be absent
//	one:"a|b|c"        string: the words allowed
//	example:"14 mΩ"    shown in messages where the key is missing
//	ask:"yes", "no"    whether a short template holds the key, where that is not plain from the rest
//	doc, find          what it is; where to find it on a data sheet or how to measure it
//
// A struct is a table, a pointer to a struct an optional table, a slice of
// structs an array of tables. Everything else is required.
package datafile

import (
	"bytes"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"

	"quaybench/bench/quantity"
)

// maxSize bounds the size of a file; one written by hand has some kilobytes.
const maxSize = 4 << 20

// Decode reads the file into the struct that into points to. The error, if any,
// is Problems with everything found. The Source is returned in any case, so that
// the caller can add what its own checks find (Source.Problem) and hand over one
// list (Source.Err). name appears in the messages only.
//
// Fields the file got wrong keep their zero value. Decode panics if into is not a
// pointer to a struct or its tags make no sense.
func Decode(name string, data []byte, into any) (*Source, error) {
	v := reflect.ValueOf(into)
	if v.Kind() != reflect.Pointer || v.IsNil() {
		panic(fmt.Sprintf("datafile: Decode needs a pointer to a struct, not %T", into))
	}
	v = v.Elem()
	s := newSource(name, data, schemaOf(v.Type()))
	if s.readable() {
		r := reader{Source: s}
		r.read(len(bom(s.data)))
		d := decoder{s, r.lost}
		d.table("", s.root, s.schema, v)
	}
	return s, s.Err()
}

// readable refuses what is no text file at all.
func (s *Source) readable() bool {
	if len(s.data) > maxSize {
		s.data, s.lines = nil, []int{0} // nothing of it is shown
		s.report(0, "", "the file is too large; at most 4 MB are read")
		return false
	}
	if at := bytes.IndexByte(s.data, 0); at >= 0 {
		s.report(at, "", "this is not a text file: there is a zero byte here")
		return false
	}
	for at := 0; at < len(s.data); {
		r, n := utf8.DecodeRune(s.data[at:])
		if r == utf8.RuneError && n == 1 {
			s.report(at, "", "this is not UTF-8 text; save the file as UTF-8")
			return false
		}
		at += n
	}
	if len(bytes.TrimSpace(s.data[len(bom(s.data)):])) == 0 {
		s.report(0, "", "the file is empty")
		return false // what it lacks is everything
	}
	return true
}

// decoder fills a struct from the tree.
type decoder struct {
	*Source
	lost bool // a header could not be read: a table that seems absent may be there
}

// table fills the struct v from the table n; prefix is its path with a dot.
func (d decoder) table(prefix string, n *node, s *schema, v reflect.Value) {
	suggested := map[string]bool{} // keys that are there, but misspelt
	for _, name := range n.names {
		if f := s.byKey[name]; f != nil {
			continue
		} else if near := d.unknown(prefix, name, n, s); near != "" {
			suggested[near] = true
		}
	}
	for _, f := range s.fields {
		path, fv := prefix+f.key, v.Field(f.index)
		if child := n.children[f.key]; child != nil {
			d.field(path, child, f, fv)
			continue
		}
		f.setDefault(fv)
		if !f.optional && !suggested[f.key] {
			d.missing(path, n, f)
		}
	}
}

// setDefault sets an absent field to its default, and the keys of an absent table to theirs.
func (f *field) setDefault(v reflect.Value) {
	v.SetZero()
	switch {
	case f.kind == KindGroup && !f.pointer:
		f.sub.setDefaults(v)
	case f.hasDef && !f.group():
		if err := f.setText(v, f.fallback); err != nil {
			f.misuse("default: %v", err)
		}
	}
}

func (s *schema) setDefaults(v reflect.Value) {
	for _, f := range s.fields {
		f.setDefault(v.Field(f.index))
	}
}

// required reports whether the table cannot be left out.
func (s *schema) required() (keys []string) {
	for _, f := range s.fields {
		if f.kind == KindGroup && !f.pointer && !f.optional {
			for _, key := range f.sub.required() {
				keys = append(keys, f.key+"."+key)
			}
		} else if !f.optional {
			keys = append(keys, f.key)
		}
	}
	return keys
}

// missing reports a required key that is not there, at the header of its table.
func (d decoder) missing(path string, n *node, f *field) {
	doc := ""
	if text := f.tag("doc"); text != "" {
		doc = " (" + text + ")"
	}
	if f.group() && d.lost || d.full() {
		return
	}
	at := n.key
	if n == d.root {
		at = nowhere
	}
	switch f.kind {
	case KindGroup:
		keys := f.sub.required()
		if len(keys) == 0 {
			return
		}
		d.report(at, path, "the table [%s] is missing%s; it needs %s", path, doc, strings.Join(keys, ", "))
	case KindGroups:
		d.report(at, path, "at least one table [[%s]] is missing%s; it needs %s", path, doc, strings.Join(f.sub.required(), ", "))
	default:
		d.report(at, path, "%s is missing%s; write for example %s = %s", path, doc, f.key, f.example())
	}
}

// unknown reports a key nobody knows and returns the key that was probably meant.
func (d decoder) unknown(prefix, name string, n *node, s *schema) string {
	if d.full() {
		return ""
	}
	at, path := n.children[name].key, prefix+name
	var here, absent []string
	for _, f := range s.fields {
		here = append(here, f.key)
		if n.children[f.key] == nil {
			absent = append(absent, f.key)
		}
	}
	near := nearest(name, absent)
	if near == "" {
		near = nearest(name, here)
	}
	if near != "" {
		d.report(at, path, "unknown key %s; did you mean %s?", quoted(name), near)
		return near
	}
	if elsewhere := d.elsewhere(name); elsewhere == name {
		d.report(at, path, "unknown key %s here; %s belongs at the top of the file, before the first table", quoted(name), name)
		return ""
	} else if elsewhere != "" {
		d.report(at, path, "unknown key %s here; %s is known", quoted(name), elsewhere)
		return ""
	}
	const most = 12
	if len(here) > most {
		here = append(here[:most:most], "…")
	}
	d.report(at, path, "unknown key %s; known here: %s", quoted(name), strings.Join(here, ", "))
	return ""
}

// elsewhere returns the path of a key of this name in another table.
func (d decoder) elsewhere(name string) (found string) {
	d.schema.each("", func(path string, f *field) {
		if f.key == name && found == "" {
			found = path
		}
	})
	return found
}

// field reads one value into its field.
func (d decoder) field(path string, n *node, f *field, v reflect.Value) {
	v.SetZero()
	if n.kind == broken {
		return
	}
	switch f.kind {
	case KindGroup:
		if n.kind != table {
			d.report(n.start, path, "%s is a table; write [%s] or { … }, not %s", f.key, path, n.kind)
			return
		}
		if f.pointer {
			v.Set(reflect.New(v.Type().Elem()))
			v = v.Elem()
		}
		d.table(path+".", n, f.sub, v)
	case KindGroups:
		d.tables(path, n, f, v)
	case KindRows:
		d.rows(path, n, f, v)
	case KindList, KindTexts:
		d.list(path, n, f, v)
	default:
		d.scalar(path, n, f, v)
	}
}

// tables reads [[key]] or an array of inline tables.
func (d decoder) tables(path string, n *node, f *field, v reflect.Value) {
	if n.kind != tables && n.kind != array {
		d.report(n.key, path, "there can be several %s; write [[%s]], not %s", f.key, path, n.kind)
		return
	}
	if len(n.elements) == 0 && !f.optional {
		d.missing(path, n, f)
	}
	v.Set(reflect.MakeSlice(v.Type(), len(n.elements), len(n.elements)))
	for i, element := range n.elements {
		at := fmt.Sprintf("%s[%d]", path, i)
		if element.kind != table {
			d.report(element.start, at, "a table is wanted here, not %s", element.kind)
			continue
		}
		d.table(at+".", element, f.sub, v.Index(i))
	}
}

// elements returns the elements of an array; anything else is reported.
func (d decoder) elements(path string, n *node, f *field) []*node {
	if n.kind != array {
		d.report(n.start, path, "an array is wanted, for example %s = %s, not %s", f.key, f.example(), n.kind)
		return nil
	}
	switch {
	case len(n.elements) > 0:
	case !f.optional:
		d.report(n.start, path, "%s is empty; write for example %s = %s", f.key, f.key, f.example())
	case f.kind == KindRows: // a table without rows is no answer; a list may well hold nothing
		d.report(n.start, path, "%s has no rows; leave it out, or write for example %s = %s", f.key, f.key, f.example())
	}
	return n.elements
}

func (d decoder) rows(path string, n *node, f *field, v reflect.Value) {
	var rows Table
	for i, row := range d.elements(path, n, f) {
		if d.full() {
			return
		}
		at := fmt.Sprintf("%s[%d]", path, i)
		if row.kind != array || len(row.elements) != len(f.columns) {
			found := row.kind.String()
			if row.kind == array {
				found = strconv.Itoa(len(row.elements))
			}
			d.report(row.start, at, "a row of %d values is wanted (%s), for example %s, not %s", len(f.columns), strings.ReplaceAll(f.tag("unit"), "|", ", "), strings.TrimSuffix(strings.TrimPrefix(f.example(), "["), "]"), found)
			continue
		}
		numbers := make([]float64, len(f.columns))
		for j, cell := range row.elements {
			q, _ := d.quantity(at, cell, &f.columns[j])
			numbers[j] = q.SI
		}
		rows = append(rows, numbers)
	}
	v.Set(reflect.ValueOf(rows))
}

func (d decoder) list(path string, n *node, f *field, v reflect.Value) {
	for i, element := range d.elements(path, n, f) {
		if d.full() {
			return
		}
		at := fmt.Sprintf("%s[%d]", path, i)
		item := reflect.New(v.Type().Elem()).Elem()
		if f.kind == KindList {
			q, _ := d.quantity(at, element, &f.columns[0])
			item.SetFloat(q.SI)
		} else if element.kind != text {
			d.report(element.start, at, "a text in quotes is wanted, not %s", element.kind)
		} else if err := f.checkText(element.value); err != nil {
			d.report(element.start, at, "%v", err)
		} else {
			item.SetString(element.value)
		}
		v.Set(reflect.Append(v, item))
	}
}

var ratio = quantity.MustUnit("1")

// quantity reads one quantity and reports what is wrong with it.
func (d decoder) quantity(path string, n *node, c *column) (q quantity.Value, ok bool) {
	written := n.value
	switch n.kind {
	case text:
	case integer, float:
		// A plain ratio may be a TOML number. What TOML allows beyond decimal numbers
		// (nan, 1_000, 0x10) a quantity refuses by itself, with a clear word.
		if _, err := quantity.Parse(written, ratio); err == nil && c.text != "1" {
			example := written + " " + c.text
			if _, err := c.parse(example); err != nil {
				example = c.example()
			}
			d.report(n.start, path, "%s is a number without its unit; write for example %q", written, example)
			return q, false
		}
	default:
		d.report(n.start, path, "a quantity in quotes is wanted, for example %q, not %s", c.example(), n.kind)
		return q, false
	}
	q, err := c.parse(written)
	if err != nil {
		d.valueProblem(path, n, err)
		return quantity.Value{}, false
	}
	return q, true
}

// valueProblem reports an error of a value at the byte it is about.
func (d decoder) valueProblem(path string, n *node, err error) {
	at := n.start
	if bad, ok := err.(*valueError); ok && n.kind == text {
		at = n.rawOffset(bad.offset)
	}
	d.report(at, path, "%v", err)
}

// scalar reads a quantity, text, whole number or boolean.
func (d decoder) scalar(path string, n *node, f *field, v reflect.Value) {
	wrong := func() {
		d.report(n.start, path, "%s wants %s, for example %s = %s, not %s", f.key, wanted[f.kind], f.key, f.example(), n.kind)
	}
	switch f.kind {
	case KindQuantity:
		if q, ok := d.quantity(path, n, &f.columns[0]); ok {
			setQuantity(v, q)
		}
	case KindText:
		if n.kind != text {
			wrong()
		} else if err := f.checkText(n.value); err != nil {
			d.valueProblem(path, n, err)
		} else if n.value == "" && !f.optional {
			d.report(n.start, path, "%s is empty; write for example %s = %s", f.key, f.key, f.example())
		} else {
			v.SetString(n.value)
		}
	case KindBoolean:
		if n.kind != boolean {
			wrong()
			return
		}
		v.SetBool(n.value == "true")
	case KindInteger:
		if n.kind != integer {
			wrong()
			return
		}
		number, err := strconv.ParseInt(n.value, 0, 64)
		if err != nil {
			d.report(n.start, path, "%s is too large", shorten(n.value))
			return
		}
		if err := f.setInteger(v, number); err != nil {
			d.valueProblem(path, n, err)
		}
	}
}

// wanted says what a kind of field wants, with its article.
var wanted = map[Kind]string{KindText: "a text in quotes", KindBoolean: "true or false", KindInteger: "a whole number"}
