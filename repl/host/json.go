package host

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"go/types"
	"reflect"
	"slices"
	"strings"
)

// Package encoding/json finds fields, tags and methods by reflection, which knows nothing of the script's types. So what is
// encoded becomes a value of a type made for it, with the names and the tags of the script's, and what is decoded comes from one.
// Where a type refers to itself or has methods of its own, an encoded value is an any, and a decoded one is kept as text first.

// A rawText is a part that is decoded by itself: at once into what is there, else later.
type rawText struct {
	into func([]byte) error
	own  func([]byte) bool // whether a method of the script's reads it: where that fails, decoding ends
	err  error
	text []byte
	set  bool
}

func (r *rawText) UnmarshalJSON(b []byte) error {
	if r.into != nil {
		err := r.into(b)
		if r.own(b) {
			return err
		}
		r.err = cmp.Or(r.err, err)
		return nil
	}
	r.text, r.set = bytes.Clone(b), true
	return nil
}

// A kept stands for what an interface holds until the text says otherwise. For a pointer stands that to a rawText.
type kept struct{ error }

// A marshaled is a value of a script's type with a method MarshalJSON or MarshalText.
type marshaled struct {
	name string // of the type
	call func() ([]byte, error)
	text bool
}

type methodError struct {
	text string
	err  error
}

func (e *methodError) Error() string { return e.text }
func (e *methodError) Unwrap() error { return e.err }

func (m marshaled) MarshalJSON() ([]byte, error) {
	b, err := m.call()
	method := "MarshalJSON"
	if m.text {
		method = "MarshalText"
		if err == nil {
			b, err = json.Marshal(string(b))
		}
	}
	if err == nil && !json.Valid(b) {
		err = json.Unmarshal(b, new(any))
	}
	if err != nil {
		err = &methodError{fmt.Sprintf("json: error calling %s for type %s: %v", method, m.name, err), err}
	}
	return b, err
}

// A namedType is a type that stands for one of the script's in an error.
type namedType struct {
	reflect.Type
	name string
}

func (t namedType) String() string { return t.name }

// named has an error name the script's type.
func named(err error, t types.Type) error {
	if wrong, ok := err.(*json.UnmarshalTypeError); ok {
		wrong.Type = namedType{wrong.Type, typeText(t)}
	}
	return err
}

// ownError returns an error of a script's method without what package json says about the type that stands for it.
func ownError(err error) error {
	var own *methodError
	if errors.As(err, &own) {
		return own
	}
	return err
}

// A keyText is the key of a map whose type has a method MarshalText of the script's.
type keyText struct{ text *string }

// MarshalText returns the text of the key.
func (k keyText) MarshalText() ([]byte, error) { return []byte(*k.text), nil }

// embeddedMark begins the name of a field that stands for an embedded one whose name is not exported.
const embeddedMark = "Qb_embedded_"

type jsonTypes struct {
	all    *Types
	decode bool
	strict bool         // decoding: fields that the type lacks are errors
	number bool         // decoding: numbers in interfaces are texts
	path   []types.Type // what the present type is part of
	failed *error       // of encoding: the first key that gave no text
}

// methodOf returns a method of a script's type, or of its pointer.
func (j *jsonTypes) methodOf(t types.Type, name string) any {
	if mine := j.all.find(t); mine != nil {
		return mine.Methods[name]
	}
	return nil
}

func (j *jsonTypes) hasMethod(t types.Type) bool {
	if _, named := types.Unalias(t).(*types.Named); !named || types.IsInterface(t) {
		return false
	}
	names := []string{"MarshalJSON", "MarshalText"}
	if j.decode {
		names = []string{"UnmarshalJSON", "UnmarshalText"}
	}
	for _, n := range names {
		if j.methodOf(types.NewPointer(t), n) != nil || j.methodOf(t, n) != nil {
			return true
		}
	}
	return false
}

// keyMethod returns the method of the script's that gives the keys of a map their text, or reads them from it; nil where there is none. As in package
// json, encoding asks no key that is a string, and decoding asks the pointer to a key.
func (j *jsonTypes) keyMethod(m *types.Map) any {
	key := m.Key()
	if _, named := types.Unalias(key).(*types.Named); !named || types.IsInterface(key) || compiledType(key) {
		return nil
	}
	if j.decode {
		return j.methodOf(types.NewPointer(key), "UnmarshalText")
	}
	if b, ok := key.Underlying().(*types.Basic); ok && b.Info()&types.IsString != 0 {
		return nil
	}
	return j.methodOf(key, "MarshalText")
}

// compiledType reports whether t is a compiled type that package json knows as it is. What an interface holds may be the script's.
func compiledType(t types.Type) bool { return nativeNamed(t) && !types.IsInterface(t) }

// delayed returns the type of a part that is not converted with the whole.
func (j *jsonTypes) delayed() reflect.Type {
	if j.decode {
		return reflect.TypeFor[rawText]()
	}
	return reflect.TypeFor[any]()
}

// of returns the type that stands for t, whose memory is m.
func (j *jsonTypes) of(t types.Type, m reflect.Type) reflect.Type {
	if compiledType(t) {
		return m
	}
	if j.hasMethod(t) {
		return j.delayed()
	}
	if _, named := types.Unalias(t).(*types.Named); named {
		for _, p := range j.path {
			if types.Identical(p, t) {
				return j.delayed()
			}
		}
		j.path = append(j.path, t)
		defer func() { j.path = j.path[:len(j.path)-1] }()
	}
	if !types.IsInterface(t) && m.Kind() == reflect.Interface { // of a recursive type
		mine := j.all.find(t)
		if mine == nil || mine.shape == nil {
			return j.delayed()
		}
		m = mine.shape
	}
	switch u := t.Underlying().(type) {
	case *types.Struct:
		var fields []reflect.StructField
		for i := range u.NumFields() {
			f := u.Field(i)
			if !f.Exported() && !f.Embedded() {
				continue
			}
			name := f.Name()
			if !f.Exported() {
				if e := f.Type(); types.IsInterface(e) || !isStruct(e) {
					continue
				}
				name = embeddedMark + name
			}
			ft := j.of(f.Type(), m.Field(i).Type)
			if j.omitsZero(u, i) {
				ft = reflect.TypeFor[any]()
			}
			embedded := f.Embedded() && (ft.Kind() == reflect.Struct && ft != reflect.TypeFor[rawText]() && ft.Name() == "" || ft.Kind() == reflect.Pointer && ft.Elem().Kind() == reflect.Struct && ft.Elem().Name() == "")
			fields = append(fields, reflect.StructField{Name: name, Type: ft, Tag: reflect.StructTag(u.Tag(i)), Anonymous: embedded})
		}
		return reflect.StructOf(fields)
	case *types.Pointer:
		e := j.of(u.Elem(), m.Elem())
		return reflect.PointerTo(e)
	case *types.Slice:
		return reflect.SliceOf(j.of(u.Elem(), m.Elem()))
	case *types.Array:
		return reflect.ArrayOf(int(u.Len()), j.of(u.Elem(), m.Elem()))
	case *types.Map:
		switch {
		case j.keyMethod(u) == nil:
			return reflect.MapOf(m.Key(), j.of(u.Elem(), m.Elem()))
		case j.decode:
			return j.delayed()
		default:
			return reflect.MapOf(reflect.TypeFor[keyText](), j.of(u.Elem(), m.Elem()))
		}
	case *types.Interface:
		if u.NumMethods() > 0 && j.decode {
			return reflect.TypeFor[error]()
		}
		return reflect.TypeFor[any]()
	}
	return m
}

func isStruct(t types.Type) bool {
	if p, ok := t.Underlying().(*types.Pointer); ok {
		t = p.Elem()
	}
	_, ok := t.Underlying().(*types.Struct)
	return ok
}

// tagged reports whether the tag of a field has an option.
func tagged(u *types.Struct, i int, option string) bool {
	return slices.Contains(strings.Split(reflect.StructTag(u.Tag(i)).Get("json"), ",")[1:], option)
}

// omitsZero reports whether a field is left out by what package json cannot see: a method IsZero of the script's, or fields that are not exported.
func (j *jsonTypes) omitsZero(u *types.Struct, i int) bool {
	t := u.Field(i).Type()
	if j.decode || !tagged(u, i, "omitzero") || compiledType(t) {
		return false
	}
	switch t.Underlying().(type) {
	case *types.Struct, *types.Array:
		return true
	}
	return j.methodOf(t, "IsZero") != nil || j.methodOf(types.NewPointer(t), "IsZero") != nil
}

// isZero is what package json asks for omitzero.
func (j *jsonTypes) isZero(t types.Type, v reflect.Value) bool {
	in := v
	m := j.methodOf(t, "IsZero")
	if k := v.Kind(); m != nil && (k == reflect.Pointer || k == reflect.Interface) && v.IsNil() {
		return true
	}
	if m == nil {
		in, m = reflect.New(v.Type()), j.methodOf(types.NewPointer(t), "IsZero")
		in.Elem().Set(v)
	}
	if f, ok := m.(func(any) bool); ok {
		return f(in.Interface())
	}
	return v.IsZero()
}

// isEmpty is what package json asks for omitempty.
func isEmpty(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Array, reflect.Map, reflect.Slice, reflect.String:
		return v.Len() == 0
	case reflect.Struct:
		return false
	}
	return v.IsZero()
}

// each calls f with the fields of a struct and of what stands for it.
func each(u *types.Struct, made reflect.Value, f func(i int, part reflect.Value)) {
	for i := range u.NumFields() {
		name := u.Field(i).Name()
		if !u.Field(i).Exported() {
			name = embeddedMark + name
		}
		if part := made.FieldByNameFunc(func(n string) bool { return n == name }); part.IsValid() {
			if sf, ok := made.Type().FieldByName(name); ok && len(sf.Index) == 1 {
				f(i, part)
			}
		}
	}
}

// out sets dst, of the type that stands for t, to v.
func (j *jsonTypes) out(t types.Type, v, dst reflect.Value) {
	if v.Kind() == reflect.Interface && !types.IsInterface(t) {
		v = v.Elem()
	}
	if !v.IsValid() {
		return
	}
	if compiledType(t) {
		dst.Set(v)
		return
	}
	if dst.Kind() == reflect.Interface && !types.IsInterface(t) { // delayed
		if x := j.value(t, v); x != nil {
			dst.Set(reflect.ValueOf(x))
		}
		return
	}
	switch u := t.Underlying().(type) {
	case *types.Struct:
		each(u, dst, func(i int, part reflect.Value) {
			f := v.Field(i)
			if part.Kind() == reflect.Interface && (tagged(u, i, "omitempty") && isEmpty(f) || j.omitsZero(u, i) && j.isZero(u.Field(i).Type(), f)) {
				return
			}
			j.out(u.Field(i).Type(), f, part)
			if j.omitsZero(u, i) && part.IsNil() {
				part.Set(reflect.ValueOf(json.RawMessage("null")))
			}
		})
	case *types.Pointer:
		if !v.IsNil() {
			dst.Set(reflect.New(dst.Type().Elem()))
			j.out(u.Elem(), v.Elem(), dst.Elem())
		}
	case *types.Slice, *types.Array:
		elem := t.Underlying().(interface{ Elem() types.Type }).Elem()
		if v.Kind() == reflect.Slice {
			if v.IsNil() {
				return
			}
			dst.Set(reflect.MakeSlice(dst.Type(), v.Len(), v.Len()))
		}
		for i := range v.Len() {
			j.out(elem, v.Index(i), dst.Index(i))
		}
	case *types.Map:
		if v.IsNil() {
			return
		}
		dst.Set(reflect.MakeMapWithSize(dst.Type(), v.Len()))
		for it := v.MapRange(); it.Next(); {
			e := reflect.New(dst.Type().Elem()).Elem()
			j.out(u.Elem(), it.Value(), e)
			key := it.Key()
			if f, ok := j.keyMethod(u).(func(any) ([]byte, error)); ok {
				b, err := f(key.Interface())
				if err != nil && j.failed != nil && *j.failed == nil {
					*j.failed = fmt.Errorf("json: encoding error for type %q: %q", typeText(t), err.Error())
				}
				text := string(b)
				key = reflect.ValueOf(keyText{&text})
			}
			dst.SetMapIndex(key, e)
		}
	case *types.Interface:
		if v.Kind() == reflect.Interface && v.IsNil() {
			return
		}
		if x := j.opened(v.Interface()); x != nil {
			dst.Set(reflect.ValueOf(x))
		}
	default:
		dst.Set(v)
	}
}

// value returns what is encoded for v of type t.
func (j *jsonTypes) value(t types.Type, v reflect.Value) any {
	if v.Kind() == reflect.Interface && !types.IsInterface(t) {
		v = v.Elem()
	}
	if !v.IsValid() {
		return nil
	}
	for _, name := range []string{"MarshalJSON", "MarshalText"} {
		at, in := t, v
		m := j.methodOf(t, name)
		if m == nil && v.CanAddr() {
			at, in = types.NewPointer(t), v.Addr()
			m = j.methodOf(at, name)
		}
		f, ok := m.(func(any) ([]byte, error))
		if !ok {
			continue
		}
		if in.Kind() == reflect.Pointer && in.IsNil() {
			return nil
		}
		x := in.Interface()
		return marshaled{typeText(at), func() ([]byte, error) { return f(x) }, name == "MarshalText"}
	}
	if u, ok := t.Underlying().(*types.Pointer); ok && j.hasMethod(u.Elem()) {
		if v.IsNil() {
			return nil
		}
		return j.value(u.Elem(), v.Elem())
	}
	// The type itself may stand for a part of itself further down.
	in := jsonTypes{all: j.all, failed: j.failed}
	dst := reflect.New(in.plain(t, v.Type())).Elem()
	in.out2(t, v, dst)
	return dst.Interface()
}

// plain is of for a type whose own methods do not count, since they are not those of this value.
func (j *jsonTypes) plain(t types.Type, m reflect.Type) reflect.Type {
	if _, named := types.Unalias(t).(*types.Named); named && j.hasMethod(t) {
		return j.of(t.Underlying(), m)
	}
	return j.of(t, m)
}

func (j *jsonTypes) out2(t types.Type, v, dst reflect.Value) {
	if j.hasMethod(t) {
		t = t.Underlying()
	}
	j.out(t, v, dst)
}

// opened returns what is encoded for what an interface holds.
func (j *jsonTypes) opened(x any) any {
	if b, ok := x.(boxer); ok {
		return j.value(b.box().T.Types, reflect.ValueOf(b.box().V))
	}
	if x == nil || !holdsAny(reflect.TypeOf(x)) {
		return x
	}
	return marked(reflect.ValueOf(x), func(b Box) any { return j.value(b.T.Types, reflect.ValueOf(b.V)) }).Interface()
}

// apart reports whether a variable of type t, which is recursive, has its value in an interface.
func apart(t types.Type, v reflect.Value) bool {
	return !types.IsInterface(t) && v.Kind() == reflect.Interface
}

// whole calls set with a variable of the memory that t has outside an interface, and puts what it sets where v has it.
func (j *jsonTypes) whole(t types.Type, v reflect.Value, set func(reflect.Value) error) error {
	mine := j.all.find(t)
	if mine == nil || mine.shape == nil {
		return fmt.Errorf("json: cannot decode into a value of type %s here", typeText(t))
	}
	dst := reflect.New(mine.shape).Elem()
	if !v.IsNil() {
		dst.Set(v.Elem())
	}
	err := set(dst)
	v.Set(dst)
	return err
}

// back sets dst, a variable of type t, from what was decoded.
func (j *jsonTypes) back(t types.Type, made, dst reflect.Value) error {
	if made.Type() == reflect.TypeFor[rawText]() {
		raw := made.Interface().(rawText)
		if !raw.set {
			return raw.err
		}
		return j.read(raw.text, t, dst)
	}
	if apart(t, dst) {
		return j.whole(t, dst, func(dst reflect.Value) error { return j.back(t, made, dst) })
	}
	if compiledType(t) || shared(made, dst) {
		dst.Set(made)
		return nil
	}
	switch u := t.Underlying().(type) {
	case *types.Struct:
		var wrong error
		each(u, made, func(i int, part reflect.Value) {
			err := j.back(u.Field(i).Type(), part, dst.Field(i))
			if at, ok := err.(*json.UnmarshalTypeError); ok {
				at.Field = strings.Trim(fieldKey(u, i)+"."+at.Field, ".")
			}
			wrong = cmp.Or(wrong, err)
		})
		return wrong
	case *types.Pointer:
		if made.IsNil() {
			dst.SetZero()
			return nil
		}
		if dst.IsNil() {
			dst.Set(reflect.New(dst.Type().Elem()))
		}
		return j.back(u.Elem(), made.Elem(), dst.Elem())
	case *types.Slice, *types.Array:
		elem := t.Underlying().(interface{ Elem() types.Type }).Elem()
		done, wrong := 0, error(nil)
		if made.Kind() == reflect.Slice {
			if made.IsNil() {
				dst.SetZero()
				return nil
			}
			if list := reflect.MakeSlice(dst.Type(), made.Len(), made.Cap()); made.Cap() == 0 {
				dst.Set(list)
			} else if place := dst.Slice(0, min(made.Len(), dst.Cap())); place.Len() == made.Len() {
				dst.Set(place)
			} else { // decoded in its place as long as there was one
				for ; done < place.Len(); done++ {
					wrong = cmp.Or(wrong, j.back(elem, made.Index(done), place.Index(done)))
				}
				reflect.Copy(list, place)
				dst.Set(list)
			}
		}
		for i := done; i < made.Len(); i++ {
			wrong = cmp.Or(wrong, j.back(elem, made.Index(i), dst.Index(i)))
		}
		return wrong
	case *types.Map:
		if made.IsNil() {
			dst.SetZero()
			return nil
		}
		if dst.IsNil() {
			dst.Set(reflect.MakeMap(dst.Type()))
		}
		for it := made.MapRange(); it.Next(); {
			e := reflect.New(dst.Type().Elem()).Elem()
			if err := j.back(u.Elem(), it.Value(), e); err != nil {
				return err
			}
			dst.SetMapIndex(it.Key(), e)
		}
	case *types.Interface:
		if made.IsNil() {
			dst.SetZero()
		} else if p, ok := made.Interface().(*rawText); ok {
			return p.err
		} else if _, ok := made.Interface().(kept); ok {
			return nil
		} else if made.Type().AssignableTo(dst.Type()) {
			dst.Set(made.Elem())
		}
	default:
		dst.Set(made)
	}
	return nil
}

// read decodes text into a variable of type t.
func (j *jsonTypes) read(text []byte, t types.Type, dst reflect.Value) error {
	for _, name := range []string{"UnmarshalJSON", "UnmarshalText"} {
		f, ok := j.methodOf(types.NewPointer(t), name).(func(any, []byte) error)
		if !ok || !dst.CanAddr() {
			continue
		}
		if name == "UnmarshalText" {
			if string(text) == "null" { // package json asks no method
				if slices.Contains([]reflect.Kind{reflect.Interface, reflect.Pointer, reflect.Map, reflect.Slice}, dst.Kind()) {
					dst.SetZero()
				}
				return nil
			}
			var s string
			if err := json.Unmarshal(text, &s); err != nil {
				return named(err, t)
			}
			text = []byte(s)
		}
		return f(dst.Addr().Interface(), text)
	}
	if apart(t, dst) {
		return j.whole(t, dst, func(dst reflect.Value) error { return j.read(text, t, dst) })
	}
	if m, ok := t.Underlying().(*types.Map); ok && !compiledType(t) && j.keyMethod(m) != nil {
		return j.readMap(text, t, m, dst)
	}
	return j.decodeInto(t, dst, func(x any) error {
		d := json.NewDecoder(bytes.NewReader(text))
		if j.strict {
			d.DisallowUnknownFields()
		}
		if j.number {
			d.UseNumber()
		}
		return d.Decode(x)
	})
}

// readMap decodes text into a map whose keys are read by a method of the script's, in the order of the text.
func (j *jsonTypes) readMap(text []byte, t types.Type, m *types.Map, dst reflect.Value) error {
	d := json.NewDecoder(bytes.NewReader(text))
	begin, err := d.Token()
	switch {
	case err != nil:
		return err
	case begin == nil: // null
		dst.SetZero()
		return nil
	case begin != json.Delim('{'):
		return named(json.Unmarshal(text, new(map[string]any)), t)
	}
	if dst.IsNil() {
		dst.Set(reflect.MakeMap(dst.Type()))
	}
	read := j.keyMethod(m).(func(any, []byte) error)
	var wrong error
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return err
		}
		var raw json.RawMessage
		if err := d.Decode(&raw); err != nil {
			return err
		}
		key, e := reflect.New(dst.Type().Key()), reflect.New(dst.Type().Elem())
		if err := j.read(raw, m.Elem(), e.Elem()); err != nil && wrong == nil {
			wrong = err
		}
		if err := read(key.Interface(), []byte(name.(string))); err != nil {
			return err
		}
		dst.SetMapIndex(key.Elem(), e.Elem())
	}
	return wrong
}

// decodeInto has decode fill a value that stands for a variable of type t, and sets the variable from it.
func (j *jsonTypes) decodeInto(t types.Type, dst reflect.Value, decode func(any) error) error {
	in := jsonTypes{all: j.all, decode: true, strict: j.strict, number: j.number}
	made := reflect.New(in.of(t, dst.Type()))
	in.fill(t, dst, made.Elem())
	err := decode(made.Interface())
	if later := in.back(t, made.Elem(), dst); err == nil {
		err = later
	}
	if wrong, ok := err.(*json.UnmarshalTypeError); ok {
		of := t
		if wrong.Field != "" {
			wrong.Field = strings.ReplaceAll(wrong.Field, embeddedMark, "")
			var name string
			name, of = fieldAt(t, strings.Split(wrong.Field, "."))
			wrong.Struct = cmp.Or(name, wrong.Struct)
		}
		if name := nameOfKind(of, wrong.Type.Kind()); name != "" {
			wrong.Type = namedType{wrong.Type, name}
		}
	}
	return err
}

// shared reports whether what stands for a variable is of the variable's own type, with nothing of the script's in it: decoding
// then works on the same memory.
func shared(made, v reflect.Value) bool {
	return made.Type() == v.Type() && made.Kind() != reflect.Interface && made.Type() != reflect.TypeFor[rawText]() && !holdsAny(made.Type())
}

// into returns a text that is read into a variable of type t.
func (j *jsonTypes) into(t types.Type, v reflect.Value) rawText {
	p := types.NewPointer(t)
	return rawText{into: func(b []byte) error { return j.read(b, t, v) }, own: func(b []byte) bool {
		return j.methodOf(p, "UnmarshalJSON") != nil || j.methodOf(p, "UnmarshalText") != nil && b[0] == '"'
	}}
}

// fill sets what stands for a variable to what the variable holds: decoding leaves what the text does not mention.
func (j *jsonTypes) fill(t types.Type, v, dst reflect.Value) {
	if dst.Type() == reflect.TypeFor[rawText]() {
		if v.CanAddr() {
			dst.Set(reflect.ValueOf(j.into(t, v)))
		}
		return
	}
	if apart(t, v) {
		if v = v.Elem(); !v.IsValid() {
			return
		}
	}
	if compiledType(t) || shared(dst, v) {
		dst.Set(v)
		return
	}
	switch u := t.Underlying().(type) {
	case *types.Struct:
		each(u, dst, func(i int, part reflect.Value) { j.fill(u.Field(i).Type(), v.Field(i), part) })
	case *types.Pointer:
		if !v.IsNil() {
			dst.Set(reflect.New(dst.Type().Elem()))
			j.fill(u.Elem(), v.Elem(), dst.Elem())
		}
	case *types.Slice:
		if !v.IsNil() {
			dst.Set(reflect.MakeSlice(dst.Type(), v.Len(), v.Cap()))
			for i := range v.Cap() {
				j.fill(u.Elem(), v.Slice(0, v.Cap()).Index(i), dst.Slice(0, v.Cap()).Index(i))
			}
		}
	case *types.Array:
		for i := range v.Len() {
			j.fill(u.Elem(), v.Index(i), dst.Index(i))
		}
	case *types.Map:
		if !v.IsNil() {
			dst.Set(reflect.MakeMap(dst.Type()))
		}
	case *types.Interface:
		if v.IsNil() {
			return
		}
		dst.Set(reflect.ValueOf(kept{}))
		if b, ok := v.Interface().(boxer); ok && u.NumMethods() == 0 {
			if p, ok := b.box().T.Types.Underlying().(*types.Pointer); ok && !reflect.ValueOf(b.box().V).IsNil() {
				text := j.into(p.Elem(), reflect.ValueOf(b.box().V).Elem())
				dst.Set(reflect.ValueOf(&text))
			}
		} else if v.Elem().Kind() == reflect.Pointer && v.Elem().Type().AssignableTo(dst.Type()) {
			dst.Set(v.Elem())
		}
	default:
		dst.Set(v)
	}
}

// nameOfKind returns the name of t, or of what it holds elements of, that is of a kind; "" for none.
func nameOfKind(t types.Type, kind reflect.Kind) string {
	for {
		is := reflect.Invalid
		switch u := t.Underlying().(type) {
		case *types.Struct:
			is = reflect.Struct
		case *types.Map:
			is = reflect.Map
		case *types.Slice:
			is = reflect.Slice
		case *types.Array:
			is = reflect.Array
		case *types.Interface:
			is = reflect.Interface
		case *types.Basic:
			is = reflect.Kind(u.Kind())
			if u.Kind() == types.String {
				is = reflect.String
			}
		}
		if is == kind {
			return typeText(t)
		}
		e, ok := t.Underlying().(interface{ Elem() types.Type })
		if !ok {
			return ""
		}
		t = e.Elem()
	}
}

// fieldKey returns the name that the text has for a field.
func fieldKey(s *types.Struct, i int) string {
	tag, _, _ := strings.Cut(reflect.StructTag(s.Tag(i)).Get("json"), ",")
	return cmp.Or(tag, s.Field(i).Name())
}

// fieldAt returns the type of a field and the name of the struct that holds it, by the names that the text has.
func fieldAt(t types.Type, path []string) (name string, at types.Type) {
	embedded := false
	for _, key := range path {
		for {
			e, ok := t.Underlying().(interface{ Elem() types.Type })
			if !ok {
				break
			}
			t = e.Elem()
		}
		s, ok := t.Underlying().(*types.Struct)
		if !ok { // what an interface holds
			return "", t
		}
		if !embedded {
			name = ""
			if n, ok := types.Unalias(t).(*types.Named); ok {
				name = n.Obj().Name()
			}
		}
		embedded = false
		for i := range s.NumFields() {
			if fieldKey(s, i) == key {
				t = s.Field(i).Type()
				embedded = key == s.Field(i).Name() && s.Field(i).Embedded()
			}
		}
	}
	return name, t
}

// encoded returns what package json gets for a value; the error is that of a key which gave no text.
func (rt *RT) encoded(x any) (any, error) {
	var failed error
	out := (&jsonTypes{all: rt.Types, failed: &failed}).opened(x)
	return out, failed
}

// encode has a function of package json encode a value.
func (rt *RT) encode(x any, with func(any) ([]byte, error)) ([]byte, error) {
	x, err := rt.encoded(x)
	if err != nil {
		return nil, err
	}
	b, err := with(x)
	return b, ownError(err)
}

// anyType returns the type of a pointer to an any, or to some in slices or arrays; nil for another. What such an any points at may be the script's.
func anyType(t reflect.Type) types.Type {
	if t == reflect.TypeFor[any]() {
		return types.Universe.Lookup("any").Type()
	}
	if t == nil || !slices.Contains([]reflect.Kind{reflect.Pointer, reflect.Slice, reflect.Array}, t.Kind()) {
		return nil
	}
	of := anyType(t.Elem())
	switch {
	case of == nil:
		return nil
	case t.Kind() == reflect.Pointer:
		return types.NewPointer(of)
	case t.Kind() == reflect.Slice:
		return types.NewSlice(of)
	}
	return types.NewArray(of, int64(t.Len()))
}

func (rt *RT) jsonDecode(x any, j *jsonTypes, decode func(any) error) error {
	b, ok := x.(boxer)
	if !ok {
		if p, ok := anyType(reflect.TypeOf(x)).(*types.Pointer); ok && !reflect.ValueOf(x).IsNil() {
			return j.decodeInto(p.Elem(), reflect.ValueOf(x).Elem(), decode)
		}
		return decode(x)
	}
	p, ok := b.box().T.Types.Underlying().(*types.Pointer)
	if v := reflect.ValueOf(b.box().V); !ok || !v.IsValid() || v.IsNil() {
		text := "json: Unmarshal(non-pointer " + typeText(b.box().T.Types) + ")"
		if ok {
			text = "json: Unmarshal(nil " + typeText(b.box().T.Types) + ")"
		}
		return errors.New(text)
	}
	dst := reflect.ValueOf(b.box().V).Elem()
	if j.hasMethod(p.Elem()) {
		var raw json.RawMessage
		if err := decode(&raw); err != nil {
			return err
		}
		return j.read(raw, p.Elem(), dst)
	}
	return j.decodeInto(p.Elem(), dst, decode)
}

// jsonFunctions returns those of package encoding/json for a script; its methods are in Waits.
func (rt *RT) jsonFunctions() map[string]reflect.Value {
	return map[string]reflect.Value{
		"Marshal": reflect.ValueOf(func(x any) ([]byte, error) {
			return rt.encode(x, json.Marshal)
		}),
		"MarshalIndent": reflect.ValueOf(func(x any, prefix, indent string) ([]byte, error) {
			return rt.encode(x, func(x any) ([]byte, error) { return json.MarshalIndent(x, prefix, indent) })
		}),
		"Unmarshal": reflect.ValueOf(func(text []byte, x any) error {
			return rt.jsonDecode(x, &jsonTypes{all: rt.Types, decode: true}, func(x any) error { return json.Unmarshal(text, x) })
		}),
	}
}

func (rt *RT) jsonEncode(e *json.Encoder, x any) error {
	_, err := rt.encode(x, func(x any) ([]byte, error) { return nil, e.Encode(x) })
	return err
}

func (rt *RT) jsonDecoder(d *json.Decoder, x any) error {
	// What is decoded by itself follows the decoder's rules, and a decoder tells them to nobody.
	rule := func(name string) bool {
		state := reflect.ValueOf(d).Elem().FieldByName("d")
		return state.IsValid() && state.FieldByName(name).IsValid() && state.FieldByName(name).Bool()
	}
	return rt.jsonDecode(x, &jsonTypes{all: rt.Types, decode: true, strict: rule("disallowUnknownFields"), number: rule("useNumber")}, d.Decode)
}

// shape notes the memory of the script's n-th type.
func (ts *Types) shape(n int, pointer any) { ts.list[n].shape = reflect.TypeOf(pointer).Elem() }
