package repl

import (
	"context"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"reflect"
	"slices"
	"time"

	"quaybench/bench"
	"quaybench/bench/trial"
	"quaybench/repl/check"
	"quaybench/repl/interp"
	"quaybench/repl/symbols"
)

// RunScript runs the source of a script, a main package, interpreted: what bench.RunScript gets is run in the given host. name
// is for messages; more are the package's other files. The error is the script's own, or what was wrong with it.
func RunScript(ctx context.Context, name string, source []byte, host bench.ScriptHost, out io.Writer, more ...check.Source) error {
	src := check.Source{Name: name, Text: string(source)}
	if !slices.ContainsFunc(append([]check.Source{src}, more...), callsRunScript) {
		return errNoRunScript
	}
	var result error
	ran := false
	err := interp.RunScript(ctx, interp.Config{
		Stdout: out,
		Grace:  100 * time.Millisecond, // who puts a controller in order is the host, in its own process
		Bind: func(ctx context.Context) map[string]map[string]reflect.Value {
			host.Context = func() context.Context { return ctx } // it ends with the script too, however that ends
			return bind(host, func(run func(*bench.Script) error, boat ...string) {
				ran = true
				s, err := bench.StartScriptIn(host, boat...)
				if err == nil {
					err = run(s)
				}
				if err != nil {
					result = told{err, err.Error()} // the script's own method may not end: it is called while the script's limits hold
				}
			})
		},
	}, src, more...)
	switch {
	case err != nil:
		return err
	case !ran:
		return errNoRunScript
	}
	return result
}

// CheckScript returns what is wrong with a script, as far as that shows before it runs.
func CheckScript(name, source string, more ...check.Source) error {
	lib, err := symbols.Standard()
	if err == nil {
		_, err = check.Script(lib, check.Source{Name: name, Text: source}, more...)
	}
	return err
}

// told is an error with its text.
type told struct {
	error
	text string
}

func (t told) Error() string { return t.text }

func (t told) Unwrap() error { return t.error }

var errNoRunScript = errors.New("the script does not call bench.RunScript: write func main() { bench.RunScript(yourFunction) }")

// callsRunScript reports whether a file names RunScript at all. What does not parse is the checker's to tell.
func callsRunScript(src check.Source) bool {
	file, err := parser.ParseFile(token.NewFileSet(), src.Name, src.Text, parser.SkipObjectResolution)
	found := err != nil
	if file != nil {
		ast.Inspect(file, func(n ast.Node) bool {
			if id, ok := n.(*ast.Ident); ok && id.Name == "RunScript" {
				found = true
			}
			return true
		})
	}
	return found
}

// bind returns what takes the place of the library's functions that end the process or take a path: a script reaches what its
// host finds by a name, and no file besides.
func bind(host bench.ScriptHost, run func(func(*bench.Script) error, ...string)) map[string]map[string]reflect.Value {
	find := host.Trial
	if find == nil {
		find = trial.Builtin
	}
	return map[string]map[string]reflect.Value{"quaybench/bench": {
		"RunScript": reflect.ValueOf(run),
		"Load":      reflect.ValueOf(host.Load),
		"LoadTrial": reflect.ValueOf(find),
	}}
}
