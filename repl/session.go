// Package repl is the scripting session: interpreted Go over the tool's library, with completion and help.
//
// The tool's packages and a named part of the standard library are all that a session reaches (package symbols). What is
// typed is read line by line (package line), checked before it runs (package check), and runs guarded (package interp).
package repl

import (
	"context"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"reflect"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/repl/check"
	"quaybench/repl/interp"
	"quaybench/repl/line"
	"quaybench/repl/symbols"
)

// Config is what a session gets from outside.
type Config struct {
	Host bench.ScriptHost // without the context, which is the session's; its arguments stand behind the boat
	Boat string           // name of the boat to start with, as Host.Load takes it
	Out  io.Writer        // what is printed
	// Show prints a value, or a Chart, to Out as a person wants it; it is false for what it does not know. It may be nil.
	Show  func(value any) bool
	Boats func() []string // names of boats, for completion; may be nil
	Width func() int      // columns for running text; nil: 100
	// WriteScript writes the session out as a script under a name that the person gave; nil: it cannot be.
	WriteScript func(name, text string) error
}

// Session takes one input after the other. It is for one goroutine; Stop may be called by any.
type Session struct {
	config  Config
	library *symbols.Library
	interp  *interp.Session
	ran     written
	running atomic.Pointer[context.Context]
}

// start is what a session begins with, besides boat and plot.
const start = `steps := bench.NewProgramme("steps", 20).To(1, 0.5, 0).To(15, 0, 0)`

// NewSession starts a session with the boat loaded as the variable boat.
func NewSession(c Config) (*Session, error) {
	library, err := symbols.Standard()
	if err != nil {
		return nil, err
	}
	if c.Width == nil {
		c.Width = func() int { return 100 }
	}
	if c.Show == nil {
		c.Show = func(any) bool { return false }
	}
	s := &Session{config: c, library: library}
	host := c.Host
	host.Args = append([]string{c.Boat}, c.Host.Args...)
	host.Context = s.context
	boat, err := bench.StartScriptIn(host)
	if err != nil {
		return nil, err
	}
	plot := func(what any, traces ...string) error { return s.plot(boat, what, traces) }
	s.interp, err = interp.NewSession(interp.Config{
		Library: library, Stdout: Visible(c.Out),
		Grace: 300 * time.Millisecond, // Ctrl-C is back at the prompt within a second; what the tool does itself is waited for
		Bind: func(ctx context.Context) map[string]map[string]reflect.Value {
			s.running.Store(&ctx)
			return bind(c.Host, func(func(*bench.Script) error, ...string) {
				fmt.Fprintln(c.Out, "RunScript is for scripts of their own; here call the function with boat")
			})
		},
	}, map[string]any{"boat": boat, "plot": plot})
	if err != nil {
		return nil, err
	}
	if err := s.Eval(context.Background(), line.Input{Text: start, Line: 1}); err != nil {
		return nil, err
	}
	return s, nil
}

// context returns what the tool's long work watches: that of the input that runs.
func (s *Session) context() context.Context {
	if ctx := s.running.Load(); ctx != nil {
		return *ctx
	}
	return context.Background()
}

// Eval runs an input and prints what its last expression gives. Errors are ready to be shown, with the line and column.
func (s *Session) Eval(ctx context.Context, in line.Input) error {
	if done, err := s.command(in.Text); done {
		return err
	}
	result, err := s.interp.Eval(ctx, check.Source{Name: "input", Line: in.Line, Text: in.Text})
	ran := in.Text[:result.Ran]
	s.ran.add(ran, err == nil && len(result.Values) > 0, s.interp.Env())
	s.showFailures(ran)
	for _, note := range result.Notes {
		fmt.Fprintln(s.config.Out, note)
	}
	if err != nil {
		return err
	}
	return s.showAll(result.Values, in.Text)
}

// showAll prints the values of an input's last statement. The error that a call returned is the input's.
func (s *Session) showAll(values []interp.Value, text string) error {
	if n := len(values); n > 0 && isError(values[n-1]) && !isNil(values[n-1]) && endsInCall(text) {
		err, _ := values[n-1].Value.Interface().(error)
		if errors.Is(err, context.Canceled) {
			err = interp.ErrStopped
		}
		return err // the other results are not to be relied on: a verdict on half a run would look like one on all of it
	}
	for _, v := range values {
		s.show(v)
	}
	return nil
}

// showFailures prints the errors that an input left in variables and looked at no more: what came with them is nothing, and not
// an answer.
func (s *Session) showFailures(text string) {
	pieces, _ := check.Pieces(text)
	looked := map[string]bool{}
	for _, p := range slices.Backward(pieces) {
		f, err := parser.ParseFile(token.NewFileSet(), "", "package p; func _() {"+p.Text+"\n}", parser.SkipObjectResolution)
		if err != nil {
			continue // a declaration
		}
		if set, ok := f.Decls[0].(*ast.FuncDecl).Body.List[0].(*ast.AssignStmt); ok {
			name := types.ExprString(set.Lhs[len(set.Lhs)-1])
			if v := s.interp.Failed(name); v.Type != nil && !looked[name] {
				fmt.Fprint(s.config.Out, name+": ")
				s.show(v)
			}
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if id, ok := n.(*ast.Ident); ok {
				looked[id.Name] = true
			}
			return true
		})
	}
}

// endsInCall reports whether the last statement is nothing but a call.
func endsInCall(text string) bool {
	pieces, err := check.Pieces(text)
	if err != nil || len(pieces) == 0 {
		return false
	}
	x, err := parser.ParseExpr(pieces[len(pieces)-1].Text)
	if err != nil {
		return false
	}
	_, ok := ast.Unparen(x).(*ast.CallExpr)
	return ok
}

// errLeave asks for the end of the session.
var errLeave = errors.New("the session ends")

// Stop ends what runs.
func (s *Session) Stop() { s.interp.Stop() }

// show prints a value of an input.
func (s *Session) show(v interp.Value) {
	defer func() {
		if p := recover(); p != nil { // a result of the tool that is not whole
			fmt.Fprintf(s.config.Out, "this %s holds too little to be shown: %v\n", types.TypeString(v.Type, (*types.Package).Name), p)
		}
	}()
	if isError(v) && isNil(v) { // the second result of a call that went well says nothing
		return
	}
	if v.Value.IsValid() && v.Value.CanInterface() {
		value := v.Value.Interface()
		if tr, ok := value.(*record.Trace); ok && tr != nil {
			if run := s.runOf(tr); run != nil {
				value = Chart{run, []string{tr.Name}}
			}
		}
		if s.config.Show(value) {
			return
		}
	}
	text, err := s.interp.Show(v)
	if err != nil {
		text = err.Error()
	}
	if text != "" {
		fmt.Fprintln(s.config.Out, Shown(strings.TrimRight(text, "\n")))
	}
}

func isError(v interp.Value) bool { return v.Type != nil && v.Type.String() == "error" }

// isNil is true for a nil pointer, interface, map, slice or function.
func isNil(v interp.Value) bool {
	switch v.Value.Kind() {
	case reflect.Invalid:
		return true
	case reflect.Pointer, reflect.Interface, reflect.Map, reflect.Slice, reflect.Func:
		return v.Value.IsNil()
	}
	return false
}

// Unfinished reports whether text is the beginning of something, so that more lines are worth asking for.
func Unfinished(text string) bool {
	words := strings.Fields(text)
	if len(words) == 2 && (words[0] == "script" || words[0] == "help") {
		return false
	}
	return check.Unfinished(text)
}

// declares reports whether the session has a name of its own.
func (s *Session) declares(name string) bool {
	_, ok := s.named(name)
	return ok
}

// command runs what is no Go: help and its kin. done is false where text is Go.
func (s *Session) command(text string) (done bool, err error) {
	words := strings.Fields(text)
	switch {
	case len(words) == 0:
		return true, nil
	case len(words) == 1 && words[0] == "help":
		s.overview()
		return true, nil
	case len(words) == 2 && words[0] == "help":
		return true, s.help(words[1])
	case len(words) == 1 && (words[0] == "quit" || words[0] == "exit"):
		return true, errLeave
	case words[0] == "script" && (len(words) == 1 || len(words) > 2 && !strings.ContainsAny(text, "=(.;\n")) && !s.declares("script"):
		return true, errors.New("script writes the session out as a script: name one file, as in script session.go")
	case len(words) == 1 && words[0] == "trials":
		return true, s.trials()
	case len(words) == 2 && words[0] == "script" && s.config.WriteScript != nil:
		text, err := s.Script()
		if err == nil {
			err = s.config.WriteScript(words[1], text)
		}
		if err == nil {
			fmt.Fprintf(s.config.Out, "written to %s; run it by `quaybench run %s %s`\n", words[1], words[1], s.config.Boat)
		}
		return true, err
	}
	return false, nil
}
