package symbols_test

import (
	"go/types"
	"os"
	"os/exec"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/repl/symbols"
)

func standard(t *testing.T) *symbols.Library {
	t.Helper()
	lib, err := symbols.Standard()
	require.NoError(t, err)
	return lib
}

// The types the checker sees and the values the interpreter runs must be the
// same things; reflect is the second source.
func TestTypesAgreeWithValues(t *testing.T) {
	lib := standard(t)
	qualify := func(p *types.Package) string { return p.Name() }
	plain := strings.NewReplacer("interface {}", "any", "interface{}", "any", "uint8", "byte", "int32", "rune")
	checked := 0
	for _, path := range lib.Paths() {
		p := lib.Package(path)
		if p.Source != nil {
			continue // its types are its text's
		}
		for _, name := range p.Names {
			obj := p.Types.Scope().Lookup(name)
			require.NotNil(t, obj, "%s.%s", path, name)
			v, ok := p.Values[name]
			switch obj := obj.(type) {
			case *types.Const:
				assert.False(t, ok, "%s.%s: constants are the checker's", path, name)
				continue
			case *types.TypeName:
				require.True(t, ok, "%s.%s", path, name)
				want := v.Type().Elem()
				assert.Equal(t, want.Name(), types.Unalias(obj.Type()).(*types.Named).Obj().Name())
				if s, ok := obj.Type().Underlying().(*types.Struct); ok {
					assert.Equal(t, reflect.Struct, want.Kind(), "%s.%s", path, name)
					assert.Equal(t, want.NumField(), s.NumFields(), "%s.%s", path, name)
				}
			default:
				require.True(t, ok, "%s.%s", path, name)
				want := v.Type().String()
				got := withoutParameterNames(obj.Type(), qualify)
				assert.Equal(t, plain.Replace(want), plain.Replace(got), "%s.%s", path, name)
			}
			checked++
		}
		for name := range p.Values {
			if !strings.HasPrefix(name, "_") {
				assert.True(t, p.Allows(name), "%s.%s has a value but is not listed", path, name)
			}
		}
	}
	assert.Greater(t, checked, 250)
}

func withoutParameterNames(t types.Type, q types.Qualifier) string {
	sig, ok := t.(*types.Signature)
	if !ok {
		return types.TypeString(t, q)
	}
	strip := func(tu *types.Tuple) *types.Tuple {
		var vs []*types.Var
		for v := range tu.Variables() {
			typ := v.Type()
			if f, ok := typ.(*types.Signature); ok {
				var ps, rs []*types.Var
				for p := range f.Params().Variables() {
					ps = append(ps, types.NewParam(0, nil, "", p.Type()))
				}
				for r := range f.Results().Variables() {
					rs = append(rs, types.NewParam(0, nil, "", r.Type()))
				}
				typ = types.NewSignatureType(nil, nil, nil, types.NewTuple(ps...), types.NewTuple(rs...), f.Variadic())
			}
			vs = append(vs, types.NewParam(0, nil, "", typ))
		}
		return types.NewTuple(vs...)
	}
	return types.TypeString(types.NewSignatureType(nil, nil, nil, strip(sig.Params()), strip(sig.Results()), sig.Variadic()), q)
}

// What the list leaves out is out, whatever a package update adds.
func TestForbiddenIsAbsent(t *testing.T) {
	lib := standard(t)
	for _, path := range []string{"os", "io/fs", "net", "os/exec", "syscall", "unsafe", "reflect", "runtime", "plugin", "log", "C"} {
		assert.Nil(t, lib.Package(path), path)
		_, err := lib.Import(path)
		assert.ErrorContains(t, err, "they may import bufio, bytes, cmp", path)
	}
	for path, names := range map[string][]string{
		"fmt":  {"Scan", "Scanln", "Fscan"},
		"time": {"LoadLocation"},
		"io":   {"Pipe"}, // it waits in compiled code
	} {
		for _, name := range names {
			assert.False(t, lib.Package(path).Allows(name), "%s.%s", path, name)
			assert.NotContains(t, lib.Package(path).Values, name, "%s.%s", path, name)
		}
	}
}

func TestDoc(t *testing.T) {
	lib := standard(t)
	for _, path := range lib.Paths() {
		text, ok := lib.Doc(path)
		assert.True(t, ok, path)
		assert.NotEmpty(t, text, path)
	}
	for _, name := range []string{"math", "math.Sqrt", "time.Duration.Hours", "strings.Builder.Len", "math/rand/v2.Float64", "rand.Float64", "math.Pi"} {
		text, ok := lib.Doc(name)
		assert.True(t, ok, name)
		assert.NotEmpty(t, text, name)
	}
	for _, name := range []string{"os.Exit", "math.Nothing", "mat", "fmt.Scan"} {
		_, ok := lib.Doc(name)
		assert.False(t, ok, name)
	}
}

func TestTypeOf(t *testing.T) {
	lib := standard(t)
	for _, x := range []any{1, 2.5, "s", time.Second, time.Time{}, []time.Duration{}, map[string]*strings.Builder{}, [3]bool{}, func(int, ...string) error { return nil }, []any{}} {
		typ, err := lib.TypeOf(reflect.TypeOf(x))
		if assert.NoError(t, err, "%T", x) {
			want := strings.NewReplacer("interface {}", "any").Replace(reflect.TypeOf(x).String())
			assert.Equal(t, want, types.TypeString(typ, func(p *types.Package) string { return p.Name() }))
		}
	}
	for _, x := range []any{os.Stdout, &exec.Cmd{}, struct{ A int }{}, make(chan int)} {
		_, err := lib.TypeOf(reflect.TypeOf(x))
		assert.Error(t, err, "%T", x)
	}
}
