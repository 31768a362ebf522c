package core

import (
	"fmt"
	"go/types"
	"reflect"
	"slices"
	"strings"

	"golang.org/x/tools/go/types/typeutil"

	"quaybench/repl/symbols"
)

type lowering struct {
	used      map[string]string // native packages, path to name
	cache     typeutil.Map
	recursive map[*types.Named]bool
	hidden    map[string]reflect.Type
	nameable  func(*types.TypeName) *types.TypeName
}

func isScript(n *types.Named) bool {
	return n.Obj().Pkg() != nil && symbols.IsScript(n.Obj().Pkg().Path())
}

// isRecursive reports whether a script's type reaches itself.
func (l *lowering) isRecursive(n *types.Named) bool {
	if r, ok := l.recursive[n]; ok {
		return r
	}
	seen := map[types.Type]bool{}
	var walk func(t types.Type) bool
	walk = func(t types.Type) bool {
		t = types.Unalias(t)
		if t == types.Type(n) {
			return true
		}
		if m, ok := t.(*types.Named); ok {
			if types.Identical(m, n) {
				return true
			}
			if !isScript(m) || seen[m] {
				return false
			}
			seen[m] = true
			return walk(m.Underlying())
		}
		return slices.ContainsFunc(parts(t), walk)
	}
	r := walk(n.Underlying())
	l.recursive[n] = r
	return r
}

// holds reports whether a value of type t holds a recursive struct in itself.
func (l *lowering) holds(t types.Type) bool {
	switch u := types.Unalias(t).(type) {
	case *types.Named:
		if isScript(u) {
			switch u.Underlying().(type) {
			case *types.Struct, *types.Array:
				return l.isRecursive(u) || l.holds(u.Underlying())
			}
		}
	case *types.Array, *types.Struct:
		return slices.ContainsFunc(parts(u), l.holds)
	}
	return false
}

// opaque reports whether memory of type t is an any.
func (l *lowering) opaque(t types.Type) bool {
	t = types.Unalias(t)
	if n, ok := t.(*types.Named); ok && isScript(n) {
		switch n.Underlying().(type) {
		case *types.Struct, *types.Array, *types.Basic, *types.Interface:
			return false
		}
		return l.isRecursive(n) || l.opaque(n.Underlying())
	}
	switch u := t.(type) {
	case *types.Pointer, *types.Slice, *types.Map, *types.Signature:
		return slices.ContainsFunc(parts(t), l.holds)
	case *types.Chan: // those of one direction may be compiled ones, of a type of their own
		return u.Dir() != types.SendRecv || l.holds(u.Elem())
	}
	return false
}

// of returns the type of memory and registers.
func (l *lowering) of(t types.Type) string {
	if l.opaque(t) {
		return "host.Any"
	}
	return l.view(t)
}

// view returns the type behind an opaque one.
func (l *lowering) view(t types.Type) string {
	if s := l.cache.At(t); s != nil {
		return s.(string)
	}
	s := l.make(t)
	l.cache.Set(t, s)
	return s
}

func (l *lowering) make(t types.Type) string {
	t = types.Unalias(t)
	switch u := t.(type) {
	case *types.Named:
		if u.Obj().Name() == "deferStack" {
			return "*host.Defers"
		}
		if u.Obj().Pkg() == nil {
			if u.Obj().Name() == "error" {
				return "host.Error"
			}
			return "host.Any"
		}
		if isScript(u) {
			if _, ok := u.Underlying().(*types.Interface); ok {
				return "host.Any"
			}
			return l.make(u.Underlying())
		}
		obj := l.nameable(u.Obj())
		if obj == nil {
			if rt := hidden()[u.Obj().Pkg().Path()+"."+u.Obj().Name()]; rt != nil {
				name := fmt.Sprintf("N%d_%s", len(l.hidden), u.Obj().Name())
				for n, t := range l.hidden {
					if t == rt {
						return "host." + n
					}
				}
				l.hidden[name] = rt
				return "host." + name
			}
			panic(&Unsupported{Msg: fmt.Sprintf("scripts have no name for type %v", t)})
		}
		l.used[obj.Pkg().Path()] = obj.Pkg().Name()
		return obj.Pkg().Name() + "." + obj.Name()
	case *types.Basic:
		if u.Kind() == types.UntypedNil {
			return "host.Any"
		}
		if u.Kind() == types.UnsafePointer {
			return "*host.Defers"
		}
		return types.Default(u).(*types.Basic).Name()
	case *types.Pointer:
		return "*" + l.of(u.Elem())
	case *types.Slice:
		return "[]" + l.of(u.Elem())
	case *types.Array:
		return fmt.Sprintf("[%d]%s", u.Len(), l.of(u.Elem()))
	case *types.Chan:
		return "chan " + l.of(u.Elem())
	case *types.Map:
		return "map[" + l.of(u.Key()) + "]" + l.of(u.Elem())
	case *types.Struct:
		var b strings.Builder
		b.WriteString("struct{")
		for i := range u.NumFields() {
			if i > 0 {
				b.WriteString("; ")
			}
			fmt.Fprintf(&b, "F%d %s", i, l.of(u.Field(i).Type()))
		}
		b.WriteString("}")
		return b.String()
	case *types.Interface:
		return "host.Any"
	case *types.Signature:
		return "func" + l.signature(u)
	case *types.Tuple:
		return "?"
	}
	return "?" + t.String()
}

// signature returns parameters and results, without names.
func (l *lowering) signature(s *types.Signature) string {
	var p []string
	for v := range s.Params().Variables() {
		p = append(p, l.of(v.Type()))
	}
	return strings.TrimRight("("+strings.Join(p, ", ")+")"+l.results(s), " ")
}

// results returns the results of a function, as they stand behind its parameters.
func (l *lowering) results(sig *types.Signature) string {
	var list []string
	for v := range sig.Results().Variables() {
		list = append(list, l.of(v.Type()))
	}
	if len(list) > 1 {
		return " (" + strings.Join(list, ", ") + ")"
	}
	return " " + strings.Join(list, "")
}

// parts returns the types that a type without a name is made of.
func parts(t types.Type) (list []types.Type) {
	switch u := t.(type) {
	case *types.Map:
		return []types.Type{u.Key(), u.Elem()}
	case *types.Struct:
		for f := range u.Fields() {
			list = append(list, f.Type())
		}
	case *types.Signature:
		for _, v := range slices.Concat(collect(u.Params()), collect(u.Results())) {
			list = append(list, v.Type())
		}
	case interface{ Elem() types.Type }:
		return []types.Type{u.Elem()}
	}
	return list
}

// mentionsScript reports whether the identity of t needs the script's types.
func mentionsScript(t types.Type) bool {
	t = types.Unalias(t)
	switch u := t.(type) {
	case *types.Named:
		return isScript(u)
	case *types.Struct:
		return u.NumFields() > 0
	case *types.Interface:
		return u.NumMethods() > 0
	case *types.Chan:
		if u.Dir() != types.SendRecv {
			return true
		}
	case *types.Signature:
		if u.Variadic() { // the core has a slice there
			return true
		}
	}
	return slices.ContainsFunc(parts(t), mentionsScript)
}
