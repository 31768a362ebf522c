package check

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"strings"

	"quaybench/repl/symbols"
)

// A Step is a program to run in a fresh interpreter: what is to be done, and
// the declarations and variables of the session that it needs.
type Step struct {
	// Text of the program, package main. It imports only packages of the
	// library and HostName.
	Text string
	// Entry is the function to call, without arguments; "" if nothing is to be done.
	Entry string
	// Cells are the package variables that are the session's. Their values
	// come from the step before and go to the next.
	Cells []Cell
	// Results are the package variables that hold the value of an expression,
	// to be shown.
	Results []Result
	// Functions of the program by number, for the messages of panics.
	Functions []Function
	// After is what the session knows when the step has run.
	After *Env
	// End is how many bytes of the input are done when the step has run.
	End int

	shown    ast.Expr
	replaced []Var // variables that get another type
	promoted map[types.Object]string
}

// A Cell ties a package variable of the program to a variable of the session.
type Cell struct {
	Global string
	Var    string
	// New is true if the variable is made, or made anew, by this step.
	New bool
	// Old is true if this is the variable as it was, about to be replaced.
	Old bool
}

// A Result is a value to show.
type Result struct {
	Global string
	Type   types.Type
}

func newStep(after *Env) *Step {
	return &Step{After: after, promoted: map[types.Object]string{}}
}

// Place gives the position that a mark stands for.
func (s *Step) Place(mark int) token.Position { return s.After.fset.Position(token.Pos(mark)) }

// MarkName gives the package variable that says where function n is.
func MarkName(n int) string { return fmt.Sprint(markName, n) }

// write makes the program of a step in a session: roots and what they need.
func (s *Step) write(c *checked, roots []ast.Node) (err error) {
	defer catch(&err)
	w := newWriter(c)
	w.promoted = s.promoted
	for obj, name := range s.promoted {
		w.rename[obj] = name
	}
	scope := c.pkg.Scope()
	for _, v := range s.replaced {
		old := reserved + "old_" + v.Name
		w.rename[scope.Lookup(v.Name)] = old
		s.Cells = append(s.Cells, Cell{Global: old, Var: v.Name, Old: true})
	}
	made := map[string]bool{}
	for _, name := range s.promoted {
		made[name] = true
	}
	need := c.needed(roots)

	var decls []ast.Decl
	for _, v := range s.replaced {
		decls = append(decls, varDecl(reserved+"old_"+v.Name, w.again(v.typ)))
	}
	for _, v := range s.After.vars {
		if !made[v.Name] && !need.vars[v.Name] {
			continue
		}
		decls = append(decls, varDecl(v.Name, w.again(v.typ)))
		isNew := made[v.Name] && (c.env.lookupVar(v.Name) == nil || s.isReplaced(v.Name))
		s.Cells = append(s.Cells, Cell{Global: v.Name, Var: v.Name, New: isNew})
	}
	var used []ast.Decl
	for _, d := range c.decls {
		if need.decls[d] {
			used = append(used, d)
		}
	}
	decls = append(decls, w.declarations(used)...)
	if c.body != nil {
		s.Entry = bodyName
		decls = append(decls, s.writeBody(w, c.body)...)
	}
	s.Functions = w.fns
	s.Text, err = w.file(decls)
	return err
}

func (s *Step) isReplaced(name string) bool {
	for _, v := range s.replaced {
		if v.Name == name {
			return true
		}
	}
	return false
}

// again copies a type written in an earlier step and takes note of the
// packages in it.
func (w *writer) again(t ast.Expr) ast.Expr {
	x := cloneType(t)
	ast.Inspect(x, func(n ast.Node) bool {
		if sel, ok := n.(*ast.SelectorExpr); ok {
			if p, ok := sel.X.(*ast.Ident); ok && strings.HasPrefix(p.Name, aliasPrefix) {
				w.used[p.Name] = true
			}
		}
		return true
	})
	return x
}

// writeBody writes the function of a single statement.
func (s *Step) writeBody(w *writer, body *ast.FuncDecl) []ast.Decl {
	var decls []ast.Decl
	w.fn = &function{name: "this input", types: types.NewTuple()}
	sig := types.NewSignatureType(nil, nil, nil, nil, nil, false)
	if s.shown != nil {
		if t := w.info.TypeOf(s.shown); t != nil && !isVoid(t) && !w.prints(s.shown) {
			return s.writeShown(w, sig, t)
		}
	}
	ft, b := w.function("this input", sig, body.Type, body.Body, nil)
	return append(decls, &ast.FuncDecl{Name: id(bodyName), Type: ft, Body: b})
}

// prints tells a call of fmt.Println and its like, of whose results nobody
// wants to see the number of bytes.
func (c *checked) prints(e ast.Expr) bool {
	call, ok := ast.Unparen(e).(*ast.CallExpr)
	if !ok {
		return false
	}
	sel, ok := ast.Unparen(call.Fun).(*ast.SelectorExpr)
	if !ok {
		return false
	}
	f, ok := c.info.Uses[sel.Sel].(*types.Func)
	return ok && f.Pkg() != nil && f.Pkg().Path() == "fmt" && (strings.HasPrefix(f.Name(), "Print") || strings.HasPrefix(f.Name(), "Fprint"))
}

func isVoid(t types.Type) bool {
	tu, ok := t.(*types.Tuple)
	return ok && tu.Len() == 0
}

// writeShown writes the function of an expression whose value is shown.
func (s *Step) writeShown(w *writer, sig *types.Signature, t types.Type) []ast.Decl {
	var decls []ast.Decl
	var all []types.Type
	if tu, ok := t.(*types.Tuple); ok {
		for v := range tu.Variables() {
			all = append(all, v.Type())
		}
	} else {
		all = append(all, types.Default(t))
	}
	w.fns = append(w.fns, Function{Name: "this input"})
	w.fn = &function{name: "this input", number: len(w.fns) - 1, types: sig.Results()}
	list := []ast.Stmt{w.begin(s.shown)}
	define := &ast.AssignStmt{Tok: token.DEFINE}
	var sets []ast.Stmt
	for i, t := range all {
		g := fmt.Sprint(reserved, "result", i)
		decls = append(decls, varDecl(g, w.typ(s.shown, t)))
		s.Results = append(s.Results, Result{Global: g, Type: t})
		v := w.temp()
		define.Lhs = append(define.Lhs, id(v))
		sets = append(sets, assign(id(g), id(v)))
	}
	if len(all) == 1 {
		v := define.Lhs[0].(*ast.Ident).Name
		list = append(list, w.hold(v, all[0], s.shown)...)
	} else {
		define.Rhs = []ast.Expr{w.expr(s.shown)}
		list = append(list, define)
	}
	list = append(list, sets...)
	return append(decls, &ast.FuncDecl{Name: id(bodyName), Type: &ast.FuncType{Params: &ast.FieldList{}}, Body: block(list...)})
}

// declarations writes types, functions and methods; constants are gone, since
// their values stand where they are used.
func (w *writer) declarations(in []ast.Decl) []ast.Decl {
	var out []ast.Decl
	for _, d := range in {
		switch d := d.(type) {
		case *ast.GenDecl:
			if d.Tok != token.TYPE {
				continue
			}
			for _, sp := range d.Specs {
				s := sp.(*ast.TypeSpec)
				if s.Assign.IsValid() || s.Name.Name == "_" {
					continue // an alias is replaced by what it stands for
				}
				t := w.info.Defs[s.Name].Type().Underlying()
				// The right side may be another type of the script: type a b.
				out = append(out, &ast.GenDecl{Tok: token.TYPE, Specs: []ast.Spec{&ast.TypeSpec{Name: id(s.Name.Name), Type: w.typ(s, t)}}})
			}
		case *ast.FuncDecl:
			out = append(out, w.funcDecl(d))
		}
	}
	return out
}

func (w *writer) funcDecl(d *ast.FuncDecl) ast.Decl {
	obj := w.info.Defs[d.Name].(*types.Func)
	sig := obj.Signature()
	name := d.Name.Name
	out := &ast.FuncDecl{Name: id(name)}
	if recv := sig.Recv(); recv != nil {
		f := &ast.Field{Type: w.typ(d, recv.Type()), Names: []*ast.Ident{id("_")}}
		if recv.Name() != "" {
			f.Names[0].Name = w.name(recv)
		}
		out.Recv = &ast.FieldList{List: []*ast.Field{f}}
		name = strings.TrimPrefix(w.show(recv.Type()), "*") + "." + name
	}
	if renamed, ok := w.rename[obj]; ok {
		out.Name = id(renamed)
	}
	out.Type, out.Body = w.function(name, sig, d.Type, d.Body, nil)
	return out
}

// Script checks a whole file of package main and gives the step that runs it:
// its variables are set in their order, its init functions called, then main.
func Script(lib *symbols.Library, src Source) (_ *Step, err error) {
	defer surprise(src, &err)
	env := NewEnv(lib)
	if err := env.refuseDirectives(src); err != nil {
		return nil, err
	}
	file, err := parseFile(env.fset, src)
	if err != nil {
		return nil, err
	}
	if err := refuseReserved(env.fset, file); err != nil {
		return nil, err
	}
	c := &checked{env: env, fset: env.fset, lib: lib, script: true}
	for _, s := range file.Imports {
		if _, err := checkImport(lib, env.fset, s); err != nil {
			return nil, Errors{err}
		}
	}
	if file.Name.Name != "main" {
		return nil, Errors{{Pos: env.fset.Position(file.Name.Pos()), Msg: fmt.Sprintf("package %s is not a script", file.Name.Name), Instead: "package main, with a function main"}}
	}
	if err := c.run([]*ast.File{file}, func(types.Error) bool { return false }); err != nil {
		return nil, err
	}
	if m, ok := c.pkg.Scope().Lookup("main").(*types.Func); !ok || m == nil {
		return nil, Errors{{Pos: env.fset.Position(file.Name.Pos()), Msg: "function main is undeclared in the main package"}}
	}
	var nodes []ast.Node
	for _, d := range file.Decls {
		if g, ok := d.(*ast.GenDecl); ok && g.Tok == token.IMPORT {
			continue
		}
		c.decls = append(c.decls, d)
		nodes = append(nodes, d)
	}
	if err := refuse(c, nodes, inScript); err != nil {
		return nil, err
	}
	step := newStep(env)
	return step, step.writeScript(c)
}

func (s *Step) writeScript(c *checked) (err error) {
	defer catch(&err)
	w := newWriter(c)
	// Goroutines would write the marks at the same time.
	w.marks = !usesGoroutines(c.decls)
	// A function called main would be run by the interpreter on its own.
	w.rename[c.pkg.Scope().Lookup("main")] = mainName
	var inits []string
	for _, d := range c.decls {
		if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && f.Name.Name == "init" {
			name := fmt.Sprint(reserved, "init", len(inits))
			w.rename[c.info.Defs[f.Name]] = name
			inits = append(inits, name)
		}
	}
	var decls []ast.Decl
	for _, d := range c.decls {
		g, ok := d.(*ast.GenDecl)
		if !ok || g.Tok != token.VAR {
			continue
		}
		for _, sp := range g.Specs {
			for _, n := range sp.(*ast.ValueSpec).Names {
				if n.Name != "_" {
					decls = append(decls, varDecl(n.Name, w.typ(n, c.info.Defs[n].Type())))
				}
			}
		}
	}
	// The interpreter sets package variables in the order of the text.
	body := &ast.BlockStmt{}
	start := &ast.FuncDecl{Name: id(bodyName), Type: &ast.FuncType{Params: &ast.FieldList{}}, Body: body}
	w.fns = append(w.fns, Function{})
	w.fn = &function{name: "the package's variables", number: 0, types: types.NewTuple()}
	body.List = append(body.List, w.begin(c.decls[0]))
	for _, in := range c.info.InitOrder {
		if w.marks {
			body.List = append(body.List, w.mark(in.Rhs))
		}
		body.List = append(body.List, w.initVar(in)...)
	}
	for _, name := range append(inits, mainName) {
		body.List = append(body.List, &ast.ExprStmt{X: &ast.CallExpr{Fun: id(name)}})
	}
	decls = append(decls, w.declarations(c.decls)...)
	decls = append(decls, start)
	s.Entry = bodyName
	s.Functions = w.fns
	s.Text, err = w.file(decls)
	return err
}

// initVar sets package variables from their initial value.
func (w *writer) initVar(in *types.Initializer) []ast.Stmt {
	if len(in.Lhs) == 1 {
		v := w.temp()
		x := in.Rhs
		t := in.Lhs[0].Type()
		out := w.hold(v, t, x)
		if in.Lhs[0].Name() != "_" {
			out = append(out, assign(id(in.Lhs[0].Name()), id(v)))
		}
		return out
	}
	define := &ast.AssignStmt{Tok: token.DEFINE}
	var sets []ast.Stmt
	for _, l := range in.Lhs {
		v := w.temp()
		define.Lhs = append(define.Lhs, id(v))
		if l.Name() != "_" {
			sets = append(sets, assign(id(l.Name()), id(v)))
		}
	}
	if _, ok := ast.Unparen(in.Rhs).(*ast.CallExpr); !ok {
		w.fail(in.Rhs, "set the variables in an init function", "package variables can't be set so in a script")
	}
	define.Rhs = []ast.Expr{w.expr(in.Rhs)}
	return append([]ast.Stmt{define}, sets...)
}

func usesGoroutines(decls []ast.Decl) bool {
	found := false
	for _, d := range decls {
		ast.Inspect(d, func(n ast.Node) bool {
			_, isGo := n.(*ast.GoStmt)
			found = found || isGo
			return !found
		})
	}
	return found
}
