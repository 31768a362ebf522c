// Package symbols holds what scripts may reach of compiled code: for each
// package in packages.txt its exported values (for the interpreter), its types
// (for the checker; nothing of the Go toolchain is needed when a script runs)
// and its doc comments (for help).
//
// What is not listed does not exist for a script. After a change of
// packages.txt, or of a package named there, run
//
//	go generate ./repl/symbols
package symbols

//go:generate go run ./gen

import (
	"bytes"
	"compress/gzip"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"io/fs"
	"maps"
	"reflect"
	"slices"
	"strings"
	"sync"

	"github.com/traefik/yaegi/interp"
	"golang.org/x/tools/go/gcexportdata"
)

//go:embed api
var api embed.FS

// A Library is a set of packages that scripts may import. It is not changed
// after it is made, so several goroutines may use it.
type Library struct {
	packages map[string]*Package
	imports  map[string]*types.Package // also packages only mentioned in types
	aliases  map[*types.TypeName]*types.TypeName
	set      *token.FileSet // of sources
}

// A Package is one package of a library.
type Package struct {
	Path, Name string
	// Types of every exported object, also of those not in Names.
	Types *types.Package
	// Names that scripts may use, sorted.
	Names []string
	// Values of functions, variables and types by name, in the form the
	// interpreter wants; constants are not among them.
	Values map[string]reflect.Value
	// Source is the text of a package whose functions have type parameters, checked: it is interpreted with the script.
	Source *Source
}

// docs returns the doc comments of a package by Name, Type.Method and Type.Field; "" is the package itself. They are read only where
// somebody asks for help.
func docs(path string) map[string]string {
	text, err := read(path + ".docs")
	if errors.Is(err, fs.ErrNotExist) {
		return nil // a package that a test or a host made
	}
	var all map[string]string
	if err == nil {
		err = json.Unmarshal(text, &all)
	}
	if err != nil {
		panic(fmt.Sprintf("docs of %s: %v", path, err)) // TestDoc reads them all
	}
	return all
}

// read returns a file of the api, where each is packed.
func read(name string) ([]byte, error) {
	packed, err := api.ReadFile("api/" + name + ".gz")
	if err != nil {
		return nil, err
	}
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}

// A Source is the text of a package.
type Source struct {
	Files []*ast.File
	Info  *types.Info
	Set   *token.FileSet
}

// AddSources makes the positions of the library's sources known in a file set.
func (l *Library) AddSources(fset *token.FileSet) {
	if l.set != nil {
		l.set.Iterate(func(f *token.File) bool { fset.AddExistingFiles(f); return true })
	}
}

// IsScript reports whether the types of a package are the interpreter's own, and not compiled: those of the script itself, and
// of the packages that are interpreted with it.
func IsScript(path string) bool { return path == "main" || slices.Contains(sources, path) }

// Allows reports whether scripts may use this name of the package.
func (p *Package) Allows(name string) bool {
	_, found := slices.BinarySearch(p.Names, name)
	return found
}

// Standard gives the packages of packages.txt. It is read once.
var Standard = sync.OnceValues(func() (*Library, error) {
	fset := token.NewFileSet()
	lib := &Library{packages: map[string]*Package{}, imports: map[string]*types.Package{}}
	for _, e := range table {
		p := &Package{Path: e.path, Name: e.name, Values: e.values()}
		data, err := read(e.path + ".types")
		if err != nil {
			return nil, fmt.Errorf("types of %s: %w", e.path, err)
		}
		if p.Types, err = gcexportdata.Read(bytes.NewReader(data), fset, lib.imports, e.path); err != nil {
			return nil, fmt.Errorf("types of %s: %w", e.path, err)
		}
		if data, err = read(e.path + ".names"); err != nil {
			return nil, fmt.Errorf("names of %s: %w", e.path, err)
		}
		p.Names = strings.Fields(string(data))
		lib.packages[e.path] = p
	}
	if err := lib.readSources(); err != nil {
		return nil, err
	}
	lib.findAliases()
	return lib, nil
})

// readSources checks the packages that are interpreted with the script. Their positions lie above those of any script.
func (l *Library) readSources() error {
	l.set = token.NewFileSet()
	l.set.AddFile("library", 1<<30, 0)
	for _, path := range sources {
		s := &Source{Set: l.set, Info: &types.Info{
			Types: map[ast.Expr]types.TypeAndValue{}, Defs: map[*ast.Ident]types.Object{}, Uses: map[*ast.Ident]types.Object{},
			Implicits: map[ast.Node]types.Object{}, Scopes: map[ast.Node]*types.Scope{}, Selections: map[*ast.SelectorExpr]*types.Selection{},
			Instances: map[*ast.Ident]types.Instance{}, FileVersions: map[*ast.File]string{},
		}}
		p := &Package{Path: path, Name: path[strings.LastIndex(path, "/")+1:], Source: s}
		files, err := api.ReadDir("api/" + path + ".source")
		if err != nil {
			return err
		}
		for _, f := range files {
			name := strings.TrimSuffix(f.Name(), ".gz")
			text, err := read(path + ".source/" + name)
			if err != nil {
				return err
			}
			file, err := parser.ParseFile(l.set, path+"/"+name, text, parser.SkipObjectResolution)
			if err != nil {
				return fmt.Errorf("source of %s: %w", path, err)
			}
			s.Files = append(s.Files, file)
		}
		conf := types.Config{Importer: l, GoVersion: "go1.26", Sizes: types.SizesFor("gc", "amd64")}
		if p.Types, err = conf.Check(path, l.set, s.Files, s.Info); err != nil {
			return fmt.Errorf("source of %s: %w", path, err)
		}
		for _, n := range p.Types.Scope().Names() {
			if token.IsExported(n) {
				p.Names = append(p.Names, n)
			}
		}
		l.packages[path], l.imports[path] = p, p.Types
	}
	return nil
}

// With returns a library that has the packages ps besides those of l, or in
// place of those with the same path.
func (l *Library) With(ps ...*Package) *Library {
	n := &Library{packages: maps.Clone(l.packages), imports: maps.Clone(l.imports)}
	for _, p := range ps {
		n.packages[p.Path] = p
		n.imports[p.Path] = p.Types
	}
	n.findAliases()
	return n
}

// findAliases finds, for each type of a package that scripts can't import, the
// alias by which a package they can import offers it.
func (l *Library) findAliases() {
	l.aliases = map[*types.TypeName]*types.TypeName{}
	for _, path := range l.Paths() {
		p := l.packages[path]
		for _, name := range p.Names {
			obj, ok := p.Types.Scope().Lookup(name).(*types.TypeName)
			if !ok || !obj.IsAlias() {
				continue
			}
			if n, ok := types.Unalias(obj.Type()).(*types.Named); ok && n.TypeArgs().Len() == 0 {
				if _, taken := l.aliases[n.Obj()]; !taken {
					l.aliases[n.Obj()] = obj
				}
			}
		}
	}
}

// Paths lists the import paths scripts may use, sorted.
func (l *Library) Paths() []string { return slices.Sorted(maps.Keys(l.packages)) }

// Package returns the package at an import path, or nil.
func (l *Library) Package(path string) *Package { return l.packages[path] }

// Import makes a library a [types.Importer].
func (l *Library) Import(path string) (*types.Package, error) {
	if p := l.packages[path]; p != nil {
		return p.Types, nil
	}
	return nil, fmt.Errorf("scripts can't import %q; they may import %s", path, strings.Join(l.Paths(), ", "))
}

// Nameable returns the object by which scripts can name a compiled type: the
// type itself, or an alias of it. It is nil if they have no name for it.
func (l *Library) Nameable(obj *types.TypeName) *types.TypeName {
	if obj.Pkg() == nil {
		return obj
	}
	if p := l.packages[obj.Pkg().Path()]; p != nil && p.Types.Scope().Lookup(obj.Name()) == obj && p.Allows(obj.Name()) {
		return obj
	}
	return l.aliases[obj]
}

// Exports returns the values in the form that interp.Interpreter.Use takes. The
// inner maps are the library's own: not to be changed.
func (l *Library) Exports() interp.Exports {
	e := interp.Exports{}
	for path, p := range l.packages {
		if p.Source != nil {
			continue
		}
		// The interpreter takes the last part of the key as the package's
		// name. With "fmt/fmt" it would also compile its own generic packages
		// and put its own printing functions in; "fmt/./fmt" names the same
		// package and leaves that out, which saves 2 ms per interpreter.
		e[path+"/./"+p.Name] = p.Values
	}
	return e
}

// Doc returns the doc comment of "fmt", "fmt.Println" or "time.Duration.Hours",
// the package by its name or its path.
func (l *Library) Doc(name string) (text string, ok bool) {
	for _, path := range l.Paths() {
		p := l.packages[path]
		for _, prefix := range []string{p.Path, p.Name} {
			rest, found := strings.CutPrefix(name, prefix)
			if !found || rest != "" && rest[0] != '.' {
				continue
			}
			if text, ok = docs(path)[strings.TrimPrefix(rest, ".")]; ok {
				return text, true
			}
		}
	}
	return "", false
}

// TypeOf returns the checker's type of a compiled type, so that a host can hand
// its own values to a session. Structs without a name are not supported.
func (l *Library) TypeOf(t reflect.Type) (types.Type, error) {
	if t.PkgPath() != "" {
		p := l.imports[t.PkgPath()]
		if p == nil {
			return nil, fmt.Errorf("type %v: scripts can't name types of package %q", t, t.PkgPath())
		}
		obj, ok := p.Scope().Lookup(t.Name()).(*types.TypeName)
		if !ok {
			return nil, fmt.Errorf("type %v: package %q has no such type", t, t.PkgPath())
		}
		if l.Nameable(obj) == nil {
			return nil, fmt.Errorf("type %v: scripts have no name for it", t)
		}
		return obj.Type(), nil
	}
	elem := func(make func(types.Type) types.Type) (types.Type, error) {
		e, err := l.TypeOf(t.Elem())
		if err != nil {
			return nil, err
		}
		return make(e), nil
	}
	switch t.Kind() {
	case reflect.Pointer:
		return elem(func(e types.Type) types.Type { return types.NewPointer(e) })
	case reflect.Slice:
		return elem(func(e types.Type) types.Type { return types.NewSlice(e) })
	case reflect.Array:
		return elem(func(e types.Type) types.Type { return types.NewArray(e, int64(t.Len())) })
	case reflect.Map:
		k, err := l.TypeOf(t.Key())
		if err != nil {
			return nil, err
		}
		return elem(func(e types.Type) types.Type { return types.NewMap(k, e) })
	case reflect.Func:
		var in, out []*types.Var
		for i := range t.NumIn() {
			p, err := l.TypeOf(t.In(i))
			if err != nil {
				return nil, err
			}
			in = append(in, types.NewParam(token.NoPos, nil, "", p))
		}
		for i := range t.NumOut() {
			p, err := l.TypeOf(t.Out(i))
			if err != nil {
				return nil, err
			}
			out = append(out, types.NewParam(token.NoPos, nil, "", p))
		}
		return types.NewSignatureType(nil, nil, nil, types.NewTuple(in...), types.NewTuple(out...), t.IsVariadic()), nil
	case reflect.Interface:
		if t.NumMethod() == 0 {
			return types.Universe.Lookup("any").Type(), nil
		}
		if t == reflect.TypeFor[error]() {
			return types.Universe.Lookup("error").Type(), nil
		}
	}
	if obj, ok := types.Universe.Lookup(t.Name()).(*types.TypeName); ok && t.Kind() != reflect.UnsafePointer {
		return obj.Type(), nil
	}
	return nil, fmt.Errorf("type %v: scripts have no name for it", t)
}
