package interp_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/tools/txtar"

	"quaybench/repl/check"
	"quaybench/repl/interp"
)

// Text that belongs to us, not to a person: of Go's runtime, of the
// interpreter, of the generated program.
var internalText = regexp.MustCompile(`goroutine \d|runtime error|reflect\.|interp\.|yaegi|\bqb_|0xc000|\.go:\d+ \+0x|_\.go`)

// A thousand inputs, right ones, broken ones, endless ones, some of them
// stopped at a random moment. After each the session answers, its values are
// there, and nothing of what the person sees is about the inside.
func TestTorture(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	r := rand.New(rand.NewPCG(1, 2))
	held := map[string]any{"heldXs": []float64{1, 2, 3}, "heldLimit": 200.0, "heldWait": 3 * time.Second}
	k := newConsole(t, interp.Config{Limits: interp.Limits{Memory: 64 << 20, Stack: 32 << 20}}, held)
	lines := corpus(t)
	require.Greater(t, len(lines), 500)

	right, wrong, stopped := 0, 0, 0
	for i := range 1000 {
		text := lines[r.IntN(len(lines))]
		if r.IntN(3) == 0 {
			text = plain[r.IntN(len(plain))]
		}
		switch r.IntN(6) {
		case 0, 1:
			text = damage(r, text)
		case 2:
			text += "\n" + lines[r.IntN(len(lines))]
		case 3:
			text = fmt.Sprintf("x%d := heldXs[%d] * heldLimit; %s", r.IntN(20), r.IntN(4), text)
		case 4:
			text = endless[r.IntN(len(endless))]
		}
		ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
		if r.IntN(4) == 0 {
			n := r.IntN(2000)
			go func() {
				for range n {
					runtime.Gosched()
				}
				cancel()
			}()
		}
		out, err := k.eval(ctx, text)
		switch {
		case ctx.Err() != nil:
			stopped++
		case err != nil:
			wrong++
		default:
			right++
		}
		cancel()
		if err != nil {
			assert.NotRegexp(t, internalText, err.Error(), "input %d: %s", i, text)
		}
		assert.NotRegexp(t, internalText, strings.ReplaceAll(out, "0xc000", ""), "input %d: %s", i, text)

		out, err = k.eval(context.Background(), "1+1")
		if !assert.NoError(t, err, "after input %d: %s", i, text) || !assert.Equal(t, "2", out, "after input %d: %s", i, text) {
			return
		}
		for name, want := range held {
			got, ok := k.s.Get(name)
			if !assert.True(t, ok, "%s lost after input %d: %s", name, i, text) {
				return
			}
			if !assert.Equal(t, want, got, "after input %d: %s", i, text) {
				return
			}
		}
	}
	t.Logf("%d right, %d wrong, %d stopped", right, wrong, stopped)
	assert.Greater(t, right, 100)
	assert.Greater(t, wrong, 100)
	assert.Greater(t, stopped, 50)
}

// plain are inputs that are right whatever came before.
var plain = []string{
	"heldXs[0] + heldLimit",
	"math.Sqrt(heldLimit)",
	"for i, x := range heldXs { fmt.Println(i, x) }",
	"func() float64 { s := 0.0; for _, x := range heldXs { s += x }; return s }()",
	"myTable := map[string][]float64{\"a\": heldXs}; len(myTable)",
	"myFunc := func(x float64) float64 { return x * heldLimit }; myFunc(2)",
	"type myPoint struct{ X, Y float64 }\nvar myAt = myPoint{1, heldLimit}",
	"func myTwice(x float64) float64 { return 2 * x }\nmyTwice(heldXs[1])",
	"switch { case heldLimit > 100: fmt.Println(\"high\"); default: fmt.Println(\"low\") }",
	"errors.Is(fmt.Errorf(\"w: %w\", io.EOF), io.EOF)",
	"heldWait.Minutes()",
	"fmt.Println(strings.Fields(\"a b\"), min(1, 2), len(heldXs))",
	"heldXs[7]",
}

var endless = []string{
	"for {}",
	"for { heldLimit += 0 }",
	"func deep(n int) int { return deep(n + 1) }\ndeep(0)",
	"var all [][]int; for { all = append(all, make([]int, 1<<16)) }",
	"for { fmt.Sprint(heldLimit) }",
	"func() { defer func() { recover() }(); for { panic(1) } }()",
	"func again() { defer func() { recover(); again() }(); panic(1) }\nagain()",
	"time.Sleep(time.Hour)",
	"sort.Slice(make([]int, 1<<12), func(i, j int) bool { for {} })",
	"s := \"x\"; for { s += s }",
	"strings.Map(func(r rune) rune { for {}; return r }, \"x\")",
}

// corpus gives pieces of Go: declarations and statements of the features that
// package check tests, and some lines typed in a hurry.
func corpus(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("../check/testdata/features/*.txtar")
	require.NoError(t, err)
	var list []string
	for _, name := range files {
		a, err := txtar.ParseFile(name)
		require.NoError(t, err)
		for _, f := range a.Files {
			text, _, _ := strings.Cut(string(f.Data), "\n// Output:")
			_, text, _ = strings.Cut(text, "package main\n")
			var block strings.Builder
			for _, line := range strings.Split(text, "\n") {
				if strings.HasPrefix(line, "import") || strings.HasPrefix(line, ")") || strings.HasPrefix(line, "\t\"") {
					continue
				}
				if line == "" || line == "func main() {" {
					if s := strings.TrimSpace(block.String()); s != "" {
						list = append(list, s)
					}
					block.Reset()
					continue
				}
				block.WriteString(line + "\n")
				if trimmed := strings.TrimSpace(line); check.Unfinished(trimmed) == false && trimmed != "}" {
					list = append(list, trimmed)
				}
			}
		}
	}
	return append(list, "heldXs", "heldLimit * 2", "heldXs[0] += 0", "heldXs[5]", "heldWait.Hours()", "x := ", "fmt.Println(heldXs...)", "import \"os\"", "1/0",
		"var p *struct{ A int }; p.A", "type t struct{}", "func (t) m() {}", "t{}.m()", "\x00", "日本", "/* open", "`open", "}}}}", "((((", "// nothing", ";;;", "\\")
}

// damage changes a text as a slip of the hand does.
func damage(r *rand.Rand, text string) string {
	b := []byte(text)
	for range 1 + r.IntN(3) {
		if len(b) == 0 {
			break
		}
		i := r.IntN(len(b))
		switch r.IntN(4) {
		case 0:
			b = append(b[:i], b[i+1:]...)
		case 1:
			b = append(b[:i], append([]byte{"(){}[]=+-*/.,;:\"`'0aZ \n\t"[r.IntN(24)]}, b[i:]...)...)
		case 2:
			j := r.IntN(len(b))
			b[i], b[j] = b[j], b[i]
		case 3:
			j := i + r.IntN(len(b)-i)
			b = append(b[:i], b[j:]...)
		}
	}
	return string(b)
}
