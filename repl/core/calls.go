package core

import (
	"fmt"
	"go/constant"
	"go/types"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/tools/go/ssa"
)

// typeArguments are those of an instance's name, which the runtime does not say.
var typeArguments = regexp.MustCompile(`\[.*\]`)

func (e *emitter) builtin(set string, b *ssa.Builtin, c *ssa.CallCommon) {
	arg := func(i int) string { return e.view(c.Args[i]) }
	switch b.Name() {
	case "len", "cap":
		if p, ok := c.Args[0].Type().Underlying().(*types.Pointer); ok {
			e.add("%s%d", set, p.Elem().Underlying().(*types.Array).Len())
			return
		}
		if _, ok := c.Args[0].Type().Underlying().(*types.Chan); ok {
			e.add("%shost.Chan(%s, %v)", set, e.val(c.Args[0], true), b.Name() == "cap")
			return
		}
		e.add("%s%s(%s)", set, b.Name(), arg(0))
	case "append":
		if isString(c.Args[1].Type()) {
			e.add("%shost.AppendString(%s, %s)", set, arg(0), arg(1))
			return
		}
		e.add("%sappend(%s, %s...)", set, arg(0), arg(1))
	case "copy":
		if isString(c.Args[1].Type()) {
			e.add("%shost.CopyString(%s, %s)", set, arg(0), arg(1))
			return
		}
		e.add("%scopy(%s, %s)", set, arg(0), arg(1))
	case "delete":
		e.add("delete(%s, %s)", arg(0), e.val(c.Args[1], true))
	case "close":
		e.add("host.Close(%s)", e.val(c.Args[0], true))
	case "clear":
		e.add("host.Clear(%s)", arg(0))
	case "recover":
		e.add("%shost.Recover(h)", set)
	case "ssa:deferstack":
		e.add("%sd", set)
	case "ssa:wrapnilchk":
		typ := typeArguments.ReplaceAllString(constant.StringVal(c.Args[1].(*ssa.Const).Value), "[...]")
		method := constant.StringVal(c.Args[2].(*ssa.Const).Value)
		e.add("host.NilReceiver(%s != nil, %q)", arg(0), fmt.Sprintf("value method %s.%s called using nil *%s pointer", typ, method, typ[strings.Index(typ, ".")+1:]))
		e.add("%s%s", set, e.val(c.Args[0], true))
	case "real", "imag", "complex":
		var a []string
		for _, v := range c.Args {
			a = append(a, e.val(v, true))
		}
		e.add("%s%s(%s)", set, b.Name(), strings.Join(a, ", "))
	case "min", "max":
		dst := strings.TrimSuffix(set, " = ")
		op := "<"
		if b.Name() == "max" {
			op = ">"
		}
		e.add("%s = %s", dst, e.val(c.Args[0], true))
		for _, v := range c.Args[1:] {
			x := e.val(v, true)
			if isFloat(v.Type()) {
				e.add("%s = %s(host.%s(float64(%s), float64(%s)))", dst, e.of(v.Type()), map[string]string{"min": "Min", "max": "Max"}[b.Name()], dst, x)
				continue
			}
			e.add("if %s %s %s { %s = %s }", x, op, dst, dst, x)
		}
	default:
		e.fail("a script cannot use the builtin %s", b.Name())
	}
}

func isString(t types.Type) bool {
	b, ok := t.Underlying().(*types.Basic)
	return ok && b.Info()&types.IsString != 0
}

func (s *stand) Name() string { return s.name }

func (e *emitter) selection(in *ssa.Select) {
	r := e.def(in)
	cs := e.newTemp("*host.Cases")
	e.add("%s = host.NewCases()", cs)
	for _, s := range in.States {
		if s.Dir == types.SendOnly {
			e.add("host.SendTo(%s, %s, %s)", cs, e.val(s.Chan, true), e.val(s.Send, true))
		} else {
			e.add("host.RecvFrom(%s, %s)", cs, e.val(s.Chan, true))
		}
	}
	v := e.newTemp("host.Any")
	e.add("%s_0, %s_1, %s = host.Select(%s, %v)", r, r, v, cs, in.Blocking)
	n := 2
	tup := in.Type().(*types.Tuple)
	for i, s := range in.States {
		if s.Dir == types.SendOnly {
			continue
		}
		t := tup.At(n).Type()
		switch e.of(t) {
		case "host.Any":
			e.add("if %s_0 == %d { %s_%d = %s }", r, i, r, n, v)
		case "host.Error":
			e.add("if %s_0 == %d { %s_%d = host.ToError(%s) }", r, i, r, n, v)
		case "struct{}": // it has one value, and the interpreter's assertion to it panics
		default:
			if isIface(t) { // an assertion of nil panics
				e.zero(fmt.Sprintf("%s_%d", r, n), e.of(t))
				e.add("if %s_0 == %d && %s != nil { %s_%d, _ = %s.(%s) }", r, i, v, r, n, v, e.of(t))
				break
			}
			e.add("if %s_0 == %d { %s_%d, _ = %s.(%s) }", r, i, r, n, v, e.of(t))
		}
		n++
	}
}

func (e *emitter) typeAssert(in *ssa.TypeAssert) {
	if bindsMethod(in) {
		e.add("host.NilCheck(%s != nil)", e.val(in.X, true))
		return
	}
	r := e.def(in)
	x := e.opened(in.X)
	v, ok := r, e.newTemp("bool")
	if in.CommaOk {
		v, ok = r+"_0", r+"_1"
	}
	t := in.AssertedType
	id := e.id(t)
	switch {
	case isIface(t):
		e.add("%s = host.Implements(%s, %d)", ok, x, id)
		if in.CommaOk {
			z := e.newTemp(e.of(t))
			e.add("%s = %s", v, z)
			k := e.newTemp("host.Any")
			kz := e.newTemp("host.Any")
			e.add("%s = %s", k, kz)
			e.add("if %s { %s = %s }", ok, k, x)
			e.toIface(v, k, t)
			return
		}
	case mentionsScript(t):
		e.add("%s = host.ID(%s) == %d", ok, x, id)
		k := e.newTemp("host.Any")
		kz := e.newTemp("host.Any")
		e.add("%s = %s", k, kz)
		e.add("if %s { %s = host.Val(%s) }", ok, k, x)
		if !in.CommaOk {
			e.add("if !%s { host.AssertPanic(%s, %d, %d) }", ok, x, e.id(in.X.Type()), id)
		}
		e.fromAny(v, k, t)
		return
	default:
		e.zero(v, e.of(t))
		if e.of(t) == "struct{}" { // the interpreter's assertion to it panics
			e.add("%s = host.IsEmpty(%s)", ok, x)
			break
		}
		e.add("%s, %s = %s.(%s)", v, ok, x, e.of(t))
	}
	if !in.CommaOk {
		e.add("if !%s { host.AssertPanic(%s, %d, %d) }", ok, x, e.id(in.X.Type()), id)
		if isIface(t) {
			e.toIface(v, x, t)
		}
	}
}

// bindsMethod reports whether an assertion only looks if there is an interface whose method becomes a value.
func bindsMethod(in *ssa.TypeAssert) bool {
	list := in.Block().Instrs
	for _, next := range list[slices.Index(list, ssa.Instruction(in))+1:] {
		if c, ok := next.(*ssa.MakeClosure); ok {
			return !in.CommaOk && len(uses(in)) == 0 && in.Pos() == c.Pos() && strings.HasPrefix(c.Fn.(*ssa.Function).Synthetic, "bound")
		}
	}
	return false
}

// invoke returns the dispatcher of an interface's method.
func (e *emitter) invoke(iface types.Type, m *types.Func) string {
	key := m.Id() + e.signature(m.Signature()) + "|" + e.of(iface)
	if i, ok := e.invokes[key]; ok {
		return i.name
	}
	i := &invoke{name: fmt.Sprintf("inv%d", len(e.invokes)), m: m, iface: iface}
	e.invokes[key] = i
	e.invKeys = append(e.invKeys, key)
	return i.name
}

func (e *emitter) dispatchers() {
	for _, k := range e.invKeys {
		inv := e.invokes[k]
		sig := inv.m.Signature()
		_, args := e.parameters(sig)
		var taken taking
		var values, res []string
		for i, v := range collect(sig.Params()) {
			values = append(values, fmt.Sprintf("a%d", i))
			e.take(&taken, values[i], v.Type())
		}
		for _, v := range collect(sig.Results()) {
			res = append(res, e.of(v.Type()))
		}
		ret := returns(sig)
		e.write("func %s(x %s%s)%s {", inv.name, e.of(inv.iface), prefix(taken.params), e.results(sig))
		e.write("%s\nvar y host.Any", taken.text())
		if e.of(inv.iface) == "host.Any" || e.of(inv.iface) == "host.Error" {
			e.write("y = x")
		} else {
			e.write("y = host.Open(x)")
		}
		e.write("id := host.ID(y)")
		for _, t := range e.boxed {
			i := e.types.Number(t)
			ms := e.prog.MethodSets.MethodSet(t)
			sel := ms.Lookup(inv.m.Pkg(), inv.m.Name())
			if sel == nil || isIface(t) || !mentionsScript(t) {
				continue
			}
			f := e.prog.MethodValue(sel)
			if e.fns[f] == "" || e.signature(f.Signature) != e.signature(sig) {
				continue
			}
			e.write("if id == %d {", i)
			rcv := "host.Val(y)"
			if e.of(t) == "struct{}" {
				e.write("var none struct{}")
				rcv = "none"
			} else if signed(t) {
				e.write("var x%d %s\nx%d, _ = %s.(%s)", i, e.of(t), i, rcv, e.of(t))
				rcv = e.handed(fmt.Sprintf("x%d", i), t)
			} else if e.of(t) != "host.Any" {
				rcv += ".(" + e.of(t) + ")"
			}
			nilh := ""
			if recovers(f) {
				nilh = "host.Pending(), "
			} else if e.hands {
				e.write("host.Pending()")
			}
			e.write("%s%s(%s%s%s)", ret, e.core(f), nilh, rcv, prefix(args))
			if ret == "" {
				e.write("return")
			}
			e.write("}")
		}
		// Compiled values.
		e.write("o := host.Invoke(y, %q, []host.Any{%s})", inv.m.Name(), strings.Join(values, ", "))
		var out []string
		for i := range res {
			if res[i] == "host.Any" {
				out = append(out, fmt.Sprintf("o[%d]", i))
				continue
			}
			e.write("var z%d %s", i, res[i])
			if res[i] == "host.Error" {
				e.write("z%d = host.ToError(o[%d])", i, i)
				out = append(out, fmt.Sprintf("z%d", i))
				continue
			}
			e.write("z%d, _ = o[%d].(%s)", i, i, res[i])
			out = append(out, fmt.Sprintf("z%d", i))
		}
		if len(res) == 0 {
			e.write("_ = o")
		}
		e.write("return %s", strings.Join(out, ", "))
		e.write("}")
	}
}

func prefix(a []string) string {
	if len(a) == 0 {
		return ""
	}
	return ", " + strings.Join(a, ", ")
}

func collect(t *types.Tuple) []*types.Var {
	var out []*types.Var
	for v := range t.Variables() {
		out = append(out, v)
	}
	return out
}

// methods registers what native code may call.
func (e *emitter) methods() {
	e.write("func Register() {")
	var fns []string
	for _, t := range e.boxed {
		i := e.types.Number(t)
		if isIface(t) || !mentionsScript(t) {
			continue
		}
		if e.json {
			e.write("host.Shape(%d, new(%s))", i, e.lowering.view(t))
		}
		ms := e.prog.MethodSets.MethodSet(t)
		for j := range ms.Len() {
			sel := ms.At(j)
			name := sel.Obj().Name()
			if !e.native[name] && !e.session {
				continue
			}
			f := e.prog.MethodValue(sel)
			if e.fns[f] == "" {
				continue
			}
			params, args := e.parameters(f.Signature)
			rcv := "x"
			if e.of(t) != "host.Any" {
				rcv = "y"
			}
			nilh := ""
			if recovers(f) {
				nilh = "nil, "
			}
			get := ""
			if rcv == "y" && e.of(t) == "struct{}" {
				get = "var y struct{}; "
			} else if rcv == "y" {
				get = fmt.Sprintf("var y %s; y, _ = x.(%s); ", e.of(t), e.of(t))
			}
			fns = append(fns, fmt.Sprintf("func m%d_%s(x host.Any%s)%s { %s%s%s(%s%s%s) }", i, name, prefix(params), e.results(f.Signature), get, returns(f.Signature), e.core(f), nilh, e.handed(rcv, t), prefix(args)))
			e.write("host.Method(%d, %q, m%d_%s)", i, name, i, name)
		}
	}
	e.write("}")
	for _, f := range fns {
		e.write("%s", f)
	}
}

// Writes reports whether the emitter writes a function with type parameters of a compiled package itself.
func Writes(function string) bool {
	return function == "sync.OnceValue" || function == "sync.OnceValues"
}

// once writes an instance of sync.OnceValue or sync.OnceValues and returns its name.
func (e *emitter) once(f *ssa.Function) string {
	n := fmt.Sprintf("once%d", e.thunkN)
	e.thunkN++
	of := f.Signature.Params().At(0).Type()
	var params, makes, names, reads []string
	for i, v := range collect(of.Underlying().(*types.Signature).Results()) {
		params = append(params, fmt.Sprintf("p%d *%s", i, e.of(v.Type())))
		makes = append(makes, fmt.Sprintf("new(%s)", e.of(v.Type())))
		names = append(names, fmt.Sprintf("p%d", i))
		reads = append(reads, fmt.Sprintf("*p%d", i))
	}
	all, t := strings.Join(params, ", "), e.of(of)
	fmt.Fprintf(&e.thunks, "func %s_run(f %s, %s) func() { return func() { %s = f() } }\n", n, t, all, strings.Join(reads, ", "))
	fmt.Fprintf(&e.thunks, "func %s_get(run func(), %s) %s { return func() %s { run(); return %s } }\n", n, all, t, strings.TrimPrefix(t, "func()"), strings.Join(reads, ", "))
	fmt.Fprintf(&e.thunks, "func %s_all(f %s, %s) %s { return %s_get(host.OnceFunc(%s_run(f, %s)), %s) }\n", n, t, all, t, n, n, strings.Join(names, ", "), strings.Join(names, ", "))
	fmt.Fprintf(&e.thunks, "func %s(f %s) %s { return %s_all(f, %s) }\n", n, t, t, n, strings.Join(makes, ", "))
	return n
}
