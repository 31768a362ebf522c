package interp_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/repl/check"
	"quaybench/repl/interp"
)

// Ways out of the sandbox. Each is a whole script; without its first line it
// is what someone types into a session. All are refused before anything runs.
var escapes = map[string]struct{ text, want string }{
	"the file system":                  {`import "os"; func main() { os.Create("escaped") }`, `can't import "os"`},
	"other programs":                   {`import "os/exec"; func main() { exec.Command("touch", "escaped").Run() }`, `can't import "os/exec"`},
	"the network":                      {`import "net"; func main() { net.Dial("tcp", "localhost:1") }`, `can't import "net"`},
	"the network over HTTP":            {`import "net/http"; func main() { http.Get("http://localhost") }`, `can't import "net/http"`},
	"system calls":                     {`import "syscall"; func main() { syscall.Kill(1, 9) }`, `can't import "syscall"`},
	"unsafe":                           {`import "unsafe"; func main() { x := 1; _ = unsafe.Pointer(&x) }`, `can't import "unsafe"`},
	"reflect":                          {`import "reflect"; func main() { _ = reflect.ValueOf(1) }`, `can't import "reflect"`},
	"runtime":                          {`import "runtime"; func main() { runtime.Goexit() }`, `can't import "runtime"`},
	"runtime/debug":                    {`import "runtime/debug"; func main() { debug.SetMaxStack(1 << 40) }`, `can't import "runtime/debug"`},
	"plugins":                          {`import "plugin"; func main() { plugin.Open("x") }`, `can't import "plugin"`},
	"cgo":                              {"// #include <stdlib.h>\nimport \"C\"\nfunc main() { C.system(nil) }", `can't import "C"`},
	"io/fs":                            {`import "io/fs"; func main() { fs.ValidPath("x") }`, `can't import "io/fs"`},
	"io/ioutil":                        {`import "io/ioutil"; func main() { ioutil.WriteFile("escaped", nil, 0o644) }`, `can't import "io/ioutil"`},
	"embed":                            {`import "embed"; func main() {}; var f embed.FS`, `can't import "embed"`},
	"file names":                       {`import "path/filepath"; func main() { filepath.Glob("/*") }`, `can't import "path/filepath"`},
	"the log, which can end a process": {`import "log"; func main() { log.Fatal("x") }`, `can't import "log"`},
	"signals":                          {`import "os/signal"; func main() { signal.Ignore() }`, `can't import "os/signal"`},
	"templates, which call anything":   {`import "text/template"; func main() { template.New("x") }`, `can't import "text/template"`},
	"packages of the tool not listed":  {`import "quaybench/bench/link"; func main() { _ = link.Open }`, `can't import "quaybench/bench/link"`},
	"the interpreter itself":           {`import "github.com/traefik/yaegi/interp"; func main() { _ = interp.Self }`, `can't import "github.com/traefik/yaegi/interp"`},
	"the interpreter's unsafe symbols": {`import "github.com/traefik/yaegi/stdlib/unsafe"; func main() {}`, `can't import "github.com/traefik/yaegi/stdlib/unsafe"`},
	"a package beside the script":      {`import "./other"; func main() {}`, `can't import "./other"`},
	"a package above the script":       {`import "../interp"; func main() {}`, `can't import "../interp"`},
	"a package by its folder":          {`import "/usr/local/go/src/os"; func main() {}`, `can't import "/usr/local/go/src/os"`},
	"an import by another name":        {`import fmt2 "os"; func main() { fmt2.Exit(1) }`, `can't import "os"`},
	"an import with a dot":             {`import . "os"; func main() { Exit(1) }`, `can't import "os"`},
	"a dot import of a listed package": {`import . "fmt"; func main() { Println() }`, `can't import "fmt" with a dot`},
	"an import for its effect":         {`import _ "net/http/pprof"; func main() {}`, `can't import "net/http/pprof"`},
	"an import hidden in a group":      {"import (\n\t\"fmt\"\n\t\"os\"\n)\nfunc main() { fmt.Println(os.Args) }", `can't import "os"`},
	"an import in a raw string":        {"import `os`\nfunc main() { os.Exit(1) }", `can't import "os"`},
	"an import spelled with escapes":   {`import "o\x73"; func main() { os.Exit(1) }`, `can't import "os"`},
	"a name of os without an import":   {`func main() { os.Exit(1) }`, `undefined: os`},
	"the standard input":               {`import "fmt"; func main() { var s string; fmt.Scan(&s) }`, `fmt.Scan is not there`},
	"the standard input by its file":   {`import ("fmt"; "os"); func main() { fmt.Fscan(os.Stdin) }`, `can't import "os"`},
	"time zones read from files":       {`import "time"; func main() { time.LoadLocation("../../../etc/passwd") }`, `time.LoadLocation is not there`},
	"linkname":                         {"import \"fmt\"\n//go:linkname exit os.runtime_beforeExit\nfunc exit(int)\nfunc main() { fmt.Print(); exit(1) }", `compiler directive //go:linkname`},
	"embedded files":                   {"//go:embed session.go\nvar source string\nfunc main() { _ = source }", `compiler directive //go:embed`},
	"other rules for the compiler":     {"//go:nosplit\nfunc main() {}", `compiler directive //go:nosplit`},
	"false line numbers":               {"//line other.go:1\nfunc main() {}", `compiler directive //line`},
	"a function without a body":        {`func exit(int); func main() { exit(1) }`, `missing function body`},
	"closing the function around it":   {"func main() {} }\nfunc evil() {", `syntax error`},
	"closing the call around it":       {`func main() {} ) ; (`, `syntax error`},
	"another package clause":           {"func main() {}\npackage os", `syntax error`},
	"the interpreter's host functions": {`func main() { qb_host.Panic(1) }`, `names that begin with qb_ are kept`},
	"a name of the generated program":  {`func main() { qb_1 := 1; _ = qb_1 }`, `names that begin with qb_ are kept`},
	"a function by a name of the tool": {`func qb_input() {}; func main() {}`, `names that begin with qb_ are kept`},
	"an import by a name of the tool":  {`import qb_host "fmt"; func main() { qb_host.Println() }`, `names that begin with qb_ are kept`},
	"the interpreter's wrapper types":  {`import "fmt"; func main() { _ = fmt._Stringer{} }`, `_Stringer`},
	"a type of os by assertion":        {`import "io"; func main() { var w io.Writer = io.Discard; _ = w.(*os.File) }`, `undefined: os`},
	"the builtin print":                {`func main() { print("past the session's writer") }`, `can't use the builtin print`},
	"an array of the whole memory":     {`var a [1 << 40]byte; func main() { a[0] = 1 }`, `an array of more than`},
	"an array of arrays":               {`func main() { var a [1 << 14][1 << 14]int64; a[0][0] = 1 }`, `an array of more than`},
	"a pointer made of a number":       {`func main() { p := (*int)(uintptr(1)); *p = 1 }`, `cannot convert`},
}

func TestEscapesAreRefused(t *testing.T) {
	require.GreaterOrEqual(t, len(escapes), 35)
	dir := t.TempDir()
	t.Chdir(dir)
	for name, e := range escapes {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			var out strings.Builder
			err := interp.RunScript(ctx, interp.Config{Stdout: &out, Grace: 1}, check.Source{Name: "escape.go", Text: "package main\n" + e.text})
			refused(t, err, e.want, "script")
			assert.Empty(t, out.String())

			k := newConsole(t, interp.Config{}, nil)
			got, err := k.eval(ctx, sessionForm(e.text))
			refused(t, err, e.want, "session")
			assert.Empty(t, got)
		})
	}
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	assert.Empty(t, left, "an escape left files")
}

// sessionForm makes of a script what one would type: the body of main alone.
func sessionForm(text string) string {
	before, body, ok := strings.Cut(text, "func main() {")
	if !ok {
		return text
	}
	if i := strings.LastIndex(body, "}"); i >= 0 && !strings.Contains(body[i+1:], "\n") && !strings.Contains(body[i+1:], "(") {
		body = body[:i] + body[i+1:]
	}
	return strings.TrimSpace(before + body)
}

func refused(t *testing.T, err error, want, how string) {
	t.Helper()
	var list check.Errors
	if !assert.ErrorAs(t, err, &list, "%s: not refused by the checker", how) {
		return
	}
	assert.ErrorContains(t, err, want, how)
	for _, e := range list {
		assert.True(t, e.Pos.Line > 0 || e.Msg == "too many errors", "%s: no place: %v", how, e)
	}
}

// writer is told that something was written.
type writer func()

func (w writer) Write(p []byte) (int, error) { w(); return len(p), nil }

// What can't be seen before it runs is stopped by a limit.
func TestRunawaysAreStopped(t *testing.T) {
	limits := interp.Limits{Memory: 128 << 20, Stack: 64 << 20}
	for name, e := range map[string]struct{ text, want string }{
		"endless recursion":            {`func f(n int) int { return f(n+1) + 1 }; func main() { f(0) }`, "calls within calls"},
		"recursion through values":     {`func main() { var f func(int) int; f = func(n int) int { return f(n+1) + 1 }; f(0) }`, "calls within calls"},
		"recursion in a deferred call": {`func f() { defer f() }; func main() { f() }`, "calls within calls"},
		"endless goroutines":           {`func main() { for { go func() { select {} }() } }`, "without end?"},
		"endless memory":               {`func main() { var x [][]byte; for { x = append(x, make([]byte, 1<<20)) } }`, "of memory in use"},
		"endless text":                 {`func main() { s := "x"; for { s += s } }`, "of memory in use"},
		"an endless map":               {`func main() { m := map[int][]int{}; for i := 0; ; i++ { m[i] = make([]int, 1000) } }`, "of memory in use"},
		"one slice too large":          {`func main() { n := 1 << 40; _ = make([]int, n) }`, "more than the limit"},
		"one string too large":         {`import "strings"; func main() { strings.Repeat("abc", 1<<40) }`, "more than the limit"},
		"one buffer too large":         {`import "bytes"; func main() { bytes.Repeat([]byte("abc"), 1<<40) }`, "more than the limit"},
		"an endless loop":              {`import "fmt"; func main() { fmt.Println(); for {} }`, "stopped"},
		"a panic in a goroutine":       {`import "time"; func main() { go func() { panic("alone") }(); time.Sleep(time.Hour) }`, "runaway.go:2:47: panic: alone (in a goroutine)"},
		"a panic whose text panics":    {`type e struct{}; func (e) Error() string { panic("no text") }; func main() { panic(e{}) }`, "PANIC=Error method: no text"},
		"a deadlock":                   {`import "fmt"; func main() { fmt.Println(); <-make(chan int) }`, "all goroutines are asleep - deadlock!"},
		"a deadlock of several":        {`import "sync"; func main() { var w sync.WaitGroup; c := make(chan int); for range 3 { w.Add(1); go func() { c <- 1; w.Done() }() }; <-c; w.Wait() }`, "deadlock!"},
		"a lock taken twice":           {`import "sync"; func main() { var m sync.Mutex; m.Lock(); func() { m.Lock() }() }`, "deadlock!"},
		"a select of nothing":          {`func main() { go func() { var c chan int; c <- 1 }(); select {} }`, "deadlock!"},
		"a wait that a timer ends":     {`import "time"; func main() { c := make(chan int); time.AfterFunc(50*time.Millisecond, func() { c <- 1 }); <-c }`, ""},
		"goroutines left waiting":      {`import "time"; func main() { go time.Sleep(time.Hour); go func() { <-make(chan int) }() }`, ""},
		"goroutines left running":      {`func main() { for i := 0; i < 10; i++ { go func() { for {} }() } }`, ""},
	} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			begun := writer(func() { // it is stopped once it has begun
				if e.want == "stopped" {
					cancel()
				}
			})
			err := interp.RunScript(ctx, interp.Config{Stdout: begun, Limits: limits, Grace: 1}, check.Source{Name: "runaway.go", Text: "package main\n" + e.text})
			if e.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, e.want)
			assert.NotContains(t, err.Error(), "goroutine ")
			assert.NotContains(t, err.Error(), ".go:"+"0")
		})
	}
}

// An interface of the script's asks compiled values for methods; those the library hands out have none that reach a file.
func TestHiddenMethodsAreNotThere(t *testing.T) {
	for text, want := range map[string]string{
		`import "io"; func main() { var w io.Writer = io.Discard; _ = w.(interface{ Fd() uintptr }) }`:             "is not interface { Fd() uintptr }: missing method Fd",
		`import "strings"; func main() { var x any = strings.NewReader("a"); _ = x.(interface{ Close() error }) }`: "missing method Close",
	} {
		err := interp.RunScript(context.Background(), interp.Config{}, check.Source{Name: "hidden.go", Text: "package main\n" + text})
		assert.ErrorContains(t, err, want)
	}
}

// Nothing of the process's surroundings is seen.
func TestEnvironmentIsHidden(t *testing.T) {
	t.Setenv("QUAYBENCH_SECRET", "value")
	var out strings.Builder
	err := interp.RunScript(context.Background(), interp.Config{Stdout: &out}, check.Source{Name: "env.go", Text: `package main

import "fmt"

func main() { fmt.Println(os.Getenv("QUAYBENCH_SECRET")) }
`})
	require.Error(t, err)
	assert.NotContains(t, out.String(), "value")
	_, statErr := os.Stat("escaped")
	assert.True(t, errors.Is(statErr, os.ErrNotExist))
}
