package check_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// printerFile is what the compiler's program prints; -update with the build tag slow writes it.
const printerFile = "testdata/printer.txt"

// Values of the script's types print as compiled ones do, with every verb and flag, at any depth: fmt itself sees only boxes.
func TestPrinterAgreesWithFmt(t *testing.T) {
	want, err := os.ReadFile(printerFile)
	require.NoError(t, err)
	got, err := script("printer.go", printerText)
	require.NoError(t, err)
	w, g := strings.Split(string(want), "\n"), strings.Split(got, "\n")
	require.Equal(t, len(w), len(g))
	require.Greater(t, len(w), 5000)
	differ := 0
	for i := range w {
		if w[i] != g[i] {
			if differ++; differ <= 20 {
				t.Errorf("compiled: %s\nscript:   %s", w[i], g[i])
			}
		}
	}
	t.Logf("%d lines, %d differ", len(w), differ)
}

const printerText = `package main

import (
	"errors"
	"fmt"
	"time"
)

type Celsius float64

func (c Celsius) String() string { return fmt.Sprintf("%.1f degrees", float64(c)) }

type count int
type name string
type yes bool
type bytes []byte
type fault struct{ code int }

func (f fault) Error() string { return fmt.Sprint("fault ", f.code) }

type point struct{ X, y int }
type part struct {
	Name  string
	Heat  Celsius
	heat  Celsius
	Wait  time.Duration
	wait  time.Duration
	Err   error
	err   error
	Any   any
	List  []count
	Table map[name]point
	Next  *point
	Func  func(int) int
	Data  [3]byte
}
type gone struct{}
type pair[A, B any] struct {
	First  A
	Second B
}
type ptr struct{ n int }

func (p *ptr) String() string { return fmt.Sprint("ptr ", p.n) }

type bad struct{}

func (bad) String() string { panic("no") }

type goes struct{ a int }

func (goes) GoString() string { return "goes!" }

type formats struct{ a int }

func (x formats) Format(f fmt.State, verb rune) { fmt.Fprintf(f, "<%c %v>", verb, x.a) }

type matrix [2][2]Celsius
type tree struct {
	V     count
	Below []tree
}

func main() {
	values := []any{
		Celsius(21.5), count(-7), name("quay"), yes(true), bytes("ab"), fault{3}, &fault{4}, point{1, 2}, &point{3, 4},
		part{}, part{Name: "stage", Heat: 80, heat: 70, Wait: time.Second, wait: 2 * time.Second, Err: fault{1}, Any: Celsius(3), List: []count{1, 2}, Table: map[name]point{"b": {1, 2}, "a": {}}},
		gone{}, pair[int, name]{1, "x"}, pair[Celsius, []point]{2, []point{{1, 2}}}, bad{}, goes{1}, formats{2}, matrix{{1, 2}, {3}},
		[]Celsius{1, 2.5}, []name(nil), []name{"a", "b"}, [2]yes{true}, map[name]Celsius{"z": 1, "a": 2}, map[count][]point{3: {{1, 2}}, -1: nil}, map[point]name{{2, 1}: "b", {1, 2}: "a"},
		(*point)(nil), (*ptr)(nil), &ptr{5}, []any{count(1), name("n"), nil, 2.5, "s"}, struct{ A name }{"q"}, struct{ a Celsius }{4}, tree{1, []tree{{V: 2}}},
		[]error{fault{1}, nil}, errors.Join(fault{1}, fault{2}), fmt.Errorf("around: %w", fault{9}), map[string]any{"k": point{5, 6}}, []pair[name, count]{{"a", 1}},
		&[]count{1}, &map[name]count{"a": 1}, &matrix{}, [0]point{}, time.Month(3), 5 * time.Minute, 1 + 2i, []string{"a"}, []byte("xyz"),
	}
	for _, flags := range []string{"", "+", "#", "-9", "09", "9.2", " ", "+#", ".1"} {
		for _, verb := range "vdsqxXtTgeEfGbocUO" {
			format := "%" + flags + string(verb)
			for i, v := range values {
				if _, ok := v.(interface{ Unwrap() []error }); ok && flags+string(verb) != "v" {
					continue // fmt prints fields of compiled errors, addresses among them
				}
				if _, ok := v.(interface{ Unwrap() error }); ok && flags+string(verb) != "v" {
					continue
				}
				if verb == 'T' && len(flags) > 1 {
					continue // the package has another name in the compiled reference
				}
				fmt.Printf("%s %d: "+format+"|\n", format[1:], i, v)
			}
		}
	}
	for i, v := range values {
		fmt.Println(i, v, v)
		fmt.Print(i, v, v, name("n"), name("m"), "\n")
		fmt.Println(fmt.Sprint(v, 1, 2, v), fmt.Sprintln(v))
	}
	fmt.Printf("%[2]T %[1]v %[2]v %[3]*.[1]d\n", count(3), point{1, 2}, 5)
	fmt.Printf("%d %T\n", count(3), name("a"), point{1, 2})
	fmt.Printf("%T %d\n", name("a"))
	fmt.Printf("%!|%z|%v\n", name("a"), point{})
	fmt.Println(fmt.Errorf("%w and %w: %T", fault{1}, errors.New("b"), point{}))
}
`
