package check

import (
	"go/ast"
	"go/token"
	"go/types"
)

// A function is one function of the script while it is written.
type function struct {
	name    string
	number  int
	results []string // variables of the results, where they have names or calls are deferred
	types   *types.Tuple
	// frame is the variable that keeps the deferred calls, where there are any.
	frame string
	// deferredBy is the frame that will run this function, if it is a literal
	// that a defer statement calls: recover in it asks there.
	deferredBy string
	loops      []*loop
}

// function writes the signature and body of a function. recv is the receiver
// of a method.
//
// The interpreter reads the arguments of deferred calls late, hangs where a
// deferred call uses a closure, and lets only some functions recover. So it
// sees no defer at all: a function with deferred calls hands its body to a
// frame of the host, which runs them as Go does.
func (w *writer) function(name string, sig *types.Signature, ft *ast.FuncType, body *ast.BlockStmt, deferredBy *function) (*ast.FuncType, *ast.BlockStmt) {
	outer := w.fn
	fn := &function{name: name, number: len(w.fns), types: sig.Results()}
	if deferredBy != nil {
		fn.deferredBy = deferredBy.frame
	}
	w.fns = append(w.fns, Function{Name: name})
	w.fn = fn
	defer func() { w.fn = outer }()

	out := &ast.FuncType{Params: w.fields(ft.Params, sig.Params(), sig.Variadic()), Results: &ast.FieldList{}}
	deferring := hasDefer(body)
	named := sig.Results().Len() > 0 && sig.Results().At(0).Name() != ""
	list := []ast.Stmt{w.begin(body)}
	for i := range sig.Results().Len() {
		v := sig.Results().At(i)
		out.Results.List = append(out.Results.List, &ast.Field{Type: w.typ(ft, v.Type())})
		if named || deferring {
			// The interpreter's own results may be the caller's variables,
			// with what these hold.
			r := w.temp()
			fn.results = append(fn.results, r)
			w.rename[v] = r
			list = append(list, declare(r, w.typ(ft, v.Type())))
		}
	}
	if !deferring {
		list = append(list, w.stmts(body.List)...)
		return out, block(append(list, fn.leave()...)...)
	}
	fn.frame = w.temp()
	inner := append([]ast.Stmt{w.begin(body)}, w.stmts(body.List)...)
	list = append(list,
		define(fn.frame, host("NewFrame")),
		&ast.ExprStmt{X: &ast.CallExpr{Fun: &ast.SelectorExpr{X: id(fn.frame), Sel: id("Run")}, Args: []ast.Expr{&ast.FuncLit{Type: &ast.FuncType{Params: &ast.FieldList{}}, Body: block(inner...)}}}})
	return out, block(append(list, fn.leave()...)...)
}

// leave returns the variables of the results.
func (fn *function) leave() []ast.Stmt {
	if len(fn.results) == 0 {
		return nil
	}
	ret := &ast.ReturnStmt{}
	for _, r := range fn.results {
		ret.Results = append(ret.Results, id(r))
	}
	return []ast.Stmt{ret}
}

// fields writes parameters with the names the script gave them.
func (w *writer) fields(fl *ast.FieldList, t *types.Tuple, variadic bool) *ast.FieldList {
	out := &ast.FieldList{}
	for i := range t.Len() {
		v := t.At(i)
		typ := v.Type()
		var x ast.Expr
		if variadic && i == t.Len()-1 {
			x = &ast.Ellipsis{Elt: w.typ(fl, typ.(*types.Slice).Elem())}
		} else {
			x = w.typ(fl, typ)
		}
		f := &ast.Field{Type: x}
		if v.Name() != "" {
			f.Names = []*ast.Ident{id(w.name(v))}
		} else {
			f.Names = []*ast.Ident{id("_")}
		}
		out.List = append(out.List, f)
	}
	return out
}

// hasDefer tells whether a body defers calls itself, not in a function inside.
func hasDefer(body *ast.BlockStmt) bool {
	found := false
	ast.Inspect(body, func(n ast.Node) bool {
		switch n.(type) {
		case *ast.FuncLit:
			return false
		case *ast.DeferStmt:
			found = true
		}
		return !found
	})
	return found
}

// mark notes where the function is, for the message of a panic. It stands at
// the beginning of every function, and before what may panic.
func (w *writer) mark(n ast.Node) ast.Stmt {
	return assign(id(MarkName(w.fn.number)), intLit(int64(n.Pos())))
}

// begin is the mark at the beginning of a function. Where goroutines would
// write marks at the same time it is the only one, in a variable of its own.
func (w *writer) begin(n ast.Node) ast.Stmt {
	if !w.marks {
		return define(MarkName(w.fn.number), intLit(int64(n.Pos())))
	}
	return w.mark(n)
}

// recovery gives the frame that recover() at e asks.
func (w *writer) recovery(e ast.Node) string {
	if w.fn.deferredBy == "" {
		w.fail(e, "call it in the deferred function itself: defer func() { r := recover(); ... }()", "recover does nothing here")
	}
	return w.fn.deferredBy
}

// deferStmt takes the function and its arguments now, and hands the call to the frame.
func (w *writer) deferStmt(s *ast.DeferStmt) []ast.Stmt {
	frame := w.fn.frame
	if lit, ok := ast.Unparen(s.Call.Fun).(*ast.FuncLit); ok && len(s.Call.Args) == 0 && w.info.TypeOf(lit).(*types.Signature).Results().Len() == 0 {
		return w.hand(&ast.SelectorExpr{X: id(frame), Sel: id("Defer")}, w.deferredLit(lit))
	}
	pre, call := w.heldCall(s.Call, w.deferredLit)
	return append(pre, w.hand(&ast.SelectorExpr{X: id(frame), Sel: id("Defer")}, later(call))...)
}

// later makes a function of a call.
func later(call ast.Stmt) *ast.FuncLit {
	return &ast.FuncLit{Type: &ast.FuncType{Params: &ast.FieldList{}}, Body: block(call)}
}

// deferredLit writes a literal that a defer statement calls.
func (w *writer) deferredLit(lit *ast.FuncLit) *ast.FuncLit {
	sig := w.info.TypeOf(lit).(*types.Signature)
	ft, body := w.function("a deferred function in "+w.fn.name, sig, lit.Type, lit.Body, w.fn)
	return &ast.FuncLit{Type: ft, Body: body}
}

// hand gives a function to one of the host; from a variable, so that it keeps
// what it sees now.
func (w *writer) hand(to ast.Expr, f *ast.FuncLit) []ast.Stmt {
	v := w.temp()
	return []ast.Stmt{define(v, f), &ast.ExprStmt{X: &ast.CallExpr{Fun: to, Args: []ast.Expr{id(v)}}}}
}

// goStmt starts a goroutine of the host, which catches its panics.
func (w *writer) goStmt(s *ast.GoStmt) []ast.Stmt {
	pre, call := w.heldCall(s.Call, w.funcLit)
	return append(pre, w.hand(host("Go").Fun, later(call))...)
}

// heldCall writes the statements that take the function value, receiver and
// arguments of a call into variables, and the call itself for later.
func (w *writer) heldCall(e *ast.CallExpr, literal func(*ast.FuncLit) *ast.FuncLit) (pre []ast.Stmt, call ast.Stmt) {
	hold := func(x ast.Expr, t types.Type) ast.Expr {
		if tv := w.info.Types[x]; tv.Value != nil || tv.IsNil() {
			return w.expr(x)
		}
		v := w.temp()
		pre = append(pre, w.hold(v, t, x)...)
		return id(v)
	}
	fun := ast.Unparen(e.Fun)
	out := &ast.CallExpr{}
	if e.Ellipsis.IsValid() {
		out.Ellipsis = 1
	}
	if b := w.builtin(fun); b != "" {
		if b == "recover" {
			w.fail(e, "defer func() { r := recover(); ... }()", "a deferred recover does nothing")
		}
		for _, a := range e.Args {
			out.Args = append(out.Args, hold(a, types.Default(w.info.TypeOf(a))))
		}
		switch b {
		case "panic":
			return pre, &ast.ExprStmt{X: host("Panic", out.Args...)}
		case "clear":
			return pre, &ast.ExprStmt{X: host("Clear", out.Args...)}
		}
		out.Fun = id(b)
		return pre, &ast.ExprStmt{X: out}
	}
	sig := w.info.TypeOf(fun).Underlying().(*types.Signature)
	switch f := fun.(type) {
	case *ast.FuncLit:
		out.Fun = literal(f)
	case *ast.SelectorExpr:
		sel := w.info.Selections[f]
		switch {
		case sel == nil: // package.Function
			out.Fun = w.expr(f)
		case sel.Kind() == types.MethodVal:
			v := w.temp()
			pre = append(pre, define(v, w.receiver(f, sel)))
			out.Fun = &ast.SelectorExpr{X: id(v), Sel: id(f.Sel.Name)}
		default:
			out.Fun = hold(f, w.info.TypeOf(f))
		}
	case *ast.Ident:
		if _, ok := w.info.Uses[f].(*types.Func); ok {
			out.Fun = id(w.name(w.info.Uses[f]))
		} else {
			out.Fun = hold(f, w.info.TypeOf(f))
		}
	default:
		out.Fun = hold(fun, w.info.TypeOf(fun))
	}
	if len(e.Args) == 1 && sig.Params().Len() != 1 {
		if t, ok := w.info.TypeOf(e.Args[0]).(*types.Tuple); ok { // f(g()) with several results
			lhs := []ast.Expr{}
			for range t.Len() {
				v := w.temp()
				lhs = append(lhs, id(v))
				out.Args = append(out.Args, id(v))
			}
			pre = append(pre, &ast.AssignStmt{Lhs: lhs, Tok: token.DEFINE, Rhs: []ast.Expr{w.expr(e.Args[0])}})
			return pre, &ast.ExprStmt{X: out}
		}
	}
	for i, a := range e.Args {
		t := types.Default(w.info.TypeOf(a))
		if !types.IsInterface(paramType(sig, i)) {
			t = paramType(sig, i)
			if e.Ellipsis.IsValid() && i == len(e.Args)-1 {
				t = sig.Params().At(sig.Params().Len() - 1).Type()
			}
		}
		out.Args = append(out.Args, hold(a, t))
	}
	return pre, &ast.ExprStmt{X: out}
}

// paramType gives the type of the i-th argument of a call.
func paramType(sig *types.Signature, i int) types.Type {
	n := sig.Params().Len()
	if sig.Variadic() && i >= n-1 {
		return sig.Params().At(n - 1).Type().(*types.Slice).Elem()
	}
	return sig.Params().At(i).Type()
}

// receiver writes the receiver of x.m as a value to keep.
func (w *writer) receiver(e *ast.SelectorExpr, sel *types.Selection) ast.Expr {
	recv := sel.Recv()
	x := w.expr(e.X)
	_, isPtr := recv.Underlying().(*types.Pointer)
	_, wantsPtr := types.Unalias(sel.Obj().(*types.Func).Signature().Recv().Type()).(*types.Pointer)
	if wantsPtr && !isPtr && !types.IsInterface(recv) && !embedsPointer(sel) {
		x = &ast.UnaryExpr{Op: token.AND, X: x}
	}
	return x
}
