package datafile

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"quaybench/bench/quantity"
)

// SetField sets one field of the struct that into points to from text, with the
// same reading and checks as a file: SetField(&set, "limits.motor_current", "240 A").
// An optional table that is absent is made, with its defaults. The error names the
// key, and for an unknown key the nearest one; nothing is changed then.
//
// Tables behind pointers and slices are copied before they are changed, so that a
// plain copy of a struct can be changed without touching the original.
func SetField(into any, key, text string) error {
	return change(into, key, func(f *field, v reflect.Value) error { return f.setText(v, text) })
}

// SetNumber sets a quantity from its SI value, with the same checks. Tolerance and
// provenance are dropped. Otherwise as SetField.
func SetNumber(into any, key string, si float64) error {
	return change(into, key, func(f *field, v reflect.Value) error { return f.setNumber(v, si) })
}

// change finds the field of a key and sets it; after an error all is as before.
func change(into any, key string, set func(*field, reflect.Value) error) error {
	whole := reflect.ValueOf(into).Elem()
	before := reflect.New(whole.Type()).Elem()
	before.Set(whole)
	f, v, err := lookUp(into, key, true)
	if err == nil {
		if err = set(f, v); err != nil {
			err = fmt.Errorf("%s: %w", printable(key), err)
		}
	}
	if err != nil {
		whole.Set(before)
	}
	return err
}

// Get prints the current value of a key with its unit. The text is "" if it was not
// given; ok is false if there is no such key or its table is absent.
func Get(from any, key string) (text string, ok bool) {
	f, v, err := lookUp(from, key, false)
	if err != nil || f.group() {
		return "", false
	}
	return f.getText(v), true
}

// Shown prints the current value of a key as a person writes it, exactly: with the prefix that suits its size, shares in per cent, speeds of
// rotation in rpm. It reads back the same. Get keeps to the unit of the table instead, for what is compared as text.
func Shown(from any, key string) (text string, ok bool) {
	f, v, err := lookUp(from, key, false)
	if err != nil || f.group() {
		return "", false
	}
	if f.kind != KindQuantity {
		return f.getText(v), true
	}
	q, is := v.Interface().(quantity.Value)
	if !is {
		q = quantity.Exactly(v.Float())
	}
	unit := readerUnit(f.columns[0].text, f.fallback+f.tag("min")+f.tag("max")+f.tag("above")+f.tag("example"))
	if unit == f.columns[0].text {
		unit = quantity.Suited(q.SI, unit)
	}
	return q.Text(unit), true
}

// ReaderUnit returns the unit in which a person reads a value of a key: rpm of a speed of rotation, % of a share that its range, default or
// example states in per cent, else the key's own.
func (f Field) ReaderUnit() string {
	return readerUnit(f.Unit, f.Default+f.Min+f.Max+f.Above+f.Example)
}

func readerUnit(unit, written string) string {
	switch {
	case unit == "rad/s":
		return "rpm"
	case unit == "1" && strings.Contains(written, "%"):
		return "%"
	}
	return unit
}

// Number returns the SI value of a quantity; ok is false if there is no such
// quantity or it was not given.
func Number(from any, key string) (si float64, ok bool) {
	f, v, err := lookUp(from, key, false)
	if err != nil || f.kind != KindQuantity {
		return 0, false
	}
	if v.Type() == valueType {
		q := v.Interface().(quantity.Value)
		return q.SI, q.Given
	}
	return v.Float(), true
}

// Walk visits every quantity.Value of the struct that into points to, given or
// not, in declaration order. visit may change it: tables behind pointers and slices
// are copied first, so that walking a plain copy does not touch the original.
func Walk(into any, visit func(path string, v *quantity.Value)) {
	v := reflect.ValueOf(into).Elem()
	walk("", schemaOf(v.Type()), v, visit)
}

func walk(prefix string, s *schema, v reflect.Value, visit func(path string, v *quantity.Value)) {
	for _, f := range s.fields {
		path, fv := prefix+f.key, v.Field(f.index)
		switch {
		case fv.Type() == valueType:
			visit(path, fv.Addr().Interface().(*quantity.Value))
		case f.pointer && fv.IsNil():
		case f.pointer:
			detach(fv)
			walk(path+".", f.sub, fv.Elem(), visit)
		case f.kind == KindGroup:
			walk(path+".", f.sub, fv, visit)
		case f.kind == KindGroups:
			detach(fv)
			for i := range fv.Len() {
				walk(fmt.Sprintf("%s[%d].", path, i), f.sub, fv.Index(i), visit)
			}
		}
	}
}

// detach replaces a pointer or slice by one to a copy of what it holds.
func detach(v reflect.Value) {
	switch {
	case v.IsNil():
	case v.Kind() == reflect.Pointer:
		fresh := reflect.New(v.Type().Elem())
		fresh.Elem().Set(v.Elem())
		v.Set(fresh)
	case v.Kind() == reflect.Slice:
		fresh := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
		reflect.Copy(fresh, v)
		v.Set(fresh)
	}
}

// lookUp finds the field of a key path. With create, absent optional tables are
// made and others detached, so that the field can be changed.
func lookUp(of any, key string, create bool) (*field, reflect.Value, error) {
	v := reflect.ValueOf(of)
	for v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	top := schemaOf(v.Type())
	s := top
	list, ok := steps(key)
	if !ok {
		return nil, v, unknownKey(top, key)
	}
	var f *field
	for i, st := range list {
		if st.index >= 0 {
			if f == nil || f.kind != KindGroups || v.Kind() != reflect.Slice {
				return nil, v, unknownKey(top, key)
			}
			if st.index >= v.Len() {
				return nil, v, fmt.Errorf("%s: there are only %d of %s, counted from 0", printable(key), v.Len(), f.key)
			}
			if create {
				detach(v)
			}
			v = v.Index(st.index)
			continue
		}
		if i > 0 {
			if f.sub == nil || v.Kind() == reflect.Slice {
				return nil, v, unknownKey(top, key)
			}
			s = f.sub
			if v.Kind() == reflect.Pointer {
				if v.IsNil() {
					if !create {
						return nil, v, fmt.Errorf("%s: the table %s is absent", printable(key), f.key)
					}
					v.Set(reflect.New(v.Type().Elem()))
					s.setDefaults(v.Elem())
				} else if create {
					detach(v)
				}
				v = v.Elem()
			}
		}
		if f = s.byKey[st.name]; f == nil {
			return nil, v, unknownKey(top, key)
		}
		v = v.Field(f.index)
	}
	return f, v, nil
}

// unknownKey returns the error for a key nobody knows; it names the nearest, or what keys begin with.
func unknownKey(s *schema, key string) error {
	var known []string
	leaf := ""
	s.each("", func(path string, f *field) {
		if !f.group() {
			known = append(known, path)
			if f.key == key && leaf == "" {
				leaf = path
			}
		}
	})
	near := leaf
	if near == "" {
		near = nearest(key, known)
	}
	if near == "" { // the right name in the wrong table
		_, last, _ := cutLast(key, ".")
		for _, path := range known {
			if _, l, _ := cutLast(path, "."); l == last {
				near = path
				break
			}
		}
	}
	if near == "" {
		var begin []string
		for _, path := range known {
			if first, _, _ := strings.Cut(path, "."); !slices.Contains(begin, first) {
				begin = append(begin, first)
			}
		}
		return fmt.Errorf("unknown key %s; keys here begin with %s", quoted(key), strings.Join(begin, ", "))
	}
	return fmt.Errorf("unknown key %s; did you mean %s?", quoted(key), near)
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return "", s, false
}
