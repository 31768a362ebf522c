// Package host is what a program of the core (package core) finds at run time besides the library: interfaces of the script's
// types, panics and deferred calls, select, iteration, printing, and the variables of a session.
package host

import (
	"errors"
	"fmt"
	"go/types"
	"reflect"
	"strings"
	"sync"

	"golang.org/x/tools/go/types/typeutil"

	"quaybench/repl/symbols"
)

type (
	Any   = interface{}
	Error = error
)

// A Type is a type of the script. The interpreter knows only what lies under it; its name and methods are kept here.
type Type struct {
	Types   types.Type
	Methods map[string]any // the receiver is the first parameter, an any
	number  int
	shape   reflect.Type // of its memory, where package json may have to make one
	all     *Types
}

// Types numbers the types of a session, or of one script. A type has the same number in each input of a session as long as
// its declaration is the same.
type Types struct {
	mu     sync.Mutex
	list   []*Type
	byText map[string]int
	// Of the present program.
	byType  typeutil.Map
	present map[int]bool
}

// NewTypes returns an empty list.
func NewTypes() *Types { return &Types{byText: map[string]int{}, present: map[int]bool{}} }

// Begin forgets the type objects of the program before.
func (ts *Types) Begin() { ts.byType, ts.present = typeutil.Map{}, map[int]bool{} }

// Number returns the number of a type.
func (ts *Types) Number(t types.Type) int {
	ts.mu.Lock()
	defer ts.mu.Unlock()
	if n := ts.byType.At(t); n != nil {
		return n.(int)
	}
	text := identity(t)
	n, known := ts.byText[text]
	for known && ts.present[n] && !types.Identical(ts.list[n].Types, t) { // declared in a generic function, of two instances
		text += "'"
		n, known = ts.byText[text]
	}
	if !known {
		n = len(ts.list)
		ts.byText[text] = n
		ts.list = append(ts.list, &Type{Methods: map[string]any{}, number: n, all: ts})
	}
	ts.present[n] = true
	ts.list[n].Types = t
	ts.byType.Set(t, n)
	return n
}

// Knows reports whether a type has a number.
func (ts *Types) Knows(t types.Type) bool { return ts.find(t) != nil }

// find returns the Type of t, or nil.
func (ts *Types) find(t types.Type) *Type {
	ts.mu.Lock()
	defer ts.mu.Unlock()
	if n := ts.byType.At(t); n != nil {
		return ts.list[n.(int)]
	}
	if n, ok := ts.byText[identity(t)]; ok {
		return ts.list[n]
	}
	return nil
}

// identity returns a text that is the same for the same type in any check of the same declarations.
func identity(t types.Type) string {
	var b strings.Builder
	b.WriteString(typeText(t))
	Walk(t, func(n *types.Named) {
		p := n.Obj().Pkg()
		if p == nil || !symbols.IsScript(p.Path()) {
			return
		}
		fmt.Fprintf(&b, "|%s@%d", n.Obj().Name(), n.Obj().Pos())
		if n.Obj().Parent() == nil { // declared in a function with type parameters: go/ssa makes one for each instance
			b.WriteString(typeText(n.Underlying()))
		}
	})
	return b.String()
}

// Walk calls f for each named type that t is made of, once.
func Walk(t types.Type, f func(*types.Named)) {
	seen := map[types.Type]bool{}
	var visit func(types.Type)
	visit = func(t types.Type) {
		switch u := types.Unalias(t).(type) {
		case *types.Named:
			if seen[u] {
				return
			}
			seen[u] = true
			f(u)
			for a := range u.TypeArgs().Types() {
				visit(a)
			}
		case *types.Map:
			visit(u.Key())
			visit(u.Elem())
		case *types.Struct:
			for f := range u.Fields() {
				visit(f.Type())
			}
		case *types.Signature:
			for _, tu := range []*types.Tuple{u.Params(), u.Results()} {
				for v := range tu.Variables() {
					visit(v.Type())
				}
			}
		case *types.Interface:
			for m := range u.Methods() {
				visit(m.Signature())
			}
		case interface{ Elem() types.Type }:
			visit(u.Elem())
		}
	}
	visit(t)
}

// A Box is a value of a script's type in an interface.
type Box struct {
	T *Type
	V any
}

// Variants of Box have the methods that compiled code looks for.
type (
	boxString struct{ Box }
	boxError  struct{ Box }
	boxSort   struct{ Box }
	boxWriter struct{ Box }
	boxReader struct{ Box }
)

type boxer interface{ box() Box }

func (b Box) box() Box { return b }

func (b Box) method(name string) any {
	m := b.T.Methods[name]
	if m == nil {
		panic(fmt.Sprintf("method %s of %s is not there", name, typeText(b.T.Types)))
	}
	return m
}

func (b boxString) String() string   { return b.method("String").(func(any) string)(b.V) }
func (b boxError) Error() string     { return b.method("Error").(func(any) string)(b.V) }
func (b boxSort) Len() int           { return b.method("Len").(func(any) int)(b.V) }
func (b boxSort) Less(i, j int) bool { return b.method("Less").(func(any, int, int) bool)(b.V, i, j) }
func (b boxSort) Swap(i, j int)      { b.method("Swap").(func(any, int, int))(b.V, i, j) }
func (b boxReader) Read(p []byte) (int, error) {
	return b.method("Read").(func(any, []byte) (int, error))(b.V, p)
}

func (b boxWriter) Write(p []byte) (int, error) {
	return b.method("Write").(func(any, []byte) (int, error))(b.V, p)
}

// Unwrap, Is and As are those of the script's error, if it has them.
func (b boxError) Unwrap() error {
	if f, ok := b.T.Methods["Unwrap"].(func(any) error); ok {
		return f(b.V)
	}
	return nil
}

// Box packs a value of the script's n-th type into an interface.
func (ts *Types) Box(n int, v any) any {
	ts.mu.Lock()
	t := ts.list[n]
	ts.mu.Unlock()
	return Box{t, v}.canonical()
}

func (b Box) canonical() any {
	switch {
	case b.T.Methods["Error"] != nil:
		return boxError{b}
	case b.T.Methods["String"] != nil:
		return boxString{b}
	}
	return b
}

// Open returns what a compiled interface holds as the script's own interfaces hold it.
func Open(x any) any {
	if x == nil {
		return nil
	}
	if b, ok := x.(boxer); ok {
		return b.box().canonical()
	}
	if v := reflect.ValueOf(x); v.Kind() == reflect.Struct && v.NumField() > 1 && v.Type().Field(0).Name == "IValue" {
		if b, ok := v.Field(0).Interface().(boxer); ok {
			return b.box().canonical()
		}
	}
	return x
}

// ID returns the number of the type of a boxed value, −1 for a compiled one.
func ID(x any) int {
	if b, ok := x.(boxer); ok {
		return b.box().T.number
	}
	return -1
}

// Val returns the value in a box.
func Val(x any) any { return x.(boxer).box().V }

// Unbox returns the type and the value of a box.
func Unbox(x any) (types.Type, any, bool) {
	b, ok := x.(boxer)
	if !ok {
		return nil, nil, false
	}
	return b.box().T.Types, b.box().V, true
}

// Text returns what the method Error or String of a value of a script's type says; ok is false where it has none.
func (ts *Types) Text(t types.Type, v any) (text string, ok bool) {
	mine := ts.find(t)
	if mine == nil {
		return "", false
	}
	for _, name := range []string{"Error", "String"} {
		f, has := mine.Methods[name].(func(any) string)
		if !has {
			continue
		}
		if x := reflect.ValueOf(v); x.Kind() == reflect.Pointer && x.IsNil() {
			return "", false
		}
		defer func() {
			if recover() != nil {
				text, ok = "", false
			}
		}()
		return f(v), true
	}
	return "", false
}

// Method registers a method that compiled code or a dispatcher may call.
func (ts *Types) Method(n int, name string, f any) { ts.list[n].Methods[name] = f }

// Eq compares two interfaces, structs or arrays.
func Eq(a, b any) bool {
	if x, ok := a.(boxer); ok {
		y, ok := b.(boxer)
		if !ok || x.box().T != y.box().T {
			return false
		}
		if t := x.box().T.Types; !comparable(t) {
			panic(runtimeError("comparing uncomparable type " + typeText(t)))
		}
		return equal(x.box().V, y.box().V)
	}
	return equal(a, b)
}

// equal compares values; boxes within are compared by their types and values.
func equal(a, b any) bool { return a == b }

func comparable(t types.Type) bool {
	switch t.Underlying().(type) {
	case *types.Slice, *types.Map, *types.Signature:
		return false
	}
	return types.Comparable(t)
}

// Implements reports whether x may be asserted to the script's n-th type, an interface.
func (ts *Types) Implements(x any, n int) bool {
	return x != nil && missing(x, ts.list[n].Types.Underlying().(*types.Interface)) == ""
}

// missing returns a method that x lacks for an interface, "" for none.
func missing(x any, i *types.Interface) string {
	if b, ok := x.(boxer); ok {
		t := b.box().T.Types
		for m := range i.Methods() {
			obj, _, _ := types.LookupFieldOrMethod(t, false, m.Pkg(), m.Name())
			f, ok := obj.(*types.Func)
			if !ok || identity(f.Signature()) != identity(m.Signature()) || types.NewMethodSet(t).Lookup(m.Pkg(), m.Name()) == nil {
				return m.Name()
			}
		}
		return ""
	}
	t := reflect.TypeOf(x)
	for m := range i.Methods() {
		f, ok := t.MethodByName(m.Name())
		if !ok || !sameSignature(f.Type, m.Signature()) {
			return m.Name()
		}
	}
	return ""
}

// sameSignature compares a compiled method, whose first parameter is the receiver, with a method of an interface.
func sameSignature(f reflect.Type, sig *types.Signature) bool {
	if f.NumIn()-1 != sig.Params().Len() || f.NumOut() != sig.Results().Len() || f.IsVariadic() != sig.Variadic() {
		return false
	}
	for i := range sig.Params().Len() {
		if !sameType(f.In(i+1), sig.Params().At(i).Type()) {
			return false
		}
	}
	for i := range sig.Results().Len() {
		if !sameType(f.Out(i), sig.Results().At(i).Type()) {
			return false
		}
	}
	return true
}

func sameType(r reflect.Type, t types.Type) bool {
	text := strings.NewReplacer("interface {}", "any", "interface{}", "any", "uint8", "byte", "int32", "rune")
	return text.Replace(r.String()) == text.Replace(typeText(t))
}

// AssertPanic ends an assertion of x from one type to another, each by its number, that does not hold.
func (ts *Types) AssertPanic(x any, from, to int) {
	want, source := ts.list[to].Types, ts.list[from].Types
	name := typeText(source)
	if _, named := types.Unalias(source).(*types.Named); !named {
		name = "interface {}"
		if source.Underlying().(*types.Interface).NumMethods() > 0 {
			name = typeText(source)
		}
	}
	i, isInterface := want.Underlying().(*types.Interface)
	switch {
	case x == nil && isInterface:
		panic(conversionError("interface conversion: interface is nil, not " + typeText(want)))
	case x == nil:
		panic(conversionError("interface conversion: " + name + " is nil, not " + typeText(want)))
	case isInterface:
		panic(conversionError("interface conversion: " + dynamicType(x) + " is not " + typeText(want) + ": missing method " + missing(x, i)))
	}
	panic(conversionError("interface conversion: " + name + " is " + dynamicType(x) + ", not " + typeText(want)))
}

// dynamicType returns the name of the type that an interface holds.
func dynamicType(x any) string {
	if text, ok := ownName(x); ok {
		return text
	}
	return fmt.Sprintf("%T", x)
}

// ownName returns the name of the type of a value that has another type here: that of a script's type, or of Go's runtime.
func ownName(x any) (string, bool) {
	switch x := x.(type) {
	case boxer:
		return typeText(x.box().T.Types), true
	case interface{ typeName() string }:
		return x.typeName(), true
	}
	return "", false
}

// typeText returns a type as reflect and the runtime write it.
func typeText(t types.Type) string {
	list := func(tu *types.Tuple, variadic bool) string {
		var parts []string
		for i := range tu.Len() {
			text := typeText(tu.At(i).Type())
			if variadic && i == tu.Len()-1 {
				text = "..." + strings.TrimPrefix(text, "[]")
			}
			parts = append(parts, text)
		}
		return strings.Join(parts, ", ")
	}
	signature := func(s *types.Signature) string {
		text := "(" + list(s.Params(), s.Variadic()) + ")"
		switch s.Results().Len() {
		case 0:
			return text
		case 1:
			return text + " " + list(s.Results(), false)
		}
		return text + " (" + list(s.Results(), false) + ")"
	}
	switch u := types.Unalias(t).(type) {
	case *types.Basic:
		return types.Typ[u.Kind()].Name()
	case *types.Pointer:
		return "*" + typeText(u.Elem())
	case *types.Slice:
		return "[]" + typeText(u.Elem())
	case *types.Array:
		return fmt.Sprintf("[%d]%s", u.Len(), typeText(u.Elem()))
	case *types.Map:
		return "map[" + typeText(u.Key()) + "]" + typeText(u.Elem())
	case *types.Chan:
		switch u.Dir() {
		case types.SendOnly:
			return "chan<- " + typeText(u.Elem())
		case types.RecvOnly:
			return "<-chan " + typeText(u.Elem())
		}
		if e, ok := types.Unalias(u.Elem()).(*types.Chan); ok && e.Dir() == types.RecvOnly {
			return "chan (" + typeText(e) + ")"
		}
		return "chan " + typeText(u.Elem())
	case *types.Signature:
		return "func" + signature(u)
	case *types.Struct:
		if u.NumFields() == 0 {
			return "struct {}"
		}
		var fields []string
		for i := range u.NumFields() {
			f := u.Field(i)
			text := f.Name() + " " + typeText(f.Type())
			if f.Embedded() {
				text = typeText(f.Type())
			}
			if u.Tag(i) != "" {
				text += fmt.Sprintf(" %q", u.Tag(i))
			}
			fields = append(fields, text)
		}
		return "struct { " + strings.Join(fields, "; ") + " }"
	case *types.Interface:
		if u.NumMethods() == 0 {
			return "interface {}"
		}
		var methods []string
		for m := range u.Methods() {
			name := m.Name()
			if !m.Exported() {
				name = m.Pkg().Name() + "." + name
			}
			methods = append(methods, name+signature(m.Signature()))
		}
		return "interface { " + strings.Join(methods, "; ") + " }"
	case *types.Named:
		text := u.Obj().Name()
		if p := u.Obj().Pkg(); p != nil {
			text = p.Name() + "." + text
		}
		if u.TypeArgs().Len() > 0 {
			var args []string
			for a := range u.TypeArgs().Types() {
				args = append(args, typeText(a))
			}
			text += "[" + strings.Join(args, ",") + "]"
		}
		return text
	}
	return t.String()
}

// Invoke calls a method of the value in an interface, compiled or of another input of the session.
func Invoke(x any, name string, args []any) []any {
	if x == nil {
		panic(nilError)
	}
	m := reflect.Value{}
	if b, ok := x.(boxer); ok {
		m = reflect.ValueOf(b.box().method(name))
		args = append([]any{b.box().V}, args...)
	} else {
		m = reflect.ValueOf(x).MethodByName(name)
	}
	in := make([]reflect.Value, len(args))
	for i, a := range args {
		if a == nil {
			in[i] = reflect.Zero(m.Type().In(i))
		} else {
			in[i] = reflect.ValueOf(a)
		}
	}
	call := m.Call
	if m.Type().IsVariadic() {
		call = m.CallSlice
	}
	var out []any
	for _, r := range call(in) {
		out = append(out, r.Interface())
	}
	return out
}

// ToError returns an error of the script's own interface as a compiled one.
func ToError(x any) error {
	if x == nil {
		return nil
	}
	if err, ok := x.(error); ok {
		return err
	}
	return errors.New(fmt.Sprint(x))
}
