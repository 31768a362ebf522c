package check

import (
	"go/ast"
	"go/constant"
	"go/token"
	"go/types"
)

// expr writes an expression.
func (w *writer) expr(e ast.Expr) ast.Expr {
	if tv, ok := w.info.Types[e]; ok {
		if tv.Value != nil {
			// Every constant is put in as its value: the interpreter is at a
			// loss with iota in lists of several, and with exact arithmetic.
			if lit, ok := e.(*ast.BasicLit); ok {
				return &ast.BasicLit{Kind: lit.Kind, Value: lit.Value}
			}
			return w.constant(e, tv.Value, tv.Type)
		}
		if tv.IsType() {
			return w.typ(e, tv.Type)
		}
	}
	switch e := e.(type) {
	case nil:
		return nil
	case *ast.BadExpr:
		w.fail(e, "", "syntax error")
	case *ast.Ident:
		return w.ident(e)
	case *ast.BasicLit:
		return &ast.BasicLit{Kind: e.Kind, Value: e.Value}
	case *ast.ParenExpr:
		return paren(w.expr(e.X))
	case *ast.FuncLit:
		return w.closure(e)
	case *ast.CompositeLit:
		return w.composite(e)
	case *ast.SelectorExpr:
		return w.selector(e)
	case *ast.IndexExpr:
		if _, ok := ast.Unparen(e.X).(*ast.CompositeLit); ok {
			return &ast.IndexExpr{X: w.pass(e.X, w.expr(ast.Unparen(e.X))), Index: w.expr(e.Index)}
		}
		return &ast.IndexExpr{X: w.expr(e.X), Index: w.expr(e.Index)}
	case *ast.SliceExpr:
		return &ast.SliceExpr{X: w.expr(e.X), Low: w.optional(e.Low), High: w.optional(e.High), Max: w.optional(e.Max), Slice3: e.Slice3}
	case *ast.TypeAssertExpr:
		return &ast.TypeAssertExpr{X: w.expr(e.X), Type: w.typ(e.Type, w.info.TypeOf(e.Type))}
	case *ast.CallExpr:
		return w.call(e)
	case *ast.StarExpr:
		return &ast.StarExpr{X: w.expr(e.X)}
	case *ast.UnaryExpr:
		return &ast.UnaryExpr{Op: e.Op, X: w.expr(e.X)}
	case *ast.BinaryExpr:
		if (e.Op == token.SHL || e.Op == token.SHR) && w.info.Types[e.X].Value != nil {
			// 1 << n takes its type from where it stands.
			tv := w.info.Types[e.X]
			x := w.constant(e.X, tv.Value, tv.Type)
			if _, ok := x.(*ast.CallExpr); !ok {
				x = &ast.CallExpr{Fun: w.typ(e.X, tv.Type), Args: []ast.Expr{x}}
			}
			return &ast.BinaryExpr{X: x, Op: e.Op, Y: w.expr(e.Y)}
		}
		return &ast.BinaryExpr{X: w.operand(e, e.X), Op: e.Op, Y: w.operand(e, e.Y)}
	case *ast.KeyValueExpr:
		return &ast.KeyValueExpr{Key: w.expr(e.Key), Value: w.expr(e.Value)}
	}
	w.fail(e, "", "expression %T is not known to scripts", e)
	return nil
}

// operand writes an operand of e. Inside && and || the interpreter can't
// branch on a constant, which the host gives instead, and not on what begins
// with a composite literal, which a function gives.
func (w *writer) operand(e *ast.BinaryExpr, x ast.Expr) ast.Expr {
	if e.Op != token.LAND && e.Op != token.LOR {
		return w.expr(x)
	}
	if v := w.info.Types[x].Value; v != nil {
		return truth(v)
	}
	return branchable(w.expr(x), w.typ(x, w.info.TypeOf(x)))
}

func truth(v constant.Value) ast.Expr {
	if constant.BoolVal(v) {
		return host("True")
	}
	return host("False")
}

// branchable gives a condition, already written, that may stand in && and ||.
func branchable(x, boolType ast.Expr) ast.Expr {
	if !hasComposite(x) {
		return x
	}
	return &ast.CallExpr{Fun: &ast.FuncLit{
		Type: &ast.FuncType{Params: &ast.FieldList{}, Results: &ast.FieldList{List: []*ast.Field{{Type: boolType}}}},
		Body: block(&ast.ReturnStmt{Results: []ast.Expr{x}}),
	}}
}

// hasComposite tells whether there is a composite literal in e, outside of
// functions, or a conversion that the interpreter takes for one.
func hasComposite(e ast.Expr) bool {
	found := false
	ast.Inspect(e, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.FuncLit:
			return false
		case *ast.CompositeLit:
			found = true
		case *ast.CallExpr:
			switch ast.Unparen(n.Fun).(type) {
			case *ast.ArrayType, *ast.MapType, *ast.StarExpr, *ast.FuncType, *ast.ChanType, *ast.InterfaceType:
				found = true
			}
		}
		return !found
	})
	return found
}

// head writes an expression for the head of a statement, where a composite
// literal would be taken for its body.
func (w *writer) head(e ast.Expr) ast.Expr {
	if e == nil {
		return nil
	}
	x := w.expr(e)
	if hasComposite(x) {
		return paren(x)
	}
	return x
}

// paren puts parentheses around what needs them. Around a name alone they
// would make the interpreter take it for a condition.
func paren(x ast.Expr) ast.Expr {
	switch x.(type) {
	case *ast.BinaryExpr, *ast.UnaryExpr, *ast.StarExpr, *ast.FuncLit, *ast.CompositeLit, *ast.FuncType, *ast.ArrayType, *ast.ChanType:
		return &ast.ParenExpr{X: x}
	}
	if hasComposite(x) {
		return &ast.ParenExpr{X: x}
	}
	return x
}

func (w *writer) optional(e ast.Expr) ast.Expr {
	if e == nil {
		return nil
	}
	return w.expr(e)
}

func (w *writer) exprs(es []ast.Expr) []ast.Expr {
	var out []ast.Expr
	for _, e := range es {
		out = append(out, w.expr(e))
	}
	return out
}

func (w *writer) ident(e *ast.Ident) ast.Expr {
	obj := w.object(e)
	if obj == nil {
		return id(e.Name)
	}
	x := id(w.name(obj))
	if _, ok := obj.(*types.Func); ok {
		return w.pass(e, x)
	}
	return x
}

// object gives what an identifier stands for, whether it is used or defined here.
func (c *checked) object(e *ast.Ident) types.Object {
	if obj := c.info.Uses[e]; obj != nil {
		return obj
	}
	return c.info.Defs[e]
}

func (w *writer) composite(e *ast.CompositeLit) ast.Expr {
	t := w.info.TypeOf(e)
	out := &ast.CompositeLit{}
	if e.Type != nil {
		out.Type = w.typ(e, t)
	}
	under := t.Underlying()
	if p, ok := under.(*types.Pointer); ok { // &T left out inside []*T{{...}}
		under = p.Elem().Underlying()
	}
	_, isStruct := under.(*types.Struct)
	for _, x := range e.Elts {
		kv, ok := x.(*ast.KeyValueExpr)
		switch {
		case ok && isStruct:
			out.Elts = append(out.Elts, &ast.KeyValueExpr{Key: id(kv.Key.(*ast.Ident).Name), Value: w.expr(kv.Value)})
		case ok:
			out.Elts = append(out.Elts, &ast.KeyValueExpr{Key: w.expr(kv.Key), Value: w.expr(kv.Value)})
		default:
			out.Elts = append(out.Elts, w.expr(x))
		}
	}
	return out
}

// selector writes x.f outside of a call.
func (w *writer) selector(e *ast.SelectorExpr) ast.Expr {
	sel := w.info.Selections[e]
	switch {
	case sel == nil:
		return w.qualified(e)
	case sel.Kind() == types.MethodVal:
		return w.methodValue(e, sel)
	case sel.Kind() == types.MethodExpr:
		return w.methodExpr(e, sel)
	}
	return &ast.SelectorExpr{X: w.base(e.X), Sel: id(e.Sel.Name)}
}

// base writes what stands in front of a dot. (*p).f is p.f, which the
// interpreter can compile everywhere.
func (w *writer) base(e ast.Expr) ast.Expr {
	if p, ok := ast.Unparen(e).(*ast.StarExpr); ok && !w.info.Types[e].IsType() {
		if t, ok := w.info.TypeOf(p.X).Underlying().(*types.Pointer); ok && !types.IsInterface(t.Elem()) {
			if _, again := t.Elem().Underlying().(*types.Pointer); !again {
				return w.expr(p.X)
			}
		}
	}
	return w.expr(e)
}

// qualified writes package.Name.
func (w *writer) qualified(e *ast.SelectorExpr) ast.Expr {
	pkg := w.info.Uses[e.X.(*ast.Ident)].(*types.PkgName)
	alias := packageAlias(w.lib.Package(pkg.Imported().Path()))
	w.used[alias] = true
	return &ast.SelectorExpr{X: id(alias), Sel: id(e.Sel.Name)}
}

// methodValue writes x.m, not called, as a function that keeps a copy of x:
// the interpreter's own would see later changes of x.
func (w *writer) methodValue(e *ast.SelectorExpr, sel *types.Selection) ast.Expr {
	recv := sel.Recv()
	x := w.expr(e.X)
	sig := sel.Obj().(*types.Func).Signature()
	_, isPtr := recv.Underlying().(*types.Pointer)
	_, wantsPtr := types.Unalias(sig.Recv().Type()).(*types.Pointer)
	if wantsPtr && !isPtr && !types.IsInterface(recv) && !embedsPointer(sel) {
		recv = types.NewPointer(recv)
		x = &ast.UnaryExpr{Op: token.AND, X: x}
	}
	r := w.temp()
	inner := w.forward(e, sig, r, e.Sel.Name)
	return &ast.CallExpr{
		Fun: &ast.FuncLit{
			Type: &ast.FuncType{
				Params:  &ast.FieldList{List: []*ast.Field{{Names: []*ast.Ident{id(r)}, Type: w.typ(e, recv)}}},
				Results: &ast.FieldList{List: []*ast.Field{{Type: w.typ(e, withoutReceiver(sig))}}},
			},
			Body: block(&ast.ReturnStmt{Results: []ast.Expr{inner}}),
		},
		Args: []ast.Expr{x},
	}
}

// embedsPointer tells whether the way to a promoted method goes through an
// embedded pointer, so that the outer value needs no address.
func embedsPointer(sel *types.Selection) bool {
	t := sel.Recv()
	path := sel.Index()
	for _, i := range path[:len(path)-1] {
		if p, ok := t.Underlying().(*types.Pointer); ok {
			t = p.Elem()
		}
		t = t.Underlying().(*types.Struct).Field(i).Type()
		if _, ok := t.Underlying().(*types.Pointer); ok {
			return true
		}
	}
	return false
}

// methodExpr writes T.m as a function whose first parameter is the receiver.
func (w *writer) methodExpr(e *ast.SelectorExpr, sel *types.Selection) ast.Expr {
	sig := sel.Obj().(*types.Func).Signature()
	r := w.temp()
	f := w.forward(e, sig, r, e.Sel.Name).(*ast.FuncLit)
	recv := &ast.Field{Names: []*ast.Ident{id(r)}, Type: w.typ(e, sel.Recv())}
	f.Type.Params.List = append([]*ast.Field{recv}, f.Type.Params.List...)
	return f
}

func withoutReceiver(sig *types.Signature) *types.Signature {
	return types.NewSignatureType(nil, nil, nil, sig.Params(), sig.Results(), sig.Variadic())
}

// forward writes a function that calls method name of variable recv.
func (w *writer) forward(n ast.Node, sig *types.Signature, recv, name string) ast.Expr {
	var params []string
	call := &ast.CallExpr{Fun: &ast.SelectorExpr{X: id(recv), Sel: id(name)}}
	for range sig.Params().Len() {
		p := w.temp()
		params = append(params, p)
		call.Args = append(call.Args, id(p))
	}
	if sig.Variadic() {
		call.Ellipsis = 1
	}
	ft, err := w.funcType(sig, params, nil)
	if err != nil {
		w.fail(n, "", "%v", err)
	}
	var stmt ast.Stmt = &ast.ReturnStmt{Results: []ast.Expr{call}}
	if sig.Results().Len() == 0 {
		stmt = &ast.ExprStmt{X: call}
	}
	return &ast.FuncLit{Type: ft, Body: block(stmt)}
}

func block(list ...ast.Stmt) *ast.BlockStmt { return &ast.BlockStmt{List: list} }

// call writes a call, a conversion or a builtin.
func (w *writer) call(e *ast.CallExpr) ast.Expr {
	fun := ast.Unparen(e.Fun)
	if w.info.Types[fun].IsType() {
		return &ast.CallExpr{Fun: paren(w.typ(fun, w.info.TypeOf(fun))), Args: w.exprs(e.Args)}
	}
	if b := w.builtin(fun); b != "" {
		return w.callBuiltin(e, b)
	}
	out := &ast.CallExpr{Args: w.exprs(e.Args), Ellipsis: e.Ellipsis}
	if e.Ellipsis.IsValid() {
		out.Ellipsis = 1
	}
	if sel, ok := fun.(*ast.SelectorExpr); ok && w.info.Selections[sel] != nil && w.info.Selections[sel].Kind() == types.MethodVal {
		out.Fun = &ast.SelectorExpr{X: w.base(sel.X), Sel: id(sel.Sel.Name)}
	} else if lit, ok := fun.(*ast.FuncLit); ok {
		out.Fun = w.funcLit(lit)
	} else if x, ok := fun.(*ast.Ident); ok {
		out.Fun = id(w.name(w.object(x)))
	} else {
		out.Fun = w.expr(fun)
	}
	return out
}

// closure writes a function literal that goes somewhere. Given to a compiled
// function, or put into a composite literal, it would see later turns of the
// loop it is made in; passed through a function it keeps its own.
func (w *writer) closure(e *ast.FuncLit) ast.Expr { return w.pass(e, w.funcLit(e)) }

// pass writes a call of a function that gives back its argument: behind it the
// interpreter takes a value for what it is.
func (w *writer) pass(e ast.Expr, x ast.Expr) ast.Expr {
	t := w.info.TypeOf(e)
	key := types.TypeString(t, nil)
	name, ok := w.passes[key]
	if !ok {
		name = w.temp()
		w.passes[key] = name
		p := w.temp()
		w.hoisted = append(w.hoisted, &ast.FuncDecl{
			Name: id(name),
			Type: &ast.FuncType{
				Params:  &ast.FieldList{List: []*ast.Field{{Names: []*ast.Ident{id(p)}, Type: w.typ(e, t)}}},
				Results: &ast.FieldList{List: []*ast.Field{{Type: w.typ(e, t)}}},
			},
			Body: block(&ast.ReturnStmt{Results: []ast.Expr{id(p)}}),
		})
	}
	return &ast.CallExpr{Fun: id(name), Args: []ast.Expr{x}}
}

// builtin gives the name of the builtin that fun is, or "".
func (c *checked) builtin(fun ast.Expr) string {
	if x, ok := ast.Unparen(fun).(*ast.Ident); ok {
		if b, ok := c.info.Uses[x].(*types.Builtin); ok {
			return b.Name()
		}
	}
	return ""
}

func (w *writer) callBuiltin(e *ast.CallExpr, name string) ast.Expr {
	switch name {
	case "min", "max":
		// The interpreter knows neither; the compiled ones also get NaN right.
		t := w.info.TypeOf(e)
		kind := t.Underlying().(*types.Basic)
		k := types.Typ[kind.Kind()]
		var args []ast.Expr
		for _, a := range e.Args {
			x := w.expr(a)
			if types.Unalias(w.info.TypeOf(a)) != k || w.info.Types[a].Value != nil {
				x = &ast.CallExpr{Fun: w.typ(a, k), Args: []ast.Expr{x}}
			}
			args = append(args, x)
		}
		call := host(map[string]string{"min": "Min", "max": "Max"}[name]+"_"+k.Name(), args...)
		if types.Unalias(t) == k {
			return call
		}
		return &ast.CallExpr{Fun: w.typ(e, t), Args: []ast.Expr{call}}
	case "clear":
		return host("Clear", w.exprs(e.Args)...)
	case "panic":
		return host("Panic", w.exprs(e.Args)...)
	case "recover":
		return &ast.CallExpr{Fun: &ast.SelectorExpr{X: id(w.recovery(e)), Sel: id("Recover")}}
	case "make":
		return w.make(e)
	case "new":
		if w.info.Types[e.Args[0]].IsType() {
			return &ast.CallExpr{Fun: id("new"), Args: []ast.Expr{w.typ(e, w.info.TypeOf(e.Args[0]))}}
		}
		// new(value), of Go 1.26.
		v, t := w.temp(), w.info.TypeOf(e).(*types.Pointer).Elem()
		return &ast.CallExpr{Fun: &ast.FuncLit{
			Type: &ast.FuncType{
				Params:  &ast.FieldList{List: []*ast.Field{{Names: []*ast.Ident{id(v)}, Type: w.typ(e, t)}}},
				Results: &ast.FieldList{List: []*ast.Field{{Type: &ast.StarExpr{X: w.typ(e, t)}}}},
			},
			Body: block(&ast.ReturnStmt{Results: []ast.Expr{&ast.UnaryExpr{Op: token.AND, X: id(v)}}}),
		}, Args: w.exprs(e.Args)}
	}
	out := &ast.CallExpr{Fun: id(name), Args: w.exprs(e.Args)}
	if e.Ellipsis.IsValid() {
		out.Ellipsis = 1
	}
	return out
}

// make writes make with a size that the host looks at first: one wrong size
// would end the process.
func (w *writer) make(e *ast.CallExpr) ast.Expr {
	t := w.info.TypeOf(e)
	var elem int64 = 1
	sizes := types.SizesFor("gc", "amd64")
	switch u := t.Underlying().(type) {
	case *types.Slice:
		elem = sizes.Sizeof(u.Elem())
	case *types.Map:
		elem = sizes.Sizeof(u.Key()) + sizes.Sizeof(u.Elem())
	case *types.Chan:
		elem = sizes.Sizeof(u.Elem())
	}
	out := &ast.CallExpr{Fun: id("make"), Args: []ast.Expr{w.typ(e, t)}}
	for _, a := range e.Args[1:] {
		if v := w.info.Types[a].Value; v != nil {
			out.Args = append(out.Args, host("Size", w.constant(a, v, types.Typ[types.Int]), intLit(elem)))
			continue
		}
		out.Args = append(out.Args, host("Size", &ast.CallExpr{Fun: id("int"), Args: []ast.Expr{w.expr(a)}}, intLit(elem)))
	}
	return out
}

// funcLit writes a function literal.
func (w *writer) funcLit(e *ast.FuncLit) *ast.FuncLit {
	sig := w.info.TypeOf(e).(*types.Signature)
	ft, body := w.function("a function in "+w.fn.name, sig, e.Type, e.Body, nil)
	return &ast.FuncLit{Type: ft, Body: body}
}
