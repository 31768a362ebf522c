package core

import (
	"fmt"
	"go/ast"
	"go/constant"
	"go/token"
	"go/types"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/tools/go/ssa"
	"golang.org/x/tools/go/ssa/ssautil"

	"quaybench/repl/host"
	"quaybench/repl/symbols"
)

// A Program is a program of the core.
type Program struct {
	Text string
	// Functions by number, for the traces of panics: the core calls function 7 f7.
	Functions []Function
	// Hidden are the compiled types that the program uses and scripts cannot name, by their names in package host.
	Hidden map[string]reflect.Type
	// Marks reports whether functions note where they are.
	Marks bool
}

// A Function is one of the script's, or one that stands for it.
type Function struct {
	Name string // as a person reads it: "boat.Speed", "a function in main"
	Pos  token.Pos
}

// Entry is the function of a core program that runs it.
const Entry = "Main"

type emitter struct {
	lowering
	prog       *ssa.Program
	types      *host.Types
	native     map[string]bool // methods that compiled code may call
	session    bool            // all methods may be called, by later inputs
	out        strings.Builder
	fns        map[*ssa.Function]string
	queue      []*ssa.Function
	quick      map[*ssa.Function]string // those that take floats as they are
	direct     map[*ssa.Function]bool   // which of them are called
	globals    map[*ssa.Global]string
	boxed      []types.Type
	seen       map[int]bool // numbers of boxed
	statements []span
	indexes    map[token.Pos]*ast.IndexExpr
	marks      bool
	exact      bool // panics have numbers in their texts
	json       bool // package encoding/json looks into types
	hands      bool // deferred calls of function values hand over what those may recover
	invokes    map[string]*invoke
	invKeys    []string
	thunks     strings.Builder
	thunkN     int
	regs       map[ssa.Value]string
	decls      []string
	temp       int
	zeros      map[string]string
	marked     int
	fused      map[ssa.Value]string
	inline     map[ssa.Value]bool            // values that are written inside what uses them
	places     map[ssa.Instruction]token.Pos // of the source that each instruction stands for
	back       map[edge]bool                 // edges that close a loop
	again      map[*ssa.BasicBlock][]string  // what stands before the test of a loop, in each turn
	pos        token.Pos
	body       *[]string
	recov      bool // the function takes what it may recover
	guarded    bool
	fn         *ssa.Function
}

type invoke struct {
	name  string
	m     *types.Func
	iface types.Type
}

// Options of a program.
type Options struct {
	// Main is the function to run; the package's init runs before it.
	Main string
	// Cells are the package variables that the host holds, by name: the values of a session.
	Cells map[string]bool
	// Types numbers the script's types.
	Types *host.Types
	// Files are the text of the package.
	Files []*ast.File
}

// Emit writes the core program of a package.
func Emit(lib *symbols.Library, pkg *ssa.Package, o Options) (p *Program, err error) {
	e := &emitter{prog: pkg.Prog, types: o.Types, fns: map[*ssa.Function]string{}, quick: map[*ssa.Function]string{}, direct: map[*ssa.Function]bool{}, globals: map[*ssa.Global]string{}, invokes: map[string]*invoke{}, native: nativeMethods(lib), seen: map[int]bool{}}
	e.lowering = lowering{used: map[string]string{}, recursive: map[*types.Named]bool{}, hidden: map[string]reflect.Type{}, nameable: lib.Nameable}
	defer func() {
		if r := recover(); r != nil {
			x, ok := r.(*Unsupported)
			if !ok {
				panic(r)
			}
			if !x.Pos.IsValid() {
				x.Pos = e.pos
			}
			err = x
		}
	}()
	e.survey(pkg)
	e.statements, e.indexes = statements(o.Files), indexes(o.Files)
	mainName := e.name(pkg.Func(o.Main))
	initName := e.name(pkg.Func("init"))
	if o.Cells != nil { // interfaces may hold values of earlier inputs
		e.session = true
		for _, n := range pkg.Pkg.Scope().Names() {
			if t, ok := pkg.Pkg.Scope().Lookup(n).(*types.TypeName); ok && !t.IsAlias() && !isIface(t.Type()) && t.Type().(*types.Named).TypeParams() == nil {
				for _, t := range []types.Type{t.Type(), types.NewPointer(t.Type())} {
					if o.Types.Knows(t) {
						e.id(t)
					}
				}
			}
		}
	}
	done, invDone := 0, 0
	for {
		for ; done < len(e.queue); done++ {
			e.function(e.queue[done])
		}
		// Methods of boxed types that native code or dispatchers may call.
		before := len(e.queue)
		for i := range len(e.boxed) {
			if isIface(e.boxed[i]) || !mentionsScript(e.boxed[i]) {
				continue
			}
			ms := e.prog.MethodSets.MethodSet(e.boxed[i])
			for j := range ms.Len() {
				sel := ms.At(j)
				n := sel.Obj().Name()
				if e.native[n] || e.session {
					e.name(e.prog.MethodValue(sel))
				}
				for _, k := range e.invKeys {
					inv := e.invokes[k]
					if inv.m.Id() == sel.Obj().(*types.Func).Id() && types.Implements(e.boxed[i], inv.iface.Underlying().(*types.Interface)) {
						e.name(e.prog.MethodValue(sel))
					}
				}
			}
		}
		if before == len(e.queue) && invDone == len(e.invKeys) {
			break
		}
		invDone = len(e.invKeys)
	}
	e.dispatchers()
	e.methods()
	for _, f := range e.queue {
		if e.direct[f] {
			e.out.WriteString(e.quick[f])
		}
	}
	var cells strings.Builder // before the imports are listed: a type may stand nowhere else
	for _, g := range slices.SortedFunc(maps.Keys(e.globals), func(a, b *ssa.Global) int { return strings.Compare(a.Name(), b.Name()) }) {
		t := e.of(g.Type().(*types.Pointer).Elem())
		if o.Cells[g.Name()] {
			fmt.Fprintf(&cells, "var %s = host.Cell(%q, new(%s)).(*%s)\n", e.globals[g], g.Name(), t, t)
			continue
		}
		fmt.Fprintf(&cells, "var %s = new(%s)\n", e.globals[g], t)
	}
	var head strings.Builder
	head.WriteString("package main\nimport \"host\"\n")
	for _, path := range slices.Sorted(maps.Keys(e.used)) {
		fmt.Fprintf(&head, "import %s %q\n", e.used[path], path)
	}
	head.WriteString("var stop bool\nfunc halt() { host.Halt() }\n") // a name of package host takes room in each frame
	var marks strings.Builder
	p = &Program{Hidden: e.hidden, Marks: e.marks, Functions: make([]Function, len(e.fns))}
	for f, n := range e.fns {
		i, _ := strconv.Atoi(n[1:])
		p.Functions[i] = Function{functionName(f), e.begins(f)}
		if e.marks {
			fmt.Fprintf(&head, "var mark%s int\n", n)
			fmt.Fprintf(&marks, "host.Mark(%d, &mark%s)\n", i, n)
		}
	}
	head.WriteString(cells.String())
	fmt.Fprintf(&head, "func %s() {\nhost.StopBy(&stop)\n%sRegister()\n%s()\n%s(%s)\n}\n", Entry, marks.String(), initName, mainName, map[bool]string{true: "nil"}[recovers(pkg.Func(o.Main))])
	p.Text = head.String() + e.thunks.String() + e.out.String()
	return p, nil
}

// survey looks at what the whole program does: goroutines would write each other's marks, whoever recovers may read the numbers in
// the text of a panic, and encoding/json wants to know the types.
func (e *emitter) survey(pkg *ssa.Package) {
	e.marks = true
	for f := range ssautil.AllFunctions(pkg.Prog) {
		e.exact = e.exact || recovers(f) || printsItself(f)
		for _, b := range f.Blocks {
			for _, in := range b.Instrs {
				for _, o := range in.Operands(nil) {
					c, ok := (*o).(*ssa.Function)
					e.json = e.json || ok && c.Object() != nil && c.Object().Pkg() != nil && c.Object().Pkg().Path() == "encoding/json"
				}
				switch in := in.(type) {
				case *ssa.Go:
					e.marks = false
				case *ssa.Call:
					if f := in.Call.StaticCallee(); f != nil && (f.Name() == "AfterFunc" || f.Name() == "Go") && len(f.Blocks) == 0 {
						e.marks = false
					}
				case *ssa.Defer:
					e.hands = e.hands || in.Call.StaticCallee() == nil && !isBuiltin(in.Call.Value)
				}
			}
		}
	}
}

// printsItself reports whether f is a method that fmt calls, which puts the text of its panic into what it prints.
func printsItself(f *ssa.Function) bool {
	return f.Signature.Recv() != nil && slices.Contains([]string{"String", "Error", "GoString", "Format"}, f.Name()) && len(f.Blocks) > 0
}

// begins returns the place of the first thing in a function that may panic.
func (e *emitter) begins(f *ssa.Function) token.Pos {
	for _, b := range f.Blocks {
		for _, in := range b.Instrs {
			if in.Pos().IsValid() && mayPanic(in) {
				return in.Pos()
			}
		}
	}
	return f.Pos()
}

// functionName returns the name of a function as a person reads it.
func functionName(f *ssa.Function) string {
	if f.Parent() != nil {
		return "a function in " + functionName(f.Parent())
	}
	name := f.Name()
	if strings.HasPrefix(name, "qb_") {
		return "this input"
	}
	if recv := f.Signature.Recv(); recv != nil {
		t := recv.Type()
		if p, ok := types.Unalias(t).(*types.Pointer); ok {
			t = p.Elem()
		}
		name = types.TypeString(t, func(p *types.Package) string { return map[bool]string{false: p.Name()}[p.Path() == "main"] }) + "." + name
	}
	return name
}

// Unsupported is what a program cannot do here though it is Go.
type Unsupported struct {
	Pos token.Pos
	Msg string
}

func (u *Unsupported) Error() string { return u.Msg }

func (e *emitter) fail(format string, args ...any) {
	panic(&Unsupported{e.pos, fmt.Sprintf(format, args...)})
}

// write adds a line to the program.
func (e *emitter) write(format string, args ...any) { fmt.Fprintf(&e.out, format+"\n", args...) }

// anyOf reports whether one of a function's instructions is as asked.
func anyOf(f *ssa.Function, is func(in ssa.Instruction) bool) bool {
	return slices.ContainsFunc(f.Blocks, func(b *ssa.BasicBlock) bool { return slices.ContainsFunc(b.Instrs, is) })
}

// callsBuiltin reports whether an instruction calls a builtin, now or later.
func callsBuiltin(in ssa.Instruction, name string) bool {
	c, ok := in.(ssa.CallInstruction)
	return ok && isBuiltin(c.Common().Value) && c.Common().Value.Name() == name
}

// nativeMethods returns the names of methods that compiled code may call on a script's value: those of every interface that
// the library knows.
func nativeMethods(lib *symbols.Library) map[string]bool {
	names := map[string]bool{"MarshalText": true, "UnmarshalText": true, "Error": true, "Unwrap": true, "Is": true, "As": true, "IsZero": true}
	for _, path := range lib.Paths() {
		scope := lib.Package(path).Types.Scope()
		for _, n := range scope.Names() {
			t, ok := scope.Lookup(n).(*types.TypeName)
			if !ok {
				continue
			}
			if i, ok := t.Type().Underlying().(*types.Interface); ok {
				for m := range i.Methods() {
					names[m.Name()] = true
				}
			}
		}
	}
	return names
}

// id returns the number of a type.
func (e *emitter) id(t types.Type) int {
	n := e.types.Number(t)
	if e.seen[n] {
		return n
	}
	e.seen[n] = true
	e.boxed = append(e.boxed, t)
	inner := func(t types.Type) {
		if mentionsScript(t) {
			e.id(t)
		}
	}
	if _, named := types.Unalias(t).(*types.Named); named && e.json && !isIface(t) {
		inner(types.NewPointer(t))
	}
	switch u := t.Underlying().(type) {
	case *types.Struct:
		for f := range u.Fields() {
			inner(f.Type())
		}
	case *types.Map:
		inner(u.Key())
		inner(u.Elem())
	case interface{ Elem() types.Type }:
		inner(u.Elem())
	}
	return n
}

func (e *emitter) name(f *ssa.Function) string {
	if n, ok := e.fns[f]; ok {
		return n
	}
	n := fmt.Sprintf("f%d", len(e.fns))
	e.fns[f] = n
	e.queue = append(e.queue, f)
	return n
}

func recovers(f *ssa.Function) bool {
	return anyOf(f, func(in ssa.Instruction) bool { return callsBuiltin(in, "recover") })
}

func hasDefers(f *ssa.Function) bool {
	return f.Recover != nil || anyOf(f, func(in ssa.Instruction) bool { return callsBuiltin(in, "ssa:deferstack") })
}

// calls reports whether f calls a function, which may be compiled and call one of the script's in turn.
func calls(f *ssa.Function) bool {
	return anyOf(f, func(in ssa.Instruction) bool {
		c, ok := in.(ssa.CallInstruction)
		return ok && !isBuiltin(c.Common().Value)
	})
}

func isBuiltin(v ssa.Value) bool {
	_, ok := v.(*ssa.Builtin)
	return ok
}

// function writes a function with a body.
func (e *emitter) function(f *ssa.Function) {
	if len(f.Blocks) == 0 {
		e.fail("%v has no body", f)
	}
	e.fn, e.regs, e.decls, e.temp = f, map[ssa.Value]string{}, nil, 0
	e.zeros = map[string]string{}
	e.fused = map[ssa.Value]string{}
	e.again = map[*ssa.BasicBlock][]string{}
	e.recov, e.guarded = recovers(f), hasDefers(f)
	var all, kept, quickly taking
	var params, args []string // of a closure, and what it hands over
	if e.recov {
		all.params, quickly.params, args = []string{"h *host.Panicking"}, []string{"h *host.Panicking"}, []string{"host.Pending()"}
	}
	for i, v := range f.FreeVars {
		e.regs[v] = fmt.Sprintf("v%d", i)
		for _, t := range []*taking{&all, &kept, &quickly} {
			e.take(t, e.regs[v], v.Type())
		}
		args = append(args, e.handed(e.regs[v], v.Type()))
	}
	for i, v := range f.Params {
		e.regs[v] = fmt.Sprintf("a%d", i)
		e.take(&all, e.regs[v], v.Type())
		plain := e.regs[v] + " " + e.of(v.Type())
		params, args = append(params, plain), append(args, e.handed(e.regs[v], v.Type()))
		if isQuick(v.Type()) {
			quickly.params = append(quickly.params, plain)
		} else {
			e.take(&quickly, e.regs[v], v.Type())
		}
	}
	e.orderIndexes(f)
	e.readLate(f)
	for _, b := range f.Blocks {
		b.Instrs = slices.DeleteFunc(b.Instrs, func(in ssa.Instruction) bool { _, ok := in.(*ssa.DebugRef); return ok })
	}
	e.findPlaces(f)
	e.findInlined(f)
	e.findBack(f)
	e.coalesce(f)
	result := e.results(f.Signature)
	var body []string
	e.body = &body
	if calls(f) {
		e.add(stopCheck)
	}
	if e.guarded {
		e.add("goto B0")
	}
	e.layout(f.Blocks[0], nil)
	var rec, q []string
	if e.guarded {
		for i, v := range collect(f.Signature.Results()) {
			q = append(q, fmt.Sprintf("q%d", i))
			e.decls = append(e.decls, fmt.Sprintf("var q%d %s", i, e.of(v.Type())))
		}
		e.body = &rec
		e.guarded = false
		if f.Recover != nil {
			e.pos = f.Recover.Instrs[0].Pos()
			for _, in := range f.Recover.Instrs {
				e.instr(in)
			}
		}
		e.guarded = true
	}
	text := strings.Join(body, "\n")
	if e.guarded {
		text = fmt.Sprintf("d := host.NewDefers()\nok := host.Protect(d, func() {\n%s\n})\nif ok {\n%s\n}\nreturn %s", text, strings.Join(rec, "\n"), strings.Join(q, ", "))
	}
	write := func(name string, t taking) string {
		decls := slices.Concat(t.vars, e.decls)
		if len(decls) > 0 { // a frame has its variables at zero: to declare them again in each call would take longer than most calls
			decls = slices.Concat([]string{"goto D"}, decls, []string{"D:", "_ = 0"})
		}
		lines := slices.Concat(decls, t.copies, []string{text})
		return fmt.Sprintf("func %s(%s)%s { // %s\n%s\n}\n", name, strings.Join(t.params, ", "), result, strings.ReplaceAll(f.String(), "\n", " "), strings.Join(lines, "\n"))
	}
	e.out.WriteString(write(e.core(f), all))
	if isQuickly(f) {
		e.quick[f] = write(e.fns[f], quickly)
	}
	// A maker of function values.
	ret := returns(f.Signature)
	if e.hands && !e.recov {
		ret = "host.Pending(); " + ret // what f calls is not called by the deferred call itself
	}
	head := "func(" + strings.Join(params, ", ") + ")" + result
	e.write("func mk%s(%s) %s {\n%s\nreturn %s { %s%s(%s) } }", e.fns[f], strings.Join(kept.params, ", "), head, kept.text(), head, ret, e.core(f), strings.Join(args, ", "))
}

// The interpreter passes over an argument that is zero by reflection, and −0 is; so functions of the core take what may hold one by
// its address, and copy it before anything else. A struct that holds itself has no address there, and comes in an interface. Of a
// function of floats there is a second one, which takes those as they are: for calls where none of them is zero.

// A taking is how a function of the core takes its parameters.
type taking struct{ params, vars, copies []string }

func (t taking) text() string { return strings.Join(slices.Concat(t.vars, t.copies), "\n") }

// take adds a parameter.
func (e *emitter) take(to *taking, name string, t types.Type) {
	of := e.of(t)
	if !signed(t) {
		to.params = append(to.params, name+" "+of)
		return
	}
	to.vars = append(to.vars, fmt.Sprintf("var %s %s", name, of))
	if e.holds(t) {
		to.params, to.copies = append(to.params, name+"z host.Any"), append(to.copies, fmt.Sprintf("%s, _ = %sz.(%s)", name, name, of))
		return
	}
	to.params, to.copies = append(to.params, name+"z *"+of), append(to.copies, fmt.Sprintf("%s = *%sz", name, name))
}

// handed returns the text of an argument to a function of the core.
func (e *emitter) handed(x string, t types.Type) string {
	if signed(t) && !e.holds(t) {
		return "&" + x
	}
	return x
}

// core returns the name of the function that may be called with −0.
func (e *emitter) core(f *ssa.Function) string {
	if isQuickly(f) {
		return e.name(f) + "z"
	}
	return e.name(f)
}

// mostTwice is how many instructions a function may have that is written twice: a longer one takes longer than its call.
const mostTwice = 20

// isQuickly reports whether there is a second function for calls in which no float is zero.
func isQuickly(f *ssa.Function) bool {
	n := 0
	anyOf(f, func(in ssa.Instruction) bool {
		if _, ok := in.(*ssa.DebugRef); !ok {
			n++
		}
		return false
	})
	return n <= mostTwice && slices.ContainsFunc(f.Params, func(p *ssa.Parameter) bool { return isQuick(p.Type()) })
}

func isQuick(t types.Type) bool { return isFloat(t) && isNumber(t) }

// callQuickly writes a call of a function of floats, whose arguments it has as values and, for where those are, as text.
func (e *emitter) callQuickly(set, hands string, f *ssa.Function, args []ssa.Value) {
	e.direct[f] = true
	var tests, quick []string
	for _, v := range args {
		x := e.val(v, true)
		if !isQuick(v.Type()) {
			quick = append(quick, e.handed(x, v.Type()))
			continue
		}
		quick = append(quick, x)
		if test := x + " == 0"; mayBeZero(v) && !slices.Contains(tests, test) {
			tests = append(tests, test)
		}
	}
	call := fmt.Sprintf("%s%s(%s%s)", set, e.name(f), hands, strings.Join(quick, ", "))
	if len(tests) == 0 {
		e.add("%s", call)
		return
	}
	e.add("if %s {", strings.Join(tests, " || "))
	for i, v := range args {
		if isQuick(v.Type()) {
			quick[i] = "&" + quick[i]
		}
	}
	e.add("%s%s(%s%s)", set, e.core(f), hands, strings.Join(quick, ", "))
	e.add("} else {")
	e.add("%s", call)
	e.add("}")
}

// mayBeZero reports whether a float may be −0.
func mayBeZero(v ssa.Value) bool {
	switch v := v.(type) {
	case *ssa.Const:
		return false
	case *ssa.Convert:
		return isFloat(v.X.Type())
	}
	return true
}

// signed reports whether a value of type t may be −0 or hold it.
func signed(t types.Type) bool {
	switch u := t.Underlying().(type) {
	case *types.Basic:
		return isFloat(u)
	case *types.Struct, *types.Array:
		return slices.ContainsFunc(parts(u), signed)
	}
	return false
}

func (e *emitter) add(format string, args ...any) {
	*e.body = append(*e.body, fmt.Sprintf(format, args...))
}

func (e *emitter) newTemp(typ string) string {
	n := fmt.Sprintf("t%d", e.temp)
	e.temp++
	e.decls = append(e.decls, fmt.Sprintf("var %s %s", n, typ))
	return n
}

// def returns the register of an instruction's value.
func (e *emitter) def(v ssa.Value) string {
	if n, ok := e.regs[v]; ok {
		return n
	}
	n := fmt.Sprintf("r%s_%d", strings.TrimPrefix(v.Name(), "t"), len(e.regs))
	e.regs[v] = n
	if tup, ok := v.Type().(*types.Tuple); ok {
		for i := range tup.Len() {
			if tup.At(i).Type() != types.Typ[types.Invalid] {
				e.decls = append(e.decls, fmt.Sprintf("var %s_%d %s", n, i, e.of(tup.At(i).Type())))
			}
		}
		return n
	}
	switch v.(type) {
	case *ssa.Range:
		e.decls = append(e.decls, fmt.Sprintf("var %s *host.Iter", n))
	default:
		e.decls = append(e.decls, fmt.Sprintf("var %s %s", n, e.of(v.Type())))
	}
	return n
}

func (e *emitter) constant(c *ssa.Const, typed bool) string {
	t := c.Type()
	if c.Value == nil {
		return e.newTemp(e.of(t)) // never assigned: zero
	}
	b := t.Underlying().(*types.Basic)
	var lit string
	switch {
	case b.Info()&types.IsBoolean != 0:
		lit = strconv.FormatBool(constant.BoolVal(c.Value))
	case b.Info()&types.IsString != 0:
		lit = strconv.Quote(constant.StringVal(c.Value))
	case b.Info()&types.IsInteger != 0:
		lit = constant.ToInt(c.Value).ExactString()
	case b.Info()&types.IsFloat != 0:
		f, _ := constant.Float64Val(c.Value)
		lit = floatText(f)
	case b.Info()&types.IsComplex != 0:
		re, _ := constant.Float64Val(constant.Real(c.Value))
		im, _ := constant.Float64Val(constant.Imag(c.Value))
		part := map[bool]string{true: "float32", false: "float64"}[size(t) == 8]
		lit = fmt.Sprintf("complex(%s, %s)", e.float(re, part), e.float(im, part))
	}
	if n, ok := types.Unalias(t).(*types.Named); typed || ok && !isScript(n) { // the interpreter stores no bare constant where a compiled type is
		n := e.newTemp(e.of(t))
		e.add("%s = %s", n, lit)
		return n
	}
	return lit
}

func (e *emitter) float(f float64, typ string) string {
	n := e.newTemp(typ)
	e.add("%s = %s", n, floatText(f))
	return n
}

// floatText returns a constant that is no integer.
func floatText(f float64) string {
	text := strconv.FormatFloat(f, 'g', -1, 64)
	if !strings.ContainsAny(text, ".e") {
		text += ".0"
	}
	return text
}

// val returns an operand; typed where constants need their type there.
func (e *emitter) val(v ssa.Value, typed bool) string {
	if e.inline[v] {
		return e.inner(v)
	}
	switch v := v.(type) {
	case *stand:
		if c, ok := v.Value.(*ssa.Const); ok && v.name == "" {
			return e.constant(c, typed)
		}
		return v.name
	case *ssa.Const:
		return e.constant(v, typed)
	case *ssa.Global:
		if !symbols.IsScript(v.Pkg.Pkg.Path()) {
			e.used[v.Pkg.Pkg.Path()] = v.Pkg.Pkg.Name()
			n := e.newTemp(e.of(v.Type()))
			e.add("%s = &%s.%s", n, v.Pkg.Pkg.Name(), v.Name())
			return n
		}
		n, ok := e.globals[v]
		if !ok {
			n = "g_" + strings.ReplaceAll(v.Name(), "$", "_")
			e.globals[v] = n
		}
		return n
	case *ssa.Function:
		n := e.newTemp(e.of(v.Type()))
		if len(v.Blocks) == 0 {
			e.add("%s = %s", n, e.fixed(v))
		} else {
			e.add("%s = mk%s()", n, e.name(v))
		}
		return n
	}
	return e.def(v)
}

// view returns an operand as what it is, if memory of its type is opaque.
func (e *emitter) view(v ssa.Value) string {
	n := e.val(v, true)
	if _, isGlobal := v.(*ssa.Global); isGlobal || !e.opaque(v.Type()) { // a variable of the package is a pointer of its own type
		return n
	}
	t := e.newTemp(e.lowering.view(v.Type()))
	e.zero(t, e.lowering.view(v.Type()))
	e.add("%s, _ = %s.(%s)", t, n, e.lowering.view(v.Type()))
	return t
}

func (e *emitter) nativeFunc(f *ssa.Function) string {
	if o := f.Origin(); o != nil && o.Object() != nil && Writes(o.Object().Pkg().Path()+"."+o.Name()) {
		return e.once(f)
	}
	p := f.Pkg
	if p == nil {
		e.fail("%v is not there for scripts", f)
	}
	e.used[p.Pkg.Path()] = p.Pkg.Name()
	return p.Pkg.Name() + "." + f.Name()
}

// fixed returns a compiled function as a value: the core has a slice where Go has a variadic parameter.
func (e *emitter) fixed(f *ssa.Function) string {
	if !f.Signature.Variadic() || f.Signature.Recv() != nil {
		return e.nativeFunc(f)
	}
	name := fmt.Sprintf("th%d", e.thunkN)
	e.thunkN++
	params, args := e.parameters(f.Signature)
	for i := range args {
		args[i] = fmt.Sprintf("a%d", i)
	}
	fmt.Fprintf(&e.thunks, "func %s(%s)%s { %s%s(%s...) }\n", name, strings.Join(params, ", "), e.results(f.Signature), returns(f.Signature), e.nativeFunc(f), strings.Join(args, ", "))
	return name
}

// parameters returns those of a function as they stand in its head, and as arguments to another of the core.
func (e *emitter) parameters(sig *types.Signature) (params, args []string) {
	for i, v := range collect(sig.Params()) {
		params = append(params, fmt.Sprintf("a%d %s", i, e.of(v.Type())))
		args = append(args, e.handed(fmt.Sprintf("a%d", i), v.Type()))
	}
	return params, args
}

// returns begins a statement that calls a function last.
func returns(sig *types.Signature) string {
	if sig.Results().Len() > 0 {
		return "return "
	}
	return ""
}

// block writes a block but for where it goes.
func (e *emitter) block(b *ssa.BasicBlock) {
	for i, in := range b.Instrs {
		e.pos = e.places[in]
		if e.marks && mayPanic(in) {
			if at := e.prog.Fset.Position(e.pos); at.IsValid() && (at.Line != e.marked || isPanic(in)) {
				e.marked = at.Line
				e.add("mark%s = %d", e.fns[e.fn], int(e.pos))
			}
		}
		switch in := in.(type) {
		case *ssa.Jump, *ssa.If:
			return
		case ssa.Value:
			if e.inline[in] || i+1 < len(b.Instrs) && e.fuse(in, b.Instrs[i+1]) {
				continue
			}
		}
		e.instr(in)
	}
}

func isPanic(in ssa.Instruction) bool { _, ok := in.(*ssa.Panic); return ok }

// mayPanic reports whether a place is wanted for what in may do.
func mayPanic(in ssa.Instruction) bool {
	isAlloc := func(v ssa.Value) bool { _, ok := v.(*ssa.Alloc); return ok }
	switch in := in.(type) {
	case *ssa.IndexAddr:
		return !isAlloc(in.X) && !isRanged(in)
	case *ssa.Index, *ssa.MapUpdate, *ssa.Slice, *ssa.Panic, *ssa.MakeSlice, *ssa.MakeChan, *ssa.Send, *ssa.RunDefers, *ssa.Defer, *ssa.Select:
		return true
	case *ssa.Lookup:
		m, ok := in.X.Type().Underlying().(*types.Map)
		if !ok {
			return true
		}
		_, plain := m.Key().Underlying().(*types.Basic)
		return !plain
	case *ssa.Call:
		_, b := in.Call.Value.(*ssa.Builtin)
		return !b
	case *ssa.FieldAddr:
		return !isAlloc(in.X)
	case *ssa.UnOp:
		if in.Op == token.MUL {
			switch in.X.(type) {
			case *ssa.Parameter, *ssa.UnOp, *ssa.Phi, *ssa.Call, *ssa.Extract, *ssa.Lookup:
				return true
			}
		}
		return in.Op == token.ARROW
	case *ssa.Store:
		switch in.Addr.(type) {
		case *ssa.Parameter, *ssa.UnOp, *ssa.Phi, *ssa.Call, *ssa.Extract, *ssa.Lookup:
			return true
		}
	case *ssa.BinOp:
		y, _ := in.Y.(*ssa.Const)
		switch in.Op {
		case token.QUO, token.REM:
			return !isFloat(in.X.Type()) && (y == nil || constant.Sign(y.Value) == 0)
		case token.SHL, token.SHR:
			return y == nil || constant.Sign(y.Value) < 0
		}
		return isIface(in.X.Type())
	case *ssa.TypeAssert:
		return !in.CommaOk
	}
	return false
}

// fuse keeps an address that only the next instruction uses as text, for that instruction.
func (e *emitter) fuse(in ssa.Value, next ssa.Instruction) bool {
	if !onlyUser(in, next) || !isPlace(in) {
		return false
	}
	switch n := next.(type) {
	case *ssa.UnOp:
		if n.Op != token.MUL {
			return false
		}
		if e.inline[n] {
			return true // which writes it
		}
	case *ssa.Store:
		if n.Addr != in || n.Val == in {
			return false
		}
	default:
		return false
	}
	e.fused[in] = e.target(in)
	return true
}

// isPlace reports whether an address is one of an element of a slice or of a field, which has a text.
func isPlace(addr ssa.Value) bool {
	switch a := addr.(type) {
	case *ssa.IndexAddr:
		_, ok := a.X.Type().Underlying().(*types.Slice)
		return ok
	case *ssa.FieldAddr:
		return true
	}
	return false
}

// target returns the text of what such an address points to.
func (e *emitter) target(addr ssa.Value) string {
	switch a := addr.(type) {
	case *ssa.IndexAddr:
		x := e.view(a.X)
		c, isConst := a.Index.(*ssa.Const)
		i := e.val(a.Index, isConst && constant.Sign(c.Value) < 0) // the interpreter takes no such constant
		e.checkIndex(a.Index, i, x)
		return x + "[" + i + "]"
	case *ssa.FieldAddr:
		st := a.X.Type().Underlying().(*types.Pointer).Elem()
		return e.view(a.X) + "." + e.field(st, a.Field)
	}
	panic("no place")
}

// checkIndex has the program panic with the numbers that Go has in the text, where somebody may read them.
func (e *emitter) checkIndex(v ssa.Value, i, x string) {
	if !e.exact {
		return
	}
	e.add("if uint(%s) >= uint(len(%s)) { host.Index(int(%s), len(%s)) }", i, x, i, x)
}

// checkBounds is checkIndex for a slice expression.
func (e *emitter) checkBounds(in *ssa.Slice, x, lo, hi, limit string) {
	if lo == "" && hi == "" {
		return
	}
	n, c := "len("+x+")", "cap("+x+")"
	text := false
	switch t := in.X.Type().Underlying().(type) {
	case *types.Pointer:
		n = fmt.Sprint(t.Elem().Underlying().(*types.Array).Len())
		c = n
		text = true
	case *types.Basic:
		c, text = n, true
	}
	part := func(s, absent string) string {
		if s == "" {
			return absent
		}
		return "int(" + s + ")"
	}
	e.add("host.Bounds(%s, %s, %s, %s, %s, %v)", part(lo, "0"), part(hi, n), part(limit, fmt.Sprint(math.MinInt)), n, c, text)
}

// place returns the text of what an address points to.
func (e *emitter) place(addr ssa.Value) string {
	if s, ok := e.fused[addr]; ok {
		return s
	}
	return "*" + e.view(addr)
}

// moves writes what an edge gives the phis of its end.
func (e *emitter) moves(from, to *ssa.BasicBlock, nth int) []string {
	idx := -1
	for i, p := range to.Preds {
		if p == from {
			if nth == 0 {
				idx = i
				break
			}
			nth--
		}
	}
	var dst []string
	var src []string
	for _, in := range to.Instrs {
		phi, ok := in.(*ssa.Phi)
		if !ok {
			break
		}
		if _, isTuple := phi.Type().(*types.Tuple); isTuple {
			continue
		}
		var saved []string
		old := e.body
		e.body = &saved
		s := e.val(phi.Edges[idx], false)
		e.body = old
		for _, l := range saved {
			src = append(src, "") // keep order: constants set before
			dst = append(dst, l)
		}
		dst = append(dst, e.def(phi))
		src = append(src, s)
	}
	var out []string
	if e.back[edge{from, to}] {
		out = append(out, stopCheck)
	}
	// Values read after they are overwritten go through temporaries.
	var late []string
	for i := range dst {
		if src[i] == "" {
			out = append(out, dst[i])
			continue
		}
		if dst[i] == src[i] {
			continue
		}
		conflict := false
		for j := i + 1; j < len(dst); j++ {
			if src[j] == dst[i] {
				conflict = true
			}
		}
		if conflict {
			t := e.newTemp(e.phiType(to, dst[i]))
			out = append(out, fmt.Sprintf("%s = %s", t, src[i]))
			late = append(late, fmt.Sprintf("%s = %s", dst[i], t))
			continue
		}
		out = append(out, fmt.Sprintf("%s = %s", dst[i], src[i]))
	}
	return append(out, late...)
}

// largestArray is what a variable may take, in bytes.
const largestArray = 64 << 20

// size returns how many bytes a value of type t takes.
func size(t types.Type) int64 { return types.SizesFor("gc", "amd64").Sizeof(t) }

func (e *emitter) phiType(b *ssa.BasicBlock, name string) string {
	for _, in := range b.Instrs {
		if phi, ok := in.(*ssa.Phi); ok && e.regs[phi] == name {
			return e.of(phi.Type())
		}
	}
	panic("no phi " + name)
}

func isIface(t types.Type) bool { return types.IsInterface(t) }

// opened returns an interface's value as the script's own interfaces hold it: compiled interfaces hold adapters.
func (e *emitter) opened(v ssa.Value) string {
	x := e.val(v, true)
	switch e.of(v.Type()) {
	case "host.Any":
		return x
	case "host.Error":
		t := e.newTemp("host.Any")
		e.add("%s = %s", t, x)
		return t
	}
	t := e.newTemp("host.Any")
	e.add("%s = host.Open(%s)", t, x)
	return t
}

// toIface converts an any to the lowered form of an interface.
func (e *emitter) toIface(dst string, x string, t types.Type) {
	switch e.of(t) {
	case "host.Any":
		e.add("%s = %s", dst, x)
	case "host.Error":
		e.add("%s = host.ToError(%s)", dst, x)
	default:
		e.zero(dst, e.of(t))
		a := e.newTemp("host.Any")
		e.add("%s = host.Adapt(%s, %q)", a, x, e.of(t))
		e.add("if %s != nil { %s, _ = %s.(%s) }", a, dst, a, e.of(t))
	}
}

func (e *emitter) instr(in ssa.Instruction) {
	switch in := in.(type) {
	case *ssa.DebugRef, *ssa.Phi:
		if p, ok := in.(*ssa.Phi); ok {
			e.def(p)
		}
	case *ssa.Alloc:
		r := e.def(in)
		elem := in.Type().(*types.Pointer).Elem()
		if a, ok := elem.Underlying().(*types.Array); ok && in.Comment == "makeslice" { // a slice of constant size
			e.add("host.Size(%d, %d)", a.Len(), size(a.Elem()))
		} else if size(elem) > largestArray {
			e.fail("an array of more than %d MB; instead: a slice", largestArray>>20)
		}
		e.add("%s = new(%s)", r, e.of(elem))
	case *ssa.Store:
		if e.inline[in.Val] {
			e.storeSum(in)
			return
		}
		v := e.val(in.Val, false)
		e.add("%s = %s", e.place(in.Addr), v)
	case *ssa.UnOp:
		r := e.def(in)
		switch in.Op {
		case token.MUL:
			e.add("%s = %s", r, e.place(in.X))
		case token.ARROW:
			got, ok := e.newTemp("host.Any"), e.newTemp("bool")
			elem := in.X.Type().Underlying().(*types.Chan).Elem()
			if in.CommaOk {
				e.add("%s, %s_1 = host.Receive(%s)", got, r, e.val(in.X, true))
				e.fromAny(r+"_0", got, elem)
			} else {
				e.add("%s, %s = host.Receive(%s)", got, ok, e.val(in.X, true))
				e.fromAny(r, got, elem)
			}
		default:
			e.add("%s = %s%s", r, in.Op, e.val(in.X, true))
		}
	case *ssa.BinOp:
		e.binop(in)
	case *ssa.Call:
		e.call(in)
	case *ssa.ChangeInterface:
		e.toIface(e.def(in), e.opened(in.X), in.Type())
	case *ssa.ChangeType:
		e.changeType(e.def(in), in.X, in.Type())
	case *ssa.Convert:
		e.add("%s = %s(%s)", e.def(in), e.of(in.Type()), e.val(in.X, true))
	case *ssa.MakeInterface:
		r := e.def(in)
		x := e.val(in.X, true)
		if mentionsScript(in.X.Type()) {
			x = fmt.Sprintf("host.Box(%d, %s)", e.id(in.X.Type()), x)
			if e.of(in.Type()) != "host.Any" {
				t := e.newTemp("host.Any")
				e.add("%s = %s", t, x)
				x = t
			}
			e.toIface(r, x, in.Type())
			return
		}
		e.add("%s = %s", r, x)
	case *ssa.MakeClosure:
		var b []string
		for _, v := range in.Bindings {
			b = append(b, e.handed(e.val(v, true), v.Type()))
		}
		e.add("%s = mk%s(%s)", e.def(in), e.name(in.Fn.(*ssa.Function)), strings.Join(b, ", "))
	case *ssa.MakeMap:
		e.add("%s = make(%s)", e.def(in), e.lowering.view(in.Type()))
	case *ssa.MakeChan:
		n := e.newTemp("int")
		e.add("%s = host.Size(int(%s), %d)", n, e.val(in.Size, true), size(in.Type().Underlying().(*types.Chan).Elem()))
		e.add("%s = make(%s, %s)", e.def(in), e.lowering.view(in.Type()), n)
	case *ssa.MakeSlice:
		n, c := e.newTemp("int"), e.newTemp("int")
		e.add("%s, %s = host.Sizes(int(%s), int(%s), %d)", n, c, e.val(in.Len, true), e.val(in.Cap, true), size(in.Type().Underlying().(*types.Slice).Elem()))
		e.add("%s = make(%s, %s, %s)", e.def(in), e.lowering.view(in.Type()), n, c)
	case *ssa.Slice:
		r := e.def(in)
		x := e.view(in.X)
		opt := func(v ssa.Value) string {
			if v == nil {
				return ""
			}
			return e.val(v, true)
		}
		lo, hi := opt(in.Low), opt(in.High)
		if e.exact {
			e.checkBounds(in, x, lo, hi, opt(in.Max))
		}
		if in.Max != nil {
			e.add("%s = %s[%s:%s:%s]", r, x, lo, hi, opt(in.Max))
		} else {
			e.add("%s = %s[%s:%s]", r, x, lo, hi)
		}
	case *ssa.FieldAddr:
		st := in.X.Type().Underlying().(*types.Pointer).Elem()
		e.add("%s = &%s.%s", e.def(in), e.view(in.X), e.field(st, in.Field))
	case *ssa.Field:
		e.add("%s = %s.%s", e.def(in), e.val(in.X, true), e.field(in.X.Type(), in.Field))
	case *ssa.IndexAddr:
		r := e.def(in)
		x := e.view(in.X)
		i := e.val(in.Index, true)
		if p, ok := in.X.Type().Underlying().(*types.Pointer); ok {
			t := e.newTemp("[]" + e.of(p.Elem().Underlying().(*types.Array).Elem()))
			e.add("%s = %s[:]", t, x)
			x = t
		}
		e.checkIndex(in.Index, i, x)
		e.add("%s = &%s[%s]", r, x, i)
	case *ssa.Index:
		x, i := e.val(in.X, true), e.val(in.Index, true)
		e.checkIndex(in.Index, i, x)
		e.add("%s = %s[%s]", e.def(in), x, i)
	case *ssa.Lookup:
		r := e.def(in)
		x, k := e.view(in.X), e.val(in.Index, true)
		if in.CommaOk {
			m := in.X.Type().Underlying().(*types.Map)
			e.zero(r+"_0", e.of(m.Elem()))
			e.add("%s_0, %s_1 = %s[%s]", r, r, x, k)
		} else {
			e.add("%s = %s[%s]", r, x, k)
		}
	case *ssa.MapUpdate:
		m, k, v := e.view(in.Map), e.val(in.Key, true), e.val(in.Value, true)
		e.add("%s[%s] = %s", m, k, v)
	case *ssa.Range:
		if _, ok := in.X.Type().Underlying().(*types.Map); ok {
			e.add("%s = host.RangeMap(%s)", e.def(in), e.view(in.X))
		} else {
			e.add("%s = host.RangeString(%s)", e.def(in), e.val(in.X, true))
		}
	case *ssa.Next:
		r := e.def(in)
		if in.IsString {
			e.add("%s_0, %s_1, %s_2 = host.NextString(%s)", r, r, r, e.val(in.Iter, true))
			e.needTuple(r, in, types.Typ[types.Int], types.Typ[types.Rune])
			return
		}
		m := in.Iter.(*ssa.Range).X.Type().Underlying().(*types.Map)
		e.needTuple(r, in, m.Key(), m.Elem())
		k, v := e.newTemp("host.Any"), e.newTemp("host.Any")
		e.add("%s_0, %s, %s = host.NextMap(%s)", r, k, v, e.val(in.Iter, true))
		e.fromAny(r+"_1", k, m.Key())
		e.fromAny(r+"_2", v, m.Elem())
	case *ssa.Select:
		e.selection(in)
	case *ssa.TypeAssert:
		e.typeAssert(in)
	case *ssa.Extract:
		e.add("%s = %s_%d", e.def(in), e.def(in.Tuple), in.Index)
	case *ssa.Return:
		var r []string
		for _, v := range in.Results {
			r = append(r, e.val(v, true))
		}
		if e.guarded {
			runs := false
			for _, x := range in.Block().Instrs {
				if _, ok := x.(*ssa.RunDefers); ok {
					runs = true
				}
			}
			if !runs { // lifting takes it away where only bodies of ranges over functions defer
				e.add("host.Run(d)")
				for i, v := range in.Results { // what they may have changed
					if l, ok := v.(*ssa.UnOp); ok && l.Op == token.MUL {
						if a, ok := l.X.(*ssa.Alloc); ok {
							e.add("%s = *%s", r[i], e.def(a))
						}
					}
				}
			}
			for i, s := range r {
				e.add("q%d = %s", i, s)
			}
			e.add("return")
			return
		}
		e.add("return %s", strings.Join(r, ", "))
	case *ssa.RunDefers:
		if e.guarded {
			e.add("host.Run(d)")
		}
	case *ssa.Panic:
		switch in.Block().Comment { // what go/ssa says in words of its own
		case "yield-invalid":
			test := in.Block().Preds[0].Instrs[len(in.Block().Preds[0].Instrs)-1].(*ssa.If).Cond.(*ssa.BinOp)
			e.add("host.RangeState(%s)", e.val(test.X, true))
		case "rangefunc.resume.busy":
			e.add("host.RangeState(0)")
		default:
			e.add("host.Panic(%s)", e.val(in.X, true))
		}
		var zero []string
		if !e.guarded {
			for v := range e.fn.Signature.Results().Variables() {
				zero = append(zero, e.newTemp(e.of(v.Type())))
			}
		}
		e.add("return %s", strings.Join(zero, ", "))
	case *ssa.Go:
		e.add("host.Go(%s)", e.thunk(&in.Call))
	case *ssa.Defer:
		t := "host.RecoverLater(h)" // what this function may recover, not what a function that it defers may
		if !callsBuiltin(in, "recover") {
			t = e.thunk(&in.Call)
		}
		d := "d"
		if in.DeferStack != nil {
			d = e.val(in.DeferStack, true)
		}
		e.add("host.Push(%s, %s)", d, t)
	case *ssa.Send:
		e.add("host.Send(%s, %s)", e.val(in.Chan, true), e.val(in.X, true))
	case *ssa.SliceToArrayPointer:
		n := in.Type().Underlying().(*types.Pointer).Elem().Underlying().(*types.Array).Len()
		a := e.newTemp("host.Any")
		e.add("%s = host.ArrayPtr(%s, %d)", a, e.view(in.X), n)
		e.fromAny(e.def(in), a, in.Type())
	default:
		e.fail("a script cannot do this (%T)", in)
	}
}

func (e *emitter) needTuple(r string, v ssa.Value, k, el types.Type) {
	tup := v.Type().(*types.Tuple)
	for i, t := range []types.Type{nil, k, el} {
		if i > 0 && tup.At(i).Type() == types.Typ[types.Invalid] {
			e.decls = append(e.decls, fmt.Sprintf("var %s_%d %s", r, i, e.of(t)))
		}
	}
}

// fromAny unpacks a value of type t from an any that surely holds one.
func (e *emitter) fromAny(dst, x string, t types.Type) {
	if e.of(t) == "host.Any" {
		e.add("%s = %s", dst, x)
		return
	}
	if e.of(t) == "host.Error" {
		e.add("%s = host.ToError(%s)", dst, x)
		return
	}
	e.zero(dst, e.of(t))
	if e.of(t) == "struct{}" {
		return
	}
	if isIface(t) { // an assertion of nil panics
		e.add("if %s != nil { %s, _ = %s.(%s) }", x, dst, x, e.of(t))
		return
	}
	e.add("%s, _ = %s.(%s)", dst, x, e.of(t))
}

// zero clears a register that a failed assertion would leave as it was.
func (e *emitter) zero(r, typ string) {
	if z, ok := e.zeros[typ]; ok {
		e.add("%s = %s", r, z)
		return
	}
	z := e.newTemp(typ)
	e.zeros[typ] = z
	e.add("%s = %s", r, z)
}

func (e *emitter) field(t types.Type, i int) string {
	if n, ok := types.Unalias(t).(*types.Named); ok && !isScript(n) {
		return t.Underlying().(*types.Struct).Field(i).Name()
	}
	return fmt.Sprintf("F%d", i)
}

func (e *emitter) changeType(r string, v ssa.Value, t types.Type) {
	from, to := e.of(v.Type()), e.of(t)
	switch {
	case from == to || to == "host.Any":
		e.add("%s = %s", r, e.val(v, true))
	case from == "host.Any":
		e.add("%s = %s", r, e.view(v))
	default:
		e.add("%s = (%s)(%s)", r, to, e.val(v, true))
	}
}

func (e *emitter) binop(in *ssa.BinOp) {
	r := e.def(in)
	t := in.X.Type()
	if in.Op == token.EQL || in.Op == token.NEQ {
		not := ""
		if in.Op == token.NEQ {
			not = "!"
		}
		isNil := func(v ssa.Value) bool {
			c, ok := v.(*ssa.Const)
			return ok && c.Value == nil
		}
		x, y := in.X, in.Y
		if isNil(x) {
			x, y = y, x
		}
		switch t.Underlying().(type) {
		case *types.Interface, *types.Struct, *types.Array:
			if isIface(t) && isNil(y) {
				e.add("%s = %s %s nil", r, e.val(x, true), in.Op)
				return
			}
			e.add("%s = %shost.Eq(%s, %s)", r, not, e.val(x, true), e.val(y, true))
			return
		case *types.Basic:
		case *types.Chan:
			e.add("%s = %shost.SameChan(%s, %s)", r, not, e.val(x, true), e.val(y, true))
			return
		default:
			if isNil(y) {
				e.add("%s = %s %s nil", r, e.view(x), in.Op)
				return
			}
			e.add("%s = %s %s %s", r, e.view(x), in.Op, e.view(y))
			return
		}
	}
	_, xc := in.X.(*ssa.Const)
	if in.Op == token.SHL || in.Op == token.SHR {
		c, isConst := in.Y.(*ssa.Const)
		if signed := in.Y.Type().Underlying().(*types.Basic).Info()&types.IsUnsigned == 0; signed && !isConst {
			n := e.val(in.Y, true)
			e.add("if %s < 0 { host.Shift(int64(%s)) }", n, n)
		} else if isConst && constant.Sign(c.Value) < 0 { // a variable that SSA knows the value of
			e.add("host.Shift(-1)")
			return
		}
	}
	typed := xc || in.Op == token.SHL || in.Op == token.SHR || byZero(in)
	if x, y := e.val(in.X, xc), e.val(in.Y, typed); x == r && isSum(in) {
		e.add("%s %s= %s", r, in.Op, y)
	} else {
		e.add("%s = %s %s %s", r, x, in.Op, y)
	}
}

// callText returns the text of a call's function and its arguments, each written
// with the types that it has there, so that a thunk may take them.
func (e *emitter) callText(c *ssa.CallCommon) (fn string, args []ssa.Value) {
	if c.IsInvoke() {
		return e.invoke(c.Value.Type(), c.Method), append([]ssa.Value{c.Value}, c.Args...)
	}
	switch f := c.Value.(type) {
	case *ssa.Function:
		if len(f.Blocks) > 0 {
			return e.name(f), c.Args
		}
		return "", c.Args
	case *ssa.MakeClosure:
		return e.name(f.Fn.(*ssa.Function)), append(slices.Clone(f.Bindings), c.Args...)
	}
	return "", nil
}

func (e *emitter) call(in *ssa.Call) {
	c := &in.Call
	var dst []string
	if tup, ok := in.Type().(*types.Tuple); !ok {
		dst = append(dst, e.def(in))
	} else if tup.Len() > 0 {
		r := e.def(in)
		for i := range tup.Len() {
			dst = append(dst, fmt.Sprintf("%s_%d", r, i))
		}
	}
	e.callTo(dst, c)
}

func (e *emitter) callTo(dst []string, c *ssa.CallCommon) {
	set := ""
	if len(dst) > 0 {
		set = strings.Join(dst, ", ") + " = "
	}
	if b, ok := c.Value.(*ssa.Builtin); ok {
		e.builtin(set, b, c)
		return
	}
	list := func(vs []ssa.Value) []string {
		var out []string
		for _, v := range vs {
			out = append(out, e.val(v, true))
		}
		return out
	}
	if fn, args := e.callText(c); fn != "" {
		f, nilh := c.StaticCallee(), ""
		if f != nil && recovers(f) {
			nilh = "nil, "
		}
		if f != nil && isQuickly(f) {
			e.callQuickly(set, nilh, f, args)
			return
		}
		a := list(args)
		for i, v := range args {
			a[i] = e.handed(a[i], v.Type())
		}
		if nilh != "" {
			a = append([]string{"nil"}, a...)
		}
		e.add("%s%s(%s)", set, fn, strings.Join(a, ", "))
		return
	}
	a := list(c.Args)
	if c.Signature().Variadic() && len(a) > 0 {
		if _, native := c.Value.(*ssa.Function); native {
			a[len(a)-1] += "..."
		}
	}
	if f, ok := c.Value.(*ssa.Function); ok {
		if recv := f.Signature.Recv(); recv != nil {
			if m, ok := f.Object().(*types.Func); ok && host.Instead(m.FullName()) != "" {
				e.add("%s%s(%s)", set, host.Instead(m.FullName()), strings.Join(a, ", "))
				return
			}
			e.add("%s%s.%s(%s)", set, a[0], f.Name(), strings.Join(a[1:], ", "))
			return
		}
		e.add("%s%s(%s)", set, e.nativeFunc(f), strings.Join(a, ", "))
		return
	}
	e.add("%s%s(%s)", set, e.view(c.Value), strings.Join(a, ", "))
}

// thunk writes a function that does the call later.
func (e *emitter) thunk(c *ssa.CallCommon) string {
	n := e.thunkN
	e.thunkN++
	// Operands become parameters of the maker.
	var ops []ssa.Value
	seen := map[ssa.Value]string{}
	add := func(v ssa.Value) {
		if _, ok := seen[v]; !ok {
			seen[v] = fmt.Sprintf("p%d", len(ops))
			ops = append(ops, v)
		}
	}
	switch f := c.Value.(type) {
	case *ssa.Function, *ssa.Builtin:
	case *ssa.MakeClosure:
		for _, b := range f.Bindings {
			add(b)
		}
	default:
		add(c.Value)
	}
	for _, a := range c.Args {
		add(a)
	}
	var args []string
	var taken taking
	for _, o := range ops {
		e.take(&taken, seen[o], o.Type())
		args = append(args, e.handed(e.val(o, true), o.Type()))
	}
	oldRegs, oldDecls, oldBody, oldTemp, oldG := e.regs, e.decls, e.body, e.temp, e.guarded
	e.regs = map[ssa.Value]string{}
	for v, s := range seen {
		e.regs[v] = s
	}
	e.decls = nil
	oldZeros := e.zeros
	e.zeros = map[string]string{}
	defer func() { e.zeros = oldZeros }()
	var body []string
	e.body = &body
	var dst []string
	for i, v := range slices.Collect(c.Signature().Results().Variables()) {
		n := fmt.Sprintf("x%d", i)
		dst = append(dst, n)
		e.decls = append(e.decls, fmt.Sprintf("var %s %s", n, e.of(v.Type())))
	}
	if b, ok := c.Value.(*ssa.Builtin); ok {
		switch b.Name() {
		case "recover":
			body = append(body, "_ = h") // of a goroutine, which has nothing to recover
		case "panic":
			body = append(body, "host.Panic("+seen[c.Args[0]]+")")
		default:
			e.thunkCall(nil, c, seen)
		}
	} else {
		e.thunkCall(dst, c, seen)
	}
	decls := e.decls
	e.regs, e.decls, e.body, e.temp, e.guarded = oldRegs, oldDecls, oldBody, oldTemp, oldG
	var b strings.Builder
	fmt.Fprintf(&b, "func th%d(%s) func(*host.Panicking) {\n%s\nreturn func(h *host.Panicking) {\n", n, strings.Join(taken.params, ", "), taken.text())
	for _, d := range decls {
		b.WriteString(d + "\n")
	}
	for _, l := range body {
		b.WriteString(l + "\n")
	}
	b.WriteString("} }\n")
	e.thunks.WriteString(b.String())
	return fmt.Sprintf("th%d(%s)", n, strings.Join(args, ", "))
}

// thunkCall writes the call with operands replaced.
func (e *emitter) thunkCall(dst []string, c *ssa.CallCommon, seen map[ssa.Value]string) {
	mapped := func(v ssa.Value) ssa.Value { return &stand{v, seen[v]} }
	n := *c
	n.Args = nil
	for _, a := range c.Args {
		n.Args = append(n.Args, mapped(a))
	}
	passH := false
	switch f := c.Value.(type) {
	case *ssa.Function:
		passH = recovers(f)
	case *ssa.MakeClosure:
		passH = recovers(f.Fn.(*ssa.Function))
		var a []string
		if passH {
			a = append(a, "h")
		}
		for _, x := range slices.Concat(f.Bindings, c.Args) {
			a = append(a, e.handed(seen[x], x.Type()))
		}
		set := ""
		if len(dst) > 0 {
			set = strings.Join(dst, ", ") + " = "
		}
		e.add("%s%s(%s)", set, e.core(f.Fn.(*ssa.Function)), strings.Join(a, ", "))
		return
	case *ssa.Builtin:
	default:
		n.Value = mapped(c.Value)
		e.add("host.SetPending(h)")
	}
	before := len(*e.body)
	e.callTo(dst, &n)
	if n.Value != c.Value {
		e.add("host.Pending()") // compiled functions leave it
	}
	if passH {
		for i := before; i < len(*e.body); i++ {
			(*e.body)[i] = strings.Replace((*e.body)[i], "(nil", "(h", 1)
		}
	}
}

// A stand stands for a value under another name.
type stand struct {
	ssa.Value
	name string
}
