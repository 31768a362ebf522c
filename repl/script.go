package repl

import (
	"context"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"reflect"
	"time"

	"quaybench/bench"
	"quaybench/bench/trial"
	"quaybench/repl/check"
	"quaybench/repl/interp"
)

// RunScript runs the source of a script, a main package of one file, interpreted: what bench.RunScript gets is run in the
// given host. name is for messages. The error is the script's own, or what was wrong with it.
func RunScript(ctx context.Context, name string, source []byte, host bench.ScriptHost, out io.Writer) error {
	if !callsRunScript(name, source) {
		return errNoRunScript
	}
	var result error
	ran := false
	err := interp.RunScript(ctx, interp.Config{
		Stdout: out,
		Grace:  100 * time.Millisecond, // who puts a controller in order is the host, in its own process
		Bind: func(ctx context.Context) map[string]map[string]reflect.Value {
			host.Context = func() context.Context { return ctx } // it ends with the script too, however that ends
			return bind(host, func(run func(*bench.Script) error) {
				ran = true
				s, err := bench.StartScriptIn(host)
				if err == nil {
					err = run(s)
				}
				result = err
			})
		},
	}, check.Source{Name: name, Text: string(source)})
	switch {
	case err != nil:
		return err
	case !ran:
		return errNoRunScript
	}
	return result
}

var errNoRunScript = errors.New("the script does not call bench.RunScript: write func main() { bench.RunScript(yourFunction) }")

// callsRunScript reports whether a script names RunScript at all. What does not parse is the checker's to tell.
func callsRunScript(name string, source []byte) bool {
	file, err := parser.ParseFile(token.NewFileSet(), name, source, parser.SkipObjectResolution)
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
func bind(host bench.ScriptHost, run func(func(*bench.Script) error)) map[string]map[string]reflect.Value {
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
