package datafile

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"
	"unicode"
)

// Set returns the file's text with the value of one key changed, keeping every
// comment and the order. The text is read and checked like a value on the command
// line ("240 A", without quotes). A key that is absent goes to the end of its
// table; a table that is absent, to the end of the file.
//
// The result is read again before it is returned: a change that would bring new
// problems is refused with them. A file with syntax errors is not changed.
func (s *Source) Set(key, text string) ([]byte, error) {
	if s.syntax {
		return nil, fmt.Errorf("correct the syntax of %s first: %w", printable(s.name), s.Err())
	}
	value, err := s.settable(key, text)
	if err != nil {
		return nil, err
	}
	var changed []byte
	found, _ := s.find(key)
	switch {
	case found == nil:
		changed, err = s.insert(key, value)
	case found.kind == array || found.kind == table || found.kind == tables:
		err = fmt.Errorf("%s is %s in %s; edit the file", key, found.kind, printable(s.name))
	default:
		changed = splice(s.data, found.start, found.end, value)
	}
	if err != nil {
		return nil, err
	}
	again, err := Decode(s.name, changed, reflect.New(s.structType()).Interface())
	now, _ := again.find(key)
	if err != nil && len(again.problems) > len(s.problems) || now == nil || now.raw != value {
		if err == nil {
			err = fmt.Errorf("the changed file does not read back as intended")
		}
		return nil, fmt.Errorf("%s is left as it was: %w", key, err)
	}
	return changed, nil
}

// settable checks the text against the field of the key and returns it as it
// stands in a file.
func (s *Source) settable(key, text string) (string, error) {
	scratch := reflect.New(s.structType())
	s.grow(scratch.Elem())
	f, v, err := lookUp(scratch.Interface(), key, true)
	if err != nil {
		return "", err
	}
	if err := f.setText(v, text); err != nil {
		return "", fmt.Errorf("%s: %w", key, err)
	}
	if f.kind == KindInteger {
		text = f.getText(v) // "+007" is no TOML number
	}
	return f.quote(text), nil
}

// grow adds array elements to the scratch struct until it has as many as the file.
func (s *Source) grow(v reflect.Value) { growTable(s.root, s.schema, v) }

func growTable(n *node, s *schema, v reflect.Value) {
	for _, f := range s.fields {
		child := n.children[f.key]
		if child == nil {
			continue
		}
		fv := v.Field(f.index)
		switch {
		case f.kind == KindGroup && child.kind == table:
			if f.pointer {
				fv.Set(reflect.New(fv.Type().Elem()))
				fv = fv.Elem()
			}
			growTable(child, f.sub, fv)
		case f.kind == KindGroups && child.elements != nil:
			fv.Set(reflect.MakeSlice(fv.Type(), len(child.elements), len(child.elements)))
			for i, element := range child.elements {
				growTable(element, f.sub, fv.Index(i))
			}
		}
	}
}

func splice(data []byte, start, end int, text string) []byte {
	return append(append(bytes.Clone(data[:start]), text...), data[end:]...)
}

// insert adds a key that is not in the file.
func (s *Source) insert(key, value string) ([]byte, error) {
	parent, name, nested := cutLast(key, ".")
	line := name + " = " + value
	t := s.root
	if nested {
		t, _ = s.find(parent)
	}
	newline := "\n"
	if bytes.Contains(s.data, []byte("\r\n")) {
		newline = "\r\n"
	}
	switch {
	case t == nil || t != s.root && !t.explicit && !t.dotted:
		if strings.Contains(parent, "[") {
			return nil, fmt.Errorf("%s: the table %s is not in the file", key, parent)
		}
		data := bytes.Clone(s.data)
		if len(data) > 0 && !bytes.HasSuffix(data, []byte("\n")) {
			data = append(data, newline...)
		}
		if len(bytes.TrimSpace(data)) > 0 {
			data = append(data, newline...)
		}
		return append(data, "["+parent+"]"+newline+line+newline...), nil
	case t.kind != table:
		return nil, fmt.Errorf("%s: %s is %s in the file", key, parent, t.kind)
	case t.inline:
		if len(t.names) > 0 {
			line = ", " + line
		}
		return splice(s.data, t.bodyEnd, t.bodyEnd, line), nil
	case t.dotted:
		line = string(s.data[t.prefix[0]:t.prefix[1]]) + "." + line
	case t == s.root && t.bodyEnd == t.key: // no key before the first header
		at := s.afterOpeningComment()
		return splice(s.data, at, at, line+newline), nil
	}
	at := t.bodyEnd
	if i := bytes.IndexByte(s.data[at:], '\n'); i >= 0 {
		at += i + 1
		return splice(s.data, at, at, line+newline), nil
	}
	return splice(s.data, len(s.data), len(s.data), newline+line+newline), nil
}

// afterOpeningComment returns where the comment that opens the file ends, if an
// empty line sets it off from what follows; else where the file starts.
func (s *Source) afterOpeningComment() int {
	for n := 1; n < len(s.lines); n++ {
		switch line := strings.TrimSpace(s.line(n)); {
		case line == "":
			return s.lineStart(n)
		case line[0] != '#':
			return s.lineStart(1)
		}
	}
	return s.lineStart(1)
}

// Quote writes a text as a TOML basic string.
func Quote(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range text {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case unicode.IsControl(r):
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
