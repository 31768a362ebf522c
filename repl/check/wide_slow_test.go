//go:build slow

package check_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
)

// A second generator of programs: types, methods, interfaces, type parameters, iterators, goto, select and deferred calls. Most
// values pass through tr, which prints a number: so each program prints the order of its calls. Names of the package begin with
// XX_, so that many programs fit into one package of the reference.
//
// What Go leaves open stays out: within a statement, nothing that a call changes is read as a plain operand (spec, Order of
// evaluation: only calls, receives and logical operators have an order), and maps with several entries are walked in sorted order.

type wide struct {
	r      *rand.Rand
	b      strings.Builder
	indent int
	vars   []genVar
	n      int
	depth  int
	loops  []string // labels of the loops around, "" for one without
	result []string
	named  []string // names of results
	funcs  []genFunc
	labels bool   // goto may stand here
	ptrStr bool   // String has a pointer receiver
	first  string // statement that the next loop begins with
}

var wideTypes = []string{"int", "int", "int", "string", "string", "float64", "bool", "uint8", "[]int", "[]string", "map[string]int", "XX_Num", "XX_Rec", "*XX_Rec", "XX_Emb", "*XX_Emb", "XX_I", "XX_I", "any",
	"error", "func(int) int", "XX_Fn", "XX_Pair[int, string]", "XX_Pair[XX_Num, XX_Pair[string, int]]", "*XX_Stack[int]", "*XX_Stack[XX_I]", "*XX_List[string]", "[2]XX_Rec", "map[XX_Num]XX_Rec", "iter.Seq[int]", "iter.Seq2[string, int]",
	"chan int", "struct{ P, Q int }", "[]XX_I", "*int"}

const wideHead = `package main

import ("errors"; "fmt"; "iter"; "maps"; "slices"; "sort"; "strconv"; "strings")

var _, _, _, _, _ = errors.New, maps.Keys[map[int]int], sort.Ints, strconv.Itoa, strings.ToUpper

func XX_tr[T any](n int, v T) T { fmt.Print(n, " "); return v }
func XX_id[T any](v T) T { return v }

var XX_budget = 150

func XX_ok() bool { XX_budget--; return XX_budget > 0 }

var XX_count int

func XX_next() int { XX_count++; return XX_count }

type XX_Number interface{ ~int | ~float64 | ~uint8 }

func XX_sum[T XX_Number](xs ...T) (t T) { for _, x := range xs { t += x }; return }
func XX_mapf[A, B any](xs []A, f func(A) B) []B { var out []B; for _, x := range xs { out = append(out, f(x)) }; return out }
func XX_fold[A, B any](xs []A, b B, f func(B, A) B) B { for _, x := range xs { b = f(b, x) }; return b }
func XX_seq(n int) iter.Seq[int] { return func(yield func(int) bool) { defer fmt.Print("seq done "); for i := range n { if !yield(i) { fmt.Print("left "); return } } } }
func XX_seq2[K comparable, V any](k K, vs ...V) iter.Seq2[K, V] { return func(yield func(K, V) bool) { for _, v := range vs { if !yield(k, v) { return } } } }
func XX_must[T any](v T, err error) T { if err != nil { panic(err) }; return v }
func XX_kind[T any](v T) string { switch any(v).(type) { case int, uint8: return "whole"; case string: return "text"; case XX_I: return "I"; case nil: return "nil"; case interface{ Error() string }: return "error"; case func(int) int: return "func" }; return "other" }
func XX_at[T any](xs []T, i int) (z T) { if len(xs) == 0 { return }; return xs[((i%len(xs))+len(xs))%len(xs)] }
func XX_sent[T any](vs ...T) chan T { c := make(chan T, len(vs)+1); for _, v := range vs { c <- v }; close(c); return c }
func XX_open(c chan int) chan int { if c == nil { return XX_sent[int]() }; return c }
func XX_over(s iter.Seq[int]) iter.Seq[int] { if s == nil { return XX_seq(1) }; return s }
func XX_over2(s iter.Seq2[string, int]) iter.Seq2[string, int] { if s == nil { return XX_seq2("none", 1) }; return s }
func XX_cut[T any](xs []T) []T { if len(xs) > 5 { return xs[:5] }; return xs }
func XX_short(s string) string { if len(s) > 9 { return s[:9] }; return s }
func XX_or[T any](p *T) *T { if p == nil { return new(T) }; return p }
func XX_call(f func(int) int, n int) int { if f == nil || !XX_ok() { return n }; return f(n) }
func XX_val(i XX_I, n int) int { if i == nil || !XX_ok() { return n }; return i.Val(n) }
func XX_walk(s iter.Seq[int]) (t int) { if s == nil { return }; for v := range s { if t += v + 1; t > 20 { break } }; return }
func XX_try(name string, f func()) {
	defer func() { if r := recover(); r != nil { fmt.Printf("%s recovered %v %T\n", name, r, r) } }()
	f()
	fmt.Println(name, "went well")
}

type XX_I interface { Val(n int) int; Name() string }
type XX_J interface { XX_I; Set(n int) }
type XX_Pair[A, B any] struct { First A; Second B }

func (p XX_Pair[A, B]) Swap() XX_Pair[B, A] { return XX_Pair[B, A]{p.Second, p.First} }

type XX_Stack[T any] struct { items []T }

func (s *XX_Stack[T]) Push(vs ...T) *XX_Stack[T] { s.items = append(s.items, vs...); return s }
func (s *XX_Stack[T]) Len() int { if s == nil { return -1 }; return len(s.items) }
func (s *XX_Stack[T]) Pop() (v T, ok bool) { if s == nil || len(s.items) == 0 { return }; v = s.items[len(s.items)-1]; s.items = s.items[:len(s.items)-1]; return v, true }
func (s *XX_Stack[T]) All() iter.Seq[T] { return func(yield func(T) bool) { if s == nil { return }; for _, v := range s.items { if !yield(v) { return } } } }

type XX_List[T any] struct { V T; Next *XX_List[T] }

func (l *XX_List[T]) Add(v T) *XX_List[T] { if l.Len() > 4 { return l }; return &XX_List[T]{v, l} }
func (l *XX_List[T]) Len() int { n := 0; for ; l != nil; l = l.Next { n++ }; return n }
func (l *XX_List[T]) Each(f func(T) bool) { if l != nil && f(l.V) { l.Next.Each(f) } }

type XX_Num int
type XX_Fn func(int) int
type XX_Fault struct { Code int; Inner error }

func (f *XX_Fault) Error() string { return fmt.Sprint("fault ", f.Code) }
func (f *XX_Fault) Unwrap() error { return f.Inner }
func (n XX_Num) Val(k int) int { return int(n) + k }
func (n XX_Num) Name() string { return "num" }
func (n *XX_Num) Set(k int) { *n = XX_Num(k) }
func (f XX_Fn) Val(k int) int { return XX_call(f, k) }
func (f XX_Fn) Name() string { return "fn" }

var XX_base = errors.New("base")
`

func wideProgram(seed uint64) string {
	g := &wide{r: rand.New(rand.NewPCG(seed, 11))}
	g.b.WriteString(wideHead)
	g.declare()
	for i := range 1 + g.r.IntN(2) {
		g.function(fmt.Sprint("XX_f", i))
	}
	g.line("func main() {\n\tfmt.Println(XX_kind(XX_I(XX_tr(0, XX_Num(7)))))")
	g.body(3+g.r.IntN(3), true, overFunction, deferring, jumping, selecting)
	for _, f := range g.funcs {
		g.line("\tXX_try(%q, func() { fmt.Println(%s) })", f.name[3:], g.callText(f, 2))
	}
	g.line("\tfmt.Println(XX_count)\n}")
	return g.b.String()
}

// declare writes the types that differ from program to program.
func (g *wide) declare() {
	g.ptrStr = g.chance(2)
	g.line("type XX_Rec struct { A int; B string; C []int; D XX_Num; E any }")
	g.line("func (r %sXX_Rec) Val(n int) int { return r.A + n + len(r.C) }", g.pick("*", "", ""))
	g.line("func (r %sXX_Rec) Name() string { return \"rec \" + r.B }", g.pick("", "*"))
	g.line("func (r *XX_Rec) Set(n int) { r.A, r.B = n, r.B+\".\" }")
	g.line("func (r *XX_Rec) Add(n int) *XX_Rec { r.A += n; return r }")
	if g.chance(2) {
		g.line("func (r %sXX_Rec) String() string { return \"<\" + XX_short(r.B) + \">\" }", g.pick("", "*"))
	}
	if g.chance(2) {
		g.line("func (n XX_Num) String() string { return \"n\" + strconv.Itoa(int(n)) }")
	}
	g.line("type XX_Emb struct { %sXX_Rec; F float64%s }", g.pick("", "", ""), g.pick("", "; XX_Pair[int, string]"))
	if g.chance(2) {
		g.line("func (e %sXX_Emb) Val(n int) int { return e.XX_Rec.A * n }", g.pick("", "*"))
	}
}

func (g *wide) line(format string, args ...any) {
	g.b.WriteString(strings.Repeat("\t", g.indent))
	fmt.Fprintf(&g.b, format, args...)
	g.b.WriteByte('\n')
}
func (g *wide) chance(n int) bool            { return g.r.IntN(n) == 0 }
func (g *wide) pick(list ...string) string   { return list[g.r.IntN(len(list))] }
func (g *wide) typ() string                  { return g.pick(wideTypes...) }
func (g *wide) fresh() string                { g.n++; return fmt.Sprint("v", g.n) }
func (g *wide) add(name, typ string, f bool) { g.vars = append(g.vars, genVar{name, typ, f}) }

// scope runs f with a scope of its own.
func (g *wide) scope(f func()) {
	n := len(g.vars)
	g.indent++
	g.depth++
	f()
	g.depth--
	g.indent--
	g.vars = g.vars[:n]
}

func (g *wide) variable(typ string, assign bool) string {
	for range 12 {
		if len(g.vars) == 0 {
			return ""
		}
		if v := g.vars[g.r.IntN(len(g.vars))]; v.typ == typ && !(assign && v.fixed) {
			return v.name
		}
	}
	return ""
}

// expr writes an expression of a type.
func (g *wide) expr(typ string, d int) string {
	s := g.plain(typ, d)
	if d > 0 && g.chance(3) {
		g.n++
		return fmt.Sprintf("XX_tr[%s](%d, %s)", typ, g.n, s)
	}
	return s
}

func (g *wide) plain(typ string, d int) string {
	if v := g.variable(typ, false); v != "" && (d <= 0 || g.chance(3)) {
		return v
	}
	e := func(t string) string { return g.expr(t, d-1) }
	f := fmt.Sprintf
	if d > 0 && g.chance(8) { // forms that every type has
		switch g.r.IntN(12) {
		case 0:
			return f("func() %s { return %s }()", typ, e(typ))
		case 1:
			return f("XX_id(%s)", g.typed(typ, d-1))
		case 2:
			return f("XX_must(%s, error(nil))", g.typed(typ, d-1))
		case 3:
			return f("(<-XX_sent[%s](%s))", typ, e(typ))
		case 4:
			return f("any(%s).(%s)", g.typed(typ, d-1), typ) // a nil interface panics
		case 5:
			return f("XX_Pair[%s, int]{%s, %s}.First", typ, e(typ), e("int"))
		case 6:
			return f("XX_Pair[int, %s]{%s, %s}.Swap().First", typ, e("int"), e(typ))
		case 7:
			return f("map[XX_Num]%s{3: %s}[%s]", typ, e(typ), e("XX_Num"))
		case 8:
			return f("XX_at([]%s{%s, %s}, %s)", typ, e(typ), e(typ), e("int"))
		case 9:
			return f("func(p %s, q ...%s) %s { if len(q) > 1 { return q[1] }; return p }(%s, %s)", typ, typ, typ, e(typ), e(typ))
		case 10:
			return f("(*XX_or[%s](nil))", typ)
		case 11:
			return f("struct{ P %s }{%s}.P", typ, e(typ))
		}
	}
	switch typ {
	case "int":
		if d > 0 {
			switch g.r.IntN(26) {
			case 0, 1, 2:
				return f("(%s %s %s)", e("int"), g.pick("+", "-", "*", "&", "|", "^", "&^"), e("int"))
			case 3:
				return f("(%s %s (XX_id(%s)&7 + 1))", e("int"), g.pick("/", "%"), e("int"))
			case 4:
				return f("XX_val(%s, %s)", e("XX_I"), e("int"))
			case 5:
				return f("len(%s)", e(g.pick("[]int", "string", "map[string]int", "[]XX_I", "[]string")))
			case 6:
				return f("%s.A", e(g.pick("XX_Rec", "XX_Emb")))
			case 7:
				return f("XX_call(%s, %s)", e("func(int) int"), e("int"))
			case 8:
				return f("%s.Val(%s)", e("XX_Num"), e("int"))
			case 9:
				return f("XX_Num.Val(%s, %s)", e("XX_Num"), e("int"))
			case 10:
				return f("XX_or(%s).Val(%s)", e("*XX_Rec"), e("int"))
			case 11:
				return f("XX_sum(%s, %s)", g.typed("int", d-1), e("int"))
			case 12:
				return f("XX_fold(%s, %s, func(a, b int) int { return a - b })", e("[]int"), g.typed("int", d-1))
			case 13:
				return f("%s.First", e("XX_Pair[int, string]"))
			case 14:
				return f("%s.Len()", e(g.pick("*XX_Stack[int]", "*XX_List[string]", "*XX_Stack[XX_I]")))
			case 15:
				return f("XX_walk(%s)", e("iter.Seq[int]"))
			case 16:
				return f("%s[%s]", e("map[string]int"), e("string"))
			case 17:
				return f("int(%s)", e(g.pick("uint8", "XX_Num")))
			case 18:
				return f("func() (r int) { defer func() { r += %s }(); return %s }()", e("int"), e("int"))
			case 19:
				return f("func() (r int) { defer func() { if x := recover(); x != nil { r = -%s } }(); return %s }()", e("int"), f("XX_at[int](%s, 1) / (%s)", e("[]int"), "XX_count*0"))
			case 20:
				return f("%s(%s, %s)", g.pick("min", "max"), g.typed("int", d-1), e("int"))
			case 21:
				return f("XX_next()")
			case 22:
				return f("strings.Index(%s, %s)", e("string"), e("string"))
			case 23:
				return f("slices.Index(%s, %s)", e("[]int"), e("int"))
			case 24:
				return f("%s.%s", e("struct{ P, Q int }"), g.pick("P", "Q"))
			case 25:
				return f("(%s << (%s & 3))", g.typed("int", d-1), e("uint8"))
			}
		}
		return fmt.Sprint(g.r.IntN(9))
	case "string":
		if d > 0 {
			switch g.r.IntN(11) {
			case 0, 1:
				return f("XX_short(%s + %s)", e("string"), e("string"))
			case 2:
				return f("fmt.Sprint(%s)", g.typed(g.pick("int", "bool", "XX_Num", "XX_Rec", "XX_Pair[int, string]", "[]int", "any"), d-1))
			case 3:
				return f("%s.B", e(g.pick("XX_Rec", "XX_Emb")))
			case 4:
				return f("XX_kind(%s)", g.typed(g.pick("int", "string", "XX_I", "any", "error", "XX_Num", "[2]XX_Rec", "func(int) int"), d-1))
			case 5:
				return f("XX_or(%s).Name()", e("*XX_Rec"))
			case 6:
				return f("strings.ToUpper(%s)", e("string"))
			case 7:
				return f("%s.Second", e("XX_Pair[int, string]"))
			case 8:
				return f("strings.Join(%s, %s)", e("[]string"), e("string"))
			case 9:
				return f("strconv.Itoa(%s)", e("int"))
			case 10:
				return f("string(rune('a' + %s&15))", e("int"))
			}
		}
		return g.pick(`"a"`, `"k"`, `""`, `"é3"`, `"xy"`)
	case "float64":
		if d > 0 {
			switch g.r.IntN(4) {
			case 0:
				return f("(%s %s %s)", e("float64"), g.pick("+", "-", "*"), e("float64"))
			case 1:
				return f("float64(%s)", e("int"))
			case 2:
				return f("%s.F", e("XX_Emb"))
			case 3:
				return f("XX_sum(%s, %s)", g.typed("float64", d-1), e("float64"))
			}
		}
		return g.pick("0.5", "2.0", "1.25")
	case "bool":
		if d > 0 {
			switch g.r.IntN(10) {
			case 0, 1:
				return f("(%s %s %s)", e("int"), g.pick("<", ">", "==", "!=", "<=", ">="), e("int"))
			case 2, 3:
				return f("(%s %s %s)", e("bool"), g.pick("&&", "||"), e("bool"))
			case 4:
				return f("!%s", e("bool"))
			case 5:
				return f("(%s == %s)", g.typed("any", d-1), g.comparable(d-1))
			case 6:
				return f("errors.Is(%s, XX_base)", e("error"))
			case 7:
				return f("(%s == %s)", g.typed("XX_Pair[int, string]", d-1), g.typed("XX_Pair[int, string]", d-1))
			case 8:
				return f("slices.Contains(%s, %s)", e("[]int"), e("int"))
			case 9:
				return f("func() bool { _, ok := any(%s).(%s); return ok }()", g.typed(g.pick("XX_I", "any", "XX_Num", "*XX_Rec", "error"), d-1), g.pick("XX_I", "XX_J", "int", "XX_Num", "fmt.Stringer", "error", "XX_Rec", "interface{ Len() int }"))
			}
		}
		return g.pick("true", "false")
	case "uint8":
		if d > 0 {
			return f("uint8(XX_id(%s))", g.typed("int", d-1))
		}
		return g.pick("1", "2", "200")
	case "[]int":
		if d > 0 {
			switch g.r.IntN(8) {
			case 0:
				return f("append(XX_cut(%s), %s, %s)", e("[]int"), e("int"), e("int"))
			case 1, 2:
				return f("[]int{%s, %s}", e("int"), e("int"))
			case 3:
				return f("XX_mapf(%s, func(x int) int { return x + %s })", e("[]int"), e("int"))
			case 4:
				return f("slices.Collect(XX_seq(%s & 3))", e("int"))
			case 5:
				return f("slices.Sorted(slices.Values(%s))", e("[]int"))
			case 6:
				return f("%s.C", e("XX_Rec"))
			case 7:
				return f("slices.Clone(%s)", e("[]int"))
			}
		}
		return g.pick("[]int(nil)", "[]int{3, 1, 2}", "make([]int, 2, 4)")
	case "[]string":
		if d > 0 {
			switch g.r.IntN(4) {
			case 0:
				return f("XX_mapf(%s, strconv.Itoa)", e("[]int"))
			case 1:
				return f("slices.Sorted(maps.Keys(%s))", e("map[string]int"))
			case 2:
				return f("strings.Split(%s, \"a\")", e("string"))
			case 3:
				return f("XX_mapf(%s, func(i XX_I) string { return XX_kind(i) })", e("[]XX_I"))
			}
		}
		return `[]string{"p", "q"}`
	case "map[string]int":
		if d > 0 {
			return f("map[string]int{\"k\": %s, %s + \"z\": %s}", e("int"), e("string"), e("int"))
		}
		return g.pick("map[string]int(nil)", `map[string]int{"a": 1}`)
	case "XX_Num":
		if d > 0 {
			switch g.r.IntN(4) {
			case 0:
				return f("XX_Num(%s)", e("int"))
			case 1:
				return f("(%s + %s)", e("XX_Num"), e("XX_Num"))
			case 2:
				return f("XX_sum(%s, XX_Num(%s))", e("XX_Num"), e("int"))
			case 3:
				return f("%s.D", e("XX_Rec"))
			}
		}
		return "XX_Num(4)"
	case "XX_Rec":
		if d > 0 {
			switch g.r.IntN(7) {
			case 0:
				return f("XX_Rec{%s, %s, %s, %s, %s}", e("int"), e("string"), e("[]int"), e("XX_Num"), e("any"))
			case 1:
				return f("XX_Rec{B: %s, A: %s}", e("string"), e("int"))
			case 2:
				return f("(*XX_or(%s))", e("*XX_Rec"))
			case 3:
				return f("%s.XX_Rec", e("XX_Emb"))
			case 4:
				return f("%s[%s&1]", e("[2]XX_Rec"), e("int"))
			case 5:
				return f("%s[%s]", e("map[XX_Num]XX_Rec"), e("XX_Num"))
			case 6:
				return f("(*(&XX_Rec{A: %s}).Add(%s))", e("int"), e("int"))
			}
		}
		return `XX_Rec{A: 2, B: "r"}`
	case "*XX_Rec":
		if d > 0 {
			switch g.r.IntN(4) {
			case 0:
				return f("(&XX_Rec{A: %s, B: %s})", e("int"), e("string"))
			case 1:
				return f("(&XX_Rec{C: %s}).Add(%s).Add(%s)", e("[]int"), e("int"), e("int"))
			case 2:
				return "(*XX_Rec)(nil)"
			case 3:
				return f("(&XX_or(%s).XX_Rec)", e("*XX_Emb"))
			}
		}
		return "new(XX_Rec)"
	case "XX_Emb":
		return f("XX_Emb{XX_Rec: %s, F: %s}", e("XX_Rec"), e("float64"))
	case "*XX_Emb":
		return f("(&XX_Emb{XX_Rec: %s})", e("XX_Rec"))
	case "XX_I":
		if d > 0 {
			switch g.r.IntN(8) {
			case 0, 1:
				return f("XX_I(%s)", e("XX_Num"))
			case 2, 3:
				return f("XX_I(XX_or(%s))", e("*XX_Rec"))
			case 4:
				return f("XX_I(%s)", e("*XX_Emb"))
			case 5:
				return f("XX_I(%s)", e("XX_Fn"))
			case 6:
				return f("XX_at(%s, %s)", e("[]XX_I"), e("int"))
			case 7:
				return f("XX_I(struct{ XX_I }{%s})", g.pick("XX_Num(5)", "XX_Fn(nil)"))
			}
		}
		return g.pick("XX_I(nil)", "XX_I(XX_Num(1))")
	case "[]XX_I":
		return f("[]XX_I{%s, %s}", e("XX_I"), e("XX_I"))
	case "any":
		if d > 0 {
			return f("any(%s)", g.typed(g.pick("int", "string", "XX_Num", "XX_Rec", "XX_I", "error", "[]int", "XX_Pair[int, string]", "bool", "[2]XX_Rec", "float64", "struct{ P, Q int }"), d-1))
		}
		return g.pick("any(nil)", "any(1)", `any("s")`)
	case "error":
		if d > 0 {
			switch g.r.IntN(4) {
			case 0:
				return f("fmt.Errorf(\"w%%d: %%w\", %s, %s)", e("int"), "XX_base")
			case 1:
				return f("error(&XX_Fault{%s, %s})", e("int"), e("error"))
			case 2:
				return f("errors.Join(%s, XX_base)", e("error"))
			}
		}
		return g.pick("error(nil)", "XX_base")
	case "func(int) int":
		if d > 0 {
			switch g.r.IntN(6) {
			case 0, 1:
				x := g.fresh()
				n := len(g.vars)
				g.add(x, "int", true)
				s := f("func(%s int) int { return %s }", x, e("int"))
				g.vars = g.vars[:n]
				return s
			case 2:
				return f("%s.Val", e("XX_Num"))
			case 3:
				return f("XX_or(%s).Val", e("*XX_Rec"))
			case 4:
				return f("func(int) int(%s)", e("XX_Fn"))
			case 5:
				return f("XX_I(%s).Val", e("XX_Num"))
			}
		}
		return g.pick("func(int) int(nil)", "func(x int) int { return x + 1 }")
	case "XX_Fn":
		return f("XX_Fn(%s)", e("func(int) int"))
	case "XX_Pair[int, string]":
		if d > 0 && g.chance(2) {
			return f("XX_Pair[string, int]{%s, %s}.Swap()", e("string"), e("int"))
		}
		return f("XX_Pair[int, string]{%s, %s}", e("int"), e("string"))
	case "XX_Pair[XX_Num, XX_Pair[string, int]]":
		return f("XX_Pair[XX_Num, XX_Pair[string, int]]{%s, %s.Swap()}", e("XX_Num"), e("XX_Pair[int, string]"))
	case "*XX_Stack[int]":
		if d > 0 {
			return f("new(XX_Stack[int]).Push(%s, %s)", e("int"), e("int"))
		}
		return "(*XX_Stack[int])(nil)"
	case "*XX_Stack[XX_I]":
		return f("new(XX_Stack[XX_I]).Push(%s...)", e("[]XX_I"))
	case "*XX_List[string]":
		if d > 0 {
			return f("%s.Add(%s)", e("*XX_List[string]"), e("string"))
		}
		return "(*XX_List[string])(nil)"
	case "[2]XX_Rec":
		return f("[2]XX_Rec{1: %s}", e("XX_Rec"))
	case "map[XX_Num]XX_Rec":
		return f("map[XX_Num]XX_Rec{%s: %s}", e("XX_Num"), e("XX_Rec"))
	case "iter.Seq[int]":
		if d > 0 {
			switch g.r.IntN(5) {
			case 0:
				return f("XX_seq(%s & 3)", e("int"))
			case 1:
				return f("slices.Values(%s)", e("[]int"))
			case 2:
				return f("%s.All()", e("*XX_Stack[int]"))
			case 3:
				return f("iter.Seq[int](func(yield func(int) bool) { if yield(%s) { yield(%s) } })", e("int"), e("int"))
			case 4:
				return f("maps.Values(map[int]int{1: %s})", e("int"))
			}
		}
		return "XX_seq(2)"
	case "iter.Seq2[string, int]":
		if d > 0 && g.chance(2) {
			return f("maps.All(map[string]int{%s: %s})", e("string"), e("int"))
		}
		return f("XX_seq2(%s, %s, %s)", g.typed("string", d-1), g.typed("int", d-1), e("int"))
	case "chan int":
		return f("XX_sent(%s, %s)", g.typed("int", d-1), e("int"))
	case "struct{ P, Q int }":
		return f("struct{ P, Q int }{%s, %s}", e("int"), e("int"))
	case "*int":
		if v := g.variable("int", true); v != "" {
			return "(&" + v + ")"
		}
		return "new(int)"
	}
	panic(typ)
}

// typed writes an expression whose type is clear without a context.
func (g *wide) typed(typ string, d int) string {
	switch s := g.expr(typ, d); typ {
	case "int", "string", "bool", "float64", "uint8", "any", "error":
		return typ + "(" + s + ")"
	default:
		return s
	}
}

// comparable writes an any that is compared without a panic, most times.
func (g *wide) comparable(d int) string {
	return "any(" + g.typed(g.pick("int", "string", "XX_Num", "XX_Pair[int, string]", "XX_I"), d) + ")"
}

func (g *wide) callText(f genFunc, d int) string {
	var args []string
	for _, t := range f.in {
		args = append(args, g.expr(t, d))
	}
	return f.name + "(" + strings.Join(args, ", ") + ")"
}

// show prints a variable, not an address.
func (g *wide) show(name, typ string) {
	switch typ {
	case "*XX_Rec", "*XX_Emb", "*int":
		g.line("fmt.Println(%q, *XX_or(%s))", name, name)
	case "XX_I":
		g.line("fmt.Println(%q, XX_val(%s, 1), XX_kind(%s))", name, name, name)
	case "func(int) int":
		g.line("fmt.Println(%q, XX_call(%s, 2))", name, name)
	case "XX_Fn":
		g.line("fmt.Println(%q, %s.Val(2))", name, name)
	case "*XX_Stack[int]", "*XX_Stack[XX_I]", "[]XX_I", "*XX_List[string]", "error":
		g.line("fmt.Printf(\"%s %%T %%v\\n\", %s, %s == nil)", name, name, name)
	case "iter.Seq[int]":
		g.line("fmt.Println(%q, XX_walk(%s))", name, name)
	case "iter.Seq2[string, int]":
		g.line("if %s != nil { for k, v := range %s { fmt.Println(%q, k, v); break } }", name, name, name)
	case "chan int":
		g.line("fmt.Println(%q, len(%s), cap(%s))", name, name, name)
	case "any", "XX_Rec", "XX_Emb", "[2]XX_Rec", "map[XX_Num]XX_Rec": // an any may hold a pointer
		g.line("fmt.Printf(\"%s %%T\\n\", %s)", name, name)
	default:
		g.line("fmt.Printf(\"%s %s %%T\\n\", %s, %s)", name, g.pick("%v", "%+v", "%#v"), name, name)
	}
}

func (g *wide) function(name string) {
	f := genFunc{name: name}
	var params, results []string
	for i := range g.r.IntN(3) {
		t := g.typ()
		f.in = append(f.in, t)
		params = append(params, fmt.Sprint("p", i, " ", t))
		g.add(fmt.Sprint("p", i), t, false)
	}
	named := g.chance(2)
	for i := range 1 + g.r.IntN(2) {
		t := g.pick("int", "string", "bool", "XX_Num", "XX_Pair[int, string]", "[]int")
		f.out = append(f.out, t)
		if named {
			results = append(results, fmt.Sprint("out", i, " ", t))
			g.named = append(g.named, fmt.Sprint("out", i))
			g.add(fmt.Sprint("out", i), t, false)
		} else {
			results = append(results, t)
		}
	}
	g.line("func %s(%s) (%s) {", name, strings.Join(params, ", "), strings.Join(results, ", "))
	g.result = f.out
	g.body(2+g.r.IntN(2), true)
	g.indent++
	g.returns()
	g.indent--
	g.line("}")
	g.vars, g.result, g.named = nil, nil, nil
	g.funcs = append(g.funcs, f)
}

func (g *wide) returns() {
	if g.named != nil && g.chance(2) {
		g.line("return")
		return
	}
	var vals []string
	for _, t := range g.result {
		vals = append(vals, g.expr(t, 2))
	}
	g.line("return %s", strings.Join(vals, ", "))
}

// body writes n statements, and one of each kind in must.
func (g *wide) body(n int, whole bool, must ...int) {
	g.scope(func() {
		if whole {
			g.labels = true
			g.depth = 0
		}
		for range n {
			g.stmt()
		}
		for _, kind := range must {
			g.statement(kind)
		}
	})
}

// Kinds of statements that every program has.
const overFunction, deferring, jumping, selecting = 8, 15, 18, 19

// inside writes statements of a function literal: nothing leaves it.
func (g *wide) inside(n int) {
	loops, result, named, labels := g.loops, g.result, g.named, g.labels
	g.loops, g.result, g.named, g.labels = nil, nil, nil, false
	g.body(n, false)
	g.loops, g.result, g.named, g.labels = loops, result, named, labels
}

func (g *wide) newVar() {
	t := g.typ()
	e := g.expr(t, 2)
	v := g.fresh()
	g.line("var %s %s = %s; _ = %s", v, t, e, v)
	g.add(v, t, false)
	if g.chance(2) {
		g.show(v, t)
	}
}

// loop writes a loop, with a label now and then.
func (g *wide) loop(head string, vars ...genVar) {
	label := ""
	if g.chance(3) {
		g.n++
		label = fmt.Sprint("L", g.n)
		g.line("%s:", label)
	}
	g.line("%s", head)
	g.scope(func() {
		g.line("if !XX_ok() { break }")
		if label != "" {
			g.line("if XX_count > 1000000 { continue %s }", label)
		}
		g.line("%s", g.first)
		g.first = ""
		for _, v := range vars {
			switch v.typ {
			case "XX_Rec":
				g.line("fmt.Print(%s.A, \" \")", v.name)
			default:
				g.line("fmt.Print(%s, \" \")", v.name)
			}
			g.add(v.name, v.typ, v.fixed)
		}
		g.loops = append(g.loops, label)
		for range 1 + g.r.IntN(2) {
			g.stmt()
		}
		g.loops = g.loops[:len(g.loops)-1]
	})
	g.line("}")
}

func (g *wide) stmt() {
	if g.depth > 3 {
		g.newVar()
		return
	}
	g.statement(g.r.IntN(34))
}

func (g *wide) statement(kind int) {
	e := func(t string) string { return g.expr(t, 1+g.r.IntN(2)) }
	switch kind {
	default:
		g.newVar()
	case 1, 2:
		t := g.typ()
		if v := g.variable(t, true); v != "" {
			g.line("%s = %s", v, e(t))
			g.show(v, t)
		}
	case 3:
		if v := g.variable("int", true); v != "" {
			g.line("%s %s %s", v, g.pick("+=", "-=", "^=", "*="), e("int"))
		}
	case 4: // several at once
		t, u := g.typ(), g.typ()
		a, b := g.variable(t, true), g.variable(u, true)
		if a != "" && b != "" && a != b {
			g.line("%s, %s = %s, %s", a, b, e(t), e(u))
		}
	case 5:
		g.line("if (%s) {", e("bool"))
		g.body(2, false)
		if g.chance(2) {
			g.line("} else if x := (%s); x > 3 {", g.typed("int", 2))
			g.body(1, false)
		}
		g.line("} else {")
		g.body(1, false)
		g.line("}")
	case 6:
		i := g.fresh()
		g.loop(fmt.Sprintf("for %s := (%s & 1); %s < 3; %s++ {", i, g.typed("int", 1), i, i), genVar{i, "int", true})
	case 7:
		k, v := g.fresh(), g.fresh()
		g.loop(fmt.Sprintf("for %s, %s := range XX_cut(%s) {", k, v, e("[]int")), genVar{k, "int", false}, genVar{v, "int", false})
	case overFunction, 9:
		v := g.fresh()
		g.loop(fmt.Sprintf("for %s := range XX_over(%s) {", v, e("iter.Seq[int]")), genVar{v, "int", false})
	case 10:
		k, v := g.fresh(), g.fresh()
		g.loop(fmt.Sprintf("for %s, %s := range XX_over2(%s) {", k, v, e("iter.Seq2[string, int]")), genVar{k, "string", false}, genVar{v, "int", false})
	case 11:
		v := g.fresh()
		switch g.r.IntN(7) {
		case 0:
			g.loop(fmt.Sprintf("for %s := range XX_open(%s) {", v, e("chan int")), genVar{v, "int", false})
		case 1:
			w := g.fresh()
			g.loop(fmt.Sprintf("for %s, %s := range (%s + \"é\") {", v, w, e("string")), genVar{v, "int", false})
		case 2:
			g.loop(fmt.Sprintf("for %s := range (%s & 3) {", v, g.typed("int", 2)), genVar{v, "int", false})
		case 3:
			w := g.fresh()
			g.loop(fmt.Sprintf("for %s, %s := range (%s) {", v, w, e("[2]XX_Rec")), genVar{v, "int", false}, genVar{w, "XX_Rec", false})
		case 4: // what is gone over changes meanwhile
			w, m := g.fresh(), g.fresh()
			g.line("%s := map[int][2]int{0: {%s, %s}, 1: {1, 2}}; _ = %s", m, e("int"), e("int"), m)
			head := fmt.Sprintf("for %s, %s := range %s[%s & 1] {", v, w, m, g.typed("int", 2))
			g.first = fmt.Sprintf("%s[0], %s[1] = [2]int{%d, %s}, [2]int{}", m, m, g.n, v)
			g.loop(head, genVar{v, "int", false}, genVar{w, "int", false})
		case 5:
			w, m := g.fresh(), g.fresh()
			g.line("%s := [][2]int{{%s, %s}, {1, 2}}; _ = %s", m, e("int"), e("int"), m)
			head := fmt.Sprintf("for %s, %s := range %s[%s & 1] {", v, w, m, g.typed("int", 2))
			g.first = fmt.Sprintf("%s[0][1], %s[1][1] = %d, %s", m, m, g.n, v)
			g.loop(head, genVar{v, "int", false}, genVar{w, "int", false})
		case 6:
			w, m := g.fresh(), g.fresh()
			g.line("%s := []*[2]int{{%s, %s}, {1, 2}}; _ = %s", m, e("int"), e("int"), m)
			head := fmt.Sprintf("for %s, %s := range %s[%s & 1] {", v, w, m, g.typed("int", 2))
			g.first = fmt.Sprintf("%s[0][1], %s[1] = %d, %s[0]", m, m, g.n, m)
			g.loop(head, genVar{v, "int", false}, genVar{w, "int", false})
		}
	case 12:
		g.line("switch x := (%s); x {", g.typed("int", 2))
		g.line("case (%s):", e("int"))
		g.body(1, false)
		g.line("case XX_count, len(%s):", e("string"))
		g.body(1, false)
		if g.chance(2) {
			g.line("\tfallthrough")
		}
		g.line("default:")
		g.body(1, false)
		g.line("}")
	case 13, 14: // type switches
		x := g.fresh()
		g.line("switch %s := (%s).(type) {", x, e(g.pick("any", "XX_I")))
		for _, t := range []string{"XX_Num", g.pick("*XX_Rec", "*XX_Emb"), "XX_Fn"} {
			g.line("case %s:", t)
			n := len(g.vars)
			g.add(x, t, false)
			g.body(1, false)
			g.vars = g.vars[:n]
		}
		g.line("case interface{ Set(int) }, nil:\n_ = %s", x)
		g.body(1, false)
		g.line("case fmt.Stringer:\nfmt.Printf(\"%%T\\n\", %s)", x)
		g.line("}")
	case deferring:
		switch g.r.IntN(6) {
		case 0:
			g.line("defer fmt.Println(\"deferred\", %s)", e("int"))
		case 1:
			g.line("defer func() {")
			g.inside(1)
			g.line("}()")
		case 2:
			v := g.variable("int", true)
			if v == "" {
				v = "XX_count"
			}
			g.line("defer func(n int) { %s += n; fmt.Println(\"deferred\", %s) }(%s)", v, v, e("int"))
		case 3:
			g.line("defer XX_call(%s, %s)", e("func(int) int"), e("int"))
		case 4:
			g.line("defer XX_or(%s).Set(%s)", e("*XX_Rec"), e("int"))
		case 5:
			g.line("defer XX_I(%s).Val(%s)", e("XX_Num"), e("int"))
		}
	case 16, 17: // panics and what recovers
		g.n++
		g.line("XX_try(\"t%d\", func() {", g.n)
		g.inside(2)
		g.line("\tif (%s) {", e("bool"))
		switch g.r.IntN(8) {
		case 0:
			g.line("\t\tpanic(%s)", e(g.pick("int", "string", "XX_Num", "error")))
		case 1:
			g.line("\t\tfmt.Println(%s[%s])", e("[]int"), e("int"))
		case 2:
			g.line("\t\tfmt.Println(slices.Clip(%s)[%s:%s])", e("[]int"), e("int"), e("int"))
		case 3:
			g.line("\t\tfmt.Println(%s.(%s))", e("any"), g.pick("int", "XX_I", "XX_Num", "XX_Rec", "error", "XX_Pair[int, string]"))
		case 4:
			if g.chance(2) { // not in one statement: whether a nil is found before a call is left open
				g.line("\t\tfmt.Println(%s.A)", e("*XX_Rec"))
			}
			g.line("\t\tfmt.Println(%s / XX_sum[int]())", e("int"))
		case 5:
			g.line("\t\tfmt.Println(%s.Val(%s))", e("XX_I"), e("int"))
		case 6:
			g.line("\t\tfmt.Println(%s == %s)", e("any"), e("any"))
		case 7:
			g.line("\t\tdefer func() { fmt.Println(\"again\", recover()); panic(%s) }()\n\t\tpanic(%s)", e("string"), e("int"))
		}
		g.line("\t}\n\t})")
	case jumping:
		if !g.labels || g.depth > 2 {
			g.newVar()
			return
		}
		l, i := g.fresh(), g.fresh()
		if g.chance(2) {
			g.line("{\n%s := 0\nG%s:\nif %s < 2 && XX_ok() {", i, l, i)
			g.body(2, false)
			g.line("%s++\ngoto G%s\n}\n}", i, l)
			return
		}
		g.line("{\nif (%s) { goto G%s }\n{", e("bool"), l)
		labels := g.labels
		g.body(2, false)
		g.labels = labels
		g.line("}\nG%s:\nfmt.Println(\"at\", %s)\n}", l, e("int"))
	case selecting:
		a, b := g.fresh(), g.fresh()
		switch g.r.IntN(3) {
		case 0:
			g.line("select {\ncase %s, ok := <-XX_open(%s):\n\tfmt.Println(%s, ok)", a, e("chan int"), a)
		case 1:
			g.line("select {\ncase make(chan int, %s&1 + 1) <- %s:\n\tfmt.Println(\"sent\")", e("int"), e("int"))
		case 2:
			g.line("%s := make(chan XX_I, 1)\n%s <- %s\nselect {\ncase %s := <-%s:\n\tfmt.Println(XX_val(%s, 3))\ncase <-chan string(nil):\n", b, b, e("XX_I"), a, b, a)
		}
		if g.chance(2) {
			g.line("default:")
			g.body(1, false)
		} else {
			g.line("case <-chan bool(nil):")
		}
		g.line("}")
	case 20: // a goroutine that answers
		c := g.fresh()
		g.line("%s := make(chan string)\ngo func(s string, n int) {\n\tdefer close(%s)\n\t%s <- fmt.Sprint(s, n)\n}(%s, %s)\nfor s := range %s { fmt.Println(s) }", c, c, c, e("string"), e("int"), c)
	case 21: // method values and expressions
		m := g.fresh()
		switch g.r.IntN(5) {
		case 0:
			if v := g.variable("XX_Rec", true); v != "" {
				g.line("%s := %s.Val\n%s.A += 5\n%s.Set(3)\nfmt.Println(%s(1), %s.A)", m, v, v, v, m, v)
			}
		case 1:
			g.line("%s := (*XX_Rec).Add\nfmt.Println(%s(&XX_Rec{A: %s}, %s).A)", m, m, e("int"), e("int"))
		case 2:
			g.line("%s := XX_I.Val\nfmt.Println(%s(%s, %s))", m, m, e("XX_Num"), e("int"))
		case 3:
			g.line("%s := %s.Swap\nfmt.Println(%s())", m, e("XX_Pair[int, string]"), m)
		case 4:
			g.line("%s := (*XX_Stack[int]).Push\nfmt.Println(%s(new(XX_Stack[int]), %s).Pop())", m, m, e("int"))
		}
	case 22: // closures that change what they see
		if v := g.variable("int", true); v != "" {
			m := g.fresh()
			g.line("%s := func() int { %s += 2; return %s }\nfmt.Println(%s(), %s())", m, v, v, m, m)
		}
	case 23:
		g.line("for _, f := range func() (all []func() int) { for i := range 3 { all = append(all, func() int { i += %s; return i }) }; return }() { fmt.Print(f(), f(), \" \") }", e("int"))
	case 24: // leave
		if len(g.loops) > 0 {
			label := g.loops[g.r.IntN(len(g.loops))]
			g.line("if (%s) { %s %s }", e("bool"), g.pick("break", "continue"), label)
		}
	case 25:
		if g.result != nil {
			g.line("if (%s) {", e("bool"))
			g.indent++
			g.returns()
			g.indent--
			g.line("}")
		}
	case 26:
		if len(g.funcs) > 0 {
			f := g.funcs[g.r.IntN(len(g.funcs))]
			g.line("if XX_ok() { fmt.Println(%s) }", g.callText(f, 2))
		}
	case 27: // fields, elements, entries
		switch g.r.IntN(6) {
		case 0:
			if v := g.variable("XX_Rec", true); v != "" {
				g.line("%s.A, %s.E, %s.C = %s, %s, %s", v, v, v, e("int"), e("any"), e("[]int"))
			}
		case 1:
			if v := g.variable("*XX_Rec", true); v != "" {
				g.line("if %s != nil { %s.D++; %s.Set(%s) }", v, v, v, e("int"))
			}
		case 2:
			if v := g.variable("map[string]int", true); v != "" {
				g.line("if %s != nil { %s[%s] += %s; delete(%s, %s) }", v, v, e("string"), e("int"), v, e("string"))
			}
		case 3:
			if v := g.variable("[2]XX_Rec", true); v != "" {
				g.line("%s[%s&1].A, %s[1].B = %s, %s", v, e("int"), v, e("int"), e("string"))
			}
		case 4:
			if v := g.variable("[]int", true); v != "" {
				g.line("if len(%s) > 1 { %s[0], %s[1] = %s[1], %s }; slices.Sort(%s)", v, v, v, v, e("int"), v)
			}
		case 5:
			if v := g.variable("XX_Emb", true); v != "" {
				g.line("%s.XX_Rec, %s.A = %s, %s; %s.Set(%s)", v, v, e("XX_Rec"), e("int"), v, e("int"))
			}
		}
	case 28: // results
		a, b := g.fresh(), g.fresh()
		switch g.r.IntN(5) {
		case 0:
			g.line("%s, %s := %s.Pop()", a, b, e("*XX_Stack[int]"))
		case 1:
			g.line("%s, %s := %s[%s]", a, b, e("map[string]int"), e("string"))
		case 2:
			g.line("%s, %s := %s.(int)", a, b, e("any"))
		case 3:
			g.line("%s, %s := <-XX_open(%s)", a, b, e("chan int"))
		case 4:
			g.line("%s, %s := func() (int, bool) { return %s, %s }()", a, b, e("int"), e("bool"))
		}
		g.line("fmt.Println(%s, %s)", a, b)
		g.add(a, "int", false)
		g.add(b, "bool", false)
	case 29:
		if v := g.variable("*XX_Stack[int]", true); v != "" {
			g.line("if %s != nil { %s.Push(%s); fmt.Println(slices.Collect(%s.All())) }", v, v, e("int"), v)
		}
	case 30:
		if v := g.variable("*XX_List[string]", true); v != "" {
			g.line("%s.Each(func(s string) bool { fmt.Print(s, \";\"); return len(s) < %s })", v, e("int"))
		}
	case 31: // errors
		f := g.fresh()
		g.line("var %s *XX_Fault\nfmt.Println(errors.As(%s, &%s), %s != nil)", f, e("error"), f, f)
	case 32:
		g.line("sort.Slice(%s, func(i, j int) bool { return i < j })", "[]int{2, 1}")
		g.line("fmt.Println(slices.SortedFunc(slices.Values(%s), func(a, b int) int { return b - a }))", e("[]int"))
	case 33:
		g.line("func() {")
		g.inside(2)
		g.line("}()")
	}
}
