//go:build slow

package check_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A pointer within an interface prints as an address, whatever holds it.
func TestPointersPrintAsAddresses(t *testing.T) {
	want := build(t, []string{pointersText}).run(0)
	got, err := script("pointers.go", pointersText)
	require.NoError(t, err)
	require.Equal(t, strings.Split(strings.ReplaceAll(want, "compiled/main.", "main."), "\n"), strings.Split(got, "\n"))
}

const pointersText = `package main

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

type S struct {
	A int
	P *int
	Q *S
}
type N int
type M map[string]*N
type W struct{ x *S }

var hex = regexp.MustCompile(` + "`" + `(0[xX])?[0-9a-fA-F]{6,}|0?7?[0-7]{12,}` + "`" + `)

func main() {
	i, s, n := 3, S{A: 1}, N(4)
	xs := []int{1}
	m := map[string]int{"a": 1}
	a := [2]int{1, 2}
	d := time.Second
	f := func() {}
	ch := make(chan int)
	pp := &i
	vals := []any{
		&i, &s, &n, &xs, &m, &a, &d, f, ch, pp, &pp,
		[]any{&i}, []any{&s}, []any{&n}, []any{&xs}, []any{&m}, []any{&a}, []any{&d}, []any{f, ch},
		[]*int{&i}, []*S{&s}, []*N{&n}, []*[]int{&xs}, map[string]any{"k": &i}, map[string]any{"k": &s}, map[string]*int{"k": &i},
		struct{ V any }{&i}, struct{ V any }{&s}, struct{ V any }{&xs}, struct{ v any }{&xs}, S{P: &i, Q: &s}, &S{P: &i, Q: &s}, M{"a": &n}, W{&s}, &W{&s},
		[1]any{&a}, [1]*[2]int{&a}, []error{fmt.Errorf("x")}, []any{fmt.Errorf("a: %w", fmt.Errorf("b"))},
		[]any{[]any{&xs}}, []any{map[string]any{"a": &m}}, &[]any{&xs}, &struct{ V any }{&m}, []any{&struct{ A int }{1}}, []any{struct{ A *int }{&i}},
		[]any{strings.NewReader("a")}, []fmt.Stringer{d, &d}, []any{&time.Time{}},
	}
	for _, verb := range []string{"%v", "%+v", "%#v", "%d", "%x", "%X", "%s", "%q", "%p", "%t", "%T", "%o", "%b", "%#x", "%6v", "%g"} {
		for k, v := range vals {
			fmt.Println(verb, k, hex.ReplaceAllString(fmt.Sprintf(verb, v), "ADDR"))
		}
	}
	for k, v := range vals {
		fmt.Println(k, hex.ReplaceAllString(fmt.Sprint(v), "ADDR"), hex.ReplaceAllString(fmt.Sprintln(v, v), "ADDR"))
	}
}
`
