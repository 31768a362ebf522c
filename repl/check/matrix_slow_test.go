//go:build slow

package check_test

import (
	"flag"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Everything of one type, in every place where a value of the type can stand.
// Most of what the interpreter gets wrong, it gets wrong for one kind of
// expression in one kind of place.

const matrixPrelude = `
type Celsius float64

func (c Celsius) warm(d float64) Celsius { return c + Celsius(d) }

type In struct {
	A int
	D [2]int
}

type S struct {
	A  int
	B  float64
	C  []int
	D  [2]int
	N  string
	OK bool
	In In
	F  func(int) int
	P  *In
	M  map[string]int
	V  any
	E  error
	T  Celsius
}

func (s S) get() int         { return s.A + 1 }
func (s *S) inc() int        { s.A++; return s.A }
func (s S) self() S          { return s }
func (s *S) ptr() *S         { return s }
func (s S) add(n int) int    { return s.A + n }
func (s S) in() In           { return s.In }
func (s S) two() (int, bool) { return s.A, s.OK }

func f(x int) int        { return x * 2 }
func fb(x int) bool      { return x > 2 }
func mkS(x int) S        { return S{A: x, N: "made", C: []int{x}} }
func mkp(x int) *S       { return &S{A: x} }
func mkm() map[string]int { return map[string]int{"k": 4} }
func mka() [2]int        { return [2]int{5, 6} }
func mks(x int) []int    { return []int{x, x + 1} }
func mkf(n int) func(int) int { return func(x int) int { return x + n } }
func mkerr() error       { return errors.New("made") }
func mkany(x int) any    { return x }
func two() (int, string) { return 8, "eight" }

const cst = 5
const cf = 2.5

type level int

const high level = 3

var gx = 11
var gs = S{A: 12, N: "global"}
var errBase = errors.New("base")
`

const matrixLocals = `
	x := 3
	y := 4
	u := uint(2)
	fl := 1.5
	f32 := float32(2.25)
	i64 := int64(1) << 40
	u8 := uint8(200)
	b := true
	s := "abc"
	r := 'é'
	xs := []int{7, 8, 9}
	fs := []float64{0.5}
	bs := []bool{true, false}
	ss := []string{"p", "q"}
	arr := [2]int{1, 2}
	m := map[string]int{"a": 6}
	mb := map[string]bool{"t": true}
	mm := map[string]map[string]int{"a": {"b": 9}}
	t := S{A: 1, B: 2.5, C: []int{4}, D: [2]int{3, 4}, N: "t", OK: true, In: In{A: 2}, F: f, P: &In{A: 5}, M: m, V: 1.5, E: errBase, T: 20}
	pt := &S{A: 21, D: [2]int{8, 9}, N: "pt", P: &In{A: 6}}
	ts := []S{t, {A: 30}}
	ms := map[string]S{"k": {A: 40}}
	mps := map[string]*S{"k": pt}
	pi := &x
	fv := func(n int) int { return n + x }
	mf := map[string]func(int) int{"f": fv}
	c := Celsius(20)
	var av any = "any"
	anys := []any{1, "two", nil}
	var e error = errBase
	d := 2 * time.Second
	ins := []In{{A: 1}, {A: 2}}
	arrs := [][2]int{{1, 2}}
	xx := [][]int{{1}, {2, 3}}
	_, _, _, _, _, _, _, _, _, _ = x, y, u, fl, f32, i64, u8, b, s, r
	_, _, _, _, _, _, _, _, _, _ = xs, fs, bs, ss, arr, m, mb, mm, t, pt
	_, _, _, _, _, _, _, _, _, _ = ts, ms, mps, pi, fv, mf, c, av, anys, e
	_, _, _, _ = d, ins, arrs, xx
`

// expressions by type.
var matrixExpressions = []struct {
	typ   string
	print string // how a value is printed; %s stands for it
	own   bool   // of a type the script declares: not for interfaces
	exprs []string
}{
	{"int", "%s", false, []string{"x", "x + 1", "-x", "^x", "x << 2", "x<<u", "x*y - 3", "x / 2", "x % 2", "x &^ 1", "len(s)", "cap(xs)", "xs[0]", "xs[x-2]", "arr[1]", "arr[x-3]", "t.A", "pt.A", "*pi", "m[\"a\"]", "m[\"none\"]", "mm[\"a\"][\"b\"]", "mm[\"q\"][\"b\"]", "f(x)", "f(f(x))", "t.get()", "pt.inc()", "pt.get()", "t.add(y)", "func() int { return x + y }()", "int(fl)", "int(u8)", "int(i64 >> 38)", "min(x, y)", "max(x, 3, y)", "cst", "cst * 2", "-7", "(x)", "(x + y) * 2", "ts[0].A", "ts[1].get()", "t.D[1]", "pt.D[0]", "ms[\"k\"].A", "mps[\"k\"].A", "any(x).(int)", "strings.Index(s, \"b\")", "gx", "gs.A", "gs.get()", "t.In.A", "t.P.A", "pt.P.A", "t.F(2)", "fv(1)", "mf[\"f\"](2)", "1 << u", "xx[1][0]", "arrs[0][1]", "mkS(3).A", "mkp(4).A", "mkS(3).C[0]", "mks(5)[1]", "mkf(2)(3)", "mkm()[\"k\"]", "mka()[1]", "S{A: 7}.A", "S{A: 7}.get()", "[]int{1, 2}[1]", "map[string]int{\"z\": 4}[\"z\"]", "(&t).A", "(*pt).A", "len([]int{1, 2})", "int(high)", "len(t.N)", "t.M[\"a\"]", "ins[1].A", "t.in().A", "t.self().A", "pt.ptr().A", "pt.ptr().get()", "x & y", "x | y ^ 1", "+x", "int(c)", "strings.Count(s, \"\")", "bytes.IndexByte([]byte(s), 'c')"}},
	{"float64", "%s", false, []string{"fl", "fl * 2", "fl + 1", "-fl", "float64(x)", "math.Sqrt(fl)", "t.B", "fs[0]", "cf", "cf * 3", "float64(f32)", "1 / fl", "math.Pi", "-1.5", "float64(c)", "math.Max(fl, 2)", "min(fl, 1)", "max(fl, float64(x))", "fl / float64(y)", "2 * math.Pi * fl", "d.Seconds()", "1e3", "float64(x) / 2"}},
	{"bool", "%s", false, []string{"b", "!b", "x < y", "x == y && b", "b || x > y", "s == \"abc\"", "xs == nil", "pi != nil", "fb(x)", "!fb(x)", "t.OK", "!t.OK", "bs[1]", "mb[\"t\"]", "mb[\"q\"]", "strings.Contains(s, \"b\")", "[2]int{1, 2} == arr", "ins[0] == ins[1]", "e == nil", "av != nil", "errors.Is(e, errBase)", "true", "x < y && y < 5 || !b", "(x < y) == b", "!(b && x > y)", "any(x) == any(3)", "t.F == nil", "func() bool { return x > 1 }()", "len(xs) > 2 && xs[0] == 7", "m[\"a\"] > 5", "*pi == 3", "fl >= 1.5", "c > 10", "u8 > 100"}},
	{"string", "%s", false, []string{"s", "s + \"z\"", "s[1:]", "string(s[0])", "t.N", "pt.N", "ss[1]", "fmt.Sprint(x)", "fmt.Sprintf(\"%d-%s\", x, s)", "strings.ToUpper(s)", "string(rune(65 + x))", "gs.N", "\"lit\" + s + \"lit\"", "`raw`", "mkS(1).N", "strings.Repeat(s, 2)", "string([]byte{104, 105})", "string([]rune{r, 'x'})", "e.Error()", "strconv.Itoa(x)", "ss[len(ss)-1]", "s[:x-1] + s[1:2]"}},
	{"[]int", "%s", false, []string{"xs", "xs[1:]", "xs[:x-1]", "append(xs, 9)", "[]int{x, y}", "[]int(nil)", "t.C", "make([]int, 2)", "xx[1]", "mks(2)", "append([]int{}, xs...)", "append([]int(nil), x, y)", "mkS(2).C", "arr[:]", "[]int{2: x}", "append(mks(1), mks(2)...)"}},
	{"[2]int", "%s", false, []string{"arr", "[2]int{x, y}", "t.D", "pt.D", "arrs[0]", "mka()", "[2]int{1: x}", "ts[0].D"}},
	{"map[string]int", "%s", false, []string{"m", "map[string]int{\"k\": x}", "t.M", "mkm()", "map[string]int(nil)", "mm[\"a\"]", "map[string]int{}"}},
	{"S", "%s.A, %s.N, %s.C", true, []string{"t", "*pt", "S{A: x}", "S{A: x, N: s, C: xs}", "ts[0]", "ms[\"k\"]", "ms[\"q\"]", "mkS(x)", "t.self()", "gs", "*mkp(3)", "*mps[\"k\"]", "*pt.ptr()"}},
	{"In", "%s", true, []string{"t.In", "In{A: x}", "In{x, arr}", "ins[1]", "*t.P", "t.in()", "In{}"}},
	{"*S", "%s.A, %s.N", true, []string{"pt", "&t", "&S{A: x}", "mps[\"k\"]", "mkp(x)", "&ts[0]", "pt.ptr()", "new(S)", "&gs"}},
	{"*int", "*%s", false, []string{"pi", "&y", "&t.A", "&xs[1]", "&arr[0]", "new(int)", "&pt.A", "&gx"}},
	{"func(int) int", "%s(3), %s(4)", false, []string{"fv", "func(n int) int { return n * x }", "mf[\"f\"]", "t.F", "f", "t.add", "mkf(5)", "gs.add", "func(n int) int { x++; return n + x }"}},
	{"Celsius", "%s", true, []string{"c", "c * 2", "Celsius(fl)", "c.warm(1)", "-c", "c + c/2", "t.T", "Celsius(3)", "Celsius(x) * c", "1.5 * c", "min(c, 3)"}},
	{"uint8", "%s", false, []string{"u8", "u8 + 100", "u8 << 1", "uint8(x)", "^u8", "s[1]", "-u8", "u8 / 3", "'a'", "uint8(y) * u8"}},
	{"int64", "%s", false, []string{"i64", "i64 * 3", "int64(x)", "-i64", "i64 >> 3", "1 << 33", "int64(d)", "i64 % 7"}},
	{"float32", "%s", false, []string{"f32", "f32 * f32", "float32(fl)", "f32 / 3", "-f32", "1.1"}},
	{"rune", "%s", false, []string{"r", "'a'", "rune(s[0])", "r + 1", "[]rune(s)[1]", "'a' + rune(x)"}},
	{"level", "%s", true, []string{"high", "high + 1", "level(x)", "-high", "level(2) * high"}},
	{"time.Duration", "%s", false, []string{"d", "d * 2", "time.Second", "time.Duration(x) * time.Second", "-d", "time.Duration(fl * float64(time.Second))", "d + time.Minute", "time.Since(time.Now()) / time.Hour"}},
	{"any", "%s", false, []string{"av", "any(x)", "anys[1]", "anys[2]", "t.V", "mkany(3)", "x", "s", "-x", "!b", "x < y", "x << 1", "fl * 2", "nil", "xs", "arr", "t.F != nil", "u8 + 1", "cst", "math.Pi", "d", "errBase", "len(xs)", "f(x)", "t.get()", "\"lit\"", "'a'", "1.0"}},
	{"error", "%s", false, []string{"e", "errors.New(\"new\")", "fmt.Errorf(\"wrap: %w\", errBase)", "mkerr()", "nil", "t.E", "errBase"}},
	{"[]any", "%s", false, []string{"anys", "[]any{1, s, -x, !b, x << 2, fl}", "append(anys, x, -y)", "[]any{nil, xs, 'a'}"}},
	{"[]string", "%s", false, []string{"ss", "strings.Split(s, \"b\")", "[]string{s, s + s}", "append(ss, t.N)", "strings.Fields(\" a b \")"}},
	{"[]S", "len(%s), %s[0].A", true, []string{"ts", "[]S{t, {A: 2}}", "append(ts, S{A: 1})", "ts[1:]", "[]S{mkS(4), *pt}"}},
	{"map[string]S", "len(%s), %s[\"k\"].A", true, []string{"ms", "map[string]S{\"k\": {A: 1}, \"l\": t}", "map[string]S{\"k\": mkS(2)}"}},
}

// places where an expression %[1]s of type %[2]s can stand; %[3]s prints v.
var matrixPlaces = []string{
	"var v %[2]s = %[1]s; %[3]s",
	"var v %[2]s; v = %[1]s; %[3]s",
	"var v %[2]s; func() { v = %[1]s }(); %[3]s",
	"h := struct{ V %[2]s }{}; h.V = %[1]s; v := h.V; %[3]s",
	"h := &struct{ V %[2]s }{V: %[1]s}; v := h.V; %[3]s",
	"h := struct { N int; V %[2]s }{1, %[1]s}; v := h.V; %[3]s",
	"p := new(%[2]s); *p = %[1]s; v := *p; %[3]s",
	"l := make([]%[2]s, 1); l[0] = %[1]s; v := l[0]; %[3]s",
	"var l [2]%[2]s; l[1] = %[1]s; v := l[1]; %[3]s",
	"q := map[string]%[2]s{}; q[\"k\"] = %[1]s; v := q[\"k\"]; %[3]s",
	"for _, v := range []%[2]s{%[1]s, %[1]s} { %[3]s }",
	"l := [2]%[2]s{1: %[1]s}; v := l[1]; %[3]s",
	"q := map[string]%[2]s{\"k\": %[1]s}; v := q[\"k\"]; %[3]s",
	"l := append([]%[2]s(nil), %[1]s); v := l[0]; %[3]s",
	"v := func(a %[2]s) %[2]s { return a }(%[1]s); %[3]s",
	"func(n int, vs ...%[2]s) { v := vs[n]; %[3]s }(1, %[1]s, %[1]s)",
	"v := func() %[2]s { return %[1]s }(); %[3]s",
	"v, n := func() (%[2]s, int) { return %[1]s, 1 }(); _ = n; %[3]s",
	"v := func() (a %[2]s) { a = %[1]s; return }(); %[3]s",
	"v := func() (a %[2]s) { return %[1]s }(); %[3]s",
	"v := func() (a %[2]s) { defer func() { x++ }(); return %[1]s }(); %[3]s",
	"v := func() (a %[2]s) { defer func() { recover() }(); a = %[1]s; panic(1) }(); %[3]s",
	"var v %[2]s; var n int; v, n = %[1]s, 2; _ = n; %[3]s",
	"g := func() %[2]s { return %[1]s }; v := g(); %[3]s",
	"for i := 0; i < 2; i++ { var v %[2]s = %[1]s; %[3]s }",
	"var all []func(); for i := range 2 { var v %[2]s = %[1]s; all = append(all, func() { _ = i; %[3]s }) }; for _, g := range all { g() }",
	"func() { defer func(v %[2]s) { %[3]s }(%[1]s); x += 100; s += \"late\" }()",
	"ch := make(chan %[2]s, 1); ch <- %[1]s; v := <-ch; %[3]s",
	"done := make(chan bool); go func(v %[2]s) { %[3]s; done <- true }(%[1]s); <-done",
	"if v := (%[2]s)(%[1]s); x > 0 { %[3]s }",
	"switch v := (%[2]s)(%[1]s); { default: %[3]s }",
	"for v, n := (%[2]s)(%[1]s), 0; n < 1; n++ { %[3]s }",
	"type local struct{ v %[2]s }; w := local{%[1]s}; v := w.v; %[3]s",
	"type rec struct { v %[2]s; next *rec }; w := rec{v: %[1]s}; w.next = &rec{v: w.v}; v := w.next.v; %[3]s",
	"v := (%[2]s)(%[1]s); w := v; func() { v := w; %[3]s }()",
	"var v %[2]s; { v = %[1]s; if x > 1 { w := v; v = w } else { return } }; %[3]s",
}

var matrixAnyPlaces = []string{
	"var v any = %[1]s; fmt.Println(v)",
	"fmt.Println(%[1]s)",
	"fmt.Println([]any{%[1]s, %[1]s})",
	"v := func() any { return %[1]s }(); fmt.Println(v)",
	"v := func() (any, int) { return %[1]s, 1 }; fmt.Println(v())",
	"v := func(a any) any { return a }(%[1]s); fmt.Println(v)",
	"m2 := map[string]any{\"k\": %[1]s}; m2[\"l\"] = %[1]s; fmt.Println(m2)",
	"h := struct{ V any }{%[1]s}; fmt.Println(h.V); h.V = %[1]s; fmt.Println(h.V)",
	"fmt.Println(fmt.Sprintf(\"%%v|%%v\", %[1]s, 1))",
	"var v any; v, n := any(%[1]s), 1; fmt.Println(v, n)",
	"ch := make(chan any, 1); ch <- %[1]s; fmt.Println(<-ch)",
	"defer fmt.Println(\"deferred\", %[1]s)",
	"var v any = %[1]s; w, ok := v.(%[2]s); fmt.Println(ok, w)",
	"switch v := any(%[1]s).(type) { case nil: fmt.Println(\"nil\", v == nil); case %[2]s: fmt.Println(\"right\", v); default: fmt.Println(\"wrong\") }",
}

var matrixBoolPlaces = []string{
	"if %[1]s { fmt.Println(\"yes\") } else { fmt.Println(\"no\") }",
	"for n := 0; n < 2 && (%[1]s); n++ { fmt.Println(n) }",
	"switch { case %[1]s: fmt.Println(\"case\"); default: fmt.Println(\"default\") }",
	"switch { case x > 100, %[1]s: fmt.Println(\"case\"); default: fmt.Println(\"default\") }",
	"switch (%[1]s) { case true: fmt.Println(\"true\"); case false: fmt.Println(\"false\") }",
	"v := (%[1]s) && b; w := b && (%[1]s); fmt.Println(v, w, (%[1]s) || !b, !b || (%[1]s), !(%[1]s))",
	"if b && (%[1]s) || x > 100 { fmt.Println(\"yes\") } else if !(%[1]s) { fmt.Println(\"not\") }",
	"if v := (%[1]s); v && x > 0 { fmt.Println(\"v\") }",
	"fmt.Println(func() bool { return x > 0 && (%[1]s) }(), func() bool { return !(%[1]s) }())",
}

var matrixIntPlaces = []string{
	"v := (%[1]s) + 1; w := 2 * (%[1]s); fmt.Println(v, w, -(%[1]s), (%[1]s)-(%[1]s), (%[1]s)<<1)",
	"v := 5; v += %[1]s; v -= (%[1]s) * 2; fmt.Println(v)",
	"if (%[1]s) > 3 { fmt.Println(\"more\") } else { fmt.Println(\"less\") }",
	"switch %[1]s { case 3, 7, x+1: fmt.Println(\"hit\"); case gx: fmt.Println(\"gx\"); default: fmt.Println(\"other\") }",
	"switch v := %[1]s; { case v > 5: fmt.Println(\"big\"); case v < 0, v == 3: fmt.Println(\"special\"); default: fmt.Println(\"small\") }",
	"fmt.Println(xs[(%[1]s)&1], arr[(%[1]s)&1], s[(%[1]s)&1:])",
	"m[\"n\"] += %[1]s; t.A += %[1]s; xs[(%[1]s)&1] += 3; *pi -= 1; fmt.Println(m[\"n\"], t.A, xs, x)",
	"for i := range (%[1]s)&3 { fmt.Print(i, \" \") }; fmt.Println()",
	"l := make([]int, (%[1]s)&7); fmt.Println(len(l))",
	"fmt.Println(float64(%[1]s)/2, min(%[1]s, 4), max(2, %[1]s), (%[1]s) == 3, (%[1]s) > y && b)",
	"v, ok := map[int]string{3: \"three\"}[%[1]s]; fmt.Println(v, ok)",
	"i, l := 0, []int{0, 0, 0}; i, l[i] = 2, %[1]s; fmt.Println(i, l)",
}

var everyNth = flag.Int("every", 1, "take every so many-th expression")

func TestEveryExpressionInEveryPlace(t *testing.T) {
	const head = "package main\n\nimport (\n\t\"bytes\"\n\t\"errors\"\n\t\"fmt\"\n\t\"math\"\n\t\"strconv\"\n\t\"strings\"\n\t\"time\"\n)\n\n" +
		"var _ = bytes.Equal\nvar _ = math.Pi\nvar _ = strconv.Itoa\nvar _ = strings.Split\nvar _ = time.Second\n" + matrixPrelude
	var texts, names []string
	combinations, impossible, expressions := 0, 0, 0
	for _, kind := range matrixExpressions {
		for _, e := range kind.exprs {
			expressions++
			if expressions%*everyNth != 1%*everyNth {
				continue
			}
			funcs := placeFuncs(kind.typ, kind.print, kind.own, e)
			if vet(head+strings.Join(funcs, "")+"\nfunc main() {}\n") != nil {
				all := len(funcs)
				funcs = slices.DeleteFunc(funcs, func(f string) bool { return vet(head+f) != nil })
				impossible += all - len(funcs)
			}
			var b strings.Builder
			b.WriteString(head)
			for _, f := range funcs {
				b.WriteString(f)
			}
			b.WriteString("\nfunc main() {\n")
			for _, f := range funcs {
				name, _, _ := strings.Cut(strings.TrimPrefix(f, "\nfunc "), "(")
				fmt.Fprintf(&b, "\tfmt.Println(\"at\", %q)\n\t%s()\n", name, name)
			}
			b.WriteString("}\n")
			combinations += len(funcs)
			texts = append(texts, b.String())
			names = append(names, kind.typ+" "+e)
		}
	}
	t.Logf("%d expressions, %d combinations, %d more are no Go", len(texts), combinations, impossible)
	require.Less(t, impossible, combinations/20)
	reference := build(t, texts)
	for i, name := range names {
		want := reference.run(i)
		got, err := script("matrix.go", texts[i])
		if want == got {
			continue
		}
		w, g := strings.Split(want, "\nat "), strings.Split(got, "\nat ")
		for k := range w {
			if k >= len(g) {
				assert.Fail(t, "ends early", "%s\ncompiled: %.200q\nerror: %v", name, w[k], err)
				break
			}
			if w[k] != g[k] {
				assert.Fail(t, "differs", "%s\ncompiled: %.200q\nscript:   %.200q\nerror: %v", name, w[k], g[k], err)
			}
		}
	}
}

// placeFuncs writes a function for each place an expression can stand in.
func placeFuncs(typ, print string, own bool, e string) []string {
	var funcs []string
	place := func(format string) {
		p := fmt.Sprintf("fmt.Println(%s)", strings.ReplaceAll(print, "%s", "v"))
		body, _, _ := strings.Cut(fmt.Sprintf(format, e, typ, p), "%!(EXTRA")
		funcs = append(funcs, fmt.Sprintf("\nfunc place%d() {%s\t%s\n}\n", len(funcs), matrixLocals, body))
	}
	for _, p := range matrixPlaces {
		place(p)
	}
	switch typ {
	case "func(int) int", "*int", "any", "error", "[]any":
	default:
		for _, p := range matrixAnyPlaces {
			if !own && !(untyped(e) && strings.Contains(p, "%[2]s")) {
				place(p)
			}
		}
	}
	switch typ {
	case "bool":
		for _, p := range matrixBoolPlaces {
			place(p)
		}
	case "int":
		for _, p := range matrixIntPlaces {
			place(p)
		}
	}
	return funcs
}

// untyped tells an untyped constant, whose own type may be another.
func untyped(e string) bool {
	switch e {
	case "'a'", "1 << 33", "1.1", "1.0", "cst", "cf":
		return true
	}
	return false
}
