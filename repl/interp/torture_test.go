package interp_test

import (
	"context"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"go.uber.org/goleak"

	"quaybench/repl/interp"
)

// Text that belongs to us, not to a person: of Go's runtime, of the
// interpreter, of the generated program.
var internalText = regexp.MustCompile(`goroutine \d|runtime error|reflect\.|interp\.|yaegi|\bqb_|0xc000|\.go:\d+ \+0x|_\.go`)

func heldValues() map[string]any {
	return map[string]any{"heldXs": []float64{1, 2, 3}, "heldLimit": 200.0, "heldWait": 3 * time.Second}
}

// The tag slow has a thousand inputs with limits of real time (TestTorture);
// here no clock decides: inputs that end by themselves, right and damaged, and
// endless ones of a context that is already cancelled.
func TestTortureSample(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	r := rand.New(rand.NewPCG(1, 2))
	held := heldValues()
	k := newConsole(t, interp.Config{}, held)
	cancelled, cancel := context.WithCancel(context.Background())
	cancel()
	for _, text := range plain {
		for _, text := range []string{text, damage(r, text)} {
			out, err := k.eval(context.Background(), text)
			if !sound(t, k, held, text, out, err) {
				return
			}
		}
	}
	for _, text := range endless {
		out, err := k.eval(cancelled, text)
		assert.Error(t, err, text)
		if !sound(t, k, held, text, out, err) {
			return
		}
	}
}

// sound reports whether the session answers after an input and holds its
// values, and nothing of what the person saw was about the inside.
func sound(t *testing.T, k *console, held map[string]any, text, out string, err error) bool {
	t.Helper()
	if err != nil {
		assert.NotRegexp(t, internalText, err.Error(), text)
	}
	assert.NotRegexp(t, internalText, strings.ReplaceAll(out, "0xc000", ""), text)

	out, err = k.eval(context.Background(), "1+1")
	if !assert.NoError(t, err, "after %s", text) || !assert.Equal(t, "2", out, "after %s", text) {
		return false
	}
	for name, want := range held {
		got, ok := k.s.Get(name)
		if !assert.True(t, ok, "%s lost after %s", name, text) || !assert.Equal(t, want, got, "after %s", text) {
			return false
		}
	}
	return true
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
