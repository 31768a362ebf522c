package repl

import (
	"fmt"
	"go/ast"
	"go/format"
	"go/parser"
	"go/token"
	"slices"
	"strings"

	"quaybench/bench"
	"quaybench/repl/check"
)

// A written session is its inputs as the parts of a script.
type written struct {
	decls   []declared
	body    []string
	vars    []check.Var // in the order they came
	changed string      // a variable that got another type, "" for none
}

type declared struct {
	names []string
	text  string
}

// add notes what ran of an input. shown tells whether the session showed the value of its last statement.
func (w *written) add(text string, shown bool, env *check.Env) {
	pieces, err := check.Pieces(text)
	if err != nil {
		return // it ran, so it is right
	}
	for i, p := range pieces {
		if p.Declares {
			w.declare(p.Text)
		} else {
			w.body = append(w.body, w.statement(p.Text, shown && i == len(pieces)-1))
		}
	}
	for _, v := range env.Vars() {
		if v.Name == "boat" || v.Name == "plot" {
			continue
		}
		i := slices.IndexFunc(w.vars, func(o check.Var) bool { return o.Name == v.Name })
		switch {
		case i < 0:
			w.vars = append(w.vars, v)
		case w.vars[i].Type != v.Type:
			w.changed = fmt.Sprintf("%s is first of type %s, then of type %s", v.Name, w.vars[i].Type, v.Type)
		}
	}
}

// declare keeps a declaration in place of older ones of the same names. Imports are found anew at the end.
func (w *written) declare(text string) {
	f, err := parser.ParseFile(token.NewFileSet(), "", "package p\n"+text, parser.SkipObjectResolution)
	if err != nil || len(f.Decls) != 1 {
		return
	}
	d := declared{text: text}
	switch decl := f.Decls[0].(type) {
	case *ast.FuncDecl:
		name := decl.Name.Name
		if decl.Recv != nil {
			t := decl.Recv.List[0].Type
			if star, ok := t.(*ast.StarExpr); ok {
				t = star.X
			}
			name = fmt.Sprint(t) + "." + name
		}
		d.names = []string{name}
	case *ast.GenDecl:
		if decl.Tok == token.IMPORT {
			return
		}
		for _, s := range decl.Specs {
			switch s := s.(type) {
			case *ast.TypeSpec:
				d.names = append(d.names, s.Name.Name)
			case *ast.ValueSpec:
				for _, n := range s.Names {
					d.names = append(d.names, n.Name)
				}
			}
		}
	}
	w.decls = slices.DeleteFunc(w.decls, func(old declared) bool {
		return !slices.ContainsFunc(old.names, func(n string) bool { return !slices.Contains(d.names, n) })
	})
	w.decls = append(w.decls, d)
}

// statement returns a statement of the session as one of a function, whose variables are those of the package.
func (w *written) statement(text string, shown bool) string {
	const head = "package p\nfunc _() {\n"
	f, err := parser.ParseFile(token.NewFileSet(), "", head+text+"\n}", parser.SkipObjectResolution)
	if err != nil {
		return text
	}
	at := func(p token.Pos) int { return int(p) - 1 - len(head) }
	switch s := f.Decls[0].(*ast.FuncDecl).Body.List[0].(type) {
	case *ast.ExprStmt:
		_, call := ast.Unparen(s.X).(*ast.CallExpr)
		switch {
		case shown && !strings.HasPrefix(text, "fmt.Print"):
			return "show(" + text + ")"
		case !call:
			return "_ = " + text
		}
	case *ast.AssignStmt:
		if s.Tok == token.DEFINE {
			return text[:at(s.TokPos)] + "=" + text[at(s.TokPos)+len(":="):]
		}
	case *ast.DeclStmt:
		gen := s.Decl.(*ast.GenDecl)
		var lines []string
		for _, spec := range gen.Specs {
			v, ok := spec.(*ast.ValueSpec)
			if !ok {
				return text
			}
			var names []string
			for _, n := range v.Names {
				names = append(names, n.Name)
			}
			if len(v.Values) > 0 {
				lines = append(lines, strings.Join(names, ", ")+" = "+text[at(v.Values[0].Pos()):at(v.Values[len(v.Values)-1].End())])
				continue
			}
			for _, n := range names {
				lines = append(lines, fmt.Sprintf("%s = *new(%s)", n, text[at(v.Type.Pos()):at(v.Type.End())]))
			}
		}
		return strings.Join(lines, "\n")
	}
	return text
}

// Script returns the session as the text of a script that runs by itself: its declarations, and its statements in the order
// they ran. It prints in short what the session showed; charts are not drawn.
func (s *Session) Script() (string, error) {
	w := &s.ran
	if w.changed != "" {
		return "", fmt.Errorf("the session cannot be written out as a script: %s; a script needs two names", w.changed)
	}
	var b strings.Builder
	b.WriteString("func main() { bench.RunScript(session) }\n\nvar (\n\tboat *bench.Script\n")
	for _, v := range w.vars {
		fmt.Fprintf(&b, "\t%s %s\n", v.Name, v.Type)
	}
	b.WriteString(")\n\n")
	for _, d := range w.decls {
		b.WriteString(d.text + "\n\n")
	}
	b.WriteString("func session(given *bench.Script) error {\n\tboat = given\n")
	for _, text := range w.body {
		b.WriteString(text + "\n")
	}
	b.WriteString("return nil\n}\n")
	uses := func(name string) bool {
		return strings.Contains(strings.Join(w.body, "\n"), name+"(")
	}
	if uses("show") {
		b.WriteString(showFunc)
	}
	if uses("plot") || slices.ContainsFunc(w.decls, func(d declared) bool { return strings.Contains(d.text, "plot(") }) {
		b.WriteString(plotFunc)
	}
	head := fmt.Sprintf("// A session with %s, written out by quaybench.\n//\n// Caution: %s\npackage main\n\n", s.config.Boat, strings.ReplaceAll(s.indented(bench.Caution, ""), "\n", "\n// "))
	f, err := parser.ParseFile(token.NewFileSet(), "", "package main\n"+b.String(), 0)
	if err != nil {
		return "", fmt.Errorf("the session cannot be written out as a script: %w", err)
	}
	imports := s.imports(f)
	text, err := format.Source([]byte(head + "import (\n" + imports + ")\n\n" + b.String()))
	if err != nil {
		return "", fmt.Errorf("the session cannot be written out as a script: %w", err)
	}
	if _, err := check.Script(s.library, check.Source{Name: "script", Text: string(text)}); err != nil {
		return "", fmt.Errorf("the session cannot be written out as a script: %w", err)
	}
	return string(text), nil
}

// imports lists the packages whose names a file uses without declaring them.
func (s *Session) imports(f *ast.File) string {
	var standard, own string
	for _, path := range s.library.Paths() {
		name := s.library.Package(path).Name
		if !slices.ContainsFunc(f.Unresolved, func(id *ast.Ident) bool { return id.Name == name }) {
			continue
		}
		line := fmt.Sprintf("\t%q\n", path)
		if strings.HasPrefix(path, "quaybench/") {
			own += line
		} else {
			standard += line
		}
	}
	return standard + "\n" + own
}

const showFunc = `
// show prints in short what the session showed.
func show(values ...any) {
	for _, v := range values {
		if err, ok := v.(error); ok {
			fmt.Println(err)
			return
		}
	}
	for _, v := range values {
		switch v := v.(type) {
		case nil:
		case *bench.Tried:
			fmt.Println("verdict:", v.Level())
			for _, t := range v.Side().Trials {
				for _, f := range bench.Flags(t) {
					fmt.Printf("  %s: %s\n", t.Name, f)
				}
			}
			fmt.Println(bench.Caution)
		case *bench.SimulationResult:
			fmt.Println("verdict:", v.Verdict.Level)
			for _, f := range bench.Flags(v.Verdict) {
				fmt.Println(" ", f)
			}
			fmt.Println(bench.Caution)
		case *bench.StepResult:
			fmt.Print(v.Summary())
		case *bench.HighestResult:
			fmt.Println("highest clear value:", bench.Format(v.Value, settings.Unit(v.Key)))
			fmt.Println(bench.Caution)
		case *bench.EnvelopeResult:
			for _, p := range v.Points {
				fmt.Println(bench.Format(p.Current, "A"), "may be held", bench.Format(p.Time, "s"))
			}
			fmt.Println(bench.Caution)
		case *bench.OddsResult:
			fmt.Printf("anything over: %.3g %%\n", 100*v.Over.Value)
			fmt.Println(bench.Caution)
		case *bench.Script:
			fmt.Print(v.Setup.Settings.Text())
		case *record.Run:
			fmt.Println("a run of", v.Trial, "with", len(v.Time), "samples")
		case *record.Trace:
			fmt.Println("a trace of", v.Name, "with", len(v.Values), "samples")
		case settings.Set:
			fmt.Print(v.Text())
		default:
			fmt.Println(v)
		}
	}
}
`

const plotFunc = `
// plot draws nothing: charts are a session's.
func plot(what any, traces ...string) error { return nil }
`
