package check

import (
	"fmt"
	"go/ast"
	"go/constant"
	"go/token"
	"go/types"
	"slices"
	"strconv"
	"strings"

	"quaybench/repl/symbols"
)

// place tells a session, which must live on, from a script, which has a
// process of its own.
type place int

const (
	inSession place = iota
	inScript
)

// checkImport gives the path of an import that scripts may have.
func checkImport(lib *symbols.Library, fset *token.FileSet, s *ast.ImportSpec) (string, *Error) {
	path, err := strconv.Unquote(s.Path.Value)
	pos := fset.Position(s.Pos())
	if err != nil {
		return "", &Error{Pos: pos, Msg: "invalid import path " + s.Path.Value}
	}
	p := lib.Package(path)
	switch {
	case path == "slices" || path == "maps" || path == "cmp" || path == "iter":
		return "", &Error{Pos: pos, Msg: fmt.Sprintf("scripts can't import %q: its functions have type parameters", path), Instead: "package sort, or a loop"}
	case p == nil:
		return "", &Error{Pos: pos, Msg: fmt.Sprintf("scripts can't import %q; they may import %s", path, strings.Join(lib.Paths(), ", "))}
	case s.Name != nil && s.Name.Name == ".":
		return "", &Error{Pos: pos, Msg: fmt.Sprintf("scripts can't import %q with a dot", path), Instead: fmt.Sprintf("import %q and %s.Name", path, p.Name)}
	case s.Name != nil && s.Name.Name == "_":
		return "", &Error{Pos: pos, Msg: fmt.Sprintf("importing %q as _ does nothing in a script", path), Instead: "leave it out"}
	case s.Name != nil && strings.HasPrefix(s.Name.Name, reserved):
		return "", &Error{Pos: pos, Msg: fmt.Sprintf("names that begin with %s are kept for the tool", reserved), Instead: "another name"}
	}
	return path, nil
}

// refuseReserved refuses the names of generated programs, before they could be
// taken for what they are there.
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

// refuseDirectives refuses comments that tell the compiler something.
func (e *Env) refuseDirectives(src Source) error {
	var errs Errors
	line := max(src.Line, 1)
	inRaw := false
	for i, text := range strings.Split(src.Text, "\n") {
		trimmed := strings.TrimSpace(text)
		if !inRaw && (strings.HasPrefix(trimmed, "//go:") || strings.HasPrefix(trimmed, "//line ") || strings.HasPrefix(trimmed, "/*line ") || strings.HasPrefix(trimmed, "//export ")) {
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

// refuse walks what is new in a program and refuses what the interpreter
// can't do, or does wrong without a word, and no rewriting mends.
func refuse(c *checked, nodes []ast.Node, where place) error {
	r := &refuser{checked: c, where: where}
	for _, n := range nodes {
		ast.Walk(r, n)
		r.conversions(n)
	}
	if len(r.errs) > 0 {
		slices.SortStableFunc(r.errs, func(a, b *Error) int {
			if a.Pos.Line != b.Pos.Line {
				return a.Pos.Line - b.Pos.Line
			}
			return a.Pos.Column - b.Pos.Column
		})
		return tidy(r.errs)
	}
	return nil
}

type refuser struct {
	*checked
	where place
	errs  Errors
}

func (r *refuser) no(n ast.Node, instead, format string, args ...any) {
	r.errs = append(r.errs, &Error{Pos: r.fset.Position(n.Pos()), Msg: fmt.Sprintf(format, args...), Instead: instead})
}

const inAScript = "write it as a script and run that"

// Visit implements ast.Visitor.
func (r *refuser) Visit(n ast.Node) ast.Visitor {
	switch n := n.(type) {
	case *ast.Ident:
		r.ident(n)
	case *ast.FuncDecl:
		r.funcDecl(n)
	case *ast.TypeSpec:
		if n.TypeParams != nil {
			r.no(n, "one type for each kind of element", "scripts can't declare types with type parameters")
		}
	case *ast.InterfaceType:
		if n.Methods != nil && len(n.Methods.List) > 0 {
			r.no(n, "a struct with fields of function type", "scripts can't declare interfaces")
		}
	case *ast.StructType:
		r.structType(n)
	case *ast.ArrayType:
		if t, ok := r.info.TypeOf(n).(*types.Array); ok {
			if size := types.SizesFor("gc", "amd64").Sizeof(t); size < 0 || size > maxArray {
				r.no(n, "a slice", "an array of more than %d MB", maxArray>>20)
			}
		}
	case *ast.SelectorExpr:
		r.selector(n)
	case *ast.CallExpr:
		r.call(n)
	case *ast.BranchStmt:
		if n.Tok == token.GOTO {
			r.no(n, "a loop with break or continue", "scripts can't use goto")
		}
	case *ast.GoStmt:
		if r.where == inSession {
			r.no(n, inAScript, "a session can't start goroutines: a panic in one would end it")
		}
	case *ast.ChanType, *ast.SelectStmt:
		if r.where == inSession {
			r.no(n, inAScript, "a session can't use channels: it does one thing at a time")
		}
	case *ast.TypeAssertExpr:
		if n.Type != nil {
			r.assertion(n.Type)
		}
	case *ast.TypeSwitchStmt:
		for _, c := range n.Body.List {
			for _, t := range c.(*ast.CaseClause).List {
				if !r.info.Types[t].IsNil() {
					r.assertion(t)
				}
			}
		}
	case *ast.RangeStmt:
		if _, ok := r.info.TypeOf(n.X).Underlying().(*types.Signature); ok {
			r.no(n, "call it with a function of your own: f(func(x int) bool { ...; return true })", "scripts can't range over a function")
		}
	}
	return r
}

const maxArray = 64 << 20

func (r *refuser) ident(n *ast.Ident) {
	obj := r.info.Defs[n]
	if obj == nil {
		return
	}
	if obj.Parent() == r.pkg.Scope() && isPredeclaredType(n.Name) {
		r.no(n, "another name", "%s must keep its meaning in scripts", n.Name)
	}
	switch n.Name {
	case "true", "false", "nil", "iota":
		if _, isField := obj.(*types.Var); !isField || !obj.(*types.Var).IsField() {
			r.no(n, "another name", "%s must keep its meaning in scripts", n.Name)
		}
	}
}

func isPredeclaredType(name string) bool {
	_, ok := types.Universe.Lookup(name).(*types.TypeName)
	return ok
}

// Names of methods that fmt and errors look for. A script's method would be
// missed wherever the value stands inside another or in an interface.
var looked = map[string]string{
	"String":   "a function that gives the text, called where it is printed",
	"GoString": "a function that gives the text, called where it is printed",
	"Format":   "a function that gives the text, called where it is printed",
	"Error":    "errors.New for a fixed error, fmt.Errorf with %w around it, and errors.Is",
}

func (r *refuser) funcDecl(n *ast.FuncDecl) {
	if n.Type.TypeParams != nil {
		r.no(n.Name, "one function for each type", "scripts can't declare functions with type parameters")
	}
	if n.Body == nil {
		r.no(n.Name, "", "missing function body")
	}
	if n.Recv != nil {
		if instead, ok := looked[n.Name.Name]; ok {
			r.no(n.Name, instead, "fmt and errors would not see a script's method %s", n.Name.Name)
		}
		return
	}
	if r.where == inSession {
		switch n.Name.Name {
		case "main":
			r.no(n.Name, "write the statements alone, or a script", "a session has no function main")
		case "init":
			r.no(n.Name, "write the statements alone", "a session has no init functions")
		}
	}
}

func (r *refuser) structType(n *ast.StructType) {
	for _, f := range n.Fields.List {
		if len(f.Names) > 0 {
			continue
		}
		t := r.info.TypeOf(f.Type)
		if p, ok := t.(*types.Pointer); ok {
			t = p.Elem()
		}
		if named, ok := types.Unalias(t).(*types.Named); !ok || named.Obj().Pkg() != r.pkg {
			r.no(f.Type, "give the field a name", "scripts can embed only their own types")
		}
	}
}

func (r *refuser) selector(n *ast.SelectorExpr) {
	x, ok := n.X.(*ast.Ident)
	if !ok {
		return
	}
	pkg, ok := r.info.Uses[x].(*types.PkgName)
	if !ok {
		return
	}
	p := r.lib.Package(pkg.Imported().Path())
	if p != nil && !p.Allows(n.Sel.Name) {
		instead := ""
		switch p.Path + "." + n.Sel.Name {
		case "time.After", "time.Tick", "time.NewTimer", "time.NewTicker", "time.AfterFunc":
			instead = "time.Sleep"
		}
		if obj, ok := r.info.Uses[n.Sel].(*types.Func); ok && obj.Signature().TypeParams().Len() > 0 {
			instead = "a function without type parameters, or a loop"
		}
		r.no(n, instead, "%s.%s is not there for scripts", p.Name, n.Sel.Name)
	}
}

func (r *refuser) call(n *ast.CallExpr) {
	switch r.builtin(n.Fun) {
	case "print", "println":
		r.no(n, "fmt.Println", "scripts can't use the builtin %s", r.builtin(n.Fun))
	}
}

// assertion checks a type that a value in an interface is asked for.
func (r *refuser) assertion(t ast.Expr) {
	typ := r.info.TypeOf(t)
	if typ == nil {
		return
	}
	if name := r.own(typ); name != "" {
		r.no(t, "keep values of your own types out of any", "an interface never holds a %s of the script", name)
	}
}

// own gives the name of a type the script declares that t contains, or "".
func (c *checked) own(t types.Type) string { return ownType(t, c.pkg, map[types.Type]bool{}) }

func ownType(t types.Type, pkg *types.Package, seen map[types.Type]bool) string {
	t = types.Unalias(t)
	if seen[t] {
		return ""
	}
	seen[t] = true
	switch t := t.(type) {
	case *types.Named:
		if t.Obj().Pkg() == pkg {
			return t.Obj().Name()
		}
	case *types.Pointer:
		return ownType(t.Elem(), pkg, seen)
	case *types.Slice:
		return ownType(t.Elem(), pkg, seen)
	case *types.Array:
		return ownType(t.Elem(), pkg, seen)
	case *types.Chan:
		return ownType(t.Elem(), pkg, seen)
	case *types.Map:
		if n := ownType(t.Key(), pkg, seen); n != "" {
			return n
		}
		return ownType(t.Elem(), pkg, seen)
	case *types.Struct:
		for i := range t.NumFields() {
			if n := ownType(t.Field(i).Type(), pkg, seen); n != "" {
				return n
			}
		}
	case *types.Signature:
		for v := range t.Params().Variables() {
			if n := ownType(v.Type(), pkg, seen); n != "" {
				return n
			}
		}
		for v := range t.Results().Variables() {
			if n := ownType(v.Type(), pkg, seen); n != "" {
				return n
			}
		}
	}
	return ""
}

// recursiveType gives a type of a script in t that contains itself, or nil.
func recursiveType(t types.Type) *types.Named {
	var found *types.Named
	var visit func(t types.Type, open []*types.Named)
	visit = func(t types.Type, open []*types.Named) {
		if found != nil {
			return
		}
		switch t := types.Unalias(t).(type) {
		case *types.Named:
			if t.Obj().Pkg() == nil || t.Obj().Pkg().Path() != "main" {
				return
			}
			if slices.Contains(open, t) {
				found = t
				return
			}
			visit(t.Underlying(), append(slices.Clone(open), t))
		case *types.Pointer:
			visit(t.Elem(), open)
		case *types.Slice:
			visit(t.Elem(), open)
		case *types.Array:
			visit(t.Elem(), open)
		case *types.Map:
			visit(t.Key(), open)
			visit(t.Elem(), open)
		case *types.Chan:
			visit(t.Elem(), open)
		case *types.Struct:
			for i := range t.NumFields() {
				visit(t.Field(i).Type(), open)
			}
		case *types.Signature:
			for v := range t.Params().Variables() {
				visit(v.Type(), open)
			}
			for v := range t.Results().Variables() {
				visit(v.Type(), open)
			}
		}
	}
	visit(t, nil)
	return found
}

// conversions finds every place where a value becomes an interface. A value
// of a type the script declares loses its type there, so it may only be an
// argument of a compiled function.
func (r *refuser) conversions(root ast.Node) {
	var results []*types.Tuple
	to := func(e ast.Expr, t types.Type, argument bool) {
		if e == nil || t == nil || !types.IsInterface(t) {
			return
		}
		from := r.info.TypeOf(e)
		if from == nil || types.IsInterface(from) {
			return
		}
		if tu, ok := from.(*types.Tuple); ok && tu.Len() != 1 {
			return
		}
		if name := r.own(from); name != "" && !argument {
			r.no(e, "a variable or field of its own type", "a value of the script's type %s can't be put into an interface", name)
		}
	}
	var visit func(n ast.Node) bool
	visit = func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.FuncDecl:
			if n.Body != nil {
				results = append(results, r.info.Defs[n.Name].(*types.Func).Signature().Results())
				ast.Inspect(n.Body, visit)
				results = results[:len(results)-1]
			}
			return false
		case *ast.FuncLit:
			results = append(results, r.info.TypeOf(n).(*types.Signature).Results())
			ast.Inspect(n.Body, visit)
			results = results[:len(results)-1]
			return false
		case *ast.AssignStmt:
			if len(n.Lhs) == len(n.Rhs) {
				for i, l := range n.Lhs {
					if !isBlank(l) {
						to(n.Rhs[i], r.info.TypeOf(l), false)
					}
				}
			} else if tu, ok := r.info.TypeOf(n.Rhs[0]).(*types.Tuple); ok {
				for i, l := range n.Lhs {
					lt := r.info.TypeOf(l)
					if i < tu.Len() && lt != nil && types.IsInterface(lt) && !types.IsInterface(tu.At(i).Type()) {
						if name := r.own(tu.At(i).Type()); name != "" {
							r.no(l, "a variable of its own type", "a value of the script's type %s can't be put into an interface", name)
						}
					}
				}
			}
		case *ast.ValueSpec:
			for i, v := range n.Values {
				if len(n.Values) == len(n.Names) && n.Type != nil {
					to(v, r.info.TypeOf(n.Type), false)
				}
				_ = i
			}
		case *ast.ReturnStmt:
			if len(results) > 0 {
				res := results[len(results)-1]
				for i, x := range n.Results {
					if len(n.Results) == res.Len() {
						to(x, res.At(i).Type(), false)
					}
				}
			}
		case *ast.SendStmt:
			if ch, ok := r.info.TypeOf(n.Chan).Underlying().(*types.Chan); ok {
				to(n.Value, ch.Elem(), false)
			}
		case *ast.CompositeLit:
			r.literal(n, to)
		case *ast.CallExpr:
			r.arguments(n, to)
		case *ast.BinaryExpr:
			if n.Op == token.EQL || n.Op == token.NEQ {
				to(n.X, r.info.TypeOf(n.Y), false)
				to(n.Y, r.info.TypeOf(n.X), false)
			}
		case *ast.IndexExpr:
			if m, ok := r.info.TypeOf(n.X).Underlying().(*types.Map); ok {
				to(n.Index, m.Key(), false)
			}
		case *ast.SwitchStmt:
			if n.Tag != nil {
				for _, c := range n.Body.List {
					for _, x := range c.(*ast.CaseClause).List {
						to(x, r.info.TypeOf(n.Tag), false)
						to(n.Tag, r.info.TypeOf(x), false)
					}
				}
			}
		}
		return true
	}
	ast.Inspect(root, visit)
}

func (r *refuser) literal(n *ast.CompositeLit, to func(ast.Expr, types.Type, bool)) {
	t := r.info.TypeOf(n)
	if t == nil {
		return
	}
	under := t.Underlying()
	if p, ok := under.(*types.Pointer); ok {
		under = p.Elem().Underlying()
	}
	for i, e := range n.Elts {
		kv, _ := e.(*ast.KeyValueExpr)
		switch u := under.(type) {
		case *types.Struct:
			if kv != nil {
				if f, ok := r.info.Uses[kv.Key.(*ast.Ident)].(*types.Var); ok {
					to(kv.Value, f.Type(), false)
				}
			} else if i < u.NumFields() {
				to(e, u.Field(i).Type(), false)
			}
		case *types.Map:
			if kv != nil {
				to(kv.Key, u.Key(), false)
				to(kv.Value, u.Elem(), false)
			}
		case *types.Slice:
			if kv != nil {
				e = kv.Value
			}
			to(e, u.Elem(), false)
		case *types.Array:
			if kv != nil {
				e = kv.Value
			}
			to(e, u.Elem(), false)
		}
	}
}

func (r *refuser) arguments(n *ast.CallExpr, to func(ast.Expr, types.Type, bool)) {
	fun := ast.Unparen(n.Fun)
	if tv := r.info.Types[fun]; tv.IsType() {
		if len(n.Args) == 1 {
			to(n.Args[0], tv.Type, false)
		}
		return
	}
	switch r.builtin(fun) {
	case "":
	case "append":
		if s, ok := r.info.TypeOf(n).Underlying().(*types.Slice); ok && !n.Ellipsis.IsValid() {
			for _, a := range n.Args[1:] {
				to(a, s.Elem(), false)
			}
		}
		return
	case "panic":
		to(n.Args[0], types.Universe.Lookup("any").Type(), false)
		return
	default:
		return
	}
	sig, ok := r.info.TypeOf(fun).Underlying().(*types.Signature)
	if !ok {
		return
	}
	compiled := false
	var callee *types.Func
	switch f := fun.(type) {
	case *ast.SelectorExpr:
		callee, _ = r.info.Uses[f.Sel].(*types.Func)
		compiled = callee != nil && callee.Pkg() != r.pkg
	}
	if len(n.Args) == 1 && sig.Params().Len() > 1 {
		return // f(g()): the results are checked where they are made
	}
	for i, a := range n.Args {
		t := paramType(sig, min(i, max(sig.Params().Len()-1, 0)))
		if sig.Variadic() && n.Ellipsis.IsValid() && i == len(n.Args)-1 {
			continue
		}
		to(a, t, compiled)
	}
	if compiled {
		r.printed(n, callee)
	}
}

// printed checks what fmt prints of values of the script's own types.
func (r *refuser) printed(n *ast.CallExpr, callee *types.Func) {
	if callee.Pkg() == nil || callee.Pkg().Path() != "fmt" || n.Ellipsis.IsValid() {
		return
	}
	format, args := "", n.Args
	hasFormat := strings.HasSuffix(callee.Name(), "f")
	if hasFormat {
		at := 0
		if strings.HasPrefix(callee.Name(), "F") || strings.HasPrefix(callee.Name(), "A") {
			at = 1
		}
		if at >= len(args) {
			return
		}
		v := r.info.Types[args[at]].Value
		if v == nil {
			for _, a := range args[at+1:] {
				if name := r.own(r.info.TypeOf(a)); name != "" {
					r.no(args[at], "a constant format", "the format must be known to print a value of the script's type %s right", name)
					return
				}
			}
			return
		}
		format, args = constant.StringVal(v), args[at+1:]
	}
	verbs := verbsOf(format)
	for i, a := range args {
		t := r.info.TypeOf(a)
		name := r.own(t)
		if name == "" {
			continue
		}
		if i < len(verbs) {
			switch v := verbs[i]; {
			case v == "T" || strings.HasSuffix(v, "#v"):
				r.no(a, "%v", "%%%s would not show the script's type %s", strings.TrimLeft(v, "+#- 0"), name)
			case strings.HasPrefix(v, "+v") && hasLowerField(t, r.pkg, map[types.Type]bool{}):
				r.no(a, "%v, or field names that begin with a capital letter", "%%+v would change the names of the fields of %s", name)
			}
		}
		if f := hiddenStringer(t, r.pkg, map[types.Type]bool{}); f != "" {
			r.no(a, "a field name that begins with a capital letter", "fmt would not print field %s as Go does", f)
		}
	}
}

// verbsOf gives the flags and letter of each verb in a format, in order.
func verbsOf(format string) []string {
	var verbs []string
	for i := 0; i < len(format); i++ {
		if format[i] != '%' {
			continue
		}
		j := i + 1
		flags := ""
		for j < len(format) && strings.ContainsRune("+-# 0123456789.*[]", rune(format[j])) {
			if strings.ContainsRune("+#", rune(format[j])) {
				flags += string(format[j])
			}
			if format[j] == '*' {
				verbs = append(verbs, "*")
			}
			j++
		}
		if j < len(format) && format[j] != '%' {
			verbs = append(verbs, flags+string(format[j]))
		}
		i = j
	}
	return verbs
}

func hasLowerField(t types.Type, pkg *types.Package, seen map[types.Type]bool) bool {
	if seen[t] {
		return false
	}
	seen[t] = true
	switch u := t.Underlying().(type) {
	case *types.Struct:
		for i := range u.NumFields() {
			f := u.Field(i)
			if f.Pkg() == pkg && !f.Exported() || hasLowerField(f.Type(), pkg, seen) {
				return true
			}
		}
	case *types.Pointer:
		return hasLowerField(u.Elem(), pkg, seen)
	case *types.Slice:
		return hasLowerField(u.Elem(), pkg, seen)
	case *types.Array:
		return hasLowerField(u.Elem(), pkg, seen)
	case *types.Map:
		return hasLowerField(u.Elem(), pkg, seen) || hasLowerField(u.Key(), pkg, seen)
	}
	return false
}

// hiddenStringer gives a field of the script with a small letter whose type
// has a String or Error method: Go leaves the method out, the interpreter,
// to which all fields are exported, does not.
func hiddenStringer(t types.Type, pkg *types.Package, seen map[types.Type]bool) string {
	if seen[t] {
		return ""
	}
	seen[t] = true
	switch u := t.Underlying().(type) {
	case *types.Struct:
		if n, ok := types.Unalias(t).(*types.Named); ok && n.Obj().Pkg() != pkg {
			return ""
		}
		for i := range u.NumFields() {
			f := u.Field(i)
			if !f.Exported() && (hasMethod(f.Type(), "String") || hasMethod(f.Type(), "Error") || types.IsInterface(f.Type())) {
				return f.Name()
			}
			if s := hiddenStringer(f.Type(), pkg, seen); s != "" {
				return s
			}
		}
	case *types.Pointer:
		return hiddenStringer(u.Elem(), pkg, seen)
	case *types.Slice:
		return hiddenStringer(u.Elem(), pkg, seen)
	case *types.Array:
		return hiddenStringer(u.Elem(), pkg, seen)
	case *types.Map:
		return hiddenStringer(u.Elem(), pkg, seen)
	}
	return ""
}

func hasMethod(t types.Type, name string) bool {
	obj, _, _ := types.LookupFieldOrMethod(t, false, nil, name)
	_, ok := obj.(*types.Func)
	return ok
}
