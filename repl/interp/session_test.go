package interp_test

import (
	"bytes"
	"context"
	"fmt"
	"go/types"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"quaybench/repl/check"
	"quaybench/repl/interp"
	"quaybench/repl/symbols"
)

// What waits for ever in a compiled function is left behind.
func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.IgnoreAnyFunction("quaybench/repl/host.(*RT).wait.func1"))
}

// A console is a session as a person has it: text in, text out.
type console struct {
	t   *testing.T
	s   *interp.Session
	out bytes.Buffer
	n   int
}

func newConsole(t *testing.T, c interp.Config, values map[string]any) *console {
	t.Helper()
	k := &console{t: t}
	c.Stdout = &k.out
	if c.Grace == 0 {
		c.Grace = time.Nanosecond
	}
	s, err := interp.NewSession(c, values)
	require.NoError(t, err)
	k.s = s
	return k
}

func (k *console) eval(ctx context.Context, text string) (string, error) {
	k.n++
	k.out.Reset()
	r, err := k.s.Eval(ctx, check.Source{Name: fmt.Sprintf("in%d", k.n), Text: text})
	var shown []string
	for _, v := range r.Values {
		text, err := k.s.Show(v)
		if err != nil {
			text = err.Error()
		}
		shown = append(shown, text)
	}
	out := k.out.String() + strings.Join(shown, ", ")
	for _, n := range r.Notes {
		out += "note: " + n
	}
	return strings.TrimSuffix(out, "\n"), err
}

// Each transcript is a session: lines that begin with "> " are typed ("| " goes
// on), the others are what comes.
func TestTranscripts(t *testing.T) {
	for name, text := range map[string]string{
		"arithmetic": `
> 1+1
2
> x := 40
> x + 2
42
> x/7, 3
in4:1:1: syntax error: expected 1 expression
> y := float64(x) / 3
> y
13.333333333333334
> "amp" + "ere"
"ampere"
> x > 30 && y < 20
true
> math.Sqrt(2)
1.4142135623730951
> 1 << 10
1024
> nil
in11:1:1: use of untyped nil
`,
		"variables keep their values and may be changed from anywhere": `
> x := 1
> p := &x
> func bump() { x += 10 }
> bump(); bump()
> x
21
> *p = 5
> x
5
> f := func() int { x++; return x }
> f() + f()
13
> x
7
> x, z := 3, "z"
> f()
4
> *p
4
> z
"z"
`,
		"a variable takes another type": `
> v := 1
> v = v + 1
> v := fmt.Sprint("was ", v)
> v
"was 2"
> v := []string{v, v}
> len(v)
2
`,
		"but not if a function needs it as it is": `
> v := 1
> func next() int { return v + 1 }
> v := "text"
in3:1:1: v can't change its type: what was declared before uses it as it was (in2:1:26: invalid operation: v + 1 (mismatched types string and untyped int)); instead: take another name, or declare those again first
> v
1
> next()
2
`,
		"functions are declared anew, for all who call them": `
> func price(n int) int { return n * 2 }
> func total(n int) int { return price(n) + 1 }
> total(10)
21
> func price(n int) int { return n * 3 }
> total(10)
31
> func price(n int) string { return "free" }
in6:1:1: what was declared before does not fit any more (in2:1:32: invalid operation: price(n) + 1 (mismatched types string and untyped int)); instead: declare both anew in one input
> func price(n float64) float64 { return n }
| func total(n float64) float64 { return price(n) / 2 }
> total(9)
4.5
`,
		"declarations that stand together know each other": `
> func even(n int) bool { return n == 0 || odd(n-1) }
| func odd(n int) bool { return n != 0 && even(n-1) }
> even(10)
true
> func lost() int { return nowhere() }
in3:1:26: undefined: nowhere
> lost()
in4:1:1: undefined: lost
`,
		"types": `
> type point struct { X, Y float64 }
> func (p point) add(q point) point { return point{p.X + q.X, p.Y + q.Y} }
> a := point{1, 2}
> a.add(point{Y: 3})
point{X: 1, Y: 5}
> ps := map[string][]point{"a": {a, {}}}
> ps
{"a": [point{X: 1, Y: 2} point{X: 0, Y: 0}]}
> &a
&point{X: 1, Y: 2}
> type point struct { X, Y, Z float64 }
in8:1:1: what was declared before does not fit any more (in2:1:70: too few values in struct literal of type point); instead: declare both anew in one input
> type point struct { X, Y, Z float64 }
| func (p point) add(q point) point { return point{p.X + q.X, p.Y + q.Y, p.Z + q.Z} }
> a
point{X: 0, Y: 0, Z: 0}note: a was made before its type was declared anew; it is empty now
> type kelvin float64
> kelvin(20) + 273
293
`,
		"constants": `
> const (
| 	low = iota + 1
| 	mid
| 	high
| )
> high
3
> const mid = 20
> low + mid + high
24
`,
		"several statements, and what the last one gives": `
> s := 0; for i := range 4 { s += i }; s
6
> for _, w := range strings.Fields("a b c") {
| 	fmt.Print(w, ".")
| }
a.b.c.
> func two() (int, string) { return 1, "one" }
> two()
1, "one"
> a, b := two()
> fmt.Println(a, b)
1 one
> if a > 0 { fmt.Println("more") } else { fmt.Println("less") }
more
`,
		"nothing runs unless all of it is right": `
> fmt.Println("ran"); undefinedThing
in1:1:21: undefined: undefinedThing
> fmt.Println("ran"); func f() { g() }
in2:1:32: undefined: g
`,
		"errors have their place": `
> 1 +* 2
in1:1:6: invalid operation: cannot indirect 2 (untyped int constant)
> x := 5
| y := x +
| 	"a"
in2:2:6: invalid operation: x + "a" (mismatched types int and untyped string)
> var q int = "s"
in3:1:13: cannot use "s" (untyped string constant) as int value in variable declaration
> fmt.Printn("a")
in4:1:5: undefined: fmt.Printn
> import "os"
in5:1:8: scripts can't import "os"; they may import ...
> )
in6:1:1: syntax error: unexpected ), nothing is open here
> func f() int { }
in7:1:16: missing return
`,
		"a panic has its place too, and the session goes on": `
> xs := []int{1, 2}
> func third(xs []int) int {
| 	n := 2
| 	return xs[n]
| }
> func outer() int {
| 	if len(xs) > 0 {
| 		return 1 + third(xs)
| 	}
| 	return 0
| }
> outer()
in2:3:11: panic: index out of range
	called from in3:3:19, in outer
	called from in4:1:6, in this input
> xs
[1 2]
> panic("stop")
in6:1:6: panic: stop
> panic(fmt.Errorf("wrapped: %w", io.EOF))
in7:1:6: panic: wrapped: EOF
> var p *struct{ N int }
> p.N
in9:1:3: panic: nil pointer dereference
> z := 0
> 1 / z
in11:1:3: panic: integer divide by zero
> var m map[string]int
> m["a"] = 1
in13:1:2: panic: assignment to entry in nil map
> w := third(xs)
in2:3:11: panic: index out of range
	called from in14:1:11, in this input
> w
in15:1:1: undefined: w
> func() { defer func() { fmt.Println("recovered", recover()) }(); panic(1) }()
recovered 1
> 1+1
2
`,
		"imports": `
> import "math"
> import m "math"
> m.Sqrt(16)
4
> import "math/rand/v2"
> rand.N(10)
in5:1:1: rand.N is not there for scripts
> n := rand.IntN(5)
> n < 5
true
> sort := 5
> sort
5
> sort.Ints([]int{1})
in10:1:6: sort.Ints undefined (type int has no field or method Ints)
> import "sort"
in11:1:8: sort already names something else in this session; instead: give the package another name: import mysort "sort"
`,
		"goroutines end with their statement, and a session says so": `
> done := make(chan int)
> x := 1
> go func() { done <- 1; x = 2 }()
note: a goroutine or timer was still at work, and ended with the statement that started it; to wait for it, put both into one: func() { go ...; <-done }()
> <-done
stopped: all goroutines are asleep - deadlock! Each waits, and nothing is left that could wake one
> go func() { x = 3 }()
> x
3
> func() { go func() { done <- 4 }(); x = <-done }()
> x
4
> import "time"
> time.AfterFunc(time.Hour, func() { x = 5 }) == nil
falsenote: a goroutine or timer was still at work, and ended with the statement that started it; to wait for it, put both into one: func() { go ...; <-done }()
> func() { t := time.AfterFunc(time.Hour, func() { x = 5 }); t.Stop() }()
> late := time.After(50 * time.Millisecond)
> _ = <-late
`,
		"goroutines, channels, types that contain themselves, interfaces": `
> c := make(chan int, 2)
> func() int { go func() { c <- 41; c <- 1 }(); return <-c + <-c }()
42
> func main() {}
in3:1:1: a session has no function main; instead: write the statements alone, or a script
> type node struct { next *node; v int }
> func size(n *node) int { if n == nil { return 0 }; return 1 + size(n.next) }
> n := &node{next: &node{}}
> size(n)
2
> n.next.next = &node{v: 3}; size(n)
3
> type named interface { Name() string }
> type dock string
> func (d dock) Name() string { return "dock " + string(d) }
> var x named = dock("north")
> x.Name()
"dock north"
> func (d dock) Name() string { return "pier " + string(d) }
> x.Name()
"pier north"
> func (d dock) String() string { return "<" + string(d) + ">" }
> fmt.Println(x, []any{x})
<north> [<north>]
> func largest[T int | float64](xs ...T) T { m := xs[0]; for _, x := range xs { m = max(m, x) }; return m }
> largest(1.5, 3, 2)
3
`,
		"values of many kinds are shown": `
> []float64{1, 2.5}
[1 2.5]
> map[string]int{"b": 2, "a": 1}
{"a": 1, "b": 2}
> 90 * time.Second
1m30s
> wait := 1500 * time.Millisecond; wait
1.5s
> errors.New("broken")
broken
> struct{ A int; B string }{1, "x"}
struct{A int; B string}{A: 1, B: "x"}
> strings.ToUpper
func(s string) string
> []any{1, "a", nil}
[1 "a" nil]
> make([]int, 60)
[0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 ... (60 in all)]
> 'a'
97
> 3+4i
(3+4i)
> [2]bool{true}
[true false]
> fmt.Sprintf("%5.2f|%v", math.Pi, true)
" 3.14|true"
`,
		"memory and endless calls": `
> func deep(n int) int { return deep(n+1) + 1 }
> deep(0)
stopped: calls within calls took more than 64 MB; does a function call itself, or start goroutines, without end?
> big := make([]float64, 1<<40)
in3:1:12: panic: 1099511627776 elements of 8 bytes are more than the limit of 256 MB
> var all [][]float64; for { all = append(all, make([]float64, 1<<20)) }
stopped: more than 256 MB of memory in use
> all = nil
> strings.Repeat("x", 1<<40)
in6:1:15: panic: 1099511627776 elements of 1 bytes are more than the limit of 256 MB
> 1+1
2
`,
	} {
		t.Run(name, func(t *testing.T) {
			k := newConsole(t, interp.Config{Limits: interp.Limits{Memory: 256 << 20, Stack: 64 << 20}}, nil)
			var got strings.Builder
			blocks := strings.Split(strings.TrimSpace(text), "\n> ")
			for i, b := range blocks {
				b = strings.TrimPrefix(b, "> ")
				input, _, _ := strings.Cut(b, "\n")
				rest := strings.TrimPrefix(strings.TrimPrefix(b, input), "\n")
				for strings.HasPrefix(rest, "| ") {
					line, after, _ := strings.Cut(rest, "\n")
					input += "\n" + strings.TrimPrefix(line, "| ")
					rest = after
				}
				if i > 0 {
					got.WriteString("\n")
				}
				got.WriteString("> " + strings.ReplaceAll(input, "\n", "\n| "))
				out, err := k.eval(context.Background(), input)
				if err != nil {
					if out != "" {
						out += "\n"
					}
					out += err.Error()
				}
				if out != "" {
					got.WriteString("\n" + out)
				}
			}
			lib, err := symbols.Standard()
			require.NoError(t, err)
			assert.Equal(t, strings.TrimSpace(text), strings.ReplaceAll(got.String(), strings.Join(lib.Paths(), ", "), "..."))
		})
	}
}

// A run that is told to stop ends, and the session is as good as before.
func TestStop(t *testing.T) {
	started := make(chan bool)
	k := newConsole(t, interp.Config{Bind: func(ctx context.Context) map[string]map[string]reflect.Value {
		return map[string]map[string]reflect.Value{"time": {"Sleep": reflect.ValueOf(func(time.Duration) { started <- true })}}
	}}, map[string]any{"held": 3.5})
	must := func(text, want string) {
		t.Helper()
		out, err := k.eval(context.Background(), text)
		require.NoError(t, err, text)
		assert.Equal(t, want, out, text)
	}
	// stopped evaluates text, which calls time.Sleep once and then goes on
	// without end, and stops it in one way or the other.
	stopped := func(text string, byContext bool) {
		t.Helper()
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		done := make(chan error)
		go func() { _, err := k.eval(ctx, text); done <- err }()
		<-started
		if byContext {
			cancel()
		} else {
			k.s.Stop()
		}
		require.ErrorIs(t, <-done, interp.ErrStopped, text)
	}
	must("n := 0", "")
	must("count := func() int { n++; return n }", "")
	must("count()", "1")
	for i, text := range []string{
		"func() { time.Sleep(0); for { n = 100 } }()",
		"func() { time.Sleep(0); for i := 0; ; i++ { count() } }()",
		"func() { defer func() { recover() }(); time.Sleep(0); for { n++ } }()",
		"func() { time.Sleep(0); sort.Slice(make([]int, 100), func(i, j int) bool { for { n++ }; return false }) }()",
	} {
		stopped(text, i%2 == 0)
		must("1+1", "2")
		must("n = 7", "")
		// A function made before the stop still works, on the same variable.
		must("count()", "8")
		must("n", "8")
		must("held", "3.5")
	}
	// So does one made by an input that was stopped.
	must("var late func() int", "")
	stopped("func() { late = func() int { return n * 2 }; time.Sleep(0); for {} }()", false)
	must("late()", "16")
	// What comes after a step that was stopped is not begun.
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := k.eval(ctx, "n = 1")
	require.ErrorIs(t, err, interp.ErrStopped)
	must("n", "8")
}

// Compiled functions see the context of the evaluation that calls them, and
// have time to put things in order before the script is stopped.
func TestContextReachesCompiledFunctions(t *testing.T) {
	entered := make(chan bool)
	k := newConsole(t, interp.Config{Grace: time.Minute, Bind: func(ctx context.Context) map[string]map[string]reflect.Value {
		return map[string]map[string]reflect.Value{"time": {"Sleep": reflect.ValueOf(func(time.Duration) {
			entered <- true
			<-ctx.Done()
		})}}
	}}, nil)
	ctx, cancel := context.WithCancel(context.Background())
	var out string
	done := make(chan error)
	go func() {
		var err error
		out, err = k.eval(ctx, "func() { time.Sleep(time.Hour); fmt.Println(\"in order again\") }()")
		done <- err
	}()
	<-entered
	cancel()
	require.NoError(t, <-done, "it ended by itself")
	assert.Equal(t, "in order again", out)
}

// time.Sleep, as it is without Bind, ends with the context.
func TestSleepEndsWithTheContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	k := newConsole(t, interp.Config{}, map[string]any{"asleep": cancel})
	_, err := k.eval(ctx, "for { asleep(); time.Sleep(time.Hour) }")
	require.ErrorIs(t, err, interp.ErrStopped)
}

// The host puts values in and takes them out; both see the same variable.
func TestHostValues(t *testing.T) {
	held := []float64{1, 2}
	k := newConsole(t, interp.Config{}, map[string]any{"xs": held, "wait": 2 * time.Second, "apply": func(f func(float64) float64, x float64) float64 { return f(x) }})
	out, err := k.eval(context.Background(), "xs[0] = 10; apply(func(x float64) float64 { return x * wait.Seconds() }, xs[0])")
	require.NoError(t, err)
	assert.Equal(t, "20", out)
	assert.Equal(t, 10.0, held[0])
	_, err = k.eval(context.Background(), "xs = append(xs, 3)")
	require.NoError(t, err)
	got, ok := k.s.Get("xs")
	require.True(t, ok)
	assert.Equal(t, []float64{10, 2, 3}, got)

	require.NoError(t, k.s.Set("xs", []float64{5}))
	out, err = k.eval(context.Background(), "xs")
	require.NoError(t, err)
	assert.Equal(t, "[5]", out)

	assert.ErrorContains(t, k.s.Set("f", new(testing.T)), "scripts can't name types of package")
	assert.ErrorContains(t, k.s.Set("a b", 1), "can't be a variable's name")
	assert.ErrorContains(t, k.s.Set("n", nil), "nil has no type")
}

// A panic in a script is told with its line and the lines that led there.
func TestScriptPanic(t *testing.T) {
	err := interp.RunScript(context.Background(), interp.Config{}, check.Source{Name: "main.go", Text: `package main

import "sort"

type list []int

func (l list) at(i int) int {
	j := i + 1
	return l[j]
}

func main() {
	l := list{3, 1, 2}
	sort.Slice(l, func(i, j int) bool {
		return l.at(i) < l.at(j)
	})
}
`})
	require.EqualError(t, err, `main.go:9:10: panic: index out of range
	called from main.go:15:14, in a function in main
	called from main.go:14:12, in main`)
	var p *interp.Panic
	require.ErrorAs(t, err, &p)
	assert.Equal(t, "list.at", p.Stack[0].Function)
}

// Of two reads in a statement the one fails that fails when compiled, at its own line, though both are written inside what uses them.
func TestFirstPanicIsTold(t *testing.T) {
	for body, want := range map[string]string{
		"n = p.a + xs[n]":                        "main.go:10:8: panic: nil pointer dereference",
		"n = xs[n] + p.a":                        "main.go:10:8: panic: index out of range",
		"p.a = xs[n] * 2":                        "main.go:10:10: panic: index out of range",
		"xs[n] = p.a * 2":                        "main.go:10:12: panic: nil pointer dereference",
		"p.a = xs[n] + p.b":                      "main.go:10:10: panic: index out of range",
		"if xs[n] < p.a { n++ }":                 "main.go:10:7: panic: index out of range",
		"n = p.b +\n\t\txs[n]":                   "main.go:10:8: panic: nil pointer dereference",
		"n = two(3)[n-2] +\n\t\txs[n]":           "main.go:11:5: panic: index out of range",
		"for n = 0; n < p.a; n++ { xs[n] *= 2 }": "main.go:10:19: panic: nil pointer dereference",
	} {
		err := interp.RunScript(context.Background(), interp.Config{}, check.Source{Name: "main.go", Text: `package main

type pair struct{ a, b int }

func two(n int) []int { return []int{n, n} }

func main() {
	var p *pair
	xs, n := two(1), 3
	` + body + `
	xs[0], xs[1] = n, n
	_ = p
}
`})
		assert.EqualError(t, err, want, body)
	}
}

// What waits in a compiled function ends with its context, and so does what a timer or a group would start.
func TestWaitsEnd(t *testing.T) {
	for name, text := range map[string]string{
		"a group":         `var wg sync.WaitGroup; wg.Add(1); wg.Wait()`,
		"a lock":          `var m sync.Mutex; m.Lock(); m.Lock()`,
		"a lock to read":  `var m sync.RWMutex; m.Lock(); m.RLock()`,
		"a lock to write": `var m sync.RWMutex; m.RLock(); m.Lock()`,
		"a condition":     `var m sync.Mutex; m.Lock(); sync.NewCond(&m).Wait()`,
		"a channel":       `<-make(chan int)`,
		"a channel, full": `make(chan int) <- 1`,
		"a timer":         `<-time.After(time.Hour)`,
		"a context":       `ctx, cancel := context.WithTimeout(context.Background(), time.Hour); defer cancel(); <-ctx.Done()`,
		"a select":        `select {}`,
	} {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		text = "package main\nimport (\"sync\"; \"time\"; \"context\")\nvar _ sync.Mutex\nvar _ = time.Now\nvar _ = context.Background\nfunc main() { " + text + " }"
		err := interp.RunScript(ctx, interp.Config{Grace: 1, Patience: time.Minute}, check.Source{Name: "wait.go", Text: text})
		assert.ErrorIs(t, err, interp.ErrStopped, name)
	}
	for name, text := range map[string]string{
		"a timer's function":   `time.AfterFunc(0, func() { panic("alone") }); select {}`,
		"a group's function":   `var wg sync.WaitGroup; wg.Go(func() { panic("alone") }); select {}`,
		"a context's function": `ctx, cancel := context.WithCancel(context.Background()); context.AfterFunc(ctx, func() { panic("alone") }); cancel(); select {}`,
	} {
		text = "package main\nimport (\"sync\"; \"time\"; \"context\")\nvar _ sync.Mutex\nvar _ = time.Now\nvar _ = context.Background\nfunc main() { " + text + " }"
		err := interp.RunScript(t.Context(), interp.Config{}, check.Source{Name: "wait.go", Text: text})
		assert.ErrorContains(t, err, "panic: alone (in a goroutine)", name)
	}
}

// A value shows what its String or Error method says, at any depth; a method that does not end is left out.
func TestValuesShowWhatTheySay(t *testing.T) {
	k := newConsole(t, interp.Config{}, nil)
	for _, c := range [][2]string{
		{"type T int; func (T) String() string { return \"tee\" }; type E struct{ N int }; func (*E) Error() string { return \"bad\" }", ""},
		{"T(3)", "tee"}, {"[]T{1, 2}", "[tee tee]"}, {"map[string]T{\"a\": 1}", "{\"a\": tee}"}, {"E{2}", "E{N: 2}"}, {"&E{2}", "bad"},
		{"struct{ X T }{4}", "struct{X T}{X: tee}"},
		{"type P int; func (P) String() string { panic(1) }", ""}, {"P(4)", "4"},
	} {
		got, err := k.eval(t.Context(), c[0])
		require.NoError(t, err, c[0])
		assert.Equal(t, c[1], strings.TrimSpace(got), c[0])
	}
	_, err := k.eval(t.Context(), "package main")
	assert.ErrorContains(t, err, "a session has no package clause")
	_, err = k.eval(t.Context(), "x :=")
	assert.ErrorContains(t, err, ":1:5: syntax error: something is missing at the end")
}

// A variable's type may stand nowhere else in an input.
func TestFieldsOfTheLibraryStandAlone(t *testing.T) {
	k := newConsole(t, interp.Config{}, nil)
	lib, err := symbols.Standard()
	require.NoError(t, err)
	for _, path := range lib.Paths() {
		pkg := lib.Package(path)
		if pkg.Source != nil {
			continue
		}
		var make, copies []string
		for _, name := range pkg.Types.Scope().Names() {
			obj, ok := pkg.Types.Scope().Lookup(name).(*types.TypeName)
			if !ok || !pkg.Allows(name) {
				continue
			}
			if s, ok := obj.Type().Underlying().(*types.Struct); ok {
				before := len(copies)
				for f := range s.Fields() {
					if _, channel := f.Type().(*types.Chan); f.Exported() && !channel { // the C of a timer, written by nobody
						copies = append(copies, fmt.Sprintf("%[1]s1.%[2]s = %[1]s2.%[2]s", name, f.Name()))
					}
				}
				if len(copies) > before {
					make = append(make, fmt.Sprintf("var %[1]s1, %[1]s2 %[2]s.%[1]s; var %[1]s0 *%[2]s.%[1]s", name, pkg.Name))
				}
			}
		}
		if len(copies) == 0 {
			continue
		}
		_, err := k.eval(context.Background(), strings.Join(make, "\n"))
		require.NoError(t, err, "%s", make)
		_, err = k.eval(context.Background(), "{\n"+strings.Join(copies, "\n")+"\n}")
		require.NoError(t, err, "%s", copies)
		nothing := strings.Replace(copies[0], "1.", "0.", 1)
		_, err = k.eval(context.Background(), nothing)
		assert.ErrorAs(t, err, new(*interp.Panic), nothing)
	}
}
