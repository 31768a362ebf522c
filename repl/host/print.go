package host

import (
	"cmp"
	"fmt"
	"go/types"
	"io"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"quaybench/repl/symbols"
)

// Package fmt knows nothing of the script's types: of them it sees boxes, whose Format prints what fmt would, from the type as
// go/types has it and the value by reflection. Verbs that fmt does not hand to Format (%T, %p) are replaced before.

// Format prints the value of a box.
func (b Box) Format(f fmt.State, verb rune) {
	p := printer{f: f, verb: verb, all: b.T.all}
	if p.methods(b.T, b.V) {
		return
	}
	p.value(b.T.Types, reflect.ValueOf(b.V), 0, true)
}

// GoString is for boxes within compiled values.
func (b Box) GoString() string { return fmt.Sprintf("%#v", b) }

// An innerBox is a box within a compiled value: fmt prints what a pointer points to only where the pointer itself is printed.
type innerBox struct{ Box }

func (b innerBox) Format(f fmt.State, verb rune) {
	p := printer{f: f, verb: verb, all: b.T.all}
	if !p.methods(b.T, b.V) {
		p.value(b.T.Types, reflect.ValueOf(b.V), 1, true)
	}
}

// nested returns what is printed with an innerBox for each pointer of the script's that a compiled value holds.
func nested(args []any) []any {
	out := args
	for i, x := range args {
		if x == nil || !holdsAny(reflect.TypeOf(x)) {
			continue
		}
		if _, boxed := x.(boxer); boxed {
			continue
		}
		if i == 0 || &out[0] == &args[0] {
			out = slices.Clone(args)
		}
		out[i] = marked(reflect.ValueOf(x), inner).Interface()
	}
	return out
}

// holdsAny reports whether values of a compiled type may hold values of the script's types.
func holdsAny(t reflect.Type) bool {
	if t.PkgPath() != "" {
		return false
	}
	switch t.Kind() {
	case reflect.Slice, reflect.Array, reflect.Map, reflect.Pointer:
		return t.Elem().Kind() == reflect.Interface || t.Elem().Kind() != reflect.Pointer && holdsAny(t.Elem())
	}
	return false
}

// inner returns what stands for a box within a compiled value.
func inner(b Box) any {
	if _, pointer := b.T.Types.Underlying().(*types.Pointer); pointer {
		return innerBox{b}
	}
	return b.canonical()
}

// marked returns a copy of a compiled value with what in returns for each box that it holds.
func marked(v reflect.Value, in func(Box) any) reflect.Value {
	if v.Kind() == reflect.Interface {
		if v.IsNil() {
			return v
		}
		if b, ok := v.Interface().(boxer); ok {
			x := reflect.ValueOf(in(b.box()))
			if !x.IsValid() {
				return reflect.Zero(v.Type())
			}
			if x.Type().AssignableTo(v.Type()) {
				return x
			}
			return v
		}
		if !holdsAny(v.Elem().Type()) || v.Elem().Kind() == reflect.Pointer {
			return v
		}
		return marked(v.Elem(), in)
	}
	if k := v.Kind(); !holdsAny(v.Type()) || k != reflect.Array && v.IsNil() {
		return v
	}
	c := reflect.New(v.Type()).Elem()
	switch v.Kind() {
	case reflect.Pointer:
		c.Set(reflect.New(v.Type().Elem()))
		c.Elem().Set(marked(v.Elem(), in))
	case reflect.Map:
		c.Set(reflect.MakeMapWithSize(v.Type(), v.Len()))
		for it := v.MapRange(); it.Next(); {
			c.SetMapIndex(it.Key(), marked(it.Value(), in))
		}
	default:
		if v.Kind() == reflect.Slice {
			c.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
		}
		for i := range v.Len() {
			c.Index(i).Set(marked(v.Index(i), in))
		}
	}
	return c
}

type printer struct {
	f    fmt.State
	verb rune
	all  *Types
	bad  bool // within what a wrong verb shows: methods are not called
}

func (p printer) text(s string)  { _, _ = io.WriteString(p.f, s) }
func (p printer) goSyntax() bool { return p.verb == 'v' && p.f.Flag('#') && !p.bad }

// padded writes s in the width, and without the precision, of the verb.
func (p printer) padded(s string) {
	format, _, _ := strings.Cut(fmt.FormatString(p.f, 's'), ".")
	fmt.Fprintf(p.f, strings.NewReplacer("+", "", "#", "", "s", "").Replace(format)+"s", s)
}

func nativeNamed(t types.Type) bool {
	n, ok := types.Unalias(t).(*types.Named)
	return ok && (n.Obj().Pkg() == nil || !symbols.IsScript(n.Obj().Pkg().Path()))
}

// leaf prints a value by fmt itself. Flags that mean more with %v do not within what a wrong verb shows.
func (p printer) leaf(x any) {
	verb := p.verb
	if p.bad {
		switch k := reflect.ValueOf(x).Kind(); {
		case k == reflect.Bool:
			verb = 't'
		case k == reflect.String:
			verb = 's'
		case k >= reflect.Int && k <= reflect.Uintptr:
			verb = 'd'
		case k >= reflect.Float32 && k <= reflect.Complex128:
			verb = 'g'
		}
	}
	fmt.Fprintf(p.f, fmt.FormatString(p.f, verb), x)
}

// methods prints by the value's own methods, where fmt would.
func (p printer) methods(t *Type, v any) (done bool) {
	if p.bad {
		return false
	}
	m := t.Methods
	call := func(name string, f func() string) {
		defer func() {
			r := recover()
			if r == nil {
				return
			}
			if x := reflect.ValueOf(v); x.Kind() == reflect.Pointer && x.IsNil() {
				p.text("<nil>")
				return
			}
			fmt.Fprintf(p.f, "%%!%c(PANIC=%s method: %v)", p.verb, name, Value(r))
		}()
		s := f()
		verb := p.verb
		if verb == 'v' {
			verb = 's'
		}
		format := fmt.FormatString(p.f, verb)
		if p.verb == 'v' {
			format = strings.NewReplacer("+", "", "#", "").Replace(format)
		}
		fmt.Fprintf(p.f, format, s)
	}
	if f, ok := m["Format"].(func(any, fmt.State, rune)); ok {
		f(v, p.f, p.verb)
		return true
	}
	if p.goSyntax() {
		if f, ok := m["GoString"].(func(any) string); ok {
			s := f(v)
			fmt.Fprintf(p.f, strings.NewReplacer("+", "", "#", "").Replace(fmt.FormatString(p.f, 's')), s)
			return true
		}
		return false
	}
	if !strings.ContainsRune("vsxXq", p.verb) {
		return false
	}
	if f, ok := m["Error"].(func(any) string); ok {
		call("Error", func() string { return f(v) })
		return true
	}
	if f, ok := m["String"].(func(any) string); ok {
		call("String", func() string { return f(v) })
		return true
	}
	return false
}

// value prints v of type t. Values below a field that is not exported show no methods, as in Go.
func (p printer) value(t types.Type, v reflect.Value, depth int, exported bool) {
	if v.IsValid() && v.Kind() == reflect.Interface && !types.IsInterface(t) { // memory of recursive types is an any
		v = v.Elem()
	}
	if !v.IsValid() && !types.IsInterface(t) {
		p.null(t, depth)
		return
	}
	if depth > 0 && exported && !types.IsInterface(t) && v.CanInterface() {
		if mine := p.all.find(t); mine != nil && p.methods(mine, v.Interface()) {
			return
		}
	}
	if nativeNamed(t) && !types.IsInterface(t) {
		p.native(v, exported)
		return
	}
	switch u := t.Underlying().(type) {
	case *types.Basic:
		p.basic(t, u, v)
	case *types.Map:
		p.entries(t, u, v, depth, exported)
	case *types.Struct:
		if p.goSyntax() {
			p.text(typeText(t))
		}
		p.text("{")
		for i := range u.NumFields() {
			p.separate(i)
			if p.f.Flag('+') && p.verb == 'v' && !p.bad || p.goSyntax() {
				p.text(u.Field(i).Name() + ":")
			}
			p.value(u.Field(i).Type(), v.Field(i), depth+1, exported && u.Field(i).Exported())
		}
		p.text("}")
	case *types.Interface:
		p.dynamic(t, v, depth, exported)
	case *types.Slice:
		p.elements(t, u.Elem(), v, depth, exported)
	case *types.Array:
		p.elements(t, u.Elem(), v, depth, exported)
	case *types.Pointer:
		if depth == 0 && !v.IsNil() {
			switch u.Elem().Underlying().(type) {
			case *types.Array, *types.Slice, *types.Struct, *types.Map:
				p.text("&")
				p.value(u.Elem(), v.Elem(), depth+1, exported)
				return
			}
		}
		p.pointer(t, v)
	default:
		p.pointer(t, v)
	}
}

// separate writes what stands between elements.
func (p printer) separate(i int) {
	switch {
	case i == 0:
	case p.goSyntax():
		p.text(", ")
	default:
		p.text(" ")
	}
}

// native prints a compiled value. One that is not exported shows no methods: reflection has such a mode.
func (p printer) native(v reflect.Value, exported bool) {
	if exported {
		p.leaf(v.Interface())
		return
	}
	p.leaf(reflect.ValueOf(struct{ hidden any }{v.Interface()}).Field(0).Elem())
}

// null prints a nil of a type whose memory is an any.
func (p printer) null(t types.Type, depth int) {
	switch u := t.Underlying().(type) {
	case *types.Map, *types.Slice:
		if p.goSyntax() {
			p.text(typeText(t) + "(nil)")
		} else if _, ok := u.(*types.Map); ok {
			p.text("map[]")
		} else {
			p.text("[]")
		}
	default:
		p.address(typeText(t), 0)
	}
	_ = depth
}

func (p printer) dynamic(t types.Type, v reflect.Value, depth int, exported bool) {
	if v.IsValid() && v.Kind() == reflect.Interface {
		v = v.Elem()
	}
	if !v.IsValid() {
		if p.goSyntax() {
			p.text(typeText(t) + "(nil)")
		} else {
			p.text("<nil>")
		}
		return
	}
	x := v.Interface()
	if b, ok := x.(boxer); ok {
		in := b.box()
		if exported && p.methods(in.T, in.V) {
			return
		}
		p.value(in.T.Types, reflect.ValueOf(in.V), depth+1, exported)
		return
	}
	if v.Kind() == reflect.Pointer && !p.byMethod(x) {
		if strings.ContainsRune("vpbodxX", p.verb) {
			p.address(v.Type().String(), v.Pointer())
		} else {
			p.text(fmt.Sprintf("%%!%c(%T=%v)", p.verb, x, x))
		}
		return
	}
	p.native(v, exported)
}

// byMethod reports whether fmt prints a compiled value by one of its methods.
func (p printer) byMethod(x any) bool {
	switch x.(type) {
	case fmt.Formatter:
		return true
	case fmt.GoStringer:
		return p.goSyntax()
	case error, fmt.Stringer:
		return !p.goSyntax() && strings.ContainsRune("vsxXq", p.verb)
	}
	return false
}

// verbs returns those that fmt knows for a kind of value.
func verbs(u *types.Basic) string {
	switch info := u.Info(); {
	case info&types.IsBoolean != 0:
		return "tv"
	case info&types.IsInteger != 0:
		return "vdboOxXcqU"
	case info&(types.IsFloat|types.IsComplex) != 0:
		return "vbgGxXfFeE"
	}
	return "vsxXq"
}

func (p printer) basic(t types.Type, u *types.Basic, v reflect.Value) {
	if strings.ContainsRune(verbs(u), p.verb) {
		p.leaf(v.Interface())
		return
	}
	p.wrongVerb(t, v)
}

// wrongVerb shows a value for which fmt does not know the verb.
func (p printer) wrongVerb(t types.Type, v reflect.Value) {
	p.text("%!" + string(p.verb) + "(" + typeText(t) + "=")
	in := p
	in.verb, in.bad = 'v', true
	in.value(t, v, 0, true)
	p.text(")")
}

func (p printer) elements(t, elem types.Type, v reflect.Value, depth int, exported bool) {
	if b, ok := elem.Underlying().(*types.Basic); ok && b.Kind() == types.Byte && strings.ContainsRune("sqxX", p.verb) {
		data := make([]byte, v.Len())
		for i := range data {
			data[i] = byte(v.Index(i).Uint())
		}
		p.leaf(data)
		return
	}
	if p.goSyntax() {
		p.text(typeText(t))
		if v.Kind() == reflect.Slice && v.IsNil() {
			p.text("(nil)")
			return
		}
		p.text("{")
	} else {
		p.text("[")
	}
	for i := range v.Len() {
		p.separate(i)
		p.value(elem, v.Index(i), depth+1, exported)
	}
	if p.goSyntax() {
		p.text("}")
	} else {
		p.text("]")
	}
}

func (p printer) entries(t types.Type, u *types.Map, v reflect.Value, depth int, exported bool) {
	if p.goSyntax() {
		p.text(typeText(t))
		if v.IsNil() {
			p.text("(nil)")
			return
		}
		p.text("{")
	} else {
		p.text("map[")
	}
	keys := v.MapKeys()
	slices.SortStableFunc(keys, compareKeys)
	for i, k := range keys {
		p.separate(i)
		p.value(u.Key(), k, depth+1, exported)
		p.text(":")
		p.value(u.Elem(), v.MapIndex(k), depth+1, exported)
	}
	if p.goSyntax() {
		p.text("}")
	} else {
		p.text("]")
	}
}

// compareKeys orders keys as fmt does.
func compareKeys(a, b reflect.Value) int {
	if a.Kind() == reflect.Interface {
		a, b = a.Elem(), b.Elem()
		if !a.IsValid() || !b.IsValid() {
			return cmp.Compare(b2i(a.IsValid()), b2i(b.IsValid()))
		}
		x, ax := a.Interface().(boxer)
		y, bx := b.Interface().(boxer)
		if ax && bx {
			if n := cmp.Compare(x.box().T.number, y.box().T.number); n != 0 {
				return n
			}
			return compareKeys(reflect.ValueOf(x.box().V), reflect.ValueOf(y.box().V))
		}
		if a.Type() != b.Type() {
			return cmp.Compare(fmt.Sprintf("%T", a.Interface()), fmt.Sprintf("%T", b.Interface()))
		}
	}
	switch {
	case a.CanInt():
		return cmp.Compare(a.Int(), b.Int())
	case a.CanUint():
		return cmp.Compare(a.Uint(), b.Uint())
	case a.CanFloat():
		return cmp.Compare(a.Float(), b.Float())
	case a.CanComplex():
		return cmp.Or(cmp.Compare(real(a.Complex()), real(b.Complex())), cmp.Compare(imag(a.Complex()), imag(b.Complex())))
	}
	switch a.Kind() {
	case reflect.String:
		return cmp.Compare(a.String(), b.String())
	case reflect.Bool:
		return cmp.Compare(b2i(a.Bool()), b2i(b.Bool()))
	case reflect.Pointer, reflect.Chan, reflect.UnsafePointer:
		return cmp.Compare(a.Pointer(), b.Pointer())
	case reflect.Struct:
		for i := range a.NumField() {
			if n := compareKeys(a.Field(i), b.Field(i)); n != 0 {
				return n
			}
		}
	case reflect.Array:
		for i := range a.Len() {
			if n := compareKeys(a.Index(i), b.Index(i)); n != 0 {
				return n
			}
		}
	}
	return 0
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (p printer) pointer(t types.Type, v reflect.Value) {
	if !strings.ContainsRune("vpbodxX", p.verb) {
		p.wrongVerb(t, v)
		return
	}
	if v.IsNil() {
		p.address(typeText(t), 0)
		return
	}
	p.address(typeText(t), v.Pointer())
}

// address prints a pointer, channel or function.
func (p printer) address(of string, at uintptr) {
	switch {
	case p.goSyntax() && at == 0:
		p.text("(" + of + ")(nil)")
	case p.goSyntax():
		p.text(fmt.Sprintf("(%s)(%#x)", of, at))
	case p.verb == 'v' && at == 0:
		p.padded("<nil>")
	case p.verb == 'v':
		p.padded(fmt.Sprintf("%#x", at))
	case strings.ContainsRune("bodxX", p.verb):
		p.leaf(at)
	default:
		p.text("%!" + string(p.verb) + "(" + of + "=")
		if at == 0 {
			p.text("<nil>")
		} else {
			p.text(fmt.Sprintf("%#x", at))
		}
		p.text(")")
	}
}

// A wrong is a value that does not suit a verb that fmt does not hand to Format.
type wrong struct {
	b    Box
	verb rune
}

func (w wrong) Format(f fmt.State, _ rune) {
	printer{f: f, verb: w.verb, all: w.b.T.all}.wrongVerb(w.b.T.Types, reflect.ValueOf(w.b.V))
}

// plain replaces what fmt does itself and cannot do for the script's values, %T, %p and a %w that does not wrap, and returns
// the format and its arguments: there every verb names its argument.
func plain(format string, args []any, wraps bool) (string, []any) {
	if !slices.ContainsFunc(args, func(x any) bool { _, ok := ownName(x); return ok }) {
		return format, nested(args)
	}
	var out strings.Builder
	all, changed, explicit := slices.Clone(args), false, strings.Contains(format, "[")
	n := 0
	for i := 0; i < len(format); {
		if format[i] != '%' {
			out.WriteByte(format[i])
			i++
			continue
		}
		out.WriteByte('%')
		for i++; i < len(format); {
			r, size := utf8.DecodeRuneInString(format[i:])
			i += size
			switch {
			case r == '[':
				end := strings.IndexByte(format[i:], ']')
				if _, err := fmt.Sscanf(format[i-1:], "[%d]", &n); err != nil || end < 0 {
					return format, nested(args)
				}
				n--
				i += end + 1
				continue
			case r == '*':
				fmt.Fprintf(&out, "[%d]*", n+1)
				n++
				continue
			case strings.ContainsRune("+-# 0123456789.", r):
				out.WriteRune(r)
				continue
			case r == '%':
				out.WriteRune(r)
			case n < 0:
				return format, nested(args) // fmt says what is wrong
			case n >= len(args):
				fmt.Fprintf(&out, "%%!%c(MISSING)", r)
				n++
			default:
				at := n + 1
				_, isError := args[n].(error)
				name, own := ownName(args[n])
				b, boxed := args[n].(boxer)
				if own && r == 'T' || boxed && (r == 'p' || r == 'w' && !(wraps && isError)) {
					var x any = name
					switch r {
					case 'T':
						r = 's'
					case 'w':
						r, x = 'v', wrong{b.box(), 'w'}
					case 'p':
						x = b.box().V
						switch reflect.ValueOf(x).Kind() {
						case reflect.Pointer, reflect.Slice, reflect.Map, reflect.Func, reflect.Chan:
						default:
							r, x = 'v', wrong{b.box(), 'p'}
						}
					}
					all, changed = append(all, x), true
					at = len(all)
				}
				fmt.Fprintf(&out, "[%d]%c", at, r)
				n++
			}
			break
		}
	}
	switch {
	case !explicit && n < len(args): // arguments too many, as fmt tells of them
		var extra []string
		for _, x := range args[n:] {
			if x == nil {
				extra = append(extra, "<nil>")
				continue
			}
			extra = append(extra, dynamicType(x)+"="+fmt.Sprint(nested([]any{x})...))
		}
		out.WriteString("%%!(EXTRA " + strings.ReplaceAll(strings.Join(extra, ", "), "%", "%%") + ")")
		if n == 0 { // or fmt would tell of them too
			all = nil
		}
	case !changed:
		return format, nested(args)
	}
	return out.String(), nested(all)
}

// spaced is Sprint, which puts a space between operands where neither is a string.
func spaced(args []any) string {
	var b strings.Builder
	args = nested(args)
	wasText := true
	for i, x := range args {
		isText := x != nil && reflect.TypeOf(x).Kind() == reflect.String
		if in, ok := x.(boxer); ok {
			u, basic := in.box().T.Types.Underlying().(*types.Basic)
			isText = basic && u.Info()&types.IsString != 0
		}
		if i > 0 && !isText && !wasText {
			b.WriteByte(' ')
		}
		wasText = isText
		fmt.Fprint(&b, x)
	}
	return b.String()
}

// printers are fmt's functions for a script.
func (rt *RT) printers() map[string]reflect.Value {
	m := map[string]reflect.Value{}
	for name, f := range map[string]any{
		"Print":    func(a ...any) (int, error) { return rt.Out.Write([]byte(spaced(a))) },
		"Println":  func(a ...any) (int, error) { return fmt.Fprintln(rt.Out, nested(a)...) },
		"Sprintln": func(a ...any) string { return fmt.Sprintln(nested(a)...) },
		"Fprintln": func(w io.Writer, a ...any) (int, error) { return fmt.Fprintln(w, nested(a)...) },
		"Appendln": func(b []byte, a ...any) []byte { return fmt.Appendln(b, nested(a)...) },
		"Printf": func(f string, a ...any) (int, error) {
			f, a = plain(f, a, false)
			return fmt.Fprintf(rt.Out, f, a...)
		},
		"Sprint":  func(a ...any) string { return spaced(a) },
		"Sprintf": func(f string, a ...any) string { f, a = plain(f, a, false); return fmt.Sprintf(f, a...) },
		"Errorf":  func(f string, a ...any) error { f, a = plain(f, a, true); return fmt.Errorf(f, a...) },
		"Fprint":  func(w io.Writer, a ...any) (int, error) { return w.Write([]byte(spaced(a))) },
		"Fprintf": func(w io.Writer, f string, a ...any) (int, error) {
			f, a = plain(f, a, false)
			return fmt.Fprintf(w, f, a...)
		},
		"Append":  func(b []byte, a ...any) []byte { return append(b, spaced(a)...) },
		"Appendf": func(b []byte, f string, a ...any) []byte { f, a = plain(f, a, false); return fmt.Appendf(b, f, a...) },
	} {
		m[name] = reflect.ValueOf(f)
	}
	return m
}
