package repl

import (
	"errors"
	"flag"
	"fmt"
	"go/types"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/trial"
	"quaybench/repl/symbols"
)

var update = flag.Bool("update", false, "rewrite golden files")

// namesAPlace matches parameters that could name a file, a folder or an address.
var namesAPlace = regexp.MustCompile(`(?i)path|file|dir|folder|url|addr|name|host|uri`)

// What takes a path reaches a file, so the list of all that might take one is kept here: a new entry is looked at before it is
// accepted. TestNoFunctionReachesAFile calls each of them.
func TestFunctionsThatMayTakeAPath(t *testing.T) {
	lib, err := symbols.Standard()
	require.NoError(t, err)
	var list []string
	note := func(name string, sig *types.Signature) {
		for p := range sig.Params().Variables() {
			text := types.TypeString(p.Type(), func(p *types.Package) string { return p.Name() })
			if strings.Contains(text, "fs.") || strings.Contains(text, "os.") || strings.Contains(text, "url.") ||
				strings.Contains(text, "string") && namesAPlace.MatchString(p.Name()) {
				list = append(list, fmt.Sprintf("%s(%s %s)", name, p.Name(), text))
			}
		}
	}
	for _, path := range lib.Paths() {
		p := lib.Package(path)
		for _, name := range p.Names {
			switch obj := p.Types.Scope().Lookup(name).(type) {
			case *types.Func:
				note(path+"."+name, obj.Signature())
			case *types.TypeName:
				methods := types.NewMethodSet(types.NewPointer(obj.Type()))
				for i := range methods.Len() {
					if f, ok := methods.At(i).Obj().(*types.Func); ok && f.Exported() {
						note(path+"."+name+"."+f.Name(), f.Signature())
					}
				}
			}
		}
	}
	slices.Sort(list)
	text := strings.Join(list, "\n") + "\n"
	const golden = "testdata/may_take_a_path.txt"
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, []byte(text), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), text, "look at what is new, then run with -update")
}

// Each function that scripts may call gets the name of a file of secrets in each of its texts, in the files' order too; none gives
// a line of it away. Two of them read the file before.
func TestNoFunctionReachesAFile(t *testing.T) {
	const secret = "PASSWORD=correct-horse"
	file := filepath.Join(t.TempDir(), "creds.env")
	require.NoError(t, os.WriteFile(file, []byte(secret+"\n"), 0o600))
	lib, err := symbols.Standard()
	require.NoError(t, err)
	refused := errors.New("not of the book")
	load := func(name string) (*bench.Setup, error) {
		if name == "petrel" {
			return bench.Load("../cmd/quaybench/demo/petrel")
		}
		return nil, refused
	}
	host := bench.ScriptHost{Args: []string{"petrel"}, Load: load, Context: t.Context, Run: bench.RunSimulated}
	bound := bind(host, func(func(*bench.Script) error, ...string) {})
	boat, err := bench.StartScriptIn(host)
	require.NoError(t, err)

	called := 0
	try := func(name string, f reflect.Value) {
		ft := f.Type()
		texts := false
		var in []reflect.Value
		for i := range ft.NumIn() {
			pt := ft.In(i)
			v := reflect.New(pt).Elem()
			switch {
			case pt.Kind() == reflect.String:
				texts = true
				v.SetString(file)
			case pt.Kind() == reflect.Slice && pt.Elem().Kind() == reflect.String:
				texts = true
				v.Set(reflect.ValueOf([]string{file}).Convert(pt))
			case pt == reflect.TypeFor[[]byte]():
				v.SetBytes([]byte(file))
			case pt == reflect.TypeFor[*bench.Setup]():
				v.Set(reflect.ValueOf(boat.Setup))
			}
			in = append(in, v)
		}
		if !texts {
			return
		}
		called++
		var out []reflect.Value
		func() {
			defer func() {
				if p := recover(); p != nil {
					out = append(out, reflect.ValueOf(fmt.Sprint(p)))
				}
			}()
			if ft.IsVariadic() {
				out = f.CallSlice(in)
			} else {
				out = f.Call(in)
			}
		}()
		for _, v := range out {
			assert.NotContains(t, fmt.Sprintf("%+v", v), secret, name)
		}
	}
	for _, path := range lib.Paths() {
		for name, v := range lib.Package(path).Values {
			if b, ok := bound[path][name]; ok {
				v = b
			}
			switch {
			case v.Kind() == reflect.Func && !strings.HasPrefix(name, "Print"):
				try(path+"."+name, v)
			case v.Kind() == reflect.Pointer && path != "bufio": // a type; a writer of bufio made without a place to write to never ends
				for i := range v.Type().NumMethod() {
					try(fmt.Sprintf("%s.%s.%s", path, name, v.Type().Method(i).Name), reflect.New(v.Type().Elem()).Method(i))
				}
			}
		}
	}
	script := reflect.ValueOf(boat)
	for i := range script.NumMethod() {
		try("bench.Script."+script.Type().Method(i).Name, script.Method(i))
	}
	assert.Greater(t, called, 100)
}

// A trial file, and a boat, that the command line does not name are not there for a script: neither their lines nor whether they exist.
func TestScriptsReachNoTrialFile(t *testing.T) {
	bound := bind(bench.ScriptHost{Load: bench.Load}, nil)["quaybench/bench"]
	find := bound["LoadTrial"].Interface().(func(string) (*trial.Trial, error))
	_, there := find("/proc/self/environ")
	_, absent := find("/no/such/file")
	assert.Equal(t, strings.ReplaceAll(there.Error(), "/proc/self/environ", "FILE"), strings.ReplaceAll(absent.Error(), "/no/such/file", "FILE"))
	_, err := find("crash-stop")
	assert.NoError(t, err)
}

func TestShown(t *testing.T) {
	for in, want := range map[string]string{
		"14 mΩ ± 10 %\n\tgo": "14 mΩ ± 10 %\n\tgo",
		"\x1b[2Jclear":       `\x1b[2Jclear`,
		"\x1b]0;title\a":     `\x1b]0;title\x07`,
		"over\rclear":        `over\x0dclear`,
		"\u009b31m":          `\x9b31m`,
		"a\x9bb":             `a\x9bb`,
		"a\u202eb":           `a\u202eb`,
		"\x7f\x08":           `\x7f\x08`,
	} {
		assert.Equal(t, want, Shown(in))
		var b strings.Builder
		w := Visible(&b)
		for i := range len(in) { // byte by byte, a character in parts
			_, err := w.Write([]byte{in[i]})
			require.NoError(t, err)
		}
		if in != "a\x9bb" {
			assert.Equal(t, want, b.String())
		}
	}
}
