// Package repl is the scripting session: interpreted Go over the tool's library, with completion and help.
//
// The tool's packages and a named part of the standard library are all that a session reaches (package symbols). What is
// typed is checked before it runs (package check), and runs guarded (package interp).
package repl

import (
	"context"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"reflect"
	"slices"
	"strings"
	"sync/atomic"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/repl/check"
	"quaybench/repl/interp"
	"quaybench/repl/symbols"
)

// Config is what a session gets from outside.
type Config struct {
	Host bench.ScriptHost // without arguments and context: the session gives its own
	Boat string           // name of the boat to start with, as Host.Load takes it
	Out  io.Writer        // what is printed
	// Show writes a value as a person wants it; ok is false for what it does not know.
	Show func(value any) (text string, ok bool)
}

// Session takes one input after the other. It is for one goroutine; Stop may be called by any.
type Session struct {
	config  Config
	library *symbols.Library
	interp  *interp.Session
	inputs  []string // that ran without an error, for Script
	count   int
	running atomic.Pointer[context.Context]
}

// start are the imports a session begins with.
const start = `import (
	"fmt"
	"math"
	"quaybench/bench"
)`

// NewSession starts a session with the boat loaded as the variable boat.
func NewSession(c Config) (*Session, error) {
	library, err := symbols.Standard()
	if err != nil {
		return nil, err
	}
	s := &Session{config: c, library: library}
	host := c.Host
	host.Args = []string{c.Boat}
	host.Context = s.context
	boat, err := bench.StartScriptIn(host)
	if err != nil {
		return nil, err
	}
	s.interp, err = interp.NewSession(interp.Config{
		Library: library, Stdout: c.Out,
		Bind: func(ctx context.Context) map[string]map[string]reflect.Value {
			s.running.Store(&ctx)
			return s.bind()
		},
	}, map[string]any{"boat": boat})
	if err != nil {
		return nil, err
	}
	if _, err := s.interp.Eval(context.Background(), check.Source{Name: "start", Text: start}); err != nil {
		return nil, err
	}
	return s, nil
}

// context is what the tool's long work watches: that of the input that runs.
func (s *Session) context() context.Context {
	if ctx := s.running.Load(); ctx != nil {
		return *ctx
	}
	return context.Background()
}

// bind gives what a session has in place of the library's own: RunScript, which would end the process.
func (s *Session) bind() map[string]map[string]reflect.Value {
	return map[string]map[string]reflect.Value{"quaybench/bench": {
		"RunScript": reflect.ValueOf(func(func(*bench.Script) error) {
			fmt.Fprintln(s.config.Out, "RunScript is for scripts of their own; here call the function with boat")
		}),
	}}
}

// Eval runs an input and prints what its expressions give. Errors are ready to be shown.
func (s *Session) Eval(ctx context.Context, text string) error {
	if done, err := s.command(text); done {
		return err
	}
	s.count++
	result, err := s.interp.Eval(ctx, check.Source{Name: fmt.Sprintf("input %d", s.count), Text: text})
	if err != nil {
		return err
	}
	s.inputs = append(s.inputs, text)
	for _, note := range result.Notes {
		fmt.Fprintln(s.config.Out, note)
	}
	for _, v := range result.Values {
		if shown := s.show(v); shown != "" {
			fmt.Fprintln(s.config.Out, strings.TrimRight(shown, "\n"))
		}
	}
	return nil
}

// Stop ends what runs.
func (s *Session) Stop() { s.interp.Stop() }

func (s *Session) show(v interp.Value) string {
	if !v.Value.IsValid() {
		return "nil"
	}
	if e, ok := v.Value.Interface().(error); ok && e == nil {
		return ""
	}
	if isNilError(v) { // the second result of a call that went well says nothing
		return ""
	}
	return interp.Show(v, s.config.Show)
}

func isNilError(v interp.Value) bool {
	return v.Type != nil && v.Type.String() == "error" && v.Value.Kind() == reflect.Interface && v.Value.IsNil()
}

// command runs what is no Go: help and its kin. done is false where text is Go.
func (s *Session) command(text string) (done bool, err error) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return true, nil
	}
	switch {
	case words[0] == "help" && len(words) == 1:
		fmt.Fprintln(s.config.Out, helpText)
		return true, nil
	case words[0] == "help" && len(words) == 2:
		return true, s.help(words[1])
	case len(words) == 1 && words[0] == "trials":
		for _, n := range trial.Names() {
			fmt.Fprintln(s.config.Out, n)
		}
		return true, nil
	}
	return false, nil
}

const helpText = `boat is the boat you started with. Try:
  boat.Try("limits.motor_current=160 A")     a proposal beside the present settings, in all trials
  boat.TryIn("hot-day")                      the settings as they stand, in one trial
  boat.Highest("limits.motor_current")       the highest value that stays clear
  boat.Envelope("100 A", "300 A")            how long which motor current may be held
  boat.Odds(200, "hot-restart")              how likely each part passes its limit
  boat.Step(bench.NewProgramme("steps", 20).To(1, 0.5, 0).To(15, 0, 0))   a step test on the simulated controller
  boat.Save("why")                           save a version in the book
help NAME explains a name with its unit: help boat.Try, help bench.NewProgramme, help limits.motor_current
trials lists the built-in trials. Ctrl-C stops what runs, Ctrl-D leaves.`

// help prints the docs of a name: a setting, a method of boat, or a name of a package.
func (s *Session) help(name string) error {
	for _, f := range settings.Fields() {
		if f.Key == name && f.Kind != datafile.KindGroup {
			fmt.Fprintf(s.config.Out, "%s\n    %s\n", f.Key, f.Doc)
			if f.Min != "" {
				fmt.Fprintf(s.config.Out, "    from %s to %s\n", f.Min, f.Max)
			}
			fmt.Fprintf(s.config.Out, "    example: boat.Try(%q)\n", f.Key+"="+strings.Trim(f.Example, `"`))
			return nil
		}
	}
	asked := name
	if rest, ok := strings.CutPrefix(name, "boat."); ok {
		name = "bench.Script." + rest
	} else if name == "boat" {
		name = "bench.Script"
	}
	text, ok := s.library.Doc(name)
	if !ok {
		return fmt.Errorf("no help on %q: it is no setting, no name of a package, and nothing that boat has", asked)
	}
	fmt.Fprintln(s.config.Out, strings.TrimSpace(text))
	return nil
}

// Script is the session as the text of a script that runs by itself: its declarations, and its statements in the order they
// ran. Inputs that only looked at something print it.
func (s *Session) Script() (string, error) {
	var decls, body strings.Builder
	imports := []string{`"fmt"`, `"quaybench/bench"`}
	var vars []string
	usesMath := false
	for _, text := range s.inputs {
		usesMath = usesMath || strings.Contains(text, "math.")
		if f, err := parser.ParseFile(token.NewFileSet(), "", "package p\n"+text, parser.SkipObjectResolution); err == nil && len(f.Decls) > 0 {
			kept := false
			for _, d := range f.Decls {
				if g, ok := d.(*ast.GenDecl); ok && g.Tok == token.IMPORT {
					for _, spec := range g.Specs {
						imports = append(imports, spec.(*ast.ImportSpec).Path.Value)
					}
					continue
				}
				kept = true
			}
			if kept {
				fmt.Fprintf(&decls, "%s\n\n", text)
			}
			continue
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, "", "package p\nfunc _() {\n"+text+"\n}", parser.SkipObjectResolution)
		if err != nil {
			return "", fmt.Errorf("an input of the session cannot be written out: %w", err)
		}
		for _, stmt := range f.Decls[0].(*ast.FuncDecl).Body.List {
			from, to := fset.Position(stmt.Pos()).Offset, fset.Position(stmt.End()).Offset
			source := ("package p\nfunc _() {\n" + text + "\n}")[from:to]
			if x, ok := stmt.(*ast.ExprStmt); ok {
				if call, ok := x.X.(*ast.CallExpr); ok && printsItself(call) {
					fmt.Fprintf(&body, "\t%s\n", source)
				} else {
					fmt.Fprintf(&body, "\tfmt.Println(%s)\n", source)
				}
				continue
			}
			if a, ok := stmt.(*ast.AssignStmt); ok && a.Tok == token.DEFINE {
				for _, l := range a.Lhs {
					if id, ok := l.(*ast.Ident); ok && id.Name != "_" && !slices.Contains(vars, id.Name) {
						vars = append(vars, id.Name)
					}
				}
			}
			fmt.Fprintf(&body, "\t%s\n", source)
		}
	}
	if usesMath {
		imports = append(imports, `"math"`)
	}
	slices.Sort(imports)
	imports = slices.Compact(imports)
	for _, v := range vars { // Go wants every variable used
		fmt.Fprintf(&body, "\t_ = %s\n", v)
	}
	caution := "// Caution: " + bench.Caution
	return fmt.Sprintf("// A session with %s, written out by quaybench.\n//\n%s\npackage main\n\nimport (\n\t%s\n)\n\nfunc main() { bench.RunScript(session) }\n\nvar _ = fmt.Sprint\n\n%sfunc session(boat *bench.Script) error {\n%s\treturn nil\n}\n",
		s.config.Boat, caution, strings.Join(imports, "\n\t"), decls.String(), body.String()), nil
}

func printsItself(call *ast.CallExpr) bool {
	sel, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	pkg, ok := sel.X.(*ast.Ident)
	return ok && pkg.Name == "fmt" && strings.HasPrefix(sel.Sel.Name, "Print")
}
