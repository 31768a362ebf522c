package check

import (
	"go/ast"
	"go/scanner"
	"go/token"
	"go/types"
	"slices"
	"strings"
)

// A Spot is the place behind the last character of a text, as completion sees it.
type Spot struct {
	// Word is what is there of the word to complete; in a string, all since
	// the quote.
	Word string
	// Names that may stand there and begin with Word, sorted. In a string there
	// are none.
	Names []Name
	// InString is true in a string literal. If that is an argument of a call,
	// Call is the function as it is written, and Argument counts from 0.
	InString bool
	Call     string
	Argument int
}

// A Name is something that can be named.
type Name struct {
	Name string
	// Kind is "variable", "function", "type", "constant", "package", "field",
	// "method" or "keyword".
	Kind string
	// Type in words; "" for packages and keywords.
	Type string
	// Of is the named type that declares a field or method, "" where none does.
	Of string
}

// cursor stands for the word that is being typed, in the text that is looked at.
const cursor = reserved + "cursor"

// Complete returns what may stand at the end of a text that is being typed. The
// text may be unfinished and wrong.
func (e *Env) Complete(text string) Spot {
	open, quote := brackets(text)
	if quote >= 0 {
		s := Spot{Word: text[quote+1:], InString: true}
		s.Call, s.Argument = e.callAt(text[:quote]+cursor, open)
		return s
	}
	at := len(text)
	for at > 0 && (isLetter(rune(text[at-1])) || text[at-1] >= 0x80) {
		at--
	}
	s := Spot{Word: text[at:]}
	if at < len(text) && text[at] >= '0' && text[at] <= '9' {
		return s // a number
	}
	body, path := e.look(text[:at]+cursor, open)
	if path == nil {
		return s
	}
	s.Names = slices.DeleteFunc(body.namesAt(path), func(n Name) bool {
		return !strings.HasPrefix(n.Name, s.Word) || strings.HasPrefix(n.Name, reserved) || n.Name == "_"
	})
	slices.SortFunc(s.Names, func(a, b Name) int { return strings.Compare(a.Name, b.Name) })
	s.Names = slices.CompactFunc(s.Names, func(a, b Name) bool { return a.Name == b.Name })
	return s
}

func isLetter(r rune) bool {
	return r == '_' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
}

// brackets returns what closes the brackets that are open at the end of text,
// and where the string begins that is open there, or -1.
func brackets(text string) (closing string, quote int) {
	fset := token.NewFileSet()
	file := fset.AddFile("", -1, len(text))
	var sc scanner.Scanner
	unclosed := false
	sc.Init(file, []byte(text), func(_ token.Position, msg string) { unclosed = strings.HasSuffix(msg, "not terminated") }, 0)
	var open []string
	quote = -1
	for {
		unclosed = false
		pos, tok, _ := sc.Scan()
		switch tok {
		case token.EOF:
			slices.Reverse(open)
			return strings.Join(open, ""), quote
		case token.LPAREN:
			open = append(open, ")")
		case token.LBRACK:
			open = append(open, "]")
		case token.LBRACE:
			open = append(open, "}")
		case token.RPAREN, token.RBRACK, token.RBRACE:
			if len(open) > 0 {
				open = open[:len(open)-1]
			}
		case token.STRING, token.CHAR:
			if unclosed {
				quote = file.Offset(pos)
			} else {
				quote = -1
			}
			continue
		case token.SEMICOLON:
			continue
		}
		quote = -1
	}
}

// look parses and checks a text around the cursor, as far as it makes sense,
// and gives the way from the root to it.
func (e *Env) look(text, closing string) (*checked, []ast.Node) {
	// A for, if or switch lacks its body behind the parentheses that are open.
	i := strings.IndexByte(closing+"}", '}')
	for _, end := range []string{closing, closing[:i] + "{}" + closing[i:], " int" + closing} {
		src := Source{Name: "completion", Text: text + end}
		chunks, err := split(token.NewFileSet(), src)
		if err != nil || len(chunks) == 0 {
			continue
		}
		c, root := e.loose(src, chunks)
		if root == nil {
			continue
		}
		if path := pathTo(root); path != nil {
			return c, path
		}
	}
	return nil, nil
}

// loose checks the last chunk of a text with what stands before it; errors
// don't matter.
func (e *Env) loose(src Source, chunks []chunk) (_ *checked, root ast.Node) {
	defer func() {
		// Half a program can be more than go/types is made for.
		if recover() != nil {
			root = nil
		}
	}()
	env := *e
	last := chunks[len(chunks)-1]
	var decls, stmts []chunk
	for _, c := range chunks {
		if isDecl(c.kind) {
			decls = append(decls, c)
		} else {
			stmts = append(stmts, c)
		}
	}
	var body *ast.FuncDecl
	if len(decls) > 0 {
		f, err := parse(env.fset, src, decls, "", "")
		if err == nil {
			env.decls = slices.Clone(env.decls)
			for _, d := range f.Decls {
				if g, ok := d.(*ast.GenDecl); !ok || g.Tok != token.IMPORT {
					env.decls = append(env.decls, &decl{ast: d, names: declNames(d)})
					root = d
				}
			}
		}
	}
	if !isDecl(last.kind) {
		f, err := parse(env.fset, src, stmts, "func "+bodyName+"(){", "}")
		if err != nil || len(f.Decls) != 1 {
			return nil, nil
		}
		body = f.Decls[0].(*ast.FuncDecl)
		root = body
	}
	if root == nil {
		return nil, nil
	}
	c := &checked{env: &env, fset: env.fset, lib: env.lib, body: body, loose: true}
	file := env.file(c, body)
	_ = c.run([]*ast.File{file}, nil)
	return c, root
}

// pathTo returns the nodes from root down to the cursor.
func pathTo(root ast.Node) []ast.Node {
	var stack, found []ast.Node
	ast.Inspect(root, func(n ast.Node) bool {
		if n == nil {
			stack = stack[:len(stack)-1]
			return true
		}
		stack = append(stack, n)
		if id, ok := n.(*ast.Ident); ok && id.Name == cursor && found == nil {
			found = slices.Clone(stack)
		}
		return true
	})
	return found
}

// namesAt returns the names that may stand in the place of the cursor.
func (c *checked) namesAt(path []ast.Node) []Name {
	at := path[len(path)-1]
	if len(path) > 1 {
		switch p := path[len(path)-2].(type) {
		case *ast.SelectorExpr:
			if p.Sel == at {
				return c.members(p.X)
			}
		case *ast.CompositeLit:
			if st, ok := structOf(c.info.TypeOf(p)); ok && slices.Contains(p.Elts, ast.Expr(at.(*ast.Ident))) {
				return append(c.fieldNames(st), c.scoped(path)...)
			}
		case *ast.KeyValueExpr:
			if lit, ok := path[len(path)-3].(*ast.CompositeLit); ok && p.Key == at {
				if st, ok := structOf(c.info.TypeOf(lit)); ok {
					return c.fieldNames(st)
				}
			}
		}
	}
	names := c.scoped(path)
	if _, ok := path[max(len(path)-2, 0)].(*ast.ExprStmt); ok {
		for _, k := range []string{"const", "for", "func", "if", "import", "range", "return", "switch", "type", "var", "defer", "break", "continue"} {
			names = append(names, Name{Name: k, Kind: "keyword"})
		}
	}
	return names
}

func structOf(t types.Type) (*types.Struct, bool) {
	if t == nil {
		return nil, false
	}
	if p, ok := t.Underlying().(*types.Pointer); ok {
		t = p.Elem()
	}
	st, ok := t.Underlying().(*types.Struct)
	return st, ok
}

func (c *checked) fieldNames(st *types.Struct) []Name {
	var names []Name
	for i := range st.NumFields() {
		if f := st.Field(i); c.visible(f) {
			names = append(names, Name{Name: f.Name(), Kind: "field", Type: c.typeText(f.Type())})
		}
	}
	return names
}

// visible reports whether the script may use a field or method.
func (c *checked) visible(obj types.Object) bool { return obj.Exported() || obj.Pkg() == c.pkg }

func (c *checked) typeText(t types.Type) string { return showType(t, c.pkg) }

// members returns what may stand behind "x.".
func (c *checked) members(x ast.Expr) []Name {
	if id, ok := x.(*ast.Ident); ok {
		if p, ok := c.info.Uses[id].(*types.PkgName); ok {
			pkg := c.lib.Package(p.Imported().Path())
			var names []Name
			for _, n := range pkg.Names {
				if obj := pkg.Types.Scope().Lookup(n); obj != nil {
					names = append(names, c.nameOf(obj))
				}
			}
			return names
		}
	}
	t := c.info.TypeOf(x)
	if t == nil {
		return nil
	}
	var names []Name
	seen := map[string]bool{}
	add := func(obj types.Object, kind string, of types.Type) {
		if !c.visible(obj) || seen[obj.Name()] {
			return
		}
		seen[obj.Name()] = true
		n := Name{Name: obj.Name(), Kind: kind, Type: c.typeText(obj.Type())}
		if p, ok := of.Underlying().(*types.Pointer); ok {
			of = p.Elem()
		}
		if named, ok := types.Unalias(of).(*types.Named); ok {
			n.Of = c.typeText(named)
		}
		names = append(names, n)
	}
	var fields func(t types.Type, depth int)
	fields = func(t types.Type, depth int) {
		st, ok := structOf(t)
		if !ok || depth > 4 {
			return
		}
		for i := range st.NumFields() {
			add(st.Field(i), "field", t)
		}
		for i := range st.NumFields() {
			if f := st.Field(i); f.Embedded() {
				fields(f.Type(), depth+1)
			}
		}
	}
	if !c.info.Types[x].IsType() {
		fields(t, 0)
	}
	if _, isPtr := t.Underlying().(*types.Pointer); !isPtr && !types.IsInterface(t) {
		t = types.NewPointer(t) // a variable's methods are also those of its address
	}
	ms := types.NewMethodSet(t)
	for i := range ms.Len() {
		m := ms.At(i).Obj()
		add(m, "method", m.Type().(*types.Signature).Recv().Type())
	}
	return names
}

// scoped returns the names in sight.
func (c *checked) scoped(path []ast.Node) []Name {
	var names []Name
	seen := map[string]bool{}
	pos := path[len(path)-1].Pos()
	scope := func(s *types.Scope, local bool) {
		if s == nil {
			return
		}
		for _, n := range s.Names() {
			obj := s.Lookup(n)
			if seen[n] || local && obj.Pos() >= pos {
				continue
			}
			seen[n] = true
			names = append(names, c.nameOf(obj))
		}
	}
	for i := len(path) - 1; i >= 0; i-- {
		n := path[i]
		if f, ok := n.(*ast.FuncDecl); ok {
			n = f.Type
		}
		if f, ok := n.(*ast.FuncLit); ok {
			n = f.Type
		}
		scope(c.info.Scopes[n], true)
	}
	scope(c.pkg.Scope(), false)
	for n, s := range c.info.Scopes {
		if _, ok := n.(*ast.File); ok {
			scope(s, false)
		}
	}
	scope(types.Universe, false)
	return names
}

func (c *checked) nameOf(obj types.Object) Name {
	n := Name{Name: obj.Name()}
	switch obj := obj.(type) {
	case *types.Var:
		n.Kind = "variable"
	case *types.Const:
		n.Kind = "constant"
	case *types.TypeName:
		n.Kind = "type"
		if obj.Pkg() != nil {
			n.Type = c.typeText(obj.Type().Underlying())
		}
		return n
	case *types.PkgName:
		n.Kind = "package"
		return n
	default:
		n.Kind = "function"
	}
	if obj.Type() != nil && obj.Type() != types.Typ[types.Invalid] {
		n.Type = c.typeText(obj.Type())
	}
	return n
}

// callAt returns the call whose argument the cursor is.
func (e *Env) callAt(text, closing string) (call string, argument int) {
	_, path := e.look(text, closing)
	for i := len(path) - 1; i > 0; i-- {
		switch p := path[i-1].(type) {
		case *ast.CallExpr:
			if at := slices.Index(p.Args, path[i].(ast.Expr)); at >= 0 {
				return types.ExprString(p.Fun), at
			}
			return "", 0
		case *ast.ParenExpr, *ast.BinaryExpr:
		default:
			return "", 0
		}
	}
	return "", 0
}
