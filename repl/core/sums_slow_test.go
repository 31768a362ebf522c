//go:build slow

package core_test

import (
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// numbers are the types of numbers with values at their ends.
var numbers = []struct {
	typ    string
	values []string
}{
	{"int", []string{"0", "1", "-3", "7", "-9223372036854775808", "9223372036854775807"}},
	{"int8", []string{"0", "-1", "5", "-128", "127"}},
	{"int16", []string{"0", "-1", "300", "-32768", "32767"}},
	{"int32", []string{"0", "3", "-70000", "-2147483648", "2147483647"}},
	{"int64", []string{"0", "-2", "1099511627776", "-9223372036854775808", "9223372036854775807"}},
	{"uint", []string{"0", "3", "18446744073709551615", "9223372036854775808"}},
	{"uint8", []string{"0", "3", "200", "255"}},
	{"uint16", []string{"0", "9", "65535"}},
	{"uint32", []string{"0", "9", "4294967295"}},
	{"uint64", []string{"0", "5", "18446744073709551615"}},
	{"float32", []string{"0.0", "1.5", "-0.1", "1e+30"}},
	{"float64", []string{"0.0", "1.5", "-0.1", "1e+300"}},
}

// sumForms are the places in which the emitter writes a sum of a and b by OP, of the type T; K is a constant. O observes.
var sumForms = []string{
	"var c T\nc = a OP b\nO(c)",
	"var c T\nc = a OP K\nO(c)",
	"a OP= b\nO(a)",
	"a OP= K\nO(a)",
	"O(g_T(a OP b))",
	"O(r_OPNAME_T(a, b))",
	"O(k_OPNAME_T(a, b))",
	"var c T\nc = a OP K + b\nO(c)\nc = b - a OP K\nO(c)",
	"var t bool\nt = a OP b < a\nO(t)\nt = a == b OP K\nO(t)",
	"var c T\nc = a OP b + a\nO(c)",
	"var c T\nc = a - a OP b\nO(c)",
	"var c T\nc = a * b OP a\nO(c)",
	"if a OP b > a { O(1) }\nif a OP K <= b { O(2) }\nif a == b OP a { O(3) }\nif a OP b != K { O(4) }",
	"var p *T\np = new(T)\n*p = a OP b\nO(*p)\n*p = *p OP a\nO(*p)\n*p OP= b\nO(*p)",
	"var s []T\ns = make([]T, 3)\nvar i int\ni = 1\ns[i] = a OP b\nO(s[1])\ns[i] = s[i] OP a + b\nO(s[1])\ns[i] OP= b\nO(s[1])\nO(s[0])",
	"var p *struct{F0 int; F1 T}\np = new(struct{F0 int; F1 T})\np.F1 = a OP b\nO(p.F1)\np.F1 = p.F1 OP a\nO(p.F1)\np.F1 OP= b\nO(p.F1)\nO(p.F0)",
	"var s []struct{F0 int; F1 T}\ns = make([]struct{F0 int; F1 T}, 2)\nvar p *struct{F0 int; F1 T}\np = &s[1]\np.F1 OP= a\np.F1 OP= K\nvar c T\nc = p.F1 OP s[1].F1\nO(c)\nO(s[1].F1)",
	"var p *[2]T\np = new([2]T)\nvar s []T\ns = p[:]\ns[1] OP= a\ns[0] = s[1] OP b\nO(*p)",
	"var p, q *T\np = new(T)\n*p = a\nq = p\n*q OP= b\nvar c T\nc = *p OP *q\nO(c)",
	"var n int\nB1:\n_ = 0\na OP= b\nif a > b { O(a); return }\nn += 1\nb += 1\nif n < 3 { goto B1 }\nO(a)\nO(b)",
}

// Sums, comparisons, shifts and conversions of numbers of all widths do in the interpreter what they do compiled, in each place
// where the emitter writes them.
func TestSumsAndWidths(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("NOT TESTED AGAINST COMPILED CODE: no Go toolchain here")
	}
	var text strings.Builder
	var names, about []string
	all := 0
	add := func(what, params string, calls []string, body string) {
		fmt.Fprintf(&text, "func s%d(%s) {\n%s\n}\n", len(about), params, strings.ReplaceAll(body, "O(", "host.Out("))
		fmt.Fprintf(&text, "func X%d() {\n", len(names))
		for _, args := range calls {
			fmt.Fprintf(&text, "s%d(%s)\n", len(about), args)
		}
		text.WriteString("}\n")
		names, about = append(names, fmt.Sprintf("X%d", len(names))), append(about, what)
		all += len(calls)
	}
	text.WriteString("package main\nimport \"host\"\n")
	for _, n := range numbers {
		ops := []string{"+", "-", "*", "/"}
		if !strings.HasPrefix(n.typ, "float") {
			ops = append(ops, "&", "|", "^", "&^", "%")
		}
		var pairs []string
		for i, a := range n.values {
			pairs = append(pairs, a+", "+n.values[(i+1)%len(n.values)])
		}
		fmt.Fprintf(&text, "func g_%s(a %s) %s { return a }\n", n.typ, n.typ, n.typ)
		k := n.values[len(n.values)-1]
		for i, op := range ops {
			fmt.Fprintf(&text, "func r_%d_%s(a, b %s) %s { return a %s b }\n", i, n.typ, n.typ, n.typ, op)
			fmt.Fprintf(&text, "func k_%d_%s(a, b %s) %s { return b + a %s %s }\n", i, n.typ, n.typ, n.typ, op, k)
			for _, form := range sumForms {
				if (op == "/" || op == "%") && strings.Contains(form, "B1:") {
					continue // long
				}
				body := strings.NewReplacer("OPNAME_T", fmt.Sprint(i, "_", n.typ), "g_T", "g_"+n.typ, "OP=", op+"=", "OP", op, "K", k, "T)", n.typ+")", "T\n", n.typ+"\n", "T,", n.typ+",", "T}", n.typ+"}").Replace(form)
				pairs := slices.DeleteFunc(slices.Clone(pairs), func(p string) bool { return (op == "/" || op == "%") && strings.HasSuffix(p, ", 0") })
				add(form+" "+op+" "+n.typ, "a "+n.typ+", b "+n.typ, pairs, body)
			}
		}
		for _, op := range []string{"-", "^", "+"} {
			if op != "^" || len(ops) > 4 {
				add("unary "+op+" "+n.typ, "a "+n.typ+", b "+n.typ, pairs, fmt.Sprintf("var c %s\nc = %sa\nO(c)", n.typ, op))
			}
		}
		if len(ops) > 4 {
			for _, by := range []string{"uint8", "uint64", "int"} {
				var shifts []string
				for _, a := range n.values {
					for _, s := range []string{"0", "1", "7", "63", "64", "200"} {
						shifts = append(shifts, a+", "+s)
					}
				}
				add("shifts "+n.typ+" "+by, "a "+n.typ+", b "+by, shifts, fmt.Sprintf("var c %s\nc = a << b\nO(c)\nc = a >> b\nO(c)\nc = a << 3\nO(c)\nc = a >> 1\nO(c)", n.typ))
			}
		}
		for _, to := range numbers {
			var from []string
			for _, v := range n.values {
				if converts(n.typ, to.typ, v) {
					from = append(from, v)
				}
			}
			add("to "+to.typ+" from "+n.typ, "a "+n.typ, from, fmt.Sprintf("var c %s\nc = %s(a)\nO(c)\nc = %s(a) + c\nO(c)\nc = c * %s(a + a)\nO(c)\nif %s(a) < c { O(7) }", to.typ, to.typ, to.typ, to.typ, to.typ))
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
	t.Logf("%d sums in %d places, %d places differ", all, len(names), differ)
	assert.Greater(t, all, 7000)
}

// converts reports whether Go says what a conversion of a value gives: of floats that do not fit it does not.
func converts(from, to, value string) bool {
	if !strings.HasPrefix(from, "float") || strings.HasPrefix(to, "float") {
		return true
	}
	return !strings.Contains(value, "e") && !(strings.HasPrefix(to, "u") && strings.HasPrefix(value, "-"))
}
