//go:build slow

package child_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/repl/child"
)

func TestRun(t *testing.T) {
	for name, c := range map[string]struct {
		source string
		limits child.Limits
		out    string
		reason child.Reason // "" for none
		text   string
	}{
		"hello.go":     {source: `import "fmt"; func main() { fmt.Println("hello"); fmt.Print("world") }`, out: "hello\nworld"},
		"much.go":      {source: `import "fmt"; func main() { for i := range 50000 { fmt.Println("line", i) } }`, out: manyLines()},
		"refused.go":   {source: `import "os"; func main() { os.Exit(1) }`, reason: child.Failed, text: `refused.go:2:8: scripts can't import "os"`},
		"panic.go":     {source: "import \"fmt\"\n\nfunc main() {\n\tfmt.Println(\"before\")\n\tvar xs []int\n\t_ = xs[3]\n}", out: "before\n", reason: child.Failed, text: "panic.go:7:8: panic: index out of range"},
		"routine.go":   {source: `import "time"; func main() { go func() { panic("alone") }(); time.Sleep(time.Hour) }`, reason: child.Failed, text: "panic: alone (in a goroutine)"},
		"deep.go":      {source: `func f(n int) int { return f(n+1) + 1 }; func main() { f(0) }`, reason: child.Stack, text: "calls within calls took more than 32 MB"},
		"memory.go":    {source: `func main() { var x [][]byte; for { x = append(x, make([]byte, 1<<20)) } }`, reason: child.Memory, text: "more than 128 MB of memory"},
		"overflow.go":  {reason: child.Stack, text: "calls within calls took more than 32 MB"},
		"allocate.go":  {reason: child.Memory, text: "more than 128 MB of memory"},
		"busy.go":      {limits: child.Limits{CPU: time.Second}, reason: child.CPU, text: "more than 1s of processor time"},
		"loop.go":      {source: `func main() { for {} }`, limits: child.Limits{Wall: 300 * time.Millisecond}, reason: child.Wall, text: "ran longer than 300ms"},
		"fault.go":     {reason: child.Crashed, text: "a fault in the tool itself"},
		"goroutine.go": {reason: child.Crashed, text: "a fault in the tool itself"},
		"exit.go":      {reason: child.Crashed, text: "ended by the system (exit status 7)"},
		"deaf.go":      {limits: child.Limits{Wall: 100 * time.Millisecond, Grace: 100 * time.Millisecond}, reason: child.Wall, text: "ran longer than 100ms"},
		"data.go":      {out: `for the host ["a" "b c"]`},
	} {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && (c.reason == child.Memory || c.reason == child.Stack) {
				t.Skip("the race detector, run with -short, takes more memory than the limit")
			}
			t.Parallel()
			l := limits
			if c.limits != (child.Limits{}) {
				l = c.limits
			}
			var out bytes.Buffer
			err := child.Run(context.Background(), child.Job{
				Name: name, Source: "package main\n" + c.source, Args: []string{"a", "b c"}, Data: []byte("for the host"), Limits: l,
			}, listen(&out))
			assert.Equal(t, c.out, out.String())
			if c.reason == "" {
				require.NoError(t, err)
				return
			}
			var e *child.Error
			require.ErrorAs(t, err, &e)
			assert.Equal(t, c.reason, e.Reason, "%s\n%s", e.Text, e.Diagnostic)
			assert.Contains(t, e.Text, c.text)
			assert.NotContains(t, e.Text, "goroutine ", "one sentence, no stack")
			assert.NotContains(t, out.String()+e.Text, "fatal error")
		})
	}
}

// A child that the caller finds out of order is ended, and the caller's word is the error, unless the child died of
// something that it could say.
func TestOutOfOrder(t *testing.T) {
	wrong := errors.New("out of order")
	object := func(_ context.Context, from io.Reader, _ io.Writer) error {
		_, _ = from.Read(make([]byte, 5))
		return wrong
	}
	for name, source := range map[string]string{
		"a loop":  `import "fmt"; func main() { fmt.Println("begun"); for {} }`,
		"a flood": `import "fmt"; func main() { for { fmt.Println("begun") } }`,
		"a wait":  `import ("fmt"; "time"); func main() { fmt.Println("begun"); time.Sleep(time.Hour) }`,
		"an end":  `import "fmt"; func main() { fmt.Println("begun") }`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := child.Run(t.Context(), child.Job{Name: "order.go", Source: "package main\n" + source, Limits: limits}, object)
			require.ErrorIs(t, err, wrong)
		})
	}
	t.Run("a panic", func(t *testing.T) {
		t.Parallel()
		err := child.Run(t.Context(), child.Job{Name: "order.go", Source: `package main; import "fmt"; func main() { fmt.Println("begun"); panic("mine") }`, Limits: limits}, func(ctx context.Context, from io.Reader, _ io.Writer) error {
			_, _ = io.Copy(io.Discard, from)
			return wrong
		})
		require.ErrorContains(t, err, "panic: mine")
	})
}

func manyLines() string {
	var b strings.Builder
	for i := range 50000 {
		fmt.Fprintln(&b, "line", i)
	}
	return b.String()
}

// The caller's context stops the child, wherever it is.
func TestStop(t *testing.T) {
	for name, source := range map[string]string{
		"a loop":      `import "fmt"; func main() { fmt.Println("begun"); for {} }`,
		"a wait":      `import ("fmt"; "time"); func main() { fmt.Println("begun"); time.Sleep(time.Hour) }`,
		"a goroutine": `import "fmt"; func main() { c := make(chan int); go func() { fmt.Println("begun"); for {} }(); <-c }`,
	} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancelCause(context.Background())
			begun := &onWrite{do: func() { cancel(fmt.Errorf("the reason")) }}
			err := child.Run(ctx, child.Job{Name: "stop.go", Source: "package main\n" + source, Limits: limits}, listen(begun))
			var e *child.Error
			require.ErrorAs(t, err, &e)
			assert.Equal(t, child.Stopped, e.Reason)
			assert.EqualError(t, err, "the script was stopped")
			assert.EqualError(t, e.Unwrap(), "the reason")
		})
	}
}

type onWrite struct{ do func() }

func (w *onWrite) Write(p []byte) (int, error) {
	w.do()
	return len(p), nil
}
