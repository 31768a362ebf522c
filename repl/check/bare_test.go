package check_test

import (
	"fmt"
	"go/constant"
	"go/types"
	"io"
	"maps"
	"reflect"

	yaegi "github.com/traefik/yaegi/interp"

	"quaybench/repl/symbols"
)

// withConstants gives the library's values with its constants, which the
// checker otherwise puts into the program itself.
func withConstants(e yaegi.Exports, lib *symbols.Library) yaegi.Exports {
	out := yaegi.Exports{}
	for _, path := range lib.Paths() {
		p := lib.Package(path)
		values := maps.Clone(p.Values)
		for _, name := range p.Names {
			if c, ok := p.Types.Scope().Lookup(name).(*types.Const); ok {
				values[name] = constantValue(c, values)
			}
		}
		out[path+"/./"+p.Name] = values
	}
	return out
}

func constantValue(c *types.Const, values map[string]reflect.Value) reflect.Value {
	if b, ok := c.Type().(*types.Basic); ok && b.Info()&types.IsUntyped != 0 {
		return reflect.ValueOf(c.Val())
	}
	n, ok := c.Type().(*types.Named)
	if !ok {
		return reflect.ValueOf(c.Val())
	}
	t := values[n.Obj().Name()].Type().Elem()
	v := reflect.New(t).Elem()
	i, _ := constant.Int64Val(constant.ToInt(c.Val()))
	v.SetInt(i)
	return v
}

func printers(w io.Writer) map[string]reflect.Value {
	return map[string]reflect.Value{
		"Print":   reflect.ValueOf(func(a ...any) (int, error) { return fmt.Fprint(w, a...) }),
		"Printf":  reflect.ValueOf(func(f string, a ...any) (int, error) { return fmt.Fprintf(w, f, a...) }),
		"Println": reflect.ValueOf(func(a ...any) (int, error) { return fmt.Fprintln(w, a...) }),
	}
}
