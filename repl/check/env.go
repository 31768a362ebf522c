package check

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"maps"
	"path"
	"slices"
	"strings"

	"quaybench/repl/symbols"
)

// An Env is what a session knows: its declarations and the types of its
// variables; their values are the interpreter's. It is never changed: checking
// an input gives the next Env.
type Env struct {
	lib     *symbols.Library
	fset    *token.FileSet
	imports map[string]string // name to path, beyond the library's own names
	decls   []*decl
	vars    []Var
}

// A decl is one accepted top-level declaration.
type decl struct {
	ast   ast.Decl
	names []string // "f", "T", or "T.m" for a method
}

// A Var is a variable of a session.
type Var struct {
	Name string
	// Type in the form the generated program uses.
	typ ast.Expr
	// Type as a person reads it.
	Type string
}

// NewEnv starts an empty session that may import the packages of lib.
func NewEnv(lib *symbols.Library) *Env {
	e := &Env{lib: lib, fset: token.NewFileSet(), imports: map[string]string{}}
	lib.AddSources(e.fset)
	return e
}

// Vars lists the variables, in the order they were first declared.
func (e *Env) Vars() []Var { return slices.Clone(e.vars) }

// With returns an Env that also has a variable of the given type, which a host
// holds. The type must be one that scripts can name.
func (e *Env) With(name string, typ types.Type) (*Env, error) {
	if !token.IsIdentifier(name) || strings.HasPrefix(name, reserved) {
		return nil, fmt.Errorf("%q can't be a variable's name", name)
	}
	t, err := e.typeExpr(typ, nil)
	if err != nil {
		return nil, fmt.Errorf("variable %s: %w", name, err)
	}
	n := *e
	n.setVar(Var{Name: name, typ: t, Type: showType(typ, nil)})
	return &n, nil
}

// HasVar reports whether there is a variable of this name.
func (e *Env) HasVar(name string) bool { return e.lookupVar(name) != nil }

func (e *Env) setVar(v Var) {
	e.vars = slices.Clone(e.vars)
	if i := slices.IndexFunc(e.vars, func(o Var) bool { return o.Name == v.Name }); i >= 0 {
		e.vars[i] = v
		return
	}
	e.vars = append(e.vars, v)
}

func (e *Env) lookupVar(name string) *Var {
	for i := range e.vars {
		if e.vars[i].Name == name {
			return &e.vars[i]
		}
	}
	return nil
}

// declares reports whether a declaration of the session has this name.
func (e *Env) declares(name string) bool {
	return slices.ContainsFunc(e.decls, func(d *decl) bool { return slices.Contains(d.names, name) })
}

// importNames returns every name by which a package can be used: those of the
// library that nothing of the session hides, and the session's own imports.
func (e *Env) importNames() map[string]string {
	names := map[string]string{}
	for _, p := range e.lib.Paths() {
		names[e.lib.Package(p).Name] = p
	}
	for _, v := range e.vars {
		delete(names, v.Name)
	}
	for _, d := range e.decls {
		for _, n := range d.names {
			delete(names, n)
		}
	}
	maps.Copy(names, e.imports)
	return names
}

// Check checks an input and gives the steps to run, one after the other. Each
// is either a group of declarations that stand together, which know each
// other, or a single statement; so nothing runs before all of it is known to
// be right, and what a later step sees is what the earlier ones made.
//
// All errors that have a place in src are Errors.
func (e *Env) Check(src Source) (steps []*Step, err error) {
	defer recoverInternal(src, &err)
	chunks, err := split(e.fset, src)
	if err != nil {
		return nil, err
	}
	if err := e.refuseDirectives(src); err != nil {
		return nil, err
	}
	cur := e
	for len(chunks) > 0 {
		n := 1
		if isDecl(chunks[0].kind) {
			for n < len(chunks) && isDecl(chunks[n].kind) {
				n++
			}
		}
		var step *Step
		if isDecl(chunks[0].kind) {
			step, err = cur.declare(src, chunks[:n])
		} else {
			step, err = cur.do(src, chunks[0])
		}
		if err != nil {
			return nil, err
		}
		step.End = chunks[n-1].end
		steps = append(steps, step)
		cur = step.After
		chunks = chunks[n:]
	}
	return steps, nil
}

// recoverInternal turns a panic in this package into an error, so that a session survives a fault here.
func recoverInternal(src Source, err *error) {
	if r := recover(); r != nil {
		*err = Errors{{
			Pos:     token.Position{Filename: src.Name, Line: max(src.Line, 1), Column: 1},
			Msg:     fmt.Sprintf("%s (%v)", internalText, r),
			Instead: "write it in a simpler way",
		}}
	}
}

const internalText = "this can't be checked, which is a fault of the tool and should be reported"

func isDecl(k chunkKind) bool { return k == declaration || k == importing }

// declare checks a group of declarations.
func (e *Env) declare(src Source, chunks []chunk) (*Step, error) {
	file, err := parse(e.fset, src, chunks, "", "")
	if err != nil {
		return nil, err
	}
	if err := refuseReserved(e.fset, file); err != nil {
		return nil, err
	}
	next := *e
	next.imports = maps.Clone(e.imports)
	next.decls = slices.Clone(e.decls)
	var fresh []ast.Node
	group := map[string]token.Pos{}
	for _, d := range file.Decls {
		gen, isGen := d.(*ast.GenDecl)
		if isGen && gen.Tok == token.IMPORT {
			for _, s := range gen.Specs {
				if err := next.addImport(s.(*ast.ImportSpec)); err != nil {
					return nil, err
				}
			}
			continue
		}
		fresh = append(fresh, d)
		nd := &decl{ast: d, names: declNames(d)}
		for _, name := range nd.names {
			if name == "main" || name == "init" {
				return nil, Errors{{Pos: e.fset.Position(d.Pos()), Msg: "a session has no function " + name, Instead: "write the statements alone, or a script"}}
			}
			if predeclared(name) {
				return nil, Errors{{Pos: e.fset.Position(d.Pos()), Msg: fmt.Sprintf("%s must keep its meaning in a session", name), Instead: "another name"}}
			}
			if prev, twice := group[name]; twice && name != "_" {
				return nil, Errors{{Pos: e.fset.Position(d.Pos()), Msg: fmt.Sprintf("%s redeclared in this input (also at %v)", name, e.fset.Position(prev))}}
			}
			group[name] = d.Pos()
			if err := next.forget(name); err != nil {
				return nil, Errors{{Pos: e.fset.Position(d.Pos()), Msg: err.Error()}}
			}
		}
		next.decls = append(next.decls, nd)
	}
	c, err := next.typeCheck(nil, nil)
	if err != nil {
		return nil, explainRedefinition(err, src)
	}
	if err := c.refuse(fresh); err != nil {
		return nil, err
	}
	return newStep(&next, c), nil
}

// forget removes a name from the session, because something else gets it.
func (e *Env) forget(name string) error {
	if i := slices.IndexFunc(e.vars, func(v Var) bool { return v.Name == name }); i >= 0 {
		e.vars = slices.Delete(slices.Clone(e.vars), i, i+1)
	}
	for i, d := range e.decls {
		j := slices.Index(d.names, name)
		if j < 0 {
			continue
		}
		if len(d.names) == 1 {
			e.decls = slices.Delete(e.decls, i, i+1)
			return nil
		}
		// One of a group: the others stay.
		a, err := withoutName(d.ast.(*ast.GenDecl), name)
		if err != nil {
			return err
		}
		e.decls[i] = &decl{ast: a, names: slices.Delete(slices.Clone(d.names), j, j+1)}
		return nil
	}
	return nil
}

// withoutName returns a group of constants or types in which one has no name any more.
func withoutName(d *ast.GenDecl, name string) (*ast.GenDecl, error) {
	n := *d
	n.Specs = slices.Clone(d.Specs)
	for i, s := range d.Specs {
		switch s := s.(type) {
		case *ast.ValueSpec:
			for j, id := range s.Names {
				if id.Name == name {
					c := *s
					c.Names = slices.Clone(s.Names)
					c.Names[j] = &ast.Ident{Name: "_", NamePos: id.NamePos}
					n.Specs[i] = &c
					return &n, nil
				}
			}
		case *ast.TypeSpec:
			if s.Name.Name == name {
				n.Specs = slices.Delete(n.Specs, i, i+1)
				return &n, nil
			}
		}
	}
	return nil, fmt.Errorf("%s not found in its group", name)
}

func declNames(d ast.Decl) []string {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Recv == nil || len(d.Recv.List) == 0 {
			return []string{d.Name.Name}
		}
		t := d.Recv.List[0].Type
		for {
			switch x := t.(type) {
			case *ast.StarExpr:
				t = x.X
				continue
			case *ast.ParenExpr:
				t = x.X
				continue
			case *ast.Ident:
				return []string{x.Name + "." + d.Name.Name}
			}
			return []string{"?." + d.Name.Name}
		}
	case *ast.GenDecl:
		var names []string
		for _, s := range d.Specs {
			switch s := s.(type) {
			case *ast.ValueSpec:
				for _, n := range s.Names {
					names = append(names, n.Name)
				}
			case *ast.TypeSpec:
				names = append(names, s.Name.Name)
			}
		}
		return names
	}
	return nil
}

// addImport adds an import declaration to the session.
func (e *Env) addImport(s *ast.ImportSpec) error {
	p, err := checkImport(e.lib, e.fset, s)
	if err != nil {
		return Errors{err}
	}
	name := e.lib.Package(p).Name
	if s.Name != nil {
		name = s.Name.Name
	}
	if e.lookupVar(name) != nil || e.declares(name) {
		return Errors{{Pos: e.fset.Position(s.Pos()), Msg: fmt.Sprintf("%s already names something else in this session", name), Instead: fmt.Sprintf("give the package another name: import my%s %q", path.Base(name), p)}}
	}
	e.imports[name] = p
	return nil
}

// do checks a single statement.
func (e *Env) do(src Source, c chunk) (*Step, error) {
	file, err := parse(e.fset, src, []chunk{c}, "func "+bodyName+"(){", "}")
	if err != nil {
		return nil, err
	}
	body := file.Decls[0].(*ast.FuncDecl)
	if len(file.Decls) != 1 || len(body.Body.List) != 1 {
		return nil, Errors{{Pos: e.fset.Position(body.Body.Pos()), Msg: "syntax error: this is not one statement"}}
	}
	if err := refuseReserved(e.fset, body.Body); err != nil {
		return nil, err
	}
	stmt := body.Body.List[0]
	shown := showable(stmt)
	if shown != nil {
		// An expression alone is no statement in Go; its value is what the
		// person wants to see.
		if _, call := ast.Unparen(shown).(*ast.CallExpr); !call {
			body.Body.List[0] = &ast.AssignStmt{Lhs: []ast.Expr{&ast.Ident{Name: "_", NamePos: shown.Pos()}}, TokPos: shown.Pos(), Tok: token.ASSIGN, Rhs: []ast.Expr{shown}}
		}
	}
	promoted := defined(stmt)
	c1, err := e.typeCheck(body, nil, promoted...)
	if err != nil {
		return nil, err
	}
	if err := c1.refuse([]ast.Node{body.Body}); err != nil {
		return nil, err
	}
	next := *e
	step := &Step{}
	var extra []ast.Decl // variables of the package that take what the statement makes
	take := func(name string, t ast.Expr) {
		extra = append(extra, &ast.GenDecl{Tok: token.VAR, Specs: []ast.Spec{&ast.ValueSpec{Names: []*ast.Ident{ast.NewIdent(name)}, Type: t}}})
	}
	if shown != nil && !c1.prints(shown) {
		if t := c1.info.TypeOf(shown); t != nil && !isVoid(t) {
			var lhs []ast.Expr
			for _, t := range unpack(t) {
				name := fmt.Sprint(reserved, "result", len(lhs))
				take(name, ast.NewIdent("any"))
				lhs = append(lhs, &ast.Ident{Name: name, NamePos: shown.Pos()})
				step.Results = append(step.Results, Result{name, t})
			}
			body.Body.List[0] = &ast.AssignStmt{Lhs: lhs, TokPos: shown.Pos(), Tok: token.ASSIGN, Rhs: []ast.Expr{shown}}
		}
	}

	// What the statement defines becomes a variable of the session, and must suit the declarations that use the name already.
	changed := false
	for _, id := range promoted {
		obj := c1.info.Defs[id]
		if obj == nil { // reuses a name of the same statement
			continue
		}
		problem := func(msg, instead string) error {
			return Errors{{Pos: e.fset.Position(id.Pos()), Msg: msg, Instead: instead}}
		}
		if predeclared(id.Name) {
			return nil, problem(fmt.Sprintf("%s must keep its meaning in a session", id.Name), "another name")
		}
		if next.declares(id.Name) {
			return nil, problem(fmt.Sprintf("%s is a declaration of this session, not a variable", id.Name), "take another name for the variable")
		}
		if _, ok := e.imports[id.Name]; ok {
			return nil, problem(fmt.Sprintf("%s is a package imported by this session", id.Name), "take another name for the variable")
		}
		t, err := e.typeExpr(obj.Type(), c1.pkg)
		if err != nil {
			return nil, problem(fmt.Sprintf("variable %s: %v", id.Name, err), "")
		}
		v := Var{Name: id.Name, typ: t, Type: showType(obj.Type(), c1.pkg)}
		old := e.lookupVar(id.Name)
		same := old != nil && types.ExprString(old.typ) == types.ExprString(t)
		changed = changed || !same
		next.setVar(v)
		name := reserved + "new_" + id.Name
		take(name, cloneType(t))
		body.Body.List = append(body.Body.List, &ast.AssignStmt{Lhs: []ast.Expr{&ast.Ident{Name: name, NamePos: id.Pos()}}, TokPos: id.Pos(), Tok: token.ASSIGN, Rhs: []ast.Expr{&ast.Ident{Name: id.Name, NamePos: stmt.End()}}})
		step.Made = append(step.Made, Made{id.Name, name, same})
	}
	if changed {
		if _, err := next.typeCheck(nil, nil); err != nil {
			return nil, e.explainVariable(err, promoted)
		}
	}
	c2, err := e.typeCheck(body, extra)
	if err != nil {
		return nil, err
	}
	made, results := step.Made, step.Results
	step = newStep(e, c2)
	step.After, step.Made, step.Results, step.Main = &next, made, results, bodyName
	for _, m := range made {
		step.Cells[m.Global] = true
	}
	for _, r := range results {
		step.Cells[r.Global] = true
	}
	return step, nil
}

func isVoid(t types.Type) bool {
	tu, ok := t.(*types.Tuple)
	return ok && tu.Len() == 0
}

// unpack returns the types of an expression's values.
func unpack(t types.Type) []types.Type {
	tu, ok := t.(*types.Tuple)
	if !ok {
		return []types.Type{types.Default(t)}
	}
	var list []types.Type
	for v := range tu.Variables() {
		list = append(list, v.Type())
	}
	return list
}

// showable returns the expression of a statement that is nothing but one.
func showable(s ast.Stmt) ast.Expr {
	if x, ok := s.(*ast.ExprStmt); ok {
		return x.X
	}
	return nil
}

// defined lists the identifiers that a top-level statement may define.
func defined(s ast.Stmt) []*ast.Ident {
	var ids []*ast.Ident
	switch s := s.(type) {
	case *ast.AssignStmt:
		if s.Tok == token.DEFINE {
			for _, x := range s.Lhs {
				if id, ok := x.(*ast.Ident); ok && id.Name != "_" {
					ids = append(ids, id)
				}
			}
		}
	case *ast.DeclStmt:
		if d, ok := s.Decl.(*ast.GenDecl); ok && d.Tok == token.VAR {
			for _, sp := range d.Specs {
				for _, id := range sp.(*ast.ValueSpec).Names {
					if id.Name != "_" {
						ids = append(ids, id)
					}
				}
			}
		}
	}
	return ids
}

// A checked is the result of a type check.
type checked struct {
	env  *Env
	fset *token.FileSet
	lib  *symbols.Library
	pkg  *types.Package
	info *types.Info
	// The program: declarations in their order, and the statement's function.
	decls  []ast.Decl
	body   *ast.FuncDecl
	files  []*ast.File
	script bool // a whole file, not an input of a session
	loose  bool // errors don't matter
}

// typeCheck checks everything the session has, with body if there is one and the declarations that only this check has. The
// variables unusedOK may stay unused, because they belong to the session.
func (e *Env) typeCheck(body *ast.FuncDecl, extra []ast.Decl, unusedOK ...*ast.Ident) (*checked, error) {
	c := &checked{env: e, fset: e.fset, lib: e.lib, body: body}
	file := e.file(c, body)
	file.Decls = append(file.Decls, extra...)
	skip := map[token.Pos]bool{}
	for _, id := range unusedOK {
		skip[id.Pos()] = true
	}
	if body != nil {
		if x, ok := body.Body.List[0].(*ast.ExprStmt); ok {
			skip[x.X.Pos()] = true
		}
	}
	err := c.run([]*ast.File{file}, func(err types.Error) bool {
		return skip[err.Pos] && (strings.HasPrefix(err.Msg, "declared and not used") || strings.HasSuffix(err.Msg, "is not used"))
	})
	if err != nil {
		return nil, err
	}
	return c, nil
}

// file builds the one file that is checked: imports, variables, the
// declarations (which c takes note of) and the function of a statement.
func (e *Env) file(c *checked, body *ast.FuncDecl) *ast.File {
	file := &ast.File{Name: ast.NewIdent("main")}
	imports := e.importNames()
	names := slices.Sorted(maps.Keys(imports))
	for _, name := range names {
		file.Decls = append(file.Decls, importDecl(name, imports[name]))
	}
	for _, p := range e.lib.Paths() {
		file.Decls = append(file.Decls, importDecl(packageAlias(e.lib.Package(p)), p))
	}
	for _, v := range e.vars {
		file.Decls = append(file.Decls, &ast.GenDecl{Tok: token.VAR, Specs: []ast.Spec{&ast.ValueSpec{Names: []*ast.Ident{ast.NewIdent(v.Name)}, Type: cloneType(v.typ)}}})
	}
	for _, d := range e.decls {
		c.decls = append(c.decls, d.ast)
		file.Decls = append(file.Decls, d.ast)
	}
	if body != nil {
		file.Decls = append(file.Decls, body)
	}
	return file
}

// run type-checks files as package main.
func (c *checked) run(files []*ast.File, ignore func(types.Error) bool) error {
	c.info = &types.Info{
		Types: map[ast.Expr]types.TypeAndValue{}, Defs: map[*ast.Ident]types.Object{}, Uses: map[*ast.Ident]types.Object{},
		Implicits: map[ast.Node]types.Object{}, Scopes: map[ast.Node]*types.Scope{}, Selections: map[*ast.SelectorExpr]*types.Selection{}, Instances: map[*ast.Ident]types.Instance{}, FileVersions: map[*ast.File]string{},
	}
	c.files = files
	var errs Errors
	conf := types.Config{
		GoVersion:                "go1.26",
		Importer:                 c.lib,
		Sizes:                    types.SizesFor("gc", "amd64"),
		DisableUnusedImportCheck: !c.script,
		Error: func(err error) {
			te, ok := err.(types.Error)
			if ok && !c.loose && !ignore(te) {
				msg := strings.TrimSuffix(strings.ReplaceAll(te.Msg, reserved, ""), " in assignment to _ identifier")
				errs = append(errs, &Error{Pos: c.fset.Position(te.Pos), Msg: msg, Instead: instead(msg)})
			}
		},
	}
	c.pkg, _ = conf.Check("main", c.fset, files, c.info)
	if len(errs) > 0 {
		return tidy(errs)
	}
	return nil
}

// instead returns what to write where a call gives more than one value, since most calls of the tool give an error too, and what an
// old name is called now.
func instead(msg string) string {
	if now := nameNow(msg); now != "" {
		return "its name now, " + now
	}
	if strings.HasPrefix(msg, "multiple-value ") || strings.HasPrefix(msg, "assignment mismatch: 1 variable but ") && strings.HasSuffix(msg, " returns 2 values") {
		return "take both values of the call first, as in value, err := boat.Simulate(steps)"
	}
	return ""
}

// tidy joins the lines go/types reports as separate, indented errors, and
// leaves at most ten, as the compiler does.
func tidy(errs Errors) Errors {
	var out Errors
	for _, e := range errs {
		if strings.HasPrefix(e.Msg, "\t") && len(out) > 0 {
			out[len(out)-1].Msg += "\n" + e.Msg
			continue
		}
		if len(out) == 10 {
			return append(out, &Error{Msg: "too many errors"})
		}
		out = append(out, e)
	}
	return out
}

func importDecl(name, path string) *ast.GenDecl {
	return &ast.GenDecl{Tok: token.IMPORT, Specs: []ast.Spec{&ast.ImportSpec{Name: ast.NewIdent(name), Path: &ast.BasicLit{Kind: token.STRING, Value: fmt.Sprintf("%q", path)}}}}
}

// cloneType copies a type expression, so that positions and type information
// of one check don't reach the next.
func cloneType(t ast.Expr) ast.Expr {
	x, err := parser.ParseExpr(types.ExprString(t))
	if err != nil {
		return t
	}
	ast.Inspect(x, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok {
			id.NamePos = token.NoPos
		}
		return true
	})
	return x
}

// explainRedefinition turns errors in earlier inputs into one that says what
// the new declarations of src break.
func explainRedefinition(err error, src Source) error {
	errs, ok := err.(Errors)
	if !ok || errs[0].Pos.Filename == src.Name || !errs[0].Pos.IsValid() {
		return err
	}
	return Errors{{
		Pos:     token.Position{Filename: src.Name, Line: max(src.Line, 1), Column: 1},
		Msg:     "what was declared before does not fit any more (" + errs[0].Error() + ")",
		Instead: "declare both anew in one input",
	}}
}

// explainVariable returns which variable's new type the session's declarations don't suit.
func (e *Env) explainVariable(err error, ids []*ast.Ident) error {
	errs, ok := err.(Errors)
	if !ok {
		return err
	}
	var names []string
	for _, id := range ids {
		names = append(names, id.Name)
	}
	out := Errors{{
		Pos:     e.fset.Position(ids[0].Pos()),
		Msg:     fmt.Sprintf("%s can't change its type: what was declared before uses it as it was (%s)", strings.Join(names, ", "), errs[0]),
		Instead: "take another name, or declare those again first",
	}}
	return out
}
