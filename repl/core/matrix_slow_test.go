//go:build slow

package core_test

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	yaegi "github.com/traefik/yaegi/interp"

	"quaybench/repl/core/observe"
	"quaybench/repl/symbols"
)

// Every form of the core with every kind of type does in the interpreter what it does compiled. A newer interpreter is judged
// by this: it is small and complete.
func TestFormsAndTypes(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("NOT TESTED AGAINST COMPILED CODE: no Go toolchain here")
	}
	var text strings.Builder
	text.WriteString("package main\nimport \"host\"\nimport \"time\"\nimport \"strings\"\nvar _ time.Duration\nvar _ strings.Builder\n" + coreValues)
	var names, about []string
	for _, typ := range coreTypes {
		text.WriteString(strings.NewReplacer("_K", "_"+typ.key, "TYPE", typ.text).Replace(perType))
		for _, form := range forms {
			if !applies(form.name, typ.key) {
				continue
			}
			name := fmt.Sprintf("X%d", len(names))
			names = append(names, name)
			about = append(about, form.name+" of "+typ.key)
			fmt.Fprintf(&text, "func %s() {\n%s\n}\n", name, instance(form.text, typ.key, typ.text, typ.one, typ.two))
		}
	}
	want := compile(t, text.String(), names)
	got := interpret(t, text.String(), names)
	differ := 0
	for i := range names {
		if got[i] != want[i] {
			differ++
			assert.Equal(t, want[i], got[i], about[i])
		}
	}
	t.Logf("%d forms and types, %d differ", len(names), differ)
	assert.Greater(t, len(names), 1000)
}

// interpret returns what each function notes in the interpreter.
func interpret(t *testing.T, text string, names []string) (got []string) {
	in := yaegi.New(yaegi.Options{Stdout: io.Discard, Stderr: io.Discard})
	lib, err := symbols.Standard()
	require.NoError(t, err)
	require.NoError(t, in.Use(lib.Exports()))
	require.NoError(t, in.Use(yaegi.Exports{"host/./host": {
		"Any": reflect.ValueOf((*observe.Any)(nil)), "Error": reflect.ValueOf((*observe.Error)(nil)), "Out": reflect.ValueOf(observe.Out), "Eq": reflect.ValueOf(observe.Eq),
		"Make": reflect.ValueOf(observe.Make), "Err": reflect.ValueOf(observe.Err), "Dur": reflect.ValueOf(observe.Dur), "Same": reflect.ValueOf(observe.Same),
		"Odd": reflect.ValueOf(observe.Odd), "Apply": reflect.ValueOf(observe.Apply), "ToError": reflect.ValueOf(observe.ToError),
	}}))
	_, err = in.Eval(text)
	require.NoError(t, err)
	for _, name := range names {
		observe.Got.Reset()
		func() {
			defer func() {
				if p := recover(); p != nil {
					observe.Got.WriteString("PANIC")
				}
			}()
			v, err := in.Eval(name)
			require.NoError(t, err)
			v.Interface().(func())()
		}()
		got = append(got, observe.Got.String())
	}
	return got
}

// perType are functions that each type has.
const perType = `
var G_K = new(TYPE)
func fid_K(a TYPE) TYPE { return a }
func fset_K(a TYPE, b TYPE) TYPE {
a = b
return a
}
func fsw_K(a TYPE, b TYPE) (TYPE, TYPE) { return b, a }
func mkc_K(v TYPE) func(TYPE) TYPE { return func(a TYPE) TYPE { return cc_K(v, a) } }
func cc_K(v TYPE, a TYPE) TYPE { return v }
func mkp_K(v *TYPE) func(TYPE) TYPE { return func(a TYPE) TYPE { return cp_K(v, a) } }
func cp_K(v *TYPE, a TYPE) TYPE {
var r TYPE
r = *v
*v = a
return r
}
func th_K(p TYPE) func() { return func() {
host.Out(p)
} }
func rec_K(n int, a TYPE, b TYPE) TYPE {
var c bool
var r, k TYPE
k = a
c = n == 0
if c { goto B1 }
goto B2
B1:
return k
B2:
r = rec_K(n - 1, b, a)
r = k
return r
}
`

// applies reports whether a form makes sense for a type, within the rules that the emitter keeps: it never asserts an interface
// or the empty struct in the core.
func applies(form, key string) bool {
	anyAssertion := strings.Contains(form, "assertion")
	switch key {
	case "any", "err":
		return !anyAssertion
	case "empty":
		return !anyAssertion && form != "to any and back" && form != "box param" && form != "native func param"
	case "slice", "sls", "map", "func", "sfn", "slfn", "slany":
		return form != "equal"
	}
	return true
}

func instance(text, key, typ, one, two string) string {
	back := "x.(" + typ + ")"
	eq := "c = a == b\nO(c)"
	switch key {
	case "any":
		back = "x"
	case "err":
		back = "host.ToError(x)"
	}
	switch key {
	case "struct", "nested", "arr", "arrs", "any", "err", "time", "sany", "empty", "stime":
		eq = "host.Out(host.Eq(a, b))"
	}
	text = strings.NewReplacer("FROMANY", back, "_K", "_"+key, "V1", one, "V2", two, "EQ", eq).Replace(text)
	text = regexp.MustCompile(`\bT\b`).ReplaceAllLiteralString(text, typ)
	return regexp.MustCompile(`\bO\(`).ReplaceAllLiteralString(text, "host.Out(")
}

// compile returns what each function notes when compiled.
func compile(t *testing.T, text string, names []string) []string {
	dir := t.TempDir()
	write := func(name, text string) {
		name = filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
	}
	helper, err := os.ReadFile("observe/observe.go")
	require.NoError(t, err)
	write("go.mod", "module compiled\n\ngo 1.26\n")
	write("observe/observe.go", string(helper))
	write("core.go", strings.Replace(text, `import "host"`, `import host "compiled/observe"`, 1))
	var calls strings.Builder
	for _, n := range names {
		fmt.Fprintf(&calls, "\tnote(%s)\n", n)
	}
	write("main.go", "package main\n\nimport (\n\t\"fmt\"\n\thost \"compiled/observe\"\n)\n\nfunc note(f func()) {\n\thost.Got.Reset()\n\tfunc() {\n\t\tdefer func() {\n\t\t\tif recover() != nil {\n\t\t\t\thost.Got.WriteString(\"PANIC\")\n\t\t\t}\n\t\t}()\n\t\tf()\n\t}()\n\tfmt.Printf(\"%s\\x00\", host.Got.String())\n}\n\nfunc main() {\n"+calls.String()+"}\n")
	build := exec.Command("go", "build", "-gcflags=-N -l", "-o", "all", ".")
	build.Dir = dir
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	got, err := exec.Command(filepath.Join(dir, "all")).Output()
	require.NoError(t, err)
	return strings.Split(strings.TrimSuffix(string(got), "\x00"), "\x00")
}
