//go:build slow

package check_test

import (
	"errors"
	"fmt"
	"go/ast"
	"go/format"
	"go/parser"
	"go/token"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/repl/check"
)

// The examples of the Go specification do the same, compiled by Go and as scripts. They are taken from the copy that the Go
// toolchain has (doc/go_spec.html), each with what it needs of the examples before it in its section, and with givens below where the
// text speaks of names that it does not declare. What Go itself refuses, which many examples show, is left out.

// A piece is one declaration or statement of an example.
type piece struct {
	text     string
	declares bool
}

// specProgram is an example in the making.
type specProgram struct {
	section string
	given   string
	decls   []string
	body    []string
	whole   string // the program, where an example is one
}

const specHead = `package main

import ("fmt"; "io"; "iter"; "math"; "slices"; "strings"; "sync"; "time"; "errors"; "cmp"; "bytes"; "bufio"; "sort"; "strconv")

var _, _, _, _, _, _, _, _, _, _, _, _ = io.EOF, iter.Seq[int](nil), math.Pi, slices.Max[[]int], strings.ToUpper, sync.Mutex{}, time.Second, errors.New, cmp.Compare[int], bytes.Equal, bufio.NewReader, sort.Ints
var _ = strconv.Itoa

func print(a ...any)   { fmt.Print(a...) }
func println(a ...any) { fmt.Println(a...) }

func qshow(name string, v any) {
	t := fmt.Sprintf("%T", v)
	if strings.ContainsAny(t, "*") || strings.Contains(t, "func") || strings.Contains(t, "chan") { fmt.Println(name, t); return }
	fmt.Printf("%s %s %#v\n", name, t, v)
}
`

func (p specProgram) text() string {
	if p.whole != "" {
		return p.whole
	}
	var b strings.Builder
	b.WriteString(specHead + p.given + "\n" + strings.Join(p.decls, "\n") + "\n")
	b.WriteString("func main() {\n\tdefer func() { fmt.Println(\"ended\", recover()) }()\n")
	for _, s := range p.body {
		b.WriteString(s + "\n" + shown(s))
	}
	for _, d := range p.decls {
		b.WriteString(shownGlobals(d))
	}
	return b.String() + "}\n"
}

// shown writes what prints the variables that a statement defines.
func shown(s string) string {
	f, err := parser.ParseFile(token.NewFileSet(), "", "package p\nfunc _() {\n"+s+"\n}", 0)
	if err != nil {
		return ""
	}
	out := ""
	for _, s := range f.Decls[0].(*ast.FuncDecl).Body.List {
		switch s := s.(type) {
		case *ast.AssignStmt:
			for _, x := range s.Lhs {
				if id, ok := x.(*ast.Ident); ok && id.Name != "_" {
					out += fmt.Sprintf("qshow(%q, %s)\n", id.Name, id.Name)
				}
			}
		case *ast.DeclStmt:
			if d := s.Decl.(*ast.GenDecl); d.Tok == token.VAR {
				out += shownNames(d)
			}
		}
	}
	return out
}

func shownNames(d *ast.GenDecl) (out string) {
	for _, sp := range d.Specs {
		for _, id := range sp.(*ast.ValueSpec).Names {
			if id.Name != "_" {
				out += fmt.Sprintf("qshow(%q, %s)\n", id.Name, id.Name)
			}
		}
	}
	return out
}

func declarations(text string) []ast.Decl {
	f, err := parser.ParseFile(token.NewFileSet(), "", "package p\n"+text, 0)
	if err != nil {
		return nil
	}
	return f.Decls
}

func shownGlobals(text string) (out string) {
	for _, d := range declarations(text) {
		if g, ok := d.(*ast.GenDecl); ok && (g.Tok == token.VAR || g.Tok == token.CONST) {
			out += shownNames(g)
		}
	}
	return out
}

// add adds a piece where the program then still is Go.
func (p *specProgram) add(x piece) (err error) {
	ways := []func(specProgram) specProgram{
		func(q specProgram) specProgram { q.body = append(slices.Clone(q.body), x.text); return q },
		func(q specProgram) specProgram { // an expression alone
			q.body = append(slices.Clone(q.body), "qshow(\"\", "+strings.TrimSpace(comment.ReplaceAllString(x.text, ""))+")")
			return q
		},
	}
	declare := func(q specProgram) specProgram { q.decls = append(slices.Clone(q.decls), x.text); return q }
	if x.declares || strings.HasPrefix(x.text, "var") {
		ways = append([]func(specProgram) specProgram{declare}, ways...)
	} else {
		expr := strings.TrimSpace(comment.ReplaceAllString(x.text, ""))
		for _, form := range []string{
			"qshow(\"\", *new(" + expr + "))",                               // a type
			"{\n" + x.text + "\n" + shown(x.text) + "}",                     // in a block of its own
			"func() {\n" + x.text + "\n}()",                                 // it returns
			"qshow(\"\", func() any {\n" + x.text + "\n" + "return 0\n}())", // a value
		} {
			ways = append(ways, func(q specProgram) specProgram { q.body = append(slices.Clone(q.body), form); return q })
		}
	}
	var first error
	for _, d := range declarations(x.text) {
		if f, ok := d.(*ast.FuncDecl); ok && f.Body == nil {
			return errors.New("no body")
		}
	}
	for _, way := range ways {
		q := way(*p)
		if err = vet(q.text()); err == nil {
			*p = q
			return nil
		}
		if first == nil {
			first = err
		}
	}
	return first
}

var (
	specMark = regexp.MustCompile(`(?s)<h[234] id="([^"]+)"|<pre>\n(.*?)</pre>`)
	specTag  = regexp.MustCompile(`<[^>]*>`)
	comment  = regexp.MustCompile(`(?m)//.*$`)
	endless  = regexp.MustCompile(`select \{\}|random sequence of bits|sleep\(10\)`)
	hexes    = regexp.MustCompile(`0x[0-9a-f]+|0xc[0-9a-f]+`)
)

// cut returns the pieces of an example: by Go's own rules, and line by line where those do not hold.
func cut(text string) (out []piece) {
	text = strings.ReplaceAll(text, "…", "")
	pieces, err := check.Pieces(text)
	if err == nil {
		for _, p := range pieces {
			out = append(out, piece{p.Text, p.Declares})
		}
		return out
	}
	for line := range strings.Lines(text) {
		if ps, err := check.Pieces(line); err == nil {
			for _, p := range ps {
				out = append(out, piece{p.Text, p.Declares})
			}
		}
	}
	return out
}

func specPrograms(t *testing.T) (all []specProgram, left []string) {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Skip("NOT TESTED WITH THE EXAMPLES OF THE SPECIFICATION: no Go toolchain here")
	}
	data, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(root)), "doc", "go_spec.html"))
	if err != nil {
		t.Skip("NOT TESTED WITH THE EXAMPLES OF THE SPECIFICATION: this Go toolchain has no doc/go_spec.html")
	}
	section := ""
	var before []specProgram // of the section
	for _, m := range specMark.FindAllStringSubmatch(string(data), -1) {
		if m[1] != "" {
			section, before = m[1], nil
			continue
		}
		text := html.UnescapeString(specTag.ReplaceAllString(m[2], ""))
		if f, err := parser.ParseFile(token.NewFileSet(), "", text, 0); err == nil && f.Scope.Lookup("main") != nil { // a whole package
			all = append(all, specProgram{section: section, whole: strings.ReplaceAll(text, "for {", "for range 20 {")}) // it would print primes for ever
			continue
		}
		p := specProgram{section: section, given: specGiven[section]}
		if vet(p.text()) != nil {
			t.Fatalf("givens of %s: %v", section, vet(p.text()))
		}
		for _, x := range cut(text) {
			if endless.MatchString(x.text) {
				continue
			}
			err := p.add(x)
			for i := len(before) - 1; err != nil && i >= 0; i-- { // what came before in the section
				q := p
				q.decls = slices.Concat(before[i].decls, p.decls)
				q.body = slices.Concat(before[i].body, p.body)
				if q.add(x) == nil {
					p, err = q, nil
				}
			}
			if err != nil {
				left = append(left, fmt.Sprintf("%s: %s\n\t\t%v", section, strings.ReplaceAll(x.text, "\n", "\n\t"), err))
			}
		}
		if len(p.decls)+len(p.body) > 0 {
			before = append(before, p)
			all = append(all, p)
		}
	}
	return all, left
}

// specGiven declares, by section, what its examples speak of and do not declare.
var specGiven = map[string]string{
	"Identifiers":                           "var a, _x9, ThisVariableIsExported, αβ = 1, 2, 3, 4",
	"Integer_literals":                      "var _42 = 42",
	"Variables":                             "type T struct{ A int }",
	"Array_types":                           "const N = 3",
	"Slice_types":                           "type T string; const length, capacity = 2, 5",
	"Struct_types":                          "type T1 struct{ A int }; type T2 string; type qP struct{}",
	"Pointer_types":                         "type Point struct{ x, y float64 }",
	"Function_types":                        "type T struct{}",
	"Map_types":                             "type T struct{ A int }",
	"Channel_types":                         "type T string",
	"Alias_declarations":                    "type Node struct{ Next *Node }; type polar struct{ r, phi float64 }",
	"Type_declarations":                     "type Node struct{ Next *Node }",
	"Variable_declarations":                 "type T = int; var x any = 7; var entries = map[string]int{\"k\": 4}; var name = \"k\"; func complexSqrt(x float64) (re, im float64) { return 0, math.Sqrt(-x) }",
	"Short_variable_declarations":           "var p, str = 3, \"a b\"; func coord(p int) (x, y, z int) { return p, p + 1, p + 2 }; func nextField(s string, i int) (string, int) { return s[i : i+1], i + 1 }",
	"Method_declarations":                   "type Point struct{ x, y float64 }; type Pair[A, B any] struct { a A; b B }",
	"Composite_literals":                    "type Point struct{ x, y float64 }; var tmp, n = []int{1, 2, 3}, 2",
	"Function_literals":                     "var replyChan = make(chan int, 3); const ACK = 6",
	"Primary_expressions":                   "type Point struct{ x, y int }; var x, s, m, i, j = 1, \"abcde\", map[string]int{\"foo\": 3}, 1, 2; type qcolor struct{ color string }; var obj = qcolor{\"red\"}; type qx int; func (q qx) x() int { return int(q) * 3 }; type qf struct{ p []qx }",
	"Selectors":                             "",
	"Method_expressions":                    "",
	"Method_values":                         "type qmine struct{}; func (qmine) M(n int) { fmt.Println(\"M\", n) }; var myVal qmine",
	"Index_expressions":                     "var a, x = map[string]int{\"k\": 4}, \"k\"; var v int; var ok bool",
	"Slice_expressions":                     "",
	"Type_assertions":                       "type T = int; var qx any = 7; var v int; var ok bool; type qy string; func (qy) m() {}",
	"Calls":                                 "type Point struct{ x, y float64 }; func (p *Point) Scale(f float64) { if p == nil { fmt.Println(\"nil\"); return }; p.x *= f; p.y *= f; fmt.Println(*p) }; var x, y = 1.0, 2.0; var value = \"a,b\"; type qlog struct{}; func (qlog) Panic(a ...any) { panic(fmt.Sprint(a...)) }; var log qlog",
	"Instantiations":                        "func sum[T ~int | ~float64 | ~string](x ...T) (t T) { for _, v := range x { t += v }; return }; func apply[S ~[]E, E any](s S, f func(E) E) S { for i := range s { s[i] = f(s[i]) }; return s }",
	"Type_inference":                        "func dedup[S ~[]E, E comparable](s S) S { return slices.Compact(s) }",
	"Operator_precedence":                   "var qa = []int{1, 2, 3}; var i, a, b, y = 1, 40, 2, 6; var chanInt = make(chan int, 1); func g() bool { fmt.Println(\"g\"); return true }",
	"Floating_point_operators":              "var r, x, y, z, t = 1.0, 0.1, 10.0, -1.0, 0.0; var p = new(float64)",
	"Floating-point_operators":              "var r, x, y, z, t = 1.0, 0.1, 10.0, -1.0, 0.0; var p = new(float64)",
	"String_concatenation":                  "var c = 'ü'",
	"Address_operators":                     "type Point struct{ x, y int }; var qx, p, a = 1, new(int), []int{1, 2, 3, 4, 5}; func f(n int) int { return n + 1 }; func pf(n int) *int { return &n }",
	"Receive_operator":                      "type T = bool; var ch = make(chan int, 9); var strobe = make(chan int, 1); var v2, qx int; var ok bool; func f(n int) int { return n * 2 }; func init() { for i := range 9 { ch <- i }; strobe <- 1 }",
	"Conversions":                           "type myString string; var c = make(chan int, 2); func init() { c <- 1; c <- 2 }",
	"Conversions_to_and_from_a_string_type": "type myString string; type myByte byte; type myRune rune",
	"Order_of_evaluation":                   "var y, z, x, c = map[int]int{}, false, []int{1, 2, 3, 4}, make(chan int, 1); var ok int; func init() { c <- 5 }; func qt(s string) int { fmt.Println(s); return 1 }; func f() int { return qt(\"f\") }; func h() bool { return qt(\"h\") > 1 }; func i() int { return qt(\"i\") }; func j() int { return qt(\"j\") }; func g(b bool, n, m int) int { fmt.Println(b, n, m); return n }; func k() int { return qt(\"k\") }",
	"Labeled_statements":                    "type qlog struct{}; func (qlog) Panic(a ...any) { panic(fmt.Sprint(a...)) }; var log qlog",
	"Expression_statements":                 "func h(n int) int { fmt.Println(\"h\", n); return n }; var x, y = 1, 2; type qf struct{}; func (qf) Close() { fmt.Println(\"closed\") }; var f qf; var ch = make(chan int, 2); func init() { ch <- 1; ch <- 2 }",
	"Send_statements":                       "var ch = make(chan int, 1)",
	"Assignment_statements":                 "var x, y, k, n = 1, 2, 3, 2; var p = new(int); var ch = make(chan int, 1); func init() { ch <- 4 }; var one, two, three rune; func f() int { fmt.Println(\"f\"); return 5 }",
	"If_statements":                         "var x, max, y, z = 5, 3, 2, 4; func f() int { return 3 }",
	"Expression_switches":                   "var tag, x, y, z = 2, 4, 3, 5; func f() int { return -3 }; func qs(s string) { fmt.Println(s) }; func s1() { qs(\"s1\") }; func s2() { qs(\"s2\") }; func s3() { qs(\"s3\") }; func f1() { qs(\"f1\") }; func f2() { qs(\"f2\") }; func f3() { qs(\"f3\") }",
	"Type_switches":                         "var x any = 2.5; func printString(s string) { fmt.Println(s) }; func printInt(n int) { fmt.Println(n) }; func printFloat64(f float64) { fmt.Println(f) }; func printFunction(f func(int) float64) { fmt.Println(f(2)) }",
	"For_condition":                         "var a, b = 1, 100",
	"For_clause":                            "func f(n int) { fmt.Println(n) }",
	"For_range":                             "func f(n int) { fmt.Println(n) }; func g(i int, s string) { fmt.Println(i, s) }; func h(key string, v any) { fmt.Println(key, v) }; type Work int; func producer() chan Work { c := make(chan Work, 3); c <- 1; c <- 2; close(c); return c }; func doWork(w Work) { fmt.Println(w) }; var ch chan Work = producer()",
	"Go_statements":                         "func Server() { fmt.Print() }; var c = make(chan bool); func sleep(n int) { time.Sleep(time.Hour) }",
	"Select_statements":                     "func f() int { fmt.Println(\"f\"); return 1 }",
	"Return_statements":                     "type devnull struct{}",
	"Break_statements":                      "const Error, Found = 1, 2; var i, j, n, m, state int; var item any = 5; var a = [][]any{{1, 2}, {3, 5}}; func init() { n, m = 2, 2 }",
	"Continue_statements":                   "var rows = [][]int{{1, 2, 0, 3}, {4, 0, 5}}; const endOfRow = 0; func bias(x, y int) int { return 10*x + y }",
	"Goto_statements":                       "",
	"Defer_statements":                      "var l = 3; func lock(n int) { fmt.Println(\"lock\", n) }; func unlock(n int) { fmt.Println(\"unlock\", n) }",
	"Length_and_capacity":                   "var s = make([]int, 2, 5); var qz complex128",
	"Min_and_max":                           "var z = 7.5",
	"Handling_panics":                       "type Error string; type qlog struct{}; func (qlog) Println(a ...any) { fmt.Println(a...) }; func (qlog) Printf(f string, a ...any) { fmt.Printf(f+\"\\n\", a...) }; var log qlog",
}

func TestSpecExamplesAgreeWithTheCompiler(t *testing.T) {
	programs, left := specPrograms(t)
	pieces := 0
	var texts []string
	for _, p := range programs {
		pieces += len(p.decls) + len(p.body)
		text, err := format.Source([]byte(p.text()))
		require.NoError(t, err)
		texts = append(texts, string(text))
	}
	t.Logf("%d programs, %d pieces, %d left out", len(programs), pieces, len(left))
	if *keep != "" {
		require.NoError(t, os.WriteFile(*keep+"/left", []byte(strings.Join(left, "\n")), 0o644))
		for i, x := range texts {
			require.NoError(t, os.WriteFile(fmt.Sprintf("%s/spec-%d-%s.go", *keep, i, programs[i].section), []byte(x), 0o644))
		}
	}
	got := make([]string, len(texts))
	errs := make([]error, len(texts))
	var together, alone []int // programs whose variables cannot be made end the others' process
	for i, text := range texts {
		got[i], errs[i] = script("spec.go", text)
		if strings.Contains(got[i], "ended") && !strings.Contains(got[i], "ended by a panic") {
			together = append(together, i)
		} else {
			alone = append(alone, i)
		}
	}
	t.Logf("%d of the programs in processes of their own", len(alone))
	compare := func(list []int) {
		var some []string
		for _, i := range list {
			some = append(some, texts[i])
		}
		reference := build(t, some)
		for k, i := range list {
			want := hexes.ReplaceAllString(reference.run(k), "0x")
			if got := hexes.ReplaceAllString(got[i], "0x"); got != want {
				t.Errorf("%s: %s\nerror: %v", programs[i].section, firstDifference(want, got), errs[i])
			}
		}
	}
	compare(together)
	for _, i := range alone {
		compare([]int{i})
	}
	require.Greater(t, pieces, 700)
}
