package check

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/constant"
	"go/format"
	"go/token"
	"go/types"
	"maps"
	"slices"
	"strconv"
	"strings"

	"quaybench/repl/symbols"
)

// Names the generated program adds begin with this; a script may have none.
const (
	reserved    = "qb_"
	aliasPrefix = reserved
	// HostName is the package of functions that the interpreter's side gives
	// to the generated program; see the Host functions in package interp.
	HostName = reserved + "host"
	bodyName = reserved + "input"
	mainName = reserved + "main"
	markName = reserved + "at" // markName + function number: where that function is
)

// packageAlias is the name under which generated code imports a package,
// whatever a script calls it.
func packageAlias(p *symbols.Package) string {
	return aliasPrefix + strings.NewReplacer("/", "_", ".", "_", "-", "_").Replace(p.Path)
}

// A writer turns checked source into a program the interpreter gets right: it
// means the same, in fewer words of the language.
type writer struct {
	*checked
	lib  *symbols.Library
	used map[string]bool // package aliases in use

	rename   map[types.Object]string // objects that have another name in the program
	promoted map[types.Object]string // top-level variables, now of the package
	hoisted  []ast.Decl              // types declared inside functions
	passes   map[string]string       // functions that give back their argument, by its type
	temps    int
	fns      []Function
	marks    bool
	fn       *function // being written
}

// A Function is one function of the generated program.
type Function struct {
	// Name as a person would call it: "main", "boat.speed", "a function in
	// main"; "" for what calls main.
	Name string
}

func newWriter(c *checked) *writer {
	w := &writer{checked: c, lib: c.lib, used: map[string]bool{},
		rename: map[types.Object]string{}, promoted: map[types.Object]string{}, passes: map[string]string{}, marks: true}
	for _, d := range c.decls {
		w.separate(d)
	}
	if c.body != nil {
		w.separate(c.body)
	}
	return w
}

// separate gives each variable inside a function a name of its own, where
// something else in the function or the package has the same: the interpreter
// mixes up variables of one name in nested blocks, and a type that a variable
// hides must stay in reach.
func (w *writer) separate(root ast.Node) {
	var vars []types.Object
	count := map[string]int{}
	add := func(obj types.Object) {
		v, ok := obj.(*types.Var)
		if !ok || v.IsField() || v.Name() == "_" || v.Name() == "" || v.Parent() == w.pkg.Scope() {
			return
		}
		vars = append(vars, v)
		count[v.Name()]++
	}
	ast.Inspect(root, func(n ast.Node) bool {
		if x, ok := n.(*ast.Ident); ok {
			add(w.info.Defs[x])
		}
		if n != nil {
			add(w.info.Implicits[n])
		}
		return true
	})
	for _, v := range vars {
		name := v.Name()
		if count[name] > 1 || w.pkg.Scope().Lookup(name) != nil || types.Universe.Lookup(name) != nil {
			w.rename[v] = w.temp() + "_" + name
		}
	}
}

// name gives the name an object has in the program.
func (w *writer) name(obj types.Object) string {
	if name, ok := w.rename[obj]; ok {
		return name
	}
	return obj.Name()
}

// bail leaves the writing of a program with an error.
type bail struct{ err *Error }

func (w *writer) fail(n ast.Node, instead, format string, args ...any) {
	panic(bail{&Error{Pos: w.fset.Position(n.Pos()), Msg: fmt.Sprintf(format, args...), Instead: instead}})
}

// catch turns a bail into an error.
func catch(err *error) {
	switch r := recover().(type) {
	case nil:
	case bail:
		*err = Errors{r.err}
	default:
		panic(r)
	}
}

func (w *writer) temp() string {
	w.temps++
	return reserved + strconv.Itoa(w.temps)
}

func id(name string) *ast.Ident { return ast.NewIdent(name) }

// host calls a function of the interpreter's side.
func host(name string, args ...ast.Expr) *ast.CallExpr {
	return &ast.CallExpr{Fun: &ast.SelectorExpr{X: id(HostName), Sel: id(name)}, Args: args}
}

func intLit(n int64) ast.Expr {
	if n < 0 {
		return &ast.UnaryExpr{Op: token.SUB, X: intLit(-n)}
	}
	return &ast.BasicLit{Kind: token.INT, Value: strconv.FormatInt(n, 10)}
}

// typ writes a type, or fails at n.
func (w *writer) typ(n ast.Node, t types.Type) ast.Expr {
	x, err := w.typeExpr(t)
	if err != nil {
		w.fail(n, "", "%v", err)
	}
	return x
}

// typeExpr writes a type by names that hold anywhere in the program.
func (w *writer) typeExpr(t types.Type) (ast.Expr, error) {
	switch t := types.Unalias(t).(type) {
	case *types.Basic:
		if t.Info()&types.IsUntyped != 0 {
			if t.Kind() == types.UntypedNil {
				return nil, fmt.Errorf("nil has no type of its own")
			}
			t = types.Default(t).(*types.Basic)
		}
		return id(t.Name()), nil
	case *types.Named:
		obj := t.Obj()
		if t.TypeArgs().Len() > 0 {
			return nil, fmt.Errorf("type %s: scripts know no type parameters", w.show(t))
		}
		if obj.Pkg() == nil {
			return id(obj.Name()), nil
		}
		if w.checked != nil && obj.Pkg() == w.pkg {
			return id(w.name(obj)), nil
		}
		known := w.lib.Nameable(obj)
		if known == nil {
			return nil, fmt.Errorf("type %s: scripts have no name for it", w.show(t))
		}
		p := w.lib.Package(known.Pkg().Path())
		alias := packageAlias(p)
		w.used[alias] = true
		return &ast.SelectorExpr{X: id(alias), Sel: id(known.Name())}, nil
	case *types.Pointer:
		e, err := w.typeExpr(t.Elem())
		return &ast.StarExpr{X: e}, err
	case *types.Slice:
		e, err := w.typeExpr(t.Elem())
		return &ast.ArrayType{Elt: e}, err
	case *types.Array:
		e, err := w.typeExpr(t.Elem())
		return &ast.ArrayType{Len: intLit(t.Len()), Elt: e}, err
	case *types.Map:
		k, err := w.typeExpr(t.Key())
		if err != nil {
			return nil, err
		}
		v, err := w.typeExpr(t.Elem())
		return &ast.MapType{Key: k, Value: v}, err
	case *types.Chan:
		e, err := w.typeExpr(t.Elem())
		dir := ast.SEND | ast.RECV
		switch t.Dir() {
		case types.SendOnly:
			dir = ast.SEND
		case types.RecvOnly:
			dir = ast.RECV
		}
		return &ast.ChanType{Dir: dir, Value: e}, err
	case *types.Signature:
		return w.funcType(t, nil, nil)
	case *types.Struct:
		s := &ast.StructType{Fields: &ast.FieldList{}}
		for i := range t.NumFields() {
			f := t.Field(i)
			e, err := w.typeExpr(f.Type())
			if err != nil {
				return nil, err
			}
			field := &ast.Field{Type: e}
			if !f.Embedded() {
				field.Names = []*ast.Ident{id(f.Name())}
			} else if embeddedName(e) != f.Name() {
				return nil, fmt.Errorf("scripts can embed only types declared outside of functions, as %s does not", w.show(t))
			}
			s.Fields.List = append(s.Fields.List, field)
		}
		return s, nil
	case *types.Interface:
		if t.Empty() {
			return &ast.InterfaceType{Methods: &ast.FieldList{}}, nil
		}
	}
	return nil, fmt.Errorf("type %s: scripts have no name for it", w.show(t))
}

// embeddedName gives the name a field gets from its embedded type.
func embeddedName(e ast.Expr) string {
	if p, ok := e.(*ast.StarExpr); ok {
		e = p.X
	}
	if x, ok := e.(*ast.Ident); ok {
		return x.Name
	}
	return ""
}

// funcType writes a function type; params and results name what is named.
func (w *writer) funcType(sig *types.Signature, params, results []string) (*ast.FuncType, error) {
	list := func(t *types.Tuple, names []string, variadic bool) (*ast.FieldList, error) {
		fl := &ast.FieldList{}
		for i := range t.Len() {
			typ := t.At(i).Type()
			last := variadic && i == t.Len()-1
			if last {
				typ = typ.(*types.Slice).Elem()
			}
			e, err := w.typeExpr(typ)
			if err != nil {
				return nil, err
			}
			if last {
				e = &ast.Ellipsis{Elt: e}
			}
			f := &ast.Field{Type: e}
			if names != nil {
				f.Names = []*ast.Ident{id(names[i])}
			}
			fl.List = append(fl.List, f)
		}
		return fl, nil
	}
	in, err := list(sig.Params(), params, sig.Variadic())
	if err != nil {
		return nil, err
	}
	out, err := list(sig.Results(), results, false)
	if err != nil {
		return nil, err
	}
	return &ast.FuncType{Params: in, Results: out}, nil
}

// show writes a type for a person.
func (w *writer) show(t types.Type) string {
	return types.TypeString(t, func(p *types.Package) string {
		if w.checked != nil && p == w.pkg {
			return ""
		}
		return p.Name()
	})
}

// constant writes the value of a constant expression of type t.
func (w *writer) constant(n ast.Node, v constant.Value, t types.Type) ast.Expr {
	t = types.Default(t)
	var lit ast.Expr
	plain := false // the literal alone has the type already
	basic, ok := t.Underlying().(*types.Basic)
	if !ok {
		// A constant given where an interface is wanted.
		basic = defaultOf(v)
		t = basic
	}
	kind := types.Unalias(t)
	switch info := basic.Info(); {
	case info&types.IsBoolean != 0:
		lit, plain = id(strconv.FormatBool(constant.BoolVal(v))), kind == types.Typ[types.Bool]
	case info&types.IsString != 0:
		lit, plain = &ast.BasicLit{Kind: token.STRING, Value: strconv.Quote(constant.StringVal(v))}, kind == types.Typ[types.String]
	case info&types.IsInteger != 0:
		s := constant.ToInt(v).ExactString()
		lit, plain = number(token.INT, s), kind == types.Typ[types.Int]
	case info&types.IsFloat != 0:
		bits := 64
		if basic.Kind() == types.Float32 {
			bits = 32
		}
		lit, plain = number(token.FLOAT, floatText(v, bits)), kind == types.Typ[types.Float64]
	case info&types.IsComplex != 0:
		lit = &ast.BinaryExpr{X: number(token.FLOAT, floatText(constant.Real(v), 64)), Op: token.ADD,
			Y: &ast.BinaryExpr{X: number(token.FLOAT, floatText(constant.Imag(v), 64)), Op: token.MUL, Y: &ast.BasicLit{Kind: token.IMAG, Value: "1i"}}}
		lit = &ast.ParenExpr{X: lit}
	default:
		w.fail(n, "", "constant of type %s", w.show(t))
	}
	if plain {
		return lit
	}
	return &ast.CallExpr{Fun: paren(w.typ(n, t)), Args: []ast.Expr{lit}}
}

func defaultOf(v constant.Value) *types.Basic {
	switch v.Kind() {
	case constant.Bool:
		return types.Typ[types.Bool]
	case constant.String:
		return types.Typ[types.String]
	case constant.Int:
		return types.Typ[types.Int]
	case constant.Complex:
		return types.Typ[types.Complex128]
	}
	return types.Typ[types.Float64]
}

func number(kind token.Token, s string) ast.Expr {
	if strings.HasPrefix(s, "-") {
		return &ast.UnaryExpr{Op: token.SUB, X: &ast.BasicLit{Kind: kind, Value: s[1:]}}
	}
	return &ast.BasicLit{Kind: kind, Value: s}
}

// floatText writes a constant with all the digits its type has.
func floatText(v constant.Value, bits int) string {
	v = constant.ToFloat(v)
	var f float64
	if bits == 32 {
		f32, _ := constant.Float32Val(v)
		f = float64(f32)
	} else {
		f, _ = constant.Float64Val(v)
	}
	s := strconv.FormatFloat(f, 'g', -1, bits)
	if !strings.ContainsAny(s, ".e") {
		s += ".0"
	}
	return s
}

// file assembles and formats the program.
func (w *writer) file(decls []ast.Decl) (string, error) {
	f := &ast.File{Name: id("main")}
	imports := map[string]string{HostName: HostName}
	for _, p := range w.lib.Paths() {
		if a := packageAlias(w.lib.Package(p)); w.used[a] {
			imports[a] = p
		}
	}
	for _, name := range slices.Sorted(maps.Keys(imports)) {
		f.Decls = append(f.Decls, importDecl(name, imports[name]))
	}
	for i := range w.fns {
		if w.marks {
			f.Decls = append(f.Decls, varDecl(MarkName(i), id("int")))
		}
	}
	f.Decls = append(f.Decls, w.hoisted...)
	f.Decls = append(f.Decls, decls...)
	var b bytes.Buffer
	if err := format.Node(&b, token.NewFileSet(), f); err != nil {
		return "", fmt.Errorf("writing the program for the interpreter: %w", err)
	}
	return b.String(), nil
}

func varDecl(name string, typ ast.Expr) *ast.GenDecl {
	return &ast.GenDecl{Tok: token.VAR, Specs: []ast.Spec{&ast.ValueSpec{Names: []*ast.Ident{id(name)}, Type: typ}}}
}

func declare(name string, typ ast.Expr) ast.Stmt {
	return &ast.DeclStmt{Decl: varDecl(name, typ)}
}

// hold writes a new variable of type t that takes the value of e. The
// interpreter makes a new one each turn of a loop for := and for var without
// a value, not for var with one.
func (w *writer) hold(name string, t types.Type, e ast.Expr) []ast.Stmt {
	tv := w.info.Types[e]
	switch {
	case tv.Value != nil && !types.IsInterface(t):
		return []ast.Stmt{define(name, w.constant(e, tv.Value, t))}
	case tv.Value == nil && !tv.IsNil() && types.Identical(tv.Type, t):
		if lit, ok := e.(*ast.FuncLit); ok {
			return []ast.Stmt{define(name, w.funcLit(lit))}
		}
		return []ast.Stmt{define(name, w.expr(e))}
	}
	pre, x := w.settled(e, t)
	return append(pre, declare(name, w.typ(e, t)), assign(id(name), x))
}

// settled writes a value that goes to a place of type t. The interpreter loses
// the result of some operators and calls on its way into an interface.
func (w *writer) settled(e ast.Expr, t types.Type) (pre []ast.Stmt, x ast.Expr) {
	tv := w.info.Types[e]
	if t == nil || !types.IsInterface(t) || tv.Value != nil || tv.IsNil() || types.IsInterface(tv.Type) {
		return nil, w.expr(e)
	}
	if _, ok := e.(*ast.Ident); ok {
		return nil, w.expr(e)
	}
	v := w.temp()
	return []ast.Stmt{define(v, w.expr(e))}, id(v)
}

func define(name string, value ast.Expr) ast.Stmt {
	return &ast.AssignStmt{Lhs: []ast.Expr{id(name)}, Tok: token.DEFINE, Rhs: []ast.Expr{value}}
}

func assign(lhs, rhs ast.Expr) ast.Stmt {
	return &ast.AssignStmt{Lhs: []ast.Expr{lhs}, Tok: token.ASSIGN, Rhs: []ast.Expr{rhs}}
}
