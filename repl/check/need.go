package check

import (
	"go/ast"
	"go/types"
)

// A need is what a program needs of a session.
type need struct {
	decls map[ast.Decl]bool
	vars  map[string]bool
}

// needed finds the declarations and variables that roots need, directly or
// through each other; a type needs its methods. A long session so costs each
// input no more than it uses.
func (c *checked) needed(roots []ast.Node) need {
	n := need{map[ast.Decl]bool{}, map[string]bool{}}
	home := map[types.Object][]ast.Decl{}
	for _, d := range c.decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			obj := c.info.Defs[d.Name].(*types.Func)
			if recv := obj.Signature().Recv(); recv != nil {
				t := recv.Type()
				if p, ok := types.Unalias(t).(*types.Pointer); ok {
					t = p.Elem()
				}
				if named, ok := types.Unalias(t).(*types.Named); ok {
					home[named.Obj()] = append(home[named.Obj()], d)
				}
				continue
			}
			home[obj] = append(home[obj], d)
		case *ast.GenDecl:
			for _, s := range d.Specs {
				switch s := s.(type) {
				case *ast.TypeSpec:
					home[c.info.Defs[s.Name]] = append(home[c.info.Defs[s.Name]], d)
				case *ast.ValueSpec:
					for _, id := range s.Names {
						home[c.info.Defs[id]] = append(home[c.info.Defs[id]], d)
					}
				}
			}
		}
	}
	seen := map[types.Object]bool{}
	var visit func(ast.Node)
	var object func(types.Object)
	object = func(obj types.Object) {
		if obj == nil || seen[obj] || obj.Parent() != c.pkg.Scope() {
			return
		}
		seen[obj] = true
		if v, ok := obj.(*types.Var); ok {
			n.vars[v.Name()] = true
		}
		c.namedIn(obj.Type(), object)
		for _, d := range home[obj] {
			visit(d)
		}
	}
	visit = func(root ast.Node) {
		if d, ok := root.(ast.Decl); ok {
			if n.decls[d] {
				return
			}
			n.decls[d] = true
		}
		ast.Inspect(root, func(x ast.Node) bool {
			if id, ok := x.(*ast.Ident); ok {
				object(c.object(id))
			}
			return true
		})
	}
	for _, r := range roots {
		visit(r)
	}
	return n
}

// namedIn calls f with each type of the script that t is made of.
func (c *checked) namedIn(t types.Type, f func(types.Object)) {
	seen := map[types.Type]bool{}
	var visit func(types.Type)
	visit = func(t types.Type) {
		t = types.Unalias(t)
		if t == nil || seen[t] {
			return
		}
		seen[t] = true
		switch t := t.(type) {
		case *types.Named:
			if t.Obj().Pkg() == c.pkg {
				f(t.Obj())
			}
		case *types.Pointer:
			visit(t.Elem())
		case *types.Slice:
			visit(t.Elem())
		case *types.Array:
			visit(t.Elem())
		case *types.Chan:
			visit(t.Elem())
		case *types.Map:
			visit(t.Key())
			visit(t.Elem())
		case *types.Struct:
			for i := range t.NumFields() {
				visit(t.Field(i).Type())
			}
		case *types.Signature:
			for v := range t.Params().Variables() {
				visit(v.Type())
			}
			for v := range t.Results().Variables() {
				visit(v.Type())
			}
		}
	}
	visit(t)
}
