package repl

import (
	"context"
	"errors"
	"io"
	"reflect"

	"quaybench/bench"
	"quaybench/repl/check"
	"quaybench/repl/interp"
)

// RunScript runs the source of a script, a main package of one file, interpreted: what bench.RunScript gets is run in the
// given host. name is for messages. The error is the script's own, or what was wrong with it.
func RunScript(ctx context.Context, name string, source []byte, host bench.ScriptHost, out io.Writer) error {
	var result error
	ran := false
	err := interp.RunScript(ctx, interp.Config{
		Stdout: out,
		Bind: func(ctx context.Context) map[string]map[string]reflect.Value {
			host.Context = func() context.Context { return ctx } // it ends with the script too, however that ends
			return map[string]map[string]reflect.Value{"quaybench/bench": {
				"RunScript": reflect.ValueOf(func(run func(*bench.Script) error) {
					ran = true
					s, err := bench.StartScriptIn(host)
					if err == nil {
						err = run(s)
					}
					result = err
				}),
			}}
		},
	}, check.Source{Name: name, Text: string(source)})
	switch {
	case err != nil:
		return err
	case !ran:
		return errors.New("the script does not call bench.RunScript: write func main() { bench.RunScript(yourFunction) }")
	}
	return result
}
