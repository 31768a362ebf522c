package check

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"slices"
	"strings"

	"golang.org/x/tools/go/ssa"

	"quaybench/repl/core"
	"quaybench/repl/host"
	"quaybench/repl/symbols"
)

// A Step is a checked program to run: what is to be done, with the declarations and variables of the session.
type Step struct {
	// Main is the function to run, without arguments; "" if nothing is to be done.
	Main string
	// Cells are the package variables that are the session's.
	Cells map[string]bool
	// Made are the variables of the session that the step makes, or makes anew.
	Made []Made
	// Results are the package variables, each an any, that hold the values of an expression to be shown.
	Results []Result
	// After is what the session knows when the step has run.
	After *Env
	// End is how many bytes of the input are done when the step has run.
	End int

	c *checked
}

// A Made is a variable of a session that a step makes: its value is in a package variable of another name when the step has
// run. Same is true where a variable of this name and type is there already, and keeps its place.
type Made struct {
	Var, Global string
	Same        bool
}

// A Result is a value to show.
type Result struct {
	Global string
	Type   types.Type
}

// Place returns the position of a mark.
func (s *Step) Place(mark int) token.Position { return s.After.fset.Position(token.Pos(mark)) }

// Core writes the step as a program of the core.
func (s *Step) Core(ts *host.Types) (p *core.Program, err error) {
	ts.Begin()
	defer func() {
		u, ok := err.(*core.Unsupported)
		if !ok {
			return
		}
		msg, instead, _ := strings.Cut(u.Msg, "; instead: ")
		err = Errors{{Pos: s.After.fset.Position(u.Pos), Msg: msg, Instead: instead}}
	}()
	pkg := s.build()
	return core.Emit(s.c.lib, pkg, core.Options{Main: s.Main, Cells: s.Cells, Types: ts, Files: s.c.files})
}

func (s *Step) build() *ssa.Package {
	return core.Build(s.c.lib, s.c.fset, s.c.pkg, s.c.info, s.c.files)
}

// newStep returns the step of a checked program; all variables of the session are cells.
func newStep(after *Env, c *checked) *Step {
	s := &Step{After: after, c: c, Cells: map[string]bool{}}
	for _, v := range after.vars {
		s.Cells[v.Name] = true
	}
	return s
}

// typeExpr writes a type by names that hold anywhere in the program of a session.
func (e *Env) typeExpr(t types.Type, main *types.Package) (ast.Expr, error) {
	if b, ok := t.(*types.Basic); ok && b.Info()&types.IsUntyped != 0 {
		if b.Kind() == types.UntypedNil {
			return nil, fmt.Errorf("nil has no type of its own")
		}
		t = types.Default(t)
	}
	packages := map[string]*types.Package{}
	text := types.TypeString(t, func(p *types.Package) string {
		if p == main {
			return ""
		}
		packages[aliasOf(p.Path())] = p
		return aliasOf(p.Path())
	})
	x, err := parser.ParseExpr(text)
	if err != nil {
		return nil, fmt.Errorf("type %s: scripts have no name for it", showType(t, main))
	}
	ast.Inspect(x, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.Ident:
			n.NamePos = token.NoPos
		case *ast.SelectorExpr:
			id, ok := n.X.(*ast.Ident)
			if !ok || packages[id.Name] == nil {
				break
			}
			obj, ok := packages[id.Name].Scope().Lookup(n.Sel.Name).(*types.TypeName)
			if !ok {
				break
			}
			known := e.lib.Nameable(obj)
			if known == nil {
				err = fmt.Errorf("type %s: scripts have no name for it", showType(t, main))
				break
			}
			id.Name, n.Sel.Name = packageAlias(e.lib.Package(known.Pkg().Path())), known.Name()
		}
		return true
	})
	if err == nil && main != nil {
		if local := localType(t, main); local != nil {
			err = fmt.Errorf("type %s is declared in a function; declare it by itself", local.Obj().Name())
		}
	}
	return x, err
}

// localType returns a type within t that is declared in a function, or nil.
func localType(t types.Type, main *types.Package) (found *types.Named) {
	host.Walk(t, func(n *types.Named) {
		if n.Obj().Pkg() == main && n.Obj().Parent() != main.Scope() {
			found = n
		}
	})
	return found
}

// showType writes a type for a person.
func showType(t types.Type, main *types.Package) string {
	return types.TypeString(t, func(p *types.Package) string {
		if p == main {
			return ""
		}
		return p.Name()
	})
}

// prints reports whether e is a call of fmt.Println or its like, of whose results nobody wants to see the number of bytes.
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

// Script checks the files of a package main and returns the step that runs it.
func Script(lib *symbols.Library, src Source, more ...Source) (_ *Step, err error) {
	defer recoverInternal(src, &err)
	env := NewEnv(lib)
	var files []*ast.File
	var nodes []ast.Node
	sources := append([]Source{src}, more...)
	slices.SortFunc(sources, func(a, b Source) int { return strings.Compare(a.Name, b.Name) }) // variables of the package come in this order
	for _, src := range sources {
		file, err := env.scriptFile(src)
		if err != nil {
			return nil, err
		}
		files, nodes = append(files, file), append(nodes, file)
	}
	c := &checked{env: env, fset: env.fset, lib: lib, script: true}
	if err := c.run(files, func(types.Error) bool { return false }); err != nil {
		return nil, err
	}
	if m, ok := c.pkg.Scope().Lookup("main").(*types.Func); !ok || m == nil {
		return nil, Errors{{Pos: env.fset.Position(files[0].Name.Pos()), Msg: "function main is undeclared in the main package"}}
	}
	if err := c.refuse(nodes); err != nil {
		return nil, err
	}
	s := newStep(env, c)
	s.Main, s.Cells = "main", nil
	return s, nil
}

// scriptFile parses a file of a script, and refuses what shows without its types.
func (e *Env) scriptFile(src Source) (*ast.File, error) {
	if err := e.refuseDirectives(src); err != nil {
		return nil, err
	}
	file, err := parseFile(e.fset, src)
	if err != nil {
		return nil, err
	}
	if err := refuseReserved(e.fset, file); err != nil {
		return nil, err
	}
	for _, s := range file.Imports {
		if _, err := checkImport(e.lib, e.fset, s); err != nil {
			return nil, Errors{err}
		}
	}
	if file.Name.Name != "main" {
		return nil, Errors{{Pos: e.fset.Position(file.Name.Pos()), Msg: fmt.Sprintf("package %s is not a script", file.Name.Name), Instead: "package main, with a function main"}}
	}
	return file, nil
}
