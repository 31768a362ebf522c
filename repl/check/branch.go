package check

import (
	"go/ast"
	"go/token"
	"go/types"
)

// ifStmt writes an if statement. An else if gets a block of its own, so that
// a panic in its condition is reported on its line.
func (w *writer) ifStmt(s *ast.IfStmt) ast.Stmt {
	out := &ast.IfStmt{}
	pre := w.header(s.Init)
	if len(pre) == 1 && isSimple(pre[0]) {
		out.Init, pre = pre[0], nil
	}
	out.Cond = w.head(s.Cond)
	out.Body = block(w.stmts(s.Body.List)...)
	switch e := s.Else.(type) {
	case *ast.BlockStmt:
		out.Else = block(w.stmts(e.List)...)
	case *ast.IfStmt:
		out.Else = block(w.stmts([]ast.Stmt{e})...)
	}
	if len(pre) == 0 {
		return out
	}
	return block(append(pre, out)...)
}

// switchStmt writes a switch. The interpreter tries only some of the values
// of a case that lists several, and can't switch on an interface. Then the
// number of the case is found by an if for each, and switched on.
func (w *writer) switchStmt(s *ast.SwitchStmt, label string) []ast.Stmt {
	pre := w.header(s.Init)
	out := &ast.SwitchStmt{Body: block()}
	if len(pre) == 1 && isSimple(pre[0]) {
		out.Init, pre = pre[0], nil
	}
	w.push(&loop{label: label})
	defer w.pop()
	if w.plainSwitch(s) {
		if s.Tag != nil {
			out.Tag = w.head(s.Tag)
		}
		for _, c := range s.Body.List {
			c := c.(*ast.CaseClause)
			out.Body.List = append(out.Body.List, &ast.CaseClause{List: w.exprs(c.List), Body: w.stmts(c.Body)})
		}
		return w.labeled(label, pre, out)
	}
	if out.Init != nil {
		pre, out.Init = append(pre, out.Init), nil
	}
	tag := ""
	if s.Tag != nil {
		tag = w.temp()
		pre = append(pre, w.hold(tag, types.Default(w.info.TypeOf(s.Tag)), s.Tag)...)
	}
	var conds []ast.Expr
	var bodies [][]ast.Stmt
	for _, c := range s.Body.List {
		c := c.(*ast.CaseClause)
		var cond ast.Expr
		for _, x := range c.List {
			one := w.expr(x)
			switch v := w.info.Types[x].Value; {
			case tag != "":
				one = &ast.BinaryExpr{X: id(tag), Op: token.EQL, Y: paren(one)}
			case v != nil:
				one = truth(v)
			}
			if len(c.List) > 1 {
				one = branchable(one, id("bool"))
			}
			cond = or(cond, paren(one))
		}
		conds = append(conds, cond)
		bodies = append(bodies, w.stmts(c.Body))
	}
	return w.labeled(label, append(pre, w.choose(out, conds, bodies)...), out)
}

// plainSwitch tells whether the interpreter gets a switch right.
func (w *writer) plainSwitch(s *ast.SwitchStmt) bool {
	if s.Tag != nil && types.IsInterface(w.info.TypeOf(s.Tag)) {
		return false
	}
	for _, c := range s.Body.List {
		list := c.(*ast.CaseClause).List
		for _, x := range list {
			several := len(list) > 1 && (s.Tag == nil || w.info.Types[x].Value == nil)
			if several || s.Tag == nil && hasLogic(x) || types.IsInterface(w.info.TypeOf(x)) || w.info.Types[x].IsNil() {
				return false
			}
		}
	}
	return true
}

// hasLogic tells whether a condition contains && or ||.
func hasLogic(e ast.Expr) bool {
	found := false
	ast.Inspect(e, func(n ast.Node) bool {
		b, ok := n.(*ast.BinaryExpr)
		found = found || ok && (b.Op == token.LAND || b.Op == token.LOR)
		return !found
	})
	return found
}

func or(a, b ast.Expr) ast.Expr {
	if a == nil {
		return b
	}
	return &ast.BinaryExpr{X: a, Op: token.LOR, Y: b}
}

// choose makes out a switch on the number of the first condition that holds,
// and gives the statements that find the number. No condition is a default.
func (w *writer) choose(out *ast.SwitchStmt, conds []ast.Expr, bodies [][]ast.Stmt) []ast.Stmt {
	n := w.temp()
	var first, last *ast.IfStmt
	for i, cond := range conds {
		if cond == nil {
			out.Body.List = append(out.Body.List, &ast.CaseClause{Body: bodies[i]})
			continue
		}
		out.Body.List = append(out.Body.List, &ast.CaseClause{List: []ast.Expr{intLit(int64(i + 1))}, Body: bodies[i]})
		if hasComposite(cond) {
			cond = paren(cond)
		}
		next := &ast.IfStmt{Cond: cond, Body: block(assign(id(n), intLit(int64(i+1))))}
		if first == nil {
			first = next
		} else {
			last.Else = next
		}
		last = next
	}
	out.Tag = id(n)
	stmts := []ast.Stmt{define(n, intLit(0))}
	if first != nil {
		stmts = append(stmts, first)
	}
	return stmts
}

// typeSwitch writes a type switch as assertions and a switch on which of them
// held: the interpreter misses cases of interface type.
func (w *writer) typeSwitch(s *ast.TypeSwitchStmt, label string) []ast.Stmt {
	pre := w.header(s.Init)
	var x ast.Expr
	switch a := s.Assign.(type) {
	case *ast.AssignStmt:
		x = a.Rhs[0].(*ast.TypeAssertExpr).X
	case *ast.ExprStmt:
		x = a.X.(*ast.TypeAssertExpr).X
	}
	v := w.temp()
	pre = append(pre, w.hold(v, w.info.TypeOf(x), x)...)
	w.push(&loop{label: label})
	defer w.pop()
	var conds []ast.Expr
	var bodies [][]ast.Stmt
	for _, c := range s.Body.List {
		c := c.(*ast.CaseClause)
		var cond ast.Expr
		value := v
		for _, tx := range c.List {
			if w.info.Types[tx].IsNil() {
				cond = or(cond, &ast.BinaryExpr{X: id(v), Op: token.EQL, Y: id("nil")})
				continue
			}
			t, ok := w.temp(), w.temp()
			typ := w.info.TypeOf(tx)
			pre = append(pre, declare(t, w.typ(tx, typ)), declare(ok, id("bool")),
				ifNotNil(v, typ, &ast.AssignStmt{Lhs: []ast.Expr{id(t), id(ok)}, Tok: token.ASSIGN, Rhs: []ast.Expr{&ast.TypeAssertExpr{X: id(v), Type: w.typ(tx, typ)}}}))
			cond = or(cond, id(ok))
			if len(c.List) == 1 {
				value = t
			}
		}
		var body []ast.Stmt
		if obj := w.info.Implicits[c]; obj != nil {
			body = append(body, define(w.name(obj), id(value)))
		}
		conds = append(conds, cond)
		bodies = append(bodies, append(body, w.stmts(c.Body)...))
	}
	out := &ast.SwitchStmt{Body: block()}
	return w.labeled(label, append(pre, w.choose(out, conds, bodies)...), out)
}

// ifNotNil guards the assertion of v to an interface type, which the
// interpreter can't do for nil.
func ifNotNil(v string, to types.Type, s ast.Stmt) ast.Stmt {
	if !types.IsInterface(to) {
		return s
	}
	return &ast.IfStmt{Cond: &ast.BinaryExpr{X: id(v), Op: token.NEQ, Y: id("nil")}, Body: block(s)}
}

// selectStmt writes a select.
func (w *writer) selectStmt(s *ast.SelectStmt) ast.Stmt {
	w.push(&loop{})
	defer w.pop()
	out := &ast.SelectStmt{Body: block()}
	for _, c := range s.Body.List {
		c := c.(*ast.CommClause)
		cc := &ast.CommClause{}
		switch comm := c.Comm.(type) {
		case *ast.SendStmt:
			cc.Comm = &ast.SendStmt{Chan: w.expr(comm.Chan), Value: w.expr(comm.Value)}
		case *ast.ExprStmt:
			cc.Comm = &ast.ExprStmt{X: w.expr(comm.X)}
		case *ast.AssignStmt:
			if comm.Tok == token.DEFINE {
				cc.Comm = &ast.AssignStmt{Lhs: w.plain(comm.Lhs), Tok: comm.Tok, Rhs: w.exprs(comm.Rhs)}
			} else {
				cc.Comm = &ast.AssignStmt{Lhs: w.exprs(comm.Lhs), Tok: comm.Tok, Rhs: w.exprs(comm.Rhs)}
			}
		}
		cc.Body = w.stmts(c.Body)
		out.Body.List = append(out.Body.List, cc)
	}
	return out
}
