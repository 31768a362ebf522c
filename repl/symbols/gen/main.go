// Command gen writes what package symbols knows of each package in
// packages.txt: a Go file with its exported values for the interpreter, and in
// the folder api its types (export data) for the checker and its doc comments for
// help. What it writes changes only with what scripts may reach: the data has no places in files. It is run by go generate.
package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"go/ast"
	"go/doc"
	"go/format"
	"go/token"
	"go/types"
	"io/fs"
	"log"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"regexp"
	"sort"
	"strconv"
	"strings"

	"github.com/traefik/yaegi/extract"
	"golang.org/x/tools/go/gcexportdata"
	"golang.org/x/tools/go/packages"
)

func main() {
	log.SetFlags(0)
	log.SetPrefix("gen: ")
	list := flag.String("list", "packages.txt", "file that names the packages")
	dest := flag.String("package", "symbols", "name of the package written")
	out := flag.String("out", ".", "folder to write to")
	flag.Parse()
	if err := run(*list, *dest, *out); err != nil {
		log.Fatal(err)
	}
}

func run(list, dest, out string) error {
	wanted, err := readList(list)
	if err != nil {
		return err
	}
	fset := token.NewFileSet()
	var paths []string
	for _, w := range wanted {
		paths = append(paths, w.path)
	}
	loaded, err := packages.Load(&packages.Config{
		Mode: packages.NeedName | packages.NeedFiles | packages.NeedTypes | packages.NeedSyntax | packages.NeedImports | packages.NeedDeps,
		Fset: fset,
	}, paths...)
	if err != nil {
		return fmt.Errorf("loading packages: %w", err)
	}
	if packages.PrintErrors(loaded) > 0 {
		return fmt.Errorf("packages of %s don't load", list)
	}
	byPath := map[string]*packages.Package{}
	for _, p := range loaded {
		byPath[p.PkgPath] = p
	}

	before, err := readFiles(filepath.Join(out, "api"))
	if err != nil {
		return err
	}
	if err := os.RemoveAll(filepath.Join(out, "api")); err != nil {
		return err
	}
	to := folder(filepath.Join(out, "api"))
	var table, sources []string
	for _, w := range wanted {
		p := byPath[w.path]
		if p == nil {
			return fmt.Errorf("%s: not found", w.path)
		}
		if w.source {
			if err := addSource(to, p); err != nil {
				return fmt.Errorf("%s: %w", w.path, err)
			}
			sources = append(sources, w.path)
			continue
		}
		kept, excluded := choose(p.Types, w)
		table = append(table, w.path)
		if err := addTypes(to, p.Types, kept); err != nil {
			return fmt.Errorf("%s: %w", w.path, err)
		}
		if !unchanged(before, to, p.PkgPath) || !exists(valuesFile(p.PkgPath, out)) { // the extractor takes long
			if err := writeValues(p.Types, excluded, dest, out); err != nil {
				return fmt.Errorf("%s: %w", w.path, err)
			}
		}
		if err := addDocs(to, p, kept); err != nil {
			return fmt.Errorf("%s: %w", w.path, err)
		}
	}
	return writeTable(table, sources, byPath, dest, out)
}

// A want is one line of the list.
type want struct {
	path      string
	only, not []string
	source    bool // its functions have type parameters: the text goes along, and is interpreted
}

func (w want) takes(name string) bool {
	for _, p := range w.not {
		if ok, _ := path.Match(p, name); ok {
			return false
		}
	}
	for _, p := range w.only {
		if ok, _ := path.Match(p, name); ok {
			return true
		}
	}
	return len(w.only) == 0
}

func readList(file string) ([]want, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var wanted []want
	sc := bufio.NewScanner(f)
	for n := 1; sc.Scan(); n++ {
		words := strings.Fields(sc.Text())
		if len(words) == 0 || words[0][0] == '#' {
			continue
		}
		w := want{path: words[0]}
		for _, x := range words[1:] {
			switch x[0] {
			case '=':
				w.source = true
			case '+':
				w.only = append(w.only, x[1:])
			case '-':
				w.not = append(w.not, x[1:])
			default:
				return nil, fmt.Errorf("%s:%d: %q: want +Name, -Name or =source", file, n, x)
			}
		}
		wanted = append(wanted, w)
	}
	return wanted, sc.Err()
}

// readFiles returns the files of a folder by their names in it; none where there is no folder.
func readFiles(dir string) (map[string]string, error) {
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(name)
		rel, _ := filepath.Rel(dir, name)
		out[filepath.ToSlash(rel)] = string(data)
		return err
	})
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	return out, err
}

// unchanged reports whether what scripts reach of a package is what it was.
func unchanged(before map[string]string, to folder, pkg string) bool {
	for _, end := range []string{".types", ".names"} {
		now, err := os.ReadFile(filepath.Join(string(to), pkg+end+".gz"))
		if was, ok := before[pkg+end+".gz"]; err != nil || !ok || was != string(now) {
			return false
		}
	}
	return true
}

func exists(file string) bool {
	_, err := os.Stat(file)
	return err == nil
}

// choose returns the names of a package that scripts may use, and patterns of those that its file of values leaves out.
func choose(p *types.Package, w want) (kept, excluded []string) {
	for _, name := range p.Scope().Names() {
		obj := p.Scope().Lookup(name)
		if !obj.Exported() {
			continue
		}
		if !w.takes(name) || needsGenerics(obj) {
			excluded = append(excluded, "^"+name+"$")
			continue
		}
		kept = append(kept, name)
		if _, ok := obj.(*types.Const); ok {
			// The checker puts the values of constants into the script itself.
			excluded = append(excluded, "^"+name+"$")
		}
	}
	return kept, excluded
}

func valuesFile(pkg, out string) string { return filepath.Join(out, "values_"+fileName(pkg)+".go") }

// writeValues writes the file of values of one package, by yaegi's own extractor.
func writeValues(p *types.Package, excluded []string, dest, out string) error {
	e := extract.Extractor{Dest: dest, Exclude: excluded}
	var b bytes.Buffer
	if _, err := e.Extract(p.Path(), "", &b); err != nil {
		return err
	}
	// The extractor fills a global map from init; a plain function per package
	// leaves it to the caller what to load.
	src := buildLine.ReplaceAll(b.Bytes(), nil)
	src = initLine.ReplaceAll(src, []byte("// "+funcName(p.Path())+" returns the values of package "+p.Path()+".\nfunc "+funcName(p.Path())+"() map[string]reflect.Value {\n\treturn "))
	src = bytes.Replace(src, []byte("Code generated by 'yaegi extract "+p.Path()+"'"), []byte("Code generated by repl/symbols/gen from package "+p.Path()), 1)
	src = bytes.Replace(src, []byte("\n\npackage "), []byte("\n\n//lint:file-ignore SA1019 scripts reach what Go still has\n\npackage "), 1)
	src, err := format.Source(src)
	if err != nil {
		return err
	}
	return os.WriteFile(valuesFile(p.Path(), out), src, 0o644)
}

var (
	buildLine = regexp.MustCompile(`(?m)^//( \+build|go:build) .*\n`)
	initLine  = regexp.MustCompile(`func init\(\) \{\s*Symbols\["[^"]*"\] = `)
)

// needsGenerics reports whether obj can't be used without type parameters,
// which the interpreter does not know; an iterator is one such type.
func needsGenerics(obj types.Object) bool {
	switch obj := obj.(type) {
	case *types.Func:
		sig := obj.Signature()
		if sig.TypeParams().Len() > 0 {
			return true
		}
		for _, t := range []*types.Tuple{sig.Params(), sig.Results()} {
			for i := range t.Len() {
				if n, ok := types.Unalias(t.At(i).Type()).(*types.Named); ok && n.TypeArgs().Len() > 0 {
					return true
				}
			}
		}
	case *types.TypeName:
		if n, ok := types.Unalias(obj.Type()).(*types.Named); ok && n.TypeParams().Len() > 0 {
			return true
		}
		if i, ok := obj.Type().Underlying().(*types.Interface); ok && !i.IsMethodSet() {
			return true
		}
	}
	return false
}

// addTypes adds the export data of p; the names scripts may use stand in docs.
func addTypes(to folder, p *types.Package, kept []string) error {
	var data bytes.Buffer
	if err := gcexportdata.Write(&data, token.NewFileSet(), p); err != nil {
		return err
	}
	if err := to.add(p.Path()+".types", data.Bytes()); err != nil {
		return err
	}
	return to.add(p.Path()+".names", []byte(strings.Join(kept, "\n")+"\n"))
}

// A folder is where files go.
type folder string

// add writes a file, packed.
func (f folder) add(name string, data []byte) error {
	var b bytes.Buffer
	packed, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return err
	}
	if _, err := packed.Write(data); err != nil {
		return err
	}
	if err := packed.Close(); err != nil {
		return err
	}
	file := filepath.Join(string(f), name+".gz")
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return err
	}
	return os.WriteFile(file, b.Bytes(), 0o644)
}

// addSource adds the text of a package, without what reaches below the language.
func addSource(to folder, p *packages.Package) error {
	var names []string
	for _, name := range p.Types.Scope().Names() {
		if ast.IsExported(name) && name != "Pull" && name != "Pull2" {
			names = append(names, name)
		}
	}
	for _, file := range p.GoFiles {
		text, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		if p.PkgPath == "iter" { // the rest is coroutines
			_, after, _ := strings.Cut(string(text), "// Seq is an iterator")
			types, _, _ := strings.Cut(after, "type coro struct")
			text = []byte("package iter\n\n// Seq is an iterator" + types)
		}
		for _, r := range replacements {
			text = r.from.ReplaceAll(text, []byte(r.to))
		}
		if err := to.add(p.PkgPath+".source/"+filepath.Base(file), text); err != nil {
			return err
		}
	}
	return addDocs(to, p, names)
}

var replacements = []struct {
	from *regexp.Regexp
	to   string
}{
	{regexp.MustCompile(`(?m)^\s*(_ )?"unsafe"\n`), ""},
	{regexp.MustCompile(`(?m)^//go:.*\n`), ""},
	{regexp.MustCompile(`(?s)func overlaps\[E any\]\(a, b \[\]E\) bool \{.*?\n\}\n`), `func overlaps[E any](a, b []E) bool {
	if len(a) == 0 || len(b) == 0 {
		return false
	}
	for i := range a {
		if &a[i] == &b[0] {
			return true
		}
	}
	for i := range b {
		if &b[i] == &a[0] {
			return true
		}
	}
	return false
}
`},
	{regexp.MustCompile(`(?m)^func clone\(m any\) any\n`), ""},
	{regexp.MustCompile(`return clone\(m\)\.\(M\)`), `c := make(M, len(m))
	for k, v := range m {
		c[k] = v
	}
	return c`},
}

// addDocs adds the doc comments of the package (under ""), its names, its
// types' methods ("Type.Method") and their fields ("Type.Field").
func addDocs(to folder, p *packages.Package, kept []string) error {
	d, err := doc.NewFromFiles(p.Fset, p.Syntax, p.PkgPath)
	if err != nil {
		return err
	}
	docs := map[string]string{"": d.Doc}
	put := func(name, text string) {
		if text = strings.TrimSpace(text); text != "" && ast.IsExported(name) {
			docs[name] = text
		}
	}
	values := func(vs []*doc.Value) {
		for _, v := range vs {
			for _, s := range v.Decl.Specs {
				vs := s.(*ast.ValueSpec)
				text := vs.Doc.Text()
				if text == "" {
					text = vs.Comment.Text()
				}
				if text == "" {
					text = v.Doc
				}
				for _, n := range vs.Names {
					put(n.Name, text)
				}
			}
		}
	}
	funcs := func(prefix string, fs []*doc.Func) {
		for _, f := range fs {
			put(prefix+f.Name, f.Doc)
		}
	}
	values(d.Consts)
	values(d.Vars)
	funcs("", d.Funcs)
	for _, t := range d.Types {
		put(t.Name, t.Doc)
		values(t.Consts)
		values(t.Vars)
		funcs("", t.Funcs)
		funcs(t.Name+".", t.Methods)
		for _, s := range t.Decl.Specs {
			st, ok := s.(*ast.TypeSpec).Type.(*ast.StructType)
			if !ok {
				continue
			}
			for _, f := range st.Fields.List {
				text := f.Doc.Text()
				if text == "" {
					text = f.Comment.Text()
				}
				if text == "" && f.Tag != nil {
					text = tagText(f.Tag.Value)
				}
				for _, n := range f.Names {
					if n.IsExported() {
						put(t.Name+"."+n.Name, text)
					}
				}
			}
		}
	}
	keep := map[string]bool{"": true}
	for _, n := range kept {
		keep[n] = true
	}
	for name := range docs {
		top, _, _ := strings.Cut(name, ".")
		if !keep[top] {
			delete(docs, name)
		}
	}
	data, err := json.Marshal(docs)
	if err != nil {
		return err
	}
	return to.add(p.PkgPath+".docs", data)
}

// tagText is what the tags of a value of our files say of a field: what it is, and the SI unit it is held in.
func tagText(literal string) string {
	text, err := strconv.Unquote(literal)
	if err != nil {
		return ""
	}
	tag := reflect.StructTag(text)
	what := tag.Get("doc")
	if what == "" {
		return ""
	}
	switch unit := tag.Get("unit"); unit {
	case "":
		return what
	case "1":
		return what + ", as a share: 1 is 100 %"
	case "°C":
		return what + ", K"
	case "rpm":
		return what + ", rad/s"
	default:
		return what + ", " + unit
	}
}

// writeTable writes the list of all packages.
func writeTable(paths, sources []string, byPath map[string]*packages.Package, dest, out string) error {
	sort.Strings(paths)
	var b bytes.Buffer
	fmt.Fprintf(&b, "// Code generated by repl/symbols/gen. DO NOT EDIT.\n\npackage %s\n\nimport \"reflect\"\n\n", dest)
	fmt.Fprintf(&b, "// table names every package scripts may import and the function that gives its values.\nvar table = []entry{\n")
	for _, p := range paths {
		fmt.Fprintf(&b, "\t{%q, %q, %s},\n", p, byPath[p].Types.Name(), funcName(p))
	}
	fmt.Fprintf(&b, "}\n\n// sources name the packages of which the text goes along, those that others import first.\nvar sources = []string{")
	for i, p := range sources {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%q", p)
	}
	fmt.Fprintf(&b, "}\n\ntype entry struct {\n\tpath, name string\n\tvalues func() map[string]reflect.Value\n}\n")
	src, err := format.Source(b.Bytes())
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(out, "table.go"), src, 0o644)
}

var separators = strings.NewReplacer("/", "_", "-", "_", ".", "_")

func fileName(path string) string { return separators.Replace(path) }

func funcName(path string) string {
	var b strings.Builder
	for i, part := range strings.FieldsFunc(path, func(r rune) bool { return strings.ContainsRune("/-.", r) }) {
		if i > 0 {
			part = strings.ToUpper(part[:1]) + part[1:]
		}
		b.WriteString(part)
	}
	return b.String() + "Values"
}
