//go:build unix

package interp

import (
	"fmt"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	yaegi "github.com/traefik/yaegi/interp"
	"golang.org/x/sys/unix"

	"quaybench/repl/check"
	"quaybench/repl/host"
)

// loops are bodies of functions in a form that the bare interpreter gets right.
var loops = []struct{ name, top, body string }{
	{"additions", "", `s := 0; for i := 0; i < 300000; i++ { s += i }; fmt.Println(s)`},
	{"floats", "", `s, x := 0.0, 0.5; for i := 0; i < 100000; i++ { x = x*1.0001 + 0.1; if x > 3 { x = x - 3 }; s += x * x / 2 }; fmt.Println(s)`},
	{"slices", "", `xs := make([]float64, 1000); for k := 0; k < 100; k++ { for i := range xs { xs[i] = xs[i]*0.5 + float64(i) } }; fmt.Println(xs[9])`},
	{"sum over a slice", "", `xs := make([]float64, 1000); s := 0.0; for k := 0; k < 100; k++ { for _, x := range xs { s += x*x + 1 } }; fmt.Println(s)`},
	{"sieve", "", `n := 50000; c := make([]bool, n+1); count := 0
for i := 2; i <= n; i++ { if c[i] { continue }; count++; for j := i * i; j <= n; j += i { c[j] = true } }; fmt.Println(count)`},
	{"calls", "func fib(n int) int { if n < 2 { return n }; return fib(n-1) + fib(n-2) }\n", `fmt.Println(fib(18))`},
	{"math", "", `s := 0.0; for i := 0; i < 30000; i++ { s += math.Sqrt(float64(i)) }; fmt.Println(s)`},
	{"fields", "type point struct{ x, y float64 }\n", `p := point{1, 2}; q := &p; for i := 0; i < 50000; i++ { q.x += q.y; if q.x > 100 { q.x = 0 } }; fmt.Println(p.x)`},
	{"methods", "type counter struct{ n int }\nfunc (c *counter) add(k int) { c.n += k }\n", `c := &counter{}; for i := 0; i < 20000; i++ { c.add(i) }; fmt.Println(c.n)`},
	{"remainders", "", `n := 0; for i := 0; i < 100000; i++ { if i%3 == 0 || i%5 == 0 { n += i } }; fmt.Println(n)`},
	{"maps", "", `m := map[int]int{}; for i := 0; i < 20000; i++ { m[i%100] += i }; fmt.Println(m[7])`},
}

// BenchmarkLoops takes the processor time of loops as the core of a script and as the bare interpreter runs their text, the least
// of several turns each, and reports the first as a multiple of the second.
func BenchmarkLoops(b *testing.B) {
	for _, l := range loops {
		b.Run(l.name, func(b *testing.B) {
			text := "package main\n\nimport (\n\tfmt \"fmt\"\n\tmath \"math\"\n)\n\nvar _ = math.Sqrt\n\n" + l.top + "func main() {\n" + l.body + "\n}\n"
			var out strings.Builder
			c, err := Config{Stdout: &out}.complete()
			require.NoError(b, err)
			step, err := check.Script(c.Library, check.Source{Name: "main.go", Text: text})
			require.NoError(b, err)
			r, err := prepare(b.Context(), c, step, host.NewTypes(), host.NewControl(), nil)
			require.NoError(b, err)
			defer r.cancel()
			in := yaegi.New(yaegi.Options{Stdout: io.Discard, SourcecodeFilesystem: noFiles{}})
			require.NoError(b, in.Use(c.Library.Exports()))
			_, err = in.Eval(strings.Replace(text, "func main()", "func plain()", 1))
			require.NoError(b, err)
			plain, err := in.Eval("plain")
			require.NoError(b, err)
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			core, bare := math.Inf(1), math.Inf(1)
			for b.Loop() {
				for range 5 {
					core = min(core, processorTime(b, unix.CLOCK_THREAD_CPUTIME_ID, r.main))
					bare = min(bare, processorTime(b, unix.CLOCK_THREAD_CPUTIME_ID, plain.Interface().(func())))
				}
			}
			require.NotEmpty(b, out.String())
			b.ReportMetric(core/bare, "times-bare")
			b.ReportMetric(core*1e3, "ms")
		})
	}
}

// BenchmarkBegin takes the processor time from a script's text of 200 lines to where it can run: check, SSA, core, and the
// interpreter's own compiler.
func BenchmarkBegin(b *testing.B) {
	var text strings.Builder
	text.WriteString("package main\n\nimport (\n\t\"errors\"\n\t\"fmt\"\n\t\"math\"\n\t\"sort\"\n)\n\nfunc main() {\n")
	for i := range 10 {
		fmt.Fprintf(&text, "\tfmt.Println(part%d(map[string]float64{\"winding\": %d, \"cable\": 60}, 90))\n", i, i)
	}
	text.WriteString("}\n")
	for i := range 10 {
		fmt.Fprintf(&text, `
func part%[1]d(hot map[string]float64, limit float64) (worst string, err error) {
	type margin struct { name string; left float64 }
	var all []margin
	for name, t := range hot {
		all = append(all, margin{name, limit - math.Abs(t)})
	}
	sort.Slice(all, func(i, j int) bool { return all[i].left < all[j].left })
	for i, m := range all {
		switch {
		case m.left < 0:
			return m.name, errors.New("too hot by " + fmt.Sprintf("%%.1f", -m.left))
		case i == 0:
			worst = m.name
		}
	}
	return worst, nil
}
`, i)
	}
	require.InDelta(b, 200, strings.Count(text.String(), "\n"), 5)
	c, err := Config{}.complete()
	require.NoError(b, err)
	least := math.Inf(1)
	for b.Loop() {
		least = min(least, processorTime(b, unix.CLOCK_PROCESS_CPUTIME_ID, func() { // the interpreter compiles in another thread
			step, err := check.Script(c.Library, check.Source{Name: "main.go", Text: text.String()})
			require.NoError(b, err)
			r, err := prepare(b.Context(), c, step, host.NewTypes(), host.NewControl(), nil)
			require.NoError(b, err)
			r.cancel()
		}))
	}
	b.ReportMetric(least*1e3, "ms-least")
}

// processorTime returns what f takes by a clock of this thread or process, s.
func processorTime(b *testing.B, clock int32, f func()) float64 {
	now := func() float64 {
		var t unix.Timespec
		require.NoError(b, unix.ClockGettime(clock, &t))
		return float64(t.Nano()) / 1e9
	}
	begin := now()
	f()
	return now() - begin
}
