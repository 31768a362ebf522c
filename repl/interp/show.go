package interp

import (
	"fmt"
	"go/types"
	"reflect"
	"sort"
	"strconv"
	"strings"
)

// show writes a value as a person reads it; text is what a value of the script's says of itself.
func show(v Value, text func(types.Type, any) (string, bool)) string {
	s := shower{text: text}
	s.value(v.Type, v.Value, 0)
	return s.b.String()
}

const (
	showElements = 50 // of a slice or map
	showDepth    = 6
)

type shower struct {
	b    strings.Builder
	text func(types.Type, any) (string, bool)
}

func (s *shower) value(t types.Type, v reflect.Value, depth int) {
	if !v.IsValid() {
		s.b.WriteString("nil")
		return
	}
	if s.own(t) == "" && v.CanInterface() && s.compiled(v) {
		return
	}
	if v.CanInterface() && !types.IsInterface(t) {
		if text, ok := s.text(t, v.Interface()); ok {
			s.b.WriteString(text)
			return
		}
	}
	if depth > showDepth {
		s.b.WriteString("...")
		return
	}
	switch u := t.Underlying().(type) {
	case *types.Struct:
		s.fields(t, u, v, depth)
	case *types.Pointer:
		if v.IsNil() {
			s.b.WriteString("nil")
			return
		}
		s.b.WriteByte('&')
		s.value(u.Elem(), v.Elem(), depth+1)
	case *types.Slice:
		if v.IsNil() {
			s.b.WriteString("nil")
			return
		}
		s.list(u.Elem(), v, depth)
	case *types.Array:
		s.list(u.Elem(), v, depth)
	case *types.Map:
		s.entries(u, v, depth)
	case *types.Signature:
		if v.IsNil() {
			s.b.WriteString("nil")
			return
		}
		s.b.WriteString(s.name(t))
	case *types.Interface:
		if v.IsNil() {
			s.b.WriteString("nil")
			return
		}
		s.dynamic(v.Elem(), depth)
	default:
		if v.Kind() == reflect.String {
			s.b.WriteString(strconv.Quote(v.String()))
			return
		}
		fmt.Fprint(&s.b, v)
	}
}

// compiled writes a value of a compiled type that says itself how.
func (s *shower) compiled(v reflect.Value) bool {
	x := v.Interface()
	if k := v.Kind(); (k == reflect.Pointer || k == reflect.Interface || k == reflect.Map || k == reflect.Slice || k == reflect.Func) && v.IsNil() {
		return false
	}
	switch x := x.(type) {
	case error:
		s.b.WriteString(x.Error())
		return true
	case fmt.Stringer:
		s.b.WriteString(x.String())
		return true
	}
	return false
}

// dynamic writes what an interface holds, which has a compiled type.
func (s *shower) dynamic(v reflect.Value, depth int) {
	if v.CanInterface() && s.compiled(v) {
		return
	}
	if v.Kind() == reflect.String {
		s.b.WriteString(strconv.Quote(v.String()))
		return
	}
	fmt.Fprint(&s.b, v)
}

func (s *shower) fields(t types.Type, u *types.Struct, v reflect.Value, depth int) {
	s.b.WriteString(s.name(t) + "{")
	for i := range u.NumFields() {
		if i > 0 {
			s.b.WriteString(", ")
		}
		s.b.WriteString(u.Field(i).Name() + ": ")
		f := v.Field(i)
		if !f.CanInterface() { // of a compiled struct
			fmt.Fprint(&s.b, f)
			continue
		}
		s.value(u.Field(i).Type(), f, depth+1)
	}
	s.b.WriteByte('}')
}

func (s *shower) list(elem types.Type, v reflect.Value, depth int) {
	s.b.WriteByte('[')
	for i := range v.Len() {
		if i > 0 {
			s.b.WriteByte(' ')
		}
		if i == showElements {
			fmt.Fprintf(&s.b, "... (%d in all)", v.Len())
			break
		}
		s.value(elem, v.Index(i), depth+1)
	}
	s.b.WriteByte(']')
}

func (s *shower) entries(m *types.Map, v reflect.Value, depth int) {
	if v.IsNil() {
		s.b.WriteString("nil")
		return
	}
	var list []string
	for _, k := range v.MapKeys() {
		e := shower{text: s.text}
		e.value(m.Key(), k, depth+1)
		e.b.WriteString(": ")
		e.value(m.Elem(), v.MapIndex(k), depth+1)
		list = append(list, e.b.String())
	}
	sort.Strings(list)
	if len(list) > showElements {
		list = append(list[:showElements], fmt.Sprintf("... (%d in all)", v.Len()))
	}
	s.b.WriteString("{" + strings.Join(list, ", ") + "}")
}

// name writes a type; those of the script without their package.
func (s *shower) name(t types.Type) string {
	return types.TypeString(t, func(p *types.Package) string {
		if p.Path() == "main" {
			return ""
		}
		return p.Name()
	})
}

// own returns the name of a type of the script, or "".
func (s *shower) own(t types.Type) string {
	if n, ok := types.Unalias(t).(*types.Named); ok && n.Obj().Pkg() != nil && n.Obj().Pkg().Path() == "main" {
		return n.Obj().Name()
	}
	return ""
}
