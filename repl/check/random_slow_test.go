//go:build slow

package check_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
)

// A program generator: random programs in the part of Go that scripts may use,
// which print as they go. They always end: loops are short, functions call
// only earlier ones, and a budget cuts off the rest.

type genVar struct {
	name, typ string
	fixed     bool // not to be assigned: it steers a loop
}

type generator struct {
	r      *rand.Rand
	b      strings.Builder
	indent int
	scopes [][]genVar
	n      int // names given
	depth  int
	loops  []string // labels of the loops around, "" for none
	funcs  []genFunc
	result []string // types of the function's results
	named  []string
	inLit  int
}

type genFunc struct {
	name string
	in   []string
	out  []string
}

var genTypes = []string{"int", "float64", "bool", "string", "[]int", "[]float64", "map[string]int", "S", "*S", "[3]int", "func(int) int", "[]S", "map[string]S", "T", "Celsius", "uint8", "any", "[]string", "error",
	"rune", "int64", "float32", "[][]int", "map[string][]int", "struct{ X int; Y string }", "func() (int, string)", "[2][2]int", "time.Duration", "*int"}

// prelude is what every random program begins with.
const prelude = `type Celsius float64

func (c Celsius) warm(d float64) Celsius { return c + Celsius(d) }

type S struct {
	A int
	B float64
	C []int
	D [2]int
	N string
}

func (s S) sum() int { return s.A + s.D[0] + s.D[1] + len(s.C) }
func (s *S) inc(n int) *S { s.A += n; s.D[n&1]++; return s }

type T struct {
	S
	P *S
	F func(int) int
}

var budget = 3000

func spend() bool { budget--; return budget > 0 }

func at(i, n int) int {
	if n == 0 { panic("empty") }
	if i < 0 { i = -i }
	if i < 0 { i = 0 }
	return i % n
}

func one(xs []int) []int {
	if len(xs) == 0 { return []int{7} }
	if len(xs) > 20 { return xs[:20] }
	return xs
}

func onef(xs []float64) []float64 {
	if len(xs) == 0 { return []float64{0.5} }
	if len(xs) > 20 { return xs[:20] }
	return xs
}

func ones(xs []S) []S {
	if len(xs) == 0 { return []S{{A: 1}} }
	if len(xs) > 10 { return xs[:10] }
	return xs
}

func some(p *S) *S {
	if p == nil { return &S{N: "new"} }
	return p
}

func call(f func(int) int, n int) int {
	if f == nil || !spend() { return n }
	return f(n)
}

func short(s string) string {
	if len(s) > 12 { return s[:12] }
	return s
}

func u8(n int) uint8 { return uint8(n) }

func keys(m map[string]int) []string {
	var ks []string
	for k := range m { ks = append(ks, k) }
	sort.Strings(ks)
	return ks
}

func grid(xs [][]int) [][]int {
	if len(xs) == 0 || len(xs[0]) == 0 { return [][]int{{1, 2}, {3}} }
	if len(xs) > 6 { return xs[:6] }
	return xs
}

func own(p *int) *int {
	if p == nil { n := 7; return &n }
	return p
}

func sum(name string, xs ...int) int {
	t := len(name)
	for _, x := range xs { t += x }
	return t
}

func fib(n int) int {
	if n < 2 { return n }
	return fib(n-1) + fib(n-2)
}

func both(f func() (int, string)) (int, string) {
	if f == nil || !spend() { return 0, "none" }
	return f()
}

func first(m map[string][]int) []string {
	var ks []string
	for k := range m { ks = append(ks, k) }
	sort.Strings(ks)
	return ks
}

func try(f func()) (msg string) {
	defer func() {
		if r := recover(); r != nil { msg = "panicked" }
	}()
	f()
	return "fine"
}

var errOdd = errors.New("odd")

func check(n int) (int, error) {
	if n%2 != 0 { return n, fmt.Errorf("check %d: %w", n, errOdd) }
	return n / 2, nil
}

func pair(n int) (int, string) { return n + 1, fmt.Sprint("p", n) }

var gi = 3
var gf = 2.5
var gs = S{A: 1, C: []int{1, 2}}
var gm = map[string]int{"a": 1}
var hooks []func() int

var _ = strings.ToUpper
var _ = time.Second
`

func randomProgram(seed uint64) string {
	g := &generator{r: rand.New(rand.NewPCG(seed, 7))}
	g.line("package main")
	g.line("")
	g.line("import (\"errors\"; \"fmt\"; \"sort\"; \"strings\"; \"time\")")
	g.line("")
	g.b.WriteString(prelude)
	g.push()
	g.add("gi", "int")
	g.add("gf", "float64")
	g.add("gs", "S")
	g.add("gm", "map[string]int")
	for i := range 3 + g.r.IntN(3) {
		g.function(fmt.Sprint("f", i))
	}
	g.line("func main() {")
	g.indent++
	g.push()
	g.depth = 0
	for range 8 {
		g.stmt()
	}
	for _, f := range g.funcs {
		g.line("fmt.Println(%q)", f.name)
		g.callFunc(f)
	}
	g.dump()
	g.line("for i, h := range hooks { if i < 20 { fmt.Println(\"hook\", h()) } }")
	g.line("fmt.Println(gi, gf, gs, gm)")
	g.pop()
	g.indent--
	g.line("}")
	return g.b.String()
}

func (g *generator) line(format string, args ...any) {
	g.b.WriteString(strings.Repeat("\t", g.indent))
	fmt.Fprintf(&g.b, format, args...)
	g.b.WriteByte('\n')
}

func (g *generator) push() { g.scopes = append(g.scopes, nil) }
func (g *generator) pop()  { g.scopes = g.scopes[:len(g.scopes)-1] }
func (g *generator) add(name, typ string) {
	i := len(g.scopes) - 1
	g.scopes[i] = append(g.scopes[i], genVar{name: name, typ: typ})
}
func (g *generator) fix(name, typ string) {
	i := len(g.scopes) - 1
	g.scopes[i] = append(g.scopes[i], genVar{name, typ, true})
}

// fresh returns a name; now and then one that an outer scope has already.
func (g *generator) fresh() string {
	if g.chance(6) {
		for i := len(g.scopes) - 2; i > 0; i-- {
			for _, v := range g.scopes[i] {
				if !v.fixed && g.chance(3) && !g.inScope(v.name) {
					return v.name
				}
			}
		}
	}
	g.n++
	return fmt.Sprint("v", g.n)
}

func (g *generator) inScope(name string) bool {
	for _, v := range g.scopes[len(g.scopes)-1] {
		if v.name == name {
			return true
		}
	}
	return false
}

func (g *generator) chance(n int) bool { return g.r.IntN(n) == 0 }
func (g *generator) typ() string       { return genTypes[g.r.IntN(len(genTypes))] }

// visible lists variables that nothing hides.
func (g *generator) visible() []genVar {
	seen := map[string]bool{}
	var out []genVar
	for i := len(g.scopes) - 1; i >= 0; i-- {
		for j := len(g.scopes[i]) - 1; j >= 0; j-- {
			v := g.scopes[i][j]
			if !seen[v.name] {
				seen[v.name] = true
				out = append(out, v)
			}
		}
	}
	return out
}

func (g *generator) variable(typ string, assign bool) (string, bool) {
	var vs []genVar
	for _, v := range g.visible() {
		if v.typ == typ && !(assign && v.fixed) {
			vs = append(vs, v)
		}
	}
	if len(vs) == 0 {
		return "", false
	}
	return vs[g.r.IntN(len(vs))].name, true
}

func (g *generator) expr(typ string, d int) string {
	if d <= 0 || g.chance(4) {
		if v, ok := g.variable(typ, false); ok && !g.chance(5) {
			return v
		}
		return g.literal(typ, d)
	}
	e := func(t string) string { return g.expr(t, d-1) }
	switch typ {
	case "int":
		switch g.r.IntN(26) {
		case 0, 1, 2:
			return fmt.Sprintf("(%s %s %s)", e("int"), []string{"+", "-", "*", "&", "|", "^"}[g.r.IntN(6)], e("int"))
		case 3:
			return fmt.Sprintf("(%s / (%s&7 + 9))", e("int"), e("int"))
		case 4:
			return fmt.Sprintf("(%s %% 13)", e("int"))
		case 5:
			return fmt.Sprintf("len(%s)", e([]string{"[]int", "string", "map[string]int", "[]S", "[3]int"}[g.r.IntN(5)]))
		case 6:
			return fmt.Sprintf("one(%s)[0]", e("[]int"))
		case 7:
			return fmt.Sprintf("%s.A", e("S"))
		case 8:
			return fmt.Sprintf("some(%s).A", e("*S"))
		case 9:
			return fmt.Sprintf("%s[at(%s, 3)]", e("[3]int"), e("int"))
		case 10:
			return fmt.Sprintf("%s[%s]", e("map[string]int"), e("string"))
		case 11:
			return fmt.Sprintf("call(%s, %s)", e("func(int) int"), e("int"))
		case 12:
			return fmt.Sprintf("int(%s)", e("uint8"))
		case 13:
			return fmt.Sprintf("%s.sum()", e("S"))
		case 14:
			return fmt.Sprintf("min(%s, %s)", e("int"), e("int"))
		case 15:
			return fmt.Sprintf("max(%s, 3, %s)", e("int"), e("int"))
		case 16:
			return fmt.Sprintf("(-(%s))", e("int"))
		case 17:
			return fmt.Sprintf("%s.D[at(%s, 2)]", e("S"), e("int"))
		case 18:
			return fmt.Sprintf("func() int { return %s }()", e("int"))
		case 19:
			return fmt.Sprintf("%s.A", e("T"))
		case 20:
			return fmt.Sprintf("(%s << (uint(%s) & 3))", e("int"), e("uint8"))
		case 21:
			return fmt.Sprintf("strings.Index(%s, %s)", e("string"), e("string"))
		case 23:
			switch g.r.IntN(9) {
			case 0:
				return fmt.Sprintf("sum(%s, %s, %s)", e("string"), e("int"), e("int"))
			case 1:
				return fmt.Sprintf("sum(%s, one(%s)...)", e("string"), e("[]int"))
			case 2:
				return fmt.Sprintf("fib(at(%s, 9))", e("int"))
			case 3:
				return fmt.Sprintf("grid(%s)[0][0]", e("[][]int"))
			case 4:
				return fmt.Sprintf("int(%s %% 100)", e("int64"))
			case 5:
				return fmt.Sprintf("%s.X", e("struct{ X int; Y string }"))
			case 6:
				return fmt.Sprintf("%s[1][at(%s, 2)]", e("[2][2]int"), e("int"))
			case 7:
				return fmt.Sprintf("*own(%s)", e("*int"))
			case 8:
				return fmt.Sprintf("len(%s[%s])", e("map[string][]int"), e("string"))
			}
		case 22:
			for _, f := range g.funcs {
				if len(f.out) == 1 && f.out[0] == "int" && g.chance(2) {
					return g.callExpr(f, d-1)
				}
			}
		}
		return g.literal(typ, d)
	case "float64":
		switch g.r.IntN(9) {
		case 0, 1:
			return fmt.Sprintf("(%s %s %s)", e("float64"), []string{"+", "-", "*"}[g.r.IntN(3)], e("float64"))
		case 2:
			return fmt.Sprintf("float64(%s %% 1000)", e("int"))
		case 3:
			return fmt.Sprintf("onef(%s)[0]", e("[]float64"))
		case 4:
			return fmt.Sprintf("%s.B", e("S"))
		case 5:
			return fmt.Sprintf("min(%s, 2.5)", e("float64"))
		case 6:
			return fmt.Sprintf("float64(%s)", e("Celsius"))
		case 7:
			return fmt.Sprintf("(%s / 4)", e("float64"))
		}
	case "bool":
		switch g.r.IntN(10) {
		case 0, 1:
			return fmt.Sprintf("(%s %s %s)", e("int"), []string{"<", ">", "==", "!=", "<=", ">="}[g.r.IntN(6)], e("int"))
		case 2:
			return fmt.Sprintf("(%s && %s)", e("bool"), e("bool"))
		case 3:
			return fmt.Sprintf("(%s || %s)", e("bool"), e("bool"))
		case 4:
			return fmt.Sprintf("!%s", e("bool"))
		case 5:
			return fmt.Sprintf("(%s == %s)", e("string"), e("string"))
		case 6:
			return fmt.Sprintf("(%s == %s)", e("[3]int"), e("[3]int"))
		case 7:
			return fmt.Sprintf("(%s == nil)", g.varOr([]string{"[]int", "*S", "func(int) int", "any", "error", "map[string]int"}[g.r.IntN(6)]))
		case 8:
			return fmt.Sprintf("errors.Is(%s, errOdd)", e("error"))
		}
	case "string":
		switch g.r.IntN(7) {
		case 0:
			return fmt.Sprintf("short(%s + %s)", e("string"), e("string"))
		case 1:
			return fmt.Sprintf("fmt.Sprint(%s)", e([]string{"int", "bool", "float64", "[3]int", "[]int", "S"}[g.r.IntN(6)]))
		case 2:
			return fmt.Sprintf("%s.N", e("S"))
		case 3:
			return fmt.Sprintf("strings.ToUpper(%s)", e("string"))
		case 4:
			return fmt.Sprintf("string(rune('a' + at(%s, 26)))", e("int"))
		case 5:
			return fmt.Sprintf("short(%s)[:at(%s, len(short(%s))+1)]", `"abcdef"`, e("int"), `"abcdef"`)
		}
	case "[]int":
		switch g.r.IntN(8) {
		case 0:
			return fmt.Sprintf("append(one(%s), %s)", e("[]int"), e("int"))
		case 1:
			return fmt.Sprintf("[]int{%s, %s}", e("int"), e("int"))
		case 2:
			return fmt.Sprintf("%s.C", e("S"))
		case 3:
			return fmt.Sprintf("one(%s)[:1]", e("[]int"))
		case 4:
			return fmt.Sprintf("make([]int, at(%s, 4), 8)", e("int"))
		case 5:
			return fmt.Sprintf("append([]int{}, one(%s)...)", e("[]int"))
		}
	case "[]float64":
		switch g.r.IntN(3) {
		case 0:
			return fmt.Sprintf("append(onef(%s), %s)", e("[]float64"), e("float64"))
		case 1:
			return fmt.Sprintf("[]float64{%s, 1}", e("float64"))
		}
	case "[]string":
		switch g.r.IntN(3) {
		case 0:
			return fmt.Sprintf("strings.Split(%s, \"a\")", e("string"))
		case 1:
			return fmt.Sprintf("[]string{%s, %s}", e("string"), e("string"))
		}
	case "[]S":
		if g.chance(2) {
			return fmt.Sprintf("append(ones(%s), %s)", e("[]S"), e("S"))
		}
		return fmt.Sprintf("[]S{%s, {A: %s}}", e("S"), e("int"))
	case "S":
		switch g.r.IntN(8) {
		case 0:
			return fmt.Sprintf("S{A: %s, N: %s}", e("int"), e("string"))
		case 1:
			return fmt.Sprintf("(*some(%s))", e("*S"))
		case 2:
			return fmt.Sprintf("ones(%s)[0]", e("[]S"))
		case 3:
			return fmt.Sprintf("%s[%s]", e("map[string]S"), e("string"))
		case 4:
			return fmt.Sprintf("%s.S", e("T"))
		case 5:
			return fmt.Sprintf("S{%s, %s, %s, [2]int{%s, 1}, \"lit\"}", e("int"), e("float64"), e("[]int"), e("int"))
		}
	case "*S":
		switch g.r.IntN(5) {
		case 0:
			return fmt.Sprintf("&S{A: %s}", e("int"))
		case 1:
			return fmt.Sprintf("some(%s).inc(at(%s, 5))", e("*S"), e("int"))
		case 2:
			if v, ok := g.variable("S", false); ok {
				return "&" + v
			}
		case 3:
			if v, ok := g.variable("[]S", false); ok {
				return fmt.Sprintf("&ones(%s)[0]", v)
			}
		}
	case "[3]int":
		if g.chance(2) {
			return fmt.Sprintf("[3]int{%s, 2: %s}", e("int"), e("int"))
		}
	case "func(int) int":
		switch g.r.IntN(4) {
		case 0, 1:
			g.push()
			g.inLit++
			g.fix("x", "int")
			s := fmt.Sprintf("func(x int) int { return x + %s }", g.expr("int", d-1))
			g.inLit--
			g.pop()
			return s
		case 2:
			if v, ok := g.variable("S", true); ok && d > 1 {
				return fmt.Sprintf("func(n int) int { %s.A += n & 3; return %s.A }", v, v)
			}
		case 3:
			if v, ok := g.variable("int", true); ok {
				return fmt.Sprintf("func(n int) int { %s++; return %s + n }", v, v)
			}
		}
	case "map[string]int":
		if g.chance(2) {
			return fmt.Sprintf("map[string]int{\"k\": %s, \"a\": %s}", e("int"), e("int"))
		}
	case "map[string]S":
		return fmt.Sprintf("map[string]S{\"a\": %s, \"\": {A: %s}}", e("S"), e("int"))
	case "T":
		return fmt.Sprintf("T{S: %s, P: %s, F: %s}", e("S"), e("*S"), e("func(int) int"))
	case "Celsius":
		switch g.r.IntN(3) {
		case 0:
			return fmt.Sprintf("Celsius(%s)", e("float64"))
		case 1:
			return fmt.Sprintf("%s.warm(%s)", e("Celsius"), e("float64"))
		case 2:
			return fmt.Sprintf("(%s * 2)", e("Celsius"))
		}
	case "uint8":
		if g.chance(2) {
			return fmt.Sprintf("uint8(%s)", e("int"))
		}
		return fmt.Sprintf("(%s + %s)", e("uint8"), e("uint8"))
	case "any":
		return e([]string{"int", "string", "bool", "float64", "[]int", "uint8"}[g.r.IntN(6)])
	case "rune":
		switch g.r.IntN(3) {
		case 0:
			return fmt.Sprintf("(rune(at(%s, 26)) + 'a')", e("int"))
		case 1:
			return fmt.Sprintf("[]rune(%s + \"é\")[0]", e("string"))
		}
	case "int64":
		switch g.r.IntN(4) {
		case 0:
			return fmt.Sprintf("(%s * 3 >> 1)", e("int64"))
		case 1:
			return fmt.Sprintf("int64(%s)", e("int"))
		case 2:
			return fmt.Sprintf("(-(%s))", e("int64"))
		}
	case "float32":
		switch g.r.IntN(3) {
		case 0:
			return fmt.Sprintf("(%s / 3)", e("float32"))
		case 1:
			return fmt.Sprintf("float32(%s %% 100)", e("int"))
		}
	case "[][]int":
		switch g.r.IntN(3) {
		case 0:
			return fmt.Sprintf("append(grid(%s), one(%s))", e("[][]int"), e("[]int"))
		case 1:
			return fmt.Sprintf("[][]int{{%s}, one(%s)}", e("int"), e("[]int"))
		}
	case "map[string][]int":
		return fmt.Sprintf("map[string][]int{\"a\": %s, %s + \"x\": {%s}}", e("[]int"), e("string"), e("int"))
	case "struct{ X int; Y string }":
		return fmt.Sprintf("struct{ X int; Y string }{%s, %s}", e("int"), e("string"))
	case "func() (int, string)":
		if g.chance(2) {
			return fmt.Sprintf("func() (int, string) { return %s, %s }", e("int"), e("string"))
		}
		if v, ok := g.variable("int", true); ok {
			return fmt.Sprintf("func() (n int, s string) { defer func() { n += %s; %s++ }(); return %s, \"d\" }", v, v, e("int"))
		}
	case "[2][2]int":
		if g.chance(2) {
			return fmt.Sprintf("[2][2]int{{%s, %s}, {1: %s}}", e("int"), e("int"), e("int"))
		}
	case "time.Duration":
		switch g.r.IntN(3) {
		case 0:
			return fmt.Sprintf("(%s * 2)", e("time.Duration"))
		case 1:
			return fmt.Sprintf("time.Duration(%s %% 1000) * time.Millisecond", e("int"))
		}
	case "*int":
		if v, ok := g.variable("int", true); ok && g.chance(2) {
			return "&" + v
		}
		if v, ok := g.variable("S", true); ok {
			return "&" + v + ".A"
		}
	case "error":
		if g.chance(2) {
			return fmt.Sprintf("fmt.Errorf(\"w %%w\", errOdd)")
		}
	}
	if v, ok := g.variable(typ, false); ok {
		return v
	}
	return g.literal(typ, d)
}

// varOr returns a variable of a type that nil has, or one that is always there.
func (g *generator) varOr(typ string) string {
	if v, ok := g.variable(typ, false); ok {
		return v
	}
	return "hooks"
}

func (g *generator) literal(typ string, d int) string {
	switch typ {
	case "int":
		return fmt.Sprint(g.r.IntN(10))
	case "float64":
		return fmt.Sprintf("%d.%d", g.r.IntN(5), g.r.IntN(2)*5)
	case "bool":
		return []string{"true", "false"}[g.r.IntN(2)]
	case "string":
		return fmt.Sprintf("%q", []string{"a", "b", "", "xyz", "é"}[g.r.IntN(5)])
	case "[]int":
		return []string{"[]int(nil)", "[]int{1, 2, 3}", "[]int{}"}[g.r.IntN(3)]
	case "[]float64":
		return "[]float64{1, 2.5}"
	case "[]string":
		return "[]string{\"s\"}"
	case "map[string]int":
		return "map[string]int{\"a\": 5}"
	case "S":
		return "S{A: 2, C: []int{4}}"
	case "*S":
		return []string{"&S{A: 3}", "(*S)(nil)", "new(S)"}[g.r.IntN(3)]
	case "[3]int":
		return "[3]int{1, 2, 3}"
	case "func(int) int":
		return "func(n int) int { return n * 2 }"
	case "[]S":
		return "[]S{{A: 1}, {N: \"n\"}}"
	case "map[string]S":
		return "map[string]S{\"a\": {A: 9}}"
	case "T":
		return "T{S: S{A: 4}, P: &S{}}"
	case "Celsius":
		return "Celsius(20.5)"
	case "uint8":
		return fmt.Sprintf("u8(%d)", g.r.IntN(256))
	case "any":
		return []string{"any(1)", "any(\"s\")", "any(nil)", "any(2.5)"}[g.r.IntN(4)]
	case "error":
		return []string{"error(nil)", "errOdd"}[g.r.IntN(2)]
	case "rune":
		return "'é'"
	case "int64":
		return "int64(9)"
	case "float32":
		return "float32(1.5)"
	case "[][]int":
		return []string{"[][]int{{1}, {2, 3}}", "[][]int(nil)"}[g.r.IntN(2)]
	case "map[string][]int":
		return "map[string][]int{\"b\": {1, 2}}"
	case "struct{ X int; Y string }":
		return "struct{ X int; Y string }{X: 3}"
	case "func() (int, string)":
		return []string{"func() (int, string) { return 1, \"one\" }", "(func() (int, string))(nil)"}[g.r.IntN(2)]
	case "[2][2]int":
		return "[2][2]int{{1, 2}, {3, 4}}"
	case "time.Duration":
		return "time.Second"
	case "*int":
		return []string{"new(int)", "(*int)(nil)"}[g.r.IntN(2)]
	}
	panic(typ)
}

func (g *generator) callExpr(f genFunc, d int) string {
	var args []string
	for _, t := range f.in {
		args = append(args, g.expr(t, d))
	}
	return fmt.Sprintf("%s(%s)", f.name, strings.Join(args, ", "))
}

// callFunc calls a function and prints what comes back.
func (g *generator) callFunc(f genFunc) {
	call := g.callExpr(f, 2)
	var names []string
	for _, t := range f.out {
		n := fmt.Sprint("r", g.n)
		g.n++
		names = append(names, n)
		g.add(n, t)
	}
	if len(names) == 0 {
		g.line("%s", call)
		return
	}
	g.line("%s := %s", strings.Join(names, ", "), call)
	for i, n := range names {
		g.print(n, f.out[i])
	}
}

func (g *generator) print(name, typ string) {
	switch typ {
	case "func(int) int":
		g.line("fmt.Println(%q, call(%s, 1), call(%s, 2))", name, name, name)
	case "*S":
		g.line("fmt.Println(%q, *some(%s))", name, name)
	case "*int":
		g.line("fmt.Println(%q, *own(%s))", name, name)
	case "func() (int, string)":
		g.line("fmt.Println(%q)", name)
		g.line("fmt.Println(both(%s))", name)
	case "rune":
		g.line("fmt.Println(%q, %s, string(%s))", name, name, name)
	case "T":
		g.line("fmt.Println(%q, %s.S, *some(%s.P), call(%s.F, 3))", name, name, name, name)
	default:
		g.line("fmt.Println(%q, %s)", name, name)
	}
}

// dump prints all variables of the innermost scope, which also uses them.
func (g *generator) dump() {
	for _, v := range g.scopes[len(g.scopes)-1] {
		g.print(v.name, v.typ)
	}
}

func (g *generator) function(name string) {
	f := genFunc{name: name}
	var params, results []string
	g.push()
	for i := range g.r.IntN(4) {
		t := g.typ()
		p := fmt.Sprint("p", i)
		f.in = append(f.in, t)
		params = append(params, p+" "+t)
		g.add(p, t)
	}
	named := g.chance(2)
	for i := range g.r.IntN(3) {
		t := g.typ()
		f.out = append(f.out, t)
		if named {
			r := fmt.Sprint("out", i)
			results = append(results, r+" "+t)
			g.add(r, t)
		} else {
			results = append(results, t)
		}
	}
	g.line("func %s(%s) (%s) {", name, strings.Join(params, ", "), strings.Join(results, ", "))
	g.indent++
	g.result = f.out
	g.named = nil
	if named {
		for i := range f.out {
			g.named = append(g.named, fmt.Sprint("out", i))
		}
	}
	g.depth = 0
	for range 3 + g.r.IntN(6) {
		g.stmt()
	}
	g.dump()
	g.returns()
	g.indent--
	g.line("}")
	g.line("")
	g.pop()
	g.result, g.named = nil, nil
	g.funcs = append(g.funcs, f)
}

func (g *generator) returns() {
	if g.named != nil && g.chance(3) && g.namedVisible() {
		g.line("return")
		return
	}
	var vals []string
	for _, t := range g.result {
		vals = append(vals, g.expr(t, 2))
	}
	g.line("return %s", strings.Join(vals, ", "))
}

func (g *generator) namedVisible() bool {
	count := map[string]int{}
	for _, s := range g.scopes {
		for _, v := range s {
			count[v.name]++
		}
	}
	for _, n := range g.named {
		if count[n] > 1 {
			return false
		}
	}
	return true
}

func (g *generator) body(n int) {
	g.indent++
	g.depth++
	g.push()
	for range n {
		g.stmt()
	}
	g.dump()
	g.pop()
	g.depth--
	g.indent--
}

func (g *generator) newVar() {
	t := g.typ()
	e := g.expr(t, 3)
	name := g.fresh()
	switch {
	case g.chance(4):
		g.line("var %s %s = %s", name, t, e)
	case g.chance(5):
		g.line("var %s %s", name, t)
	case t == "any" || t == "error":
		g.line("var %s %s = %s", name, t, e)
	default:
		g.line("%s := %s", name, e)
	}
	g.add(name, t)
}

func (g *generator) stmt() {
	if g.depth > 3 {
		g.newVar()
		return
	}
	switch g.r.IntN(44) {
	case 0, 1, 2, 3:
		g.newVar()
	case 4, 5, 6: // assignment
		t := g.typ()
		if v, ok := g.variable(t, true); ok {
			g.line("%s = %s", v, g.expr(t, 3))
		}
	case 7:
		if v, ok := g.variable("int", true); ok {
			switch g.r.IntN(3) {
			case 0:
				g.line("%s++", v)
			default:
				g.line("%s %s %s", v, []string{"+=", "-=", "*=", "|=", "&=", "^="}[g.r.IntN(6)], g.expr("int", 2))
			}
		}
	case 8: // field, element, entry
		switch g.r.IntN(6) {
		case 0:
			if v, ok := g.variable("S", true); ok {
				g.line("%s.D[at(%s, 2)] += %s", v, g.expr("int", 1), g.expr("int", 2))
			}
		case 1:
			if v, ok := g.variable("*S", true); ok {
				g.line("if %s != nil { %s.A, %s.N = %s, %s }", v, v, v, g.expr("int", 2), g.expr("string", 1))
			}
		case 2:
			if v, ok := g.variable("map[string]int", true); ok {
				g.line("if %s != nil { %s[%s] += %s }", v, v, g.expr("string", 1), g.expr("int", 2))
			}
		case 3:
			if v, ok := g.variable("[3]int", true); ok {
				g.line("%s[at(%s, 3)] = %s", v, g.expr("int", 1), g.expr("int", 2))
			}
		case 4:
			if v, ok := g.variable("[]S", true); ok {
				g.line("if len(%s) > 1 { %s[0], %s[1] = %s[1], %s[0]; %s[0].A++ }", v, v, v, v, v, v)
			}
		case 5:
			if v, ok := g.variable("T", true); ok {
				g.line("%s.S.A, %s.F = %s, %s", v, v, g.expr("int", 2), g.expr("func(int) int", 2))
			}
		}
	case 9: // several at once
		t1, t2 := g.typ(), g.typ()
		e1, e2 := g.typed(t1), g.typed(t2)
		n1, n2 := g.fresh(), g.fresh()
		if n1 == n2 {
			return
		}
		g.line("%s, %s := %s, %s", n1, n2, e1, e2)
		g.add(n1, t1)
		g.add(n2, t2)
	case 10:
		t := g.typ()
		a, ok := g.variable(t, true)
		b, ok2 := g.variable(t, true)
		if ok && ok2 && a != b {
			g.line("%s, %s = %s, %s", a, b, b, a)
		}
	case 11:
		g.line("if (%s) {", g.expr("bool", 3))
		g.body(2)
		if g.chance(2) {
			n := g.fresh()
			g.push()
			g.line("} else if %s := (%s); %s > (%s) {", n, g.expr("int", 2), n, g.expr("int", 1))
			g.add(n, "int")
			g.body(1)
			g.pop()
		}
		if g.chance(2) {
			g.line("} else {")
			g.body(2)
		}
		g.line("}")
	case 12, 13: // three-part loop
		label := g.label()
		i := g.fresh()
		g.push()
		g.line("for %s := 0; %s < %d && spend(); %s++ {", i, i, 1+g.r.IntN(4), i)
		g.use(label)
		g.fix(i, "int")
		g.loops = append(g.loops, label)
		g.body(2)
		g.loops = g.loops[:len(g.loops)-1]
		g.pop()
		g.line("}")
	case 14, 15, 16: // range
		label := g.label()
		g.push()
		k, v := g.fresh(), g.fresh()
		if k == v {
			v += "x"
		}
		var kt, vt, head string
		switch g.r.IntN(7) {
		case 0:
			kt, vt, head = "int", "int", fmt.Sprintf("for %s, %s := range one(%s) {", k, v, g.expr("[]int", 2))
		case 1:
			kt, vt, head = "int", "S", fmt.Sprintf("for %s, %s := range ones(%s) {", k, v, g.expr("[]S", 2))
		case 2:
			kt, vt, head = "int", "int", fmt.Sprintf("for %s, %s := range %s {", k, v, g.expr("[3]int", 2))
		case 3:
			kt, head = "int", fmt.Sprintf("for %s := range at(%s, 5) {", k, g.expr("int", 2))
		case 4:
			kt, vt, head = "int", "string", fmt.Sprintf("for %s, %s := range keys(%s) {", k, v, g.expr("map[string]int", 2))
		case 5:
			kt, head = "int", fmt.Sprintf("for %s := range short(%s) {", k, g.expr("string", 2))
		case 6:
			head = fmt.Sprintf("for range %d {", g.r.IntN(4))
		}
		g.line("%s", head)
		g.use(label)
		g.indent++
		g.line("if !spend() { break }")
		g.indent--
		if kt != "" {
			g.add(k, kt)
		}
		if vt != "" {
			g.add(v, vt)
		}
		g.loops = append(g.loops, label)
		g.indent++
		g.dump()
		g.indent--
		g.body(2)
		g.loops = g.loops[:len(g.loops)-1]
		g.pop()
		g.line("}")
	case 17: // switch
		switch g.r.IntN(3) {
		case 0:
			g.line("switch (%s) {", g.expr("int", 2))
			g.line("case %s, %s:", g.unlike("int"), g.expr("int", 1)+"+1000")
			g.body(1)
			g.line("case %s+2000:", g.expr("int", 1))
			g.body(1)
			if g.chance(2) {
				g.indent++
				g.line("fallthrough")
				g.indent--
				g.line("case 5000:")
				g.body(1)
			}
			g.line("default:")
			g.body(1)
			g.line("}")
		case 1:
			g.line("switch {")
			g.line("case %s, %s:", g.expr("bool", 2), g.expr("bool", 2))
			g.body(1)
			g.line("case %s:", g.expr("bool", 3))
			g.body(1)
			g.line("}")
		case 2:
			v := g.fresh()
			g.line("switch %s := (%s); {", v, g.expr("string", 2))
			g.push()
			g.add(v, "string")
			g.line("case %s == \"a\":", v)
			g.body(1)
			g.line("default:")
			g.body(1)
			g.pop()
			g.line("}")
		}
	case 18: // type switch
		v := g.fresh()
		g.line("switch %s := any(%s).(type) {", v, g.expr("any", 2))
		for _, t := range []string{"int", "string", "[]int"} {
			g.line("case %s:", t)
			g.push()
			g.add(v, t)
			g.indent++
			g.dump()
			g.indent--
			g.body(1)
			g.pop()
		}
		g.line("case bool, float64:")
		g.line("\tfmt.Println(\"other\", %s)", v)
		g.line("case nil:")
		g.line("\tfmt.Println(\"nil\", %s == nil)", v)
		g.line("}")
	case 19: // defer
		if g.result == nil && g.depth > 0 || g.inLit > 0 {
			return
		}
		switch g.r.IntN(4) {
		case 0:
			g.line("defer fmt.Println(\"deferred\", %s)", g.expr("int", 2))
		case 1:
			if v, ok := g.variable("int", true); ok {
				g.line("defer func() { %s += 5; fmt.Println(\"deferred func\", %s) }()", v, v)
			}
		case 2:
			if v, ok := g.variable("S", true); ok {
				g.line("defer %s.inc(1)", v)
			}
		case 3:
			g.line("defer call(%s, %s)", g.expr("func(int) int", 2), g.expr("int", 2))
		}
	case 20: // hook
		if v, ok := g.variable("int", true); ok {
			g.line("hooks = append(hooks, func() int { %s++; return %s })", v, v)
		} else {
			g.line("hooks = append(hooks, func() int { return %s })", g.expr("int", 2))
		}
	case 21: // comma ok
		a, b := g.fresh(), g.fresh()
		if a == b {
			return
		}
		if g.chance(2) {
			g.line("%s, %s := %s[%s]", a, b, g.expr("map[string]int", 2), g.expr("string", 1))
		} else {
			e := g.expr("any", 2)
			g.line("%s, %s := any(%s).(int)", a, b, e)
		}
		g.add(a, "int")
		g.add(b, "bool")
	case 22:
		v, ok := g.variable("int", true)
		b, ok2 := g.variable("bool", true)
		if ok && ok2 {
			g.line("%s, %s = %s[%s]", v, b, g.expr("map[string]int", 2), g.expr("string", 1))
		}
	case 23: // results
		a, b := g.fresh(), g.fresh()
		if a == b {
			return
		}
		switch g.r.IntN(2) {
		case 0:
			g.line("%s, %s := check(%s)", a, b, g.expr("int", 2))
			g.add(a, "int")
			g.add(b, "error")
		case 1:
			g.line("%s, %s := pair(%s)", a, b, g.expr("int", 2))
			g.add(a, "int")
			g.add(b, "string")
		}
	case 24: // closure with statements
		n := g.fresh()
		g.line("%s := func(x int) int {", n)
		g.push()
		g.fix("x", "int")
		savedLoops, savedResult, savedNamed := g.loops, g.result, g.named
		g.loops, g.result, g.named = nil, []string{"int"}, nil
		g.inLit++
		g.line("\tx += 0")
		g.body(2)
		g.line("\treturn %s", g.expr("int", 2))
		g.inLit--
		g.loops, g.result, g.named = savedLoops, savedResult, savedNamed
		g.pop()
		g.line("}")
		g.add(n, "func(int) int")
	case 25: // panic caught
		g.line("fmt.Println(try(func() {")
		g.push()
		savedLoops, savedResult, savedNamed := g.loops, g.result, g.named
		g.loops, g.result, g.named = nil, nil, nil
		g.inLit++
		g.body(2)
		g.inLit--
		g.loops, g.result, g.named = savedLoops, savedResult, savedNamed
		g.line("\tif %s { panic(\"p\") }", g.expr("bool", 2))
		g.line("\tfmt.Println(%s[%s])", g.expr("[]int", 2), g.expr("int", 1))
		g.pop()
		g.line("}))")
	case 26: // leave a loop
		if len(g.loops) > 0 {
			word := []string{"break", "continue"}[g.r.IntN(2)]
			l := ""
			if i := g.r.IntN(len(g.loops)); g.loops[i] != "" {
				l = " " + g.loops[i]
			}
			g.line("if (%s) { %s%s }", g.expr("bool", 2), word, l)
		}
	case 27: // early return
		if g.result != nil {
			g.line("if (%s) {", g.expr("bool", 3))
			g.indent++
			g.returns()
			g.indent--
			g.line("}")
		}
	case 28:
		g.line("{")
		g.body(2)
		g.line("}")
	case 29: // pointers
		if v, ok := g.variable("int", true); ok {
			p := g.fresh()
			g.line("%s := &%s", p, v)
			g.line("*%s += %s", p, g.expr("int", 1))
			g.add(p, "*int")
			g.line("fmt.Println(\"pointer\", *%s, %s)", p, g.expr("int", 1))
		}
	case 30: // method value
		if v, ok := g.variable("S", false); ok {
			m := g.fresh()
			g.line("%s := %s.sum", m, v)
			if w, ok := g.variable("S", true); ok {
				g.line("%s.A += 3", w)
			}
			g.line("fmt.Println(\"method value\", %s())", m)
		}
	case 31:
		if v, ok := g.variable("[]int", true); ok {
			g.line("if len(%s) > 1 { %s[0], %s[len(%s)-1] = %s[len(%s)-1], %s[0] }", v, v, v, v, v, v, v)
		}
	case 32:
		if v, ok := g.variable("[]int", true); ok {
			g.line("sort.Slice(%s, func(i, j int) bool { return %s[i] < %s[j] })", v, v, v)
		}
	case 34:
		if v, ok := g.variable("[]int", true); ok {
			g.line("fmt.Println(\"copied\", copy(%s, %s), %s)", v, g.expr("[]int", 2), v)
		}
	case 35:
		if v, ok := g.variable("map[string][]int", true); ok {
			g.line("if %s != nil { %s[\"n\"] = append(%s[\"n\"], %s); delete(%s, %s) }", v, v, v, g.expr("int", 2), v, g.expr("string", 1))
			g.line("for _, k := range first(%s) { %s[k] = append(%s[k], len(k)); if len(%s[k]) > 0 { %s[k][0]++ } }", v, v, v, v, v)
		}
	case 36:
		if v, ok := g.variable("[][]int", true); ok {
			g.line("for i, row := range %s { for j := range row { %s[i][j] += %s; row[j]++ } }", v, v, g.expr("int", 1))
		}
	case 37:
		if v, ok := g.variable("[2][2]int", true); ok {
			g.line("%s[1][at(%s, 2)], %s[0] = %s, [2]int{%s}", v, g.expr("int", 1), v, g.expr("int", 2), g.expr("int", 1))
		}
	case 38:
		if v, ok := g.variable("*int", true); ok {
			g.line("if %s != nil { *%s += %s; *%s++ }", v, v, g.expr("int", 2), v)
		}
	case 39:
		k := g.fresh()
		g.line("for %s := range (%s + \"éxé\") {", k, g.expr("string", 1))
		g.push()
		g.fix(k, "int")
		g.line("\tfmt.Println(\"byte\", %s)", k)
		g.body(1)
		g.pop()
		g.line("}")
	case 40:
		a, b := g.fresh(), g.fresh()
		if a == b {
			return
		}
		g.line("if %s, %s := both(%s); %s > 0 || %s == \"none\" {", a, b, g.expr("func() (int, string)", 2), a, b)
		g.push()
		g.add(a, "int")
		g.add(b, "string")
		g.body(1)
		g.pop()
		g.line("}")
	case 41:
		if v, ok := g.variable("[]S", true); ok {
			g.line("for i := range %s { p := &%s[i]; p.A += i; p.inc(i); %s[i].D[0]-- }", v, v, v)
		}
	case 42:
		if v, ok := g.variable("struct{ X int; Y string }", true); ok {
			g.line("%s.X, %s.Y = len(%s.Y), fmt.Sprint(%s.X)", v, v, v, v)
		}
	case 43:
		n := g.fresh()
		g.line("const c%s = %d + iota", n, g.r.IntN(5))
		g.line("%s := c%s * %s", n, n, g.expr("int", 2))
		g.add(n, "int")
	case 33:
		if len(g.funcs) > 0 {
			f := g.funcs[g.r.IntN(len(g.funcs))]
			g.line("if spend() {")
			g.indent++
			g.push()
			g.callFunc(f)
			g.pop()
			g.indent--
			g.line("}")
		}
	}
}

// typed returns an expression whose type is clear without a context.
func (g *generator) typed(t string) string {
	e := g.expr(t, 2)
	switch t {
	case "any", "error":
		return fmt.Sprintf("%s(%s)", t, e)
	}
	return e
}

// unlike returns an int expression that is no constant.
func (g *generator) unlike(string) string {
	if v, ok := g.variable("int", false); ok {
		return v
	}
	return "len(hooks)"
}

func (g *generator) label() string {
	if !g.chance(3) {
		return ""
	}
	g.n++
	l := fmt.Sprint("L", g.n)
	g.line("%s:", l)
	return l
}

// use makes sure that a label is used.
func (g *generator) use(label string) {
	if label != "" {
		g.line("\tif gi == 987654 { continue %s }", label)
	}
}
