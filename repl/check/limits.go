package check

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"strconv"
	"strings"

	"quaybench/repl/core"
	"quaybench/repl/symbols"
)

// reserved begins the names that the tool adds to a program; a script may have none.
const (
	reserved = "qb_"
	bodyName = reserved + "input"
)

// packageAlias returns the name under which the tool imports a package, whatever a script calls it.
func packageAlias(p *symbols.Package) string { return aliasOf(p.Path) }

func aliasOf(path string) string {
	return reserved + strings.NewReplacer("/", "_", ".", "_", "-", "_").Replace(path)
}

// checkImport returns the path of an import that scripts may have.
func checkImport(lib *symbols.Library, fset *token.FileSet, s *ast.ImportSpec) (string, *Error) {
	path, err := strconv.Unquote(s.Path.Value)
	pos := fset.Position(s.Pos())
	if err != nil {
		return "", &Error{Pos: pos, Msg: "invalid import path " + s.Path.Value}
	}
	p := lib.Package(path)
	switch {
	case p == nil:
		return "", &Error{Pos: pos, Msg: fmt.Sprintf("scripts can't import %q; they may import %s", path, strings.Join(lib.Paths(), ", "))}
	case s.Name != nil && s.Name.Name == ".":
		return "", &Error{Pos: pos, Msg: fmt.Sprintf("scripts can't import %q with a dot", path), Instead: fmt.Sprintf("import %q and %s.Name", path, p.Name)}
	}
	return path, nil
}

// refuseReserved refuses the names that the tool adds to a program.
func refuseReserved(fset *token.FileSet, root ast.Node) error {
	var errs Errors
	ast.Inspect(root, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok && strings.HasPrefix(id.Name, reserved) {
			errs = append(errs, &Error{Pos: fset.Position(id.Pos()), Msg: fmt.Sprintf("names that begin with %s are kept for the tool", reserved), Instead: "another name"})
		}
		return true
	})
	if len(errs) > 0 {
		return errs
	}
	return nil
}

// refuseDirectives refuses comments that tell the compiler something; //go:noinline changes nothing that a program can see.
func (e *Env) refuseDirectives(src Source) error {
	var errs Errors
	line := max(src.Line, 1)
	inRaw := false
	for i, text := range strings.Split(src.Text, "\n") {
		trimmed := strings.TrimSpace(text)
		if !inRaw && trimmed != "//go:noinline" && (strings.HasPrefix(trimmed, "//go:") || strings.HasPrefix(trimmed, "//line ") || strings.HasPrefix(trimmed, "/*line ") || strings.HasPrefix(trimmed, "//export ")) {
			errs = append(errs, &Error{Pos: token.Position{Filename: src.Name, Line: line + i, Column: 1}, Msg: fmt.Sprintf("compiler directive %s has no effect in scripts", strings.Fields(trimmed)[0]), Instead: "leave it out"})
		}
		if strings.Count(text, "`")%2 == 1 {
			inRaw = !inRaw
		}
	}
	if len(errs) > 0 {
		return errs
	}
	return nil
}

// refuse refuses what scripts may not reach: names of packages that are not listed, and what would print past the host.
func (c *checked) refuse(nodes []ast.Node) error {
	var errs Errors
	no := func(n ast.Node, instead, format string, args ...any) {
		errs = append(errs, &Error{Pos: c.fset.Position(n.Pos()), Msg: fmt.Sprintf(format, args...), Instead: instead})
	}
	for _, root := range nodes {
		ast.Inspect(root, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				if n.Body == nil {
					no(n.Name, "", "missing function body")
				}
			case *ast.SelectorExpr:
				x, ok := n.X.(*ast.Ident)
				if !ok {
					break
				}
				pkg, ok := c.info.Uses[x].(*types.PkgName)
				if !ok {
					break
				}
				if p := c.lib.Package(pkg.Imported().Path()); p != nil && !p.Allows(n.Sel.Name) && !core.Writes(p.Path+"."+n.Sel.Name) {
					no(n, "", "%s.%s is not there for scripts", p.Name, n.Sel.Name)
				}
			case *ast.CallExpr:
				if id, ok := ast.Unparen(n.Fun).(*ast.Ident); ok {
					if b, ok := c.info.Uses[id].(*types.Builtin); ok && (b.Name() == "print" || b.Name() == "println") {
						no(n, "fmt.Println", "scripts can't use the builtin %s", b.Name())
					}
				}
			case *ast.ArrayType:
				if t, ok := c.info.TypeOf(n).(*types.Array); ok && !generic(t) { // of a generic type each instance is looked at, by core
					if size := types.SizesFor("gc", "amd64").Sizeof(t); size < 0 || size > maxArray {
						no(n, "a slice", "an array of more than %d MB", maxArray>>20)
					}
				}
			}
			return true
		})
	}
	if len(errs) > 0 {
		return tidy(errs)
	}
	return nil
}

const maxArray = 64 << 20

// generic reports whether the size of t hangs on a type parameter.
func generic(t types.Type) bool {
	if _, ok := types.Unalias(t).(*types.TypeParam); ok {
		return true
	}
	switch u := t.Underlying().(type) {
	case *types.Array:
		return generic(u.Elem())
	case *types.Struct:
		for f := range u.Fields() {
			if generic(f.Type()) {
				return true
			}
		}
	}
	return false
}

// predeclared reports whether the language itself gives a name its meaning: the types of a session's variables are written by
// such names.
func predeclared(name string) bool {
	switch types.Universe.Lookup(name).(type) {
	case *types.TypeName, *types.Const, *types.Nil:
		return true
	}
	return false
}
