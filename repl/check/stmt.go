package check

import (
	"go/ast"
	"go/token"
	"go/types"
)

// stmts writes a list of statements, each with what it needs in front.
func (w *writer) stmts(list []ast.Stmt) []ast.Stmt {
	var out []ast.Stmt
	for _, s := range list {
		if w.marks && mayPanic(w.checked, s) {
			out = append(out, w.mark(s))
		}
		out = append(out, w.stmt(s, "")...)
	}
	return out
}

// stmt writes one statement; label is the label in front of it.
func (w *writer) stmt(s ast.Stmt, label string) []ast.Stmt {
	switch s := s.(type) {
	case nil, *ast.EmptyStmt:
		return nil
	case *ast.ExprStmt:
		return []ast.Stmt{&ast.ExprStmt{X: w.expr(s.X)}}
	case *ast.AssignStmt:
		return w.assignment(s)
	case *ast.IncDecStmt:
		return []ast.Stmt{&ast.IncDecStmt{X: w.expr(s.X), Tok: s.Tok}}
	case *ast.DeclStmt:
		return w.localDecl(s.Decl.(*ast.GenDecl))
	case *ast.ReturnStmt:
		return w.returnStmt(s)
	case *ast.BlockStmt:
		return w.labeled(label, nil, block(w.stmts(s.List)...))
	case *ast.IfStmt:
		return w.labeled(label, nil, w.ifStmt(s))
	case *ast.ForStmt:
		return w.forStmt(s, label)
	case *ast.RangeStmt:
		return w.rangeStmt(s, label)
	case *ast.SwitchStmt:
		return w.switchStmt(s, label)
	case *ast.TypeSwitchStmt:
		return w.typeSwitch(s, label)
	case *ast.SelectStmt:
		return w.labeled(label, nil, w.selectStmt(s))
	case *ast.LabeledStmt:
		// A label may not have the name of a variable.
		label := w.temp()
		w.rename[w.info.Defs[s.Label]] = label
		return w.stmt(s.Stmt, label)
	case *ast.BranchStmt:
		return w.branch(s)
	case *ast.DeferStmt:
		return w.deferStmt(s)
	case *ast.GoStmt:
		return w.goStmt(s)
	case *ast.SendStmt:
		var elem types.Type
		if c, ok := w.info.TypeOf(s.Chan).Underlying().(*types.Chan); ok {
			elem = c.Elem()
		}
		pre, x := w.settled(s.Value, elem)
		return append(pre, &ast.SendStmt{Chan: w.expr(s.Chan), Value: x})
	}
	w.fail(s, "", "statement %T is not known to scripts", s)
	return nil
}

// labeled puts statements that must come first, and a label, around one.
func (w *writer) labeled(label string, pre []ast.Stmt, s ast.Stmt) []ast.Stmt {
	if label != "" {
		// The interpreter finds labels in blocks only, not in cases.
		s = &ast.LabeledStmt{Label: id(label), Stmt: s}
	} else if len(pre) == 0 {
		return []ast.Stmt{s}
	}
	return []ast.Stmt{block(append(pre, s)...)}
}

// localDecl writes a declaration inside a function.
func (w *writer) localDecl(d *ast.GenDecl) []ast.Stmt {
	var out []ast.Stmt
	switch d.Tok {
	case token.TYPE:
		// Types of the same name in two functions would be one to the interpreter.
		for _, s := range d.Specs {
			w.hoistType(s.(*ast.TypeSpec))
		}
	case token.VAR:
		for _, s := range d.Specs {
			out = append(out, w.localVar(s.(*ast.ValueSpec))...)
		}
	}
	return out
}

// hoistType makes a type of a function one of the package, by a name of its own.
func (w *writer) hoistType(s *ast.TypeSpec) {
	obj := w.info.Defs[s.Name]
	if s.Assign.IsValid() { // an alias is replaced by what it stands for
		return
	}
	name := reserved + "t" + w.temp()[len(reserved):] + "_" + s.Name.Name
	w.rename[obj] = name
	w.hoisted = append(w.hoisted, &ast.GenDecl{Tok: token.TYPE, Specs: []ast.Spec{&ast.TypeSpec{Name: id(name), Type: w.typ(s, obj.Type().Underlying())}}})
}

// localVar writes one line of a var declaration.
func (w *writer) localVar(s *ast.ValueSpec) []ast.Stmt {
	top := w.isPromoted(s.Names[0])
	switch {
	case len(s.Values) == 0:
		var out []ast.Stmt
		for _, n := range s.Names {
			if n.Name == "_" {
				continue
			}
			t := w.typ(n, w.info.Defs[n].Type())
			if top {
				// Back to zero, if the variable was there before.
				v := w.temp()
				out = append(out, declare(v, t), assign(w.ident(n), id(v)))
				continue
			}
			out = append(out, declare(w.newName(n), t))
		}
		return out
	case len(s.Names) == 1 && !top && s.Names[0].Name != "_":
		return w.holdNew(s.Names[0], s.Values[0])
	}
	var lhs []ast.Expr
	for _, n := range s.Names {
		lhs = append(lhs, n)
	}
	return w.assign(lhs, s.Values, token.DEFINE)
}

// isPromoted tells whether the variable defined here belongs to the session.
func (w *writer) isPromoted(n *ast.Ident) bool {
	_, ok := w.promoted[w.info.Defs[n]]
	return ok
}

// returnStmt writes a return. Several values are taken first: the interpreter
// would set one result after the other, and they may be the caller's variables.
func (w *writer) returnStmt(s *ast.ReturnStmt) []ast.Stmt {
	fn := w.fn
	n := fn.types.Len()
	var out []ast.Stmt
	var vals []ast.Expr
	switch {
	case len(s.Results) == 0:
	case n == 1 && fn.results == nil:
		pre, x := w.settled(s.Results[0], fn.types.At(0).Type())
		return append(pre, &ast.ReturnStmt{Results: []ast.Expr{x}})
	case len(s.Results) == 1 && n > 1: // return f()
		if fn.results == nil {
			return []ast.Stmt{&ast.ReturnStmt{Results: w.exprs(s.Results)}}
		}
		temps := &ast.AssignStmt{Tok: token.DEFINE, Rhs: w.exprs(s.Results)}
		for range n {
			v := w.temp()
			temps.Lhs = append(temps.Lhs, id(v))
			vals = append(vals, id(v))
		}
		out = append(out, temps)
	default:
		for i, x := range s.Results {
			v := w.temp()
			out = append(out, w.hold(v, fn.types.At(i).Type(), x)...)
			vals = append(vals, id(v))
		}
	}
	if fn.results == nil {
		return append(out, &ast.ReturnStmt{Results: vals})
	}
	for i, v := range vals {
		out = append(out, assign(id(fn.results[i]), v))
	}
	if fn.frame != "" {
		return append(out, &ast.ReturnStmt{}) // of the body; the function returns them
	}
	return append(out, fn.leave()...)
}

// mayPanic tells whether a statement, not counting the statements inside it,
// can panic; if in doubt, it can.
func mayPanic(c *checked, s ast.Stmt) bool {
	found := false
	ast.Inspect(s, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.BlockStmt, *ast.FuncLit, *ast.CaseClause, *ast.CommClause:
			return false
		case *ast.CallExpr:
			if tv := c.info.Types[n]; tv.Value != nil {
				return false
			}
			if c.info.Types[n.Fun].IsType() {
				return true
			}
			switch c.builtin(n.Fun) {
			case "len", "cap", "append", "min", "max", "delete", "copy", "new":
				return true
			}
			found = true
		case *ast.IndexExpr, *ast.SliceExpr, *ast.StarExpr, *ast.TypeAssertExpr, *ast.SendStmt:
			found = true
		case *ast.SelectorExpr:
			if sel := c.info.Selections[n]; sel != nil && sel.Indirect() {
				found = true
			}
		case *ast.UnaryExpr:
			found = found || n.Op == token.ARROW
		case *ast.BinaryExpr:
			if b, ok := c.info.TypeOf(n).Underlying().(*types.Basic); ok && b.Info()&types.IsInteger != 0 {
				found = found || n.Op == token.QUO || n.Op == token.REM || n.Op == token.SHL || n.Op == token.SHR
			}
			if n.Op == token.EQL || n.Op == token.NEQ {
				found = found || types.IsInterface(c.info.TypeOf(n.X))
			}
		case *ast.AssignStmt:
			switch n.Tok {
			case token.QUO_ASSIGN, token.REM_ASSIGN, token.SHL_ASSIGN, token.SHR_ASSIGN:
				found = true
			}
		}
		return !found
	})
	return found
}
