package check

import (
	"go/ast"
	"go/token"
	"go/types"
)

// assignment writes =, := and op=.
func (w *writer) assignment(s *ast.AssignStmt) []ast.Stmt {
	switch s.Tok {
	case token.ASSIGN, token.DEFINE:
		return w.assign(s.Lhs, s.Rhs, s.Tok)
	}
	return []ast.Stmt{&ast.AssignStmt{Lhs: w.exprs(s.Lhs), Tok: s.Tok, Rhs: w.exprs(s.Rhs)}}
}

// assign writes an assignment or definition. What assigns more than one value
// is taken apart into single ones: the interpreter loses values when a literal
// stands among several, when a map entry takes a result, and leaves a variable
// as it was where "v, ok :=" should set it to zero.
func (w *writer) assign(lhs, rhs []ast.Expr, tok token.Token) []ast.Stmt {
	if len(lhs) == 1 && len(rhs) == 1 {
		return w.assignOne(lhs[0], rhs[0], tok)
	}
	if len(rhs) == 1 {
		if _, ok := ast.Unparen(rhs[0]).(*ast.CallExpr); ok {
			return w.assignResults(lhs, rhs[0], tok)
		}
		return w.assignCommaOK(lhs, rhs[0], tok)
	}
	var out []ast.Stmt
	if tok == token.DEFINE && w.independent(lhs, rhs) {
		for i := range lhs {
			out = append(out, w.assignOne(lhs[i], rhs[i], tok)...)
		}
		return out
	}
	places, pre := w.places(lhs, rhs)
	out = append(out, pre...)
	vals := make([]ast.Expr, len(rhs))
	for i, x := range rhs {
		t := w.targetType(lhs[i], x)
		v := w.temp()
		out = append(out, w.hold(v, t, x)...)
		vals[i] = id(v)
	}
	for i := range lhs {
		out = append(out, w.set(lhs[i], places[i], vals[i], tok)...)
	}
	return out
}

// assignOne writes a single x = y or x := y.
func (w *writer) assignOne(lhs, rhs ast.Expr, tok token.Token) []ast.Stmt {
	if isBlank(lhs) {
		if tv := w.info.Types[rhs]; tv.Value != nil || tv.IsNil() {
			return nil
		}
		if _, ok := rhs.(*ast.FuncLit); ok {
			return nil
		}
		// A value taken and left: what it does, or that it panics, remains.
		v := w.temp()
		return []ast.Stmt{define(v, w.expr(rhs)), assign(id("_"), id(v))}
	}
	if w.defines(lhs, tok) {
		return w.holdNew(lhs.(*ast.Ident), rhs)
	}
	if _, ok := ast.Unparen(rhs).(*ast.CompositeLit); ok {
		// The interpreter would put a new variable in the place of the old,
		// which a pointer may hold.
		v := w.temp()
		return append(w.hold(v, w.info.TypeOf(rhs), rhs), assign(w.expr(lhs), id(v)))
	}
	pre, x := w.settled(rhs, w.info.TypeOf(lhs))
	return append(pre, assign(w.expr(lhs), x))
}

// holdNew writes a new variable of the script with its value.
func (w *writer) holdNew(x *ast.Ident, value ast.Expr) []ast.Stmt {
	return w.hold(w.newName(x), w.info.Defs[x].Type(), value)
}

// set writes the assignment of a value that is held already.
func (w *writer) set(lhs, place, value ast.Expr, tok token.Token) []ast.Stmt {
	switch {
	case isBlank(lhs):
		return []ast.Stmt{assign(id("_"), value)}
	case w.defines(lhs, tok):
		return []ast.Stmt{define(w.newName(lhs), value)}
	}
	return []ast.Stmt{assign(place, value)}
}

// defines tells whether lhs is a new variable of this block.
func (w *writer) defines(lhs ast.Expr, tok token.Token) bool {
	x, ok := lhs.(*ast.Ident)
	return ok && tok == token.DEFINE && w.info.Defs[x] != nil && !w.isPromoted(x)
}

func isBlank(e ast.Expr) bool {
	x, ok := e.(*ast.Ident)
	return ok && x.Name == "_"
}

// targetType gives the type a value has once it is where it goes.
func (w *writer) targetType(lhs, rhs ast.Expr) types.Type {
	if isBlank(lhs) {
		return types.Default(w.info.TypeOf(rhs))
	}
	if x, ok := lhs.(*ast.Ident); ok {
		return w.object(x).Type()
	}
	return w.info.TypeOf(lhs)
}

// assignResults writes a, b = f().
func (w *writer) assignResults(lhs []ast.Expr, call ast.Expr, tok token.Token) []ast.Stmt {
	simple := true // all new, or all old
	news := 0
	for _, l := range lhs {
		_, isIdent := l.(*ast.Ident)
		simple = simple && isIdent
		if w.defines(l, tok) || isBlank(l) {
			news++
		}
	}
	if simple && news == len(lhs) {
		return []ast.Stmt{&ast.AssignStmt{Lhs: w.plain(lhs), Tok: w.defineOrAssign(lhs, tok), Rhs: []ast.Expr{w.expr(call)}}}
	}
	places, out := w.places(lhs, []ast.Expr{call})
	temps := &ast.AssignStmt{Tok: token.DEFINE}
	all := true
	for _, l := range lhs {
		if isBlank(l) {
			temps.Lhs = append(temps.Lhs, id("_"))
			continue
		}
		all = false
		temps.Lhs = append(temps.Lhs, id(w.temp()))
	}
	temps.Rhs = []ast.Expr{w.expr(call)}
	if all {
		temps.Tok = token.ASSIGN
		return append(out, temps)
	}
	out = append(out, temps)
	for i, l := range lhs {
		if !isBlank(l) {
			out = append(out, w.set(l, places[i], temps.Lhs[i], tok)...)
		}
	}
	return out
}

// newName gives the name a variable defined here has in the program.
func (w *writer) newName(e ast.Expr) string {
	x := e.(*ast.Ident)
	if obj := w.info.Defs[x]; obj != nil {
		return w.name(obj)
	}
	return x.Name
}

// plain writes names that are defined here, or blank.
func (w *writer) plain(es []ast.Expr) []ast.Expr {
	var out []ast.Expr
	for _, e := range es {
		out = append(out, id(w.newName(e)))
	}
	return out
}

// defineOrAssign gives := unless there is nothing to define.
func (w *writer) defineOrAssign(lhs []ast.Expr, tok token.Token) token.Token {
	for _, l := range lhs {
		if w.defines(l, tok) {
			return token.DEFINE
		}
	}
	return token.ASSIGN
}

// assignCommaOK writes v, ok = m[k], x.(T) and <-c.
func (w *writer) assignCommaOK(lhs []ast.Expr, rhs ast.Expr, tok token.Token) []ast.Stmt {
	places, out := w.places(lhs, []ast.Expr{rhs})
	t, ok := w.info.TypeOf(rhs).(*types.Tuple)
	if !ok {
		w.fail(rhs, "", "this gives one value, not two")
	}
	two := &ast.AssignStmt{Tok: token.ASSIGN}
	subject, assertion := "", (*ast.TypeAssertExpr)(nil)
	if assertion, _ = ast.Unparen(rhs).(*ast.TypeAssertExpr); assertion != nil {
		subject = w.temp()
		out = append(out, w.hold(subject, w.info.TypeOf(assertion.X), assertion.X)...)
		two.Rhs = []ast.Expr{&ast.TypeAssertExpr{X: id(subject), Type: w.typ(rhs, t.At(0).Type())}}
	} else {
		two.Rhs = []ast.Expr{w.expr(rhs)}
	}
	vals := make([]ast.Expr, 2)
	for i, l := range lhs {
		if isBlank(l) {
			two.Lhs = append(two.Lhs, id("_"))
			continue
		}
		v := w.temp()
		// A new variable each time, so that it is zero if there is nothing.
		out = append(out, declare(v, w.typ(rhs, types.Default(t.At(i).Type()))))
		two.Lhs = append(two.Lhs, id(v))
		vals[i] = id(v)
	}
	if assertion != nil {
		out = append(out, ifNotNil(subject, t.At(0).Type(), two))
	} else {
		out = append(out, two)
	}
	for i, l := range lhs {
		if !isBlank(l) {
			out = append(out, w.set(l, places[i], vals[i], tok)...)
		}
	}
	return out
}

// independent tells whether no value of a definition depends on a name that
// comes earlier in it.
func (w *writer) independent(lhs, rhs []ast.Expr) bool {
	set := map[string]bool{}
	for i := range lhs {
		clash := false
		ast.Inspect(rhs[i], func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.Ident:
				clash = clash || set[n.Name]
			case *ast.CallExpr:
				// A call may see a variable that is used again.
				clash = clash || len(set) > 0 && !w.allNew(lhs)
			}
			return !clash
		})
		if clash {
			return false
		}
		if x, ok := lhs[i].(*ast.Ident); ok && x.Name != "_" {
			set[x.Name] = true
		}
	}
	return true
}

func (w *writer) allNew(lhs []ast.Expr) bool {
	for _, l := range lhs {
		if !isBlank(l) && !w.defines(l, token.DEFINE) {
			return false
		}
	}
	return true
}

// places writes the left sides of an assignment. What they are computed from
// is taken first where the assignment itself, or a call in it, may change it.
func (w *writer) places(lhs, rhs []ast.Expr) (out []ast.Expr, pre []ast.Stmt) {
	assigned := map[types.Object]bool{}
	for _, l := range lhs {
		if x, ok := l.(*ast.Ident); ok {
			assigned[w.object(x)] = true
		}
	}
	calls := false
	for _, e := range append(append([]ast.Expr{}, lhs...), rhs...) {
		ast.Inspect(e, func(n ast.Node) bool {
			if c, ok := n.(*ast.CallExpr); ok && w.info.Types[c].Value == nil && !w.info.Types[c.Fun].IsType() {
				switch w.builtin(c.Fun) {
				case "len", "cap":
				default:
					calls = true
				}
			}
			_, lit := n.(*ast.FuncLit)
			return !lit
		})
	}
	// hold takes an operand into a variable if it may change on the way.
	hold := func(e ast.Expr) ast.Expr {
		if w.info.Types[e].Value != nil {
			return w.expr(e)
		}
		if x, ok := e.(*ast.Ident); ok && !calls && !assigned[w.object(x)] {
			return w.expr(e)
		}
		v := w.temp()
		pre = append(pre, define(v, w.expr(e)))
		return id(v)
	}
	var place func(e ast.Expr) ast.Expr
	place = func(e ast.Expr) ast.Expr {
		switch e := e.(type) {
		case *ast.ParenExpr:
			return place(e.X)
		case *ast.IndexExpr:
			base := e.X
			var x ast.Expr
			if _, ok := w.info.TypeOf(base).Underlying().(*types.Array); ok {
				x = place(base)
			} else {
				x = hold(base)
			}
			return &ast.IndexExpr{X: x, Index: hold(e.Index)}
		case *ast.StarExpr:
			return &ast.StarExpr{X: hold(e.X)}
		case *ast.SelectorExpr:
			if sel := w.info.Selections[e]; sel != nil {
				var x ast.Expr
				if _, ok := w.info.TypeOf(e.X).Underlying().(*types.Pointer); ok {
					x = hold(e.X)
				} else {
					x = place(e.X)
				}
				return &ast.SelectorExpr{X: x, Sel: id(e.Sel.Name)}
			}
		}
		return w.expr(e)
	}
	for _, l := range lhs {
		if x, ok := l.(*ast.Ident); ok {
			out = append(out, w.ident(x))
			continue
		}
		out = append(out, place(l))
	}
	return out, pre
}
