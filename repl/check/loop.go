package check

import (
	"go/ast"
	"go/token"
	"go/types"
)

// A loop is a for statement being written.
type loop struct {
	label string
	// isLoop is false for a switch or select, which break leaves but continue does not see.
	isLoop bool
	// end runs at the end of every turn, before the step: also before a continue.
	end []ast.Stmt
}

func (w *writer) push(l *loop) { w.fn.loops = append(w.fn.loops, l) }
func (w *writer) pop()         { w.fn.loops = w.fn.loops[:len(w.fn.loops)-1] }

// branch writes break, continue and fallthrough.
func (w *writer) branch(s *ast.BranchStmt) []ast.Stmt {
	out := &ast.BranchStmt{Tok: s.Tok}
	label := ""
	if s.Label != nil {
		label = w.rename[w.info.Uses[s.Label]]
		out.Label = id(label)
	}
	if s.Tok == token.CONTINUE {
		for i := len(w.fn.loops) - 1; i >= 0; i-- {
			l := w.fn.loops[i]
			if l.isLoop && (s.Label == nil || l.label == label) {
				return append(append([]ast.Stmt{}, l.end...), out)
			}
		}
	}
	return []ast.Stmt{out}
}

// forStmt writes a for statement. Variables of a three-part loop that a
// closure or pointer keeps get a copy for each turn, as Go gives them.
func (w *writer) forStmt(s *ast.ForStmt, label string) []ast.Stmt {
	var kept []*types.Var
	if init, ok := s.Init.(*ast.AssignStmt); ok && init.Tok == token.DEFINE {
		for _, l := range init.Lhs {
			v, _ := w.info.Defs[l.(*ast.Ident)].(*types.Var)
			if v == nil {
				continue
			}
			for _, part := range []ast.Node{s.Cond, s.Post} {
				if part != nil && w.keeps(part, v) {
					w.fail(part, "keep the variable in the body of the loop: x := "+v.Name(), "a closure or pointer in a loop's condition or step keeps its variable %s", v.Name())
				}
			}
			if w.keeps(s.Body, v) {
				kept = append(kept, v)
			}
		}
	}
	l := &loop{label: label, isLoop: true}
	if w.marks && (s.Cond != nil && mayPanic(w.checked, &ast.ExprStmt{X: s.Cond}) || s.Post != nil && mayPanic(w.checked, s.Post)) {
		l.end = append(l.end, w.mark(s))
	}
	out := &ast.ForStmt{}
	var pre, copies []ast.Stmt
	inners := map[*types.Var]string{}
	for _, v := range kept {
		outer, inner := w.temp(), w.name(v)
		copies = append(copies, define(inner, id(outer)))
		if w.changes(s.Body, v) {
			l.end = append(l.end, assign(id(outer), id(inner)))
		}
		w.rename[v] = outer
		inners[v] = inner
	}
	pre = w.header(s.Init)
	if len(pre) == 1 && isSimple(pre[0]) {
		out.Init, pre = pre[0], nil
	}
	out.Cond = w.head(s.Cond)
	if s.Post != nil {
		out.Post = w.step(s.Post)
	}
	for _, v := range kept {
		w.rename[v] = inners[v]
	}
	w.push(l)
	out.Body = w.turn(copies, append(w.stmts(s.Body.List), l.end...))
	w.pop()
	return w.labeled(label, pre, out)
}

// turn writes the body of a loop behind the copies of its variables, whose
// names the body may define again.
func (w *writer) turn(copies, body []ast.Stmt) *ast.BlockStmt {
	if len(copies) == 0 {
		return block(body...)
	}
	return block(append(copies, block(body...))...)
}

// header writes the statement in front of a condition.
func (w *writer) header(init ast.Stmt) []ast.Stmt {
	if init == nil {
		return nil
	}
	return w.stmt(init, "")
}

// isSimple tells whether a statement may stand in a header.
func isSimple(s ast.Stmt) bool {
	switch s.(type) {
	case *ast.AssignStmt, *ast.ExprStmt, *ast.IncDecStmt, *ast.SendStmt:
		return true
	}
	return false
}

// step writes the last part of a for statement, which must stay one statement.
func (w *writer) step(s ast.Stmt) ast.Stmt {
	a, ok := s.(*ast.AssignStmt)
	if !ok || len(a.Lhs) == 1 {
		out := w.stmt(s, "")
		if len(out) != 1 || !isSimple(out[0]) {
			w.fail(s, "put it at the end of the loop's body", "this step of a loop is more than scripts can do")
		}
		return out[0]
	}
	// i, j = i+1, j-1: the values come out of a function, all at once.
	for _, l := range a.Lhs {
		if _, ok := l.(*ast.Ident); !ok || len(a.Rhs) == 1 {
			w.fail(s, "put it at the end of the loop's body", "this step of a loop is more than scripts can do")
		}
	}
	f := &ast.FuncLit{Type: &ast.FuncType{Params: &ast.FieldList{}, Results: &ast.FieldList{}}}
	for i, x := range a.Rhs {
		f.Type.Results.List = append(f.Type.Results.List, &ast.Field{Type: w.typ(x, w.targetType(a.Lhs[i], x))})
	}
	f.Body = block(&ast.ReturnStmt{Results: w.exprs(a.Rhs)})
	return &ast.AssignStmt{Lhs: w.exprs(a.Lhs), Tok: token.ASSIGN, Rhs: []ast.Expr{&ast.CallExpr{Fun: f}}}
}

// rangeStmt writes a range loop; over an integer it becomes a loop of three parts.
func (w *writer) rangeStmt(s *ast.RangeStmt, label string) []ast.Stmt {
	t := w.info.TypeOf(s.X)
	under := t.Underlying()
	if b, ok := under.(*types.Basic); ok && b.Info()&types.IsInteger != 0 {
		return w.rangeInt(s, label)
	}
	if _, ok := under.(*types.Signature); ok {
		w.fail(s, "call the function with your own: f(func(x int) bool { ...; return true })", "scripts can't range over a function")
	}
	out := &ast.RangeStmt{}
	var pre, copies []ast.Stmt
	if hasComposite(s.X) {
		// The interpreter can't begin a loop with a literal that has keys.
		v := w.temp()
		pre = w.hold(v, t, s.X)
		out.X = id(v)
	} else {
		out.X = w.expr(s.X)
	}
	part := func(e ast.Expr) ast.Expr {
		x, isIdent := e.(*ast.Ident)
		switch {
		case e == nil:
			return nil
		case isBlank(e):
			return id("_")
		case s.Tok == token.DEFINE && isIdent:
			out.Tok = token.DEFINE
			if v, ok := w.info.Defs[x].(*types.Var); ok && (w.keeps(s.Body, v) || w.changes(s.Body, v)) {
				outer := w.temp()
				copies = append(copies, define(w.newName(x), id(outer)))
				return id(outer)
			}
			return id(w.newName(x))
		}
		// for x = range: the interpreter would set another x.
		out.Tok = token.DEFINE
		outer := w.temp()
		copies = append(copies, assign(w.expr(e), id(outer)))
		return id(outer)
	}
	out.Key, out.Value = part(s.Key), part(s.Value)
	if b, ok := under.(*types.Basic); ok && b.Info()&types.IsString != 0 && out.Value == nil && out.Tok == token.DEFINE {
		// Without a value the interpreter counts characters, not bytes.
		out.Value = id(w.temp())
	}
	if out.Tok == token.ILLEGAL { // nothing but blanks
		out.Key, out.Value = nil, nil
	}
	l := &loop{label: label, isLoop: true}
	w.push(l)
	out.Body = w.turn(copies, w.stmts(s.Body.List))
	w.pop()
	return w.labeled(label, pre, out)
}

// rangeInt writes for i := range n.
func (w *writer) rangeInt(s *ast.RangeStmt, label string) []ast.Stmt {
	t := w.info.TypeOf(s.X)
	if s.Key != nil && !isBlank(s.Key) {
		// An untyped n takes the type of the variable.
		t = w.targetType(s.Key, s.X)
	}
	t = types.Default(t)
	i, n := w.temp(), w.temp()
	pre := w.hold(n, t, s.X)
	zero := &ast.CallExpr{Fun: w.typ(s.X, t), Args: []ast.Expr{intLit(0)}}
	var first []ast.Stmt
	if s.Key != nil && !isBlank(s.Key) {
		if x, ok := s.Key.(*ast.Ident); ok && s.Tok == token.DEFINE {
			first = append(first, define(w.newName(x), id(i)))
		} else {
			first = append(first, assign(w.expr(s.Key), id(i)))
		}
	}
	l := &loop{label: label, isLoop: true}
	w.push(l)
	body := w.turn(first, w.stmts(s.Body.List))
	w.pop()
	return w.labeled(label, pre, &ast.ForStmt{
		Init: define(i, zero),
		Cond: &ast.BinaryExpr{X: id(i), Op: token.LSS, Y: id(n)},
		Post: &ast.IncDecStmt{X: id(i), Tok: token.INC},
		Body: body,
	})
}

// keeps tells whether n holds on to variable v beyond the turn of a loop: in a
// function literal, or by its address.
func (w *writer) keeps(n ast.Node, v *types.Var) bool {
	found := false
	var visit func(n ast.Node, inside bool)
	visit = func(n ast.Node, inside bool) {
		ast.Inspect(n, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncLit:
				if !inside {
					visit(n.Body, true)
					return false
				}
			case *ast.UnaryExpr:
				if n.Op == token.AND && w.roots(n.X, v) {
					found = true
				}
			case *ast.SliceExpr: // of an array
				if w.roots(n.X, v) {
					found = true
				}
			case *ast.SelectorExpr: // a method with a pointer receiver takes the address
				if sel := w.info.Selections[n]; sel != nil && sel.Kind() == types.MethodVal && w.roots(n.X, v) {
					found = true
				}
			case *ast.Ident:
				if inside && w.info.Uses[n] == v {
					found = true
				}
			}
			return !found
		})
	}
	visit(n, false)
	return found
}

// roots tells whether e is v or a part of it.
func (w *writer) roots(e ast.Expr, v *types.Var) bool {
	for {
		switch x := e.(type) {
		case *ast.ParenExpr:
			e = x.X
		case *ast.SelectorExpr:
			e = x.X
		case *ast.IndexExpr:
			e = x.X
		case *ast.Ident:
			return w.info.Uses[x] == v
		default:
			return false
		}
	}
}

// changes tells whether n assigns to v or a part of it, or may do so through
// what it keeps.
func (w *writer) changes(n ast.Node, v *types.Var) bool {
	found := w.addressed(n, v)
	ast.Inspect(n, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.AssignStmt:
			for _, l := range n.Lhs {
				found = found || w.roots(l, v)
			}
		case *ast.IncDecStmt:
			found = found || w.roots(n.X, v)
		case *ast.RangeStmt:
			if n.Tok == token.ASSIGN {
				found = found || n.Key != nil && w.roots(n.Key, v) || n.Value != nil && w.roots(n.Value, v)
			}
		}
		return !found
	})
	return found
}

// addressed tells whether n takes the address of v or calls a method on it.
func (w *writer) addressed(n ast.Node, v *types.Var) bool {
	found := false
	ast.Inspect(n, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.UnaryExpr:
			found = found || n.Op == token.AND && w.roots(n.X, v)
		case *ast.SelectorExpr:
			sel := w.info.Selections[n]
			found = found || sel != nil && sel.Kind() == types.MethodVal && w.roots(n.X, v)
		}
		return !found
	})
	return found
}
