package child_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"quaybench/repl/check"
	"quaybench/repl/child"
	"quaybench/repl/interp"
)

// The test binary is its own child, as the tool is.
func TestMain(m *testing.M) {
	child.Main(serve)
	goleak.VerifyTestMain(m)
}

// serve runs a job as the tool would, but for some names that stand for
// faults of the tool itself, which no script can cause.
func serve(ctx context.Context, job child.Job, from io.Reader, out io.Writer) error {
	switch job.Name {
	case "overflow.go":
		return fmt.Errorf("%d", overflow(0))
	case "allocate.go":
		var all [][]byte
		for {
			b := make([]byte, 64<<20)
			for i := 0; i < len(b); i += 4096 {
				b[i] = 1
			}
			all = append(all, b)
			_ = all
		}
	case "busy.go":
		for n := 0; ; n++ {
			_ = n
		}
	case "fault.go":
		panic("a fault of the tool")
	case "goroutine.go":
		go func() { panic("where nobody catches it") }()
		select {}
	case "deaf.go":
		select {}
	case "exit.go":
		os.Exit(7)
	case "talk.go":
		in := bufio.NewReader(from)
		for range 3 {
			line, err := in.ReadString('\n')
			if err != nil {
				return err
			}
			fmt.Fprint(out, strings.ToUpper(line))
		}
		return nil
	case "data.go":
		fmt.Fprintf(out, "%s %q", job.Data, job.Args)
		return nil
	}
	return interp.RunScript(ctx, interp.Config{
		Stdout: out, Grace: time.Millisecond,
		Limits: interp.Limits{Memory: job.Limits.Memory, Stack: job.Limits.Stack},
	}, check.Source{Name: job.Name, Text: job.Source})
}

func overflow(n int) int {
	if n < 0 {
		return 0
	}
	return overflow(n+1) + overflow(n+2)
}

var limits = child.Limits{Memory: 128 << 20, Stack: 32 << 20, CPU: time.Minute, Wall: time.Minute, Grace: 5 * time.Second}

// listen takes what a child prints.
func listen(to io.Writer) func(context.Context, io.Reader, io.Writer) error {
	return func(_ context.Context, from io.Reader, _ io.Writer) error {
		_, err := io.Copy(to, from)
		return err
	}
}

// The two talk over the pipes.
func TestTalk(t *testing.T) {
	err := child.Run(t.Context(), child.Job{Name: "talk.go", Limits: limits}, func(_ context.Context, from io.Reader, to io.Writer) error {
		in := bufio.NewReader(from)
		for _, word := range []string{"one", "two", "three"} {
			fmt.Fprintln(to, word)
			line, err := in.ReadString('\n')
			require.NoError(t, err)
			assert.Equal(t, strings.ToUpper(word)+"\n", line)
		}
		_, err := io.Copy(io.Discard, in)
		return err
	})
	require.NoError(t, err)
}
