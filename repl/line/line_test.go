//go:build unix

package line_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/repl/check"
	"quaybench/repl/line"
	"quaybench/repl/line/linetest"
)

func TestPipe(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want []line.Input
	}{
		"lines":          {"a\nb\n", []line.Input{{Text: "a", Line: 1}, {Text: "b", Line: 2}}},
		"no last break":  {"a\nb", []line.Input{{Text: "a", Line: 1}, {Text: "b", Line: 2}}},
		"empty lines":    {"\n\n  \na\n\n", []line.Input{{Text: "a", Line: 4}}},
		"several lines":  {"func f() {\n\n\tg()\n}\nf()\n", []line.Input{{Text: "func f() {\n\n\tg()\n}", Line: 1}, {Text: "f()", Line: 5}}},
		"a raw string":   {"s := `a\n\nb`\n", []line.Input{{Text: "s := `a\n\nb`", Line: 1}}},
		"an operator":    {"x +\n\ty\n", []line.Input{{Text: "x +\n\ty", Line: 1}}},
		"a comment":      {"/* a\nb */ c\n", []line.Input{{Text: "/* a\nb */ c", Line: 1}}},
		"unfinished":     {"a\nf(\n", []line.Input{{Text: "a", Line: 1}, {Text: "f(", Line: 2}}},
		"tabs are kept":  {"if x {\n\ty\n}\n", []line.Input{{Text: "if x {\n\ty\n}", Line: 1}}},
		"too many close": {"}\n}\n", []line.Input{{Text: "}", Line: 1}, {Text: "}", Line: 2}}},
		"nothing":        {"", nil},
		"a long line":    {strings.Repeat("a", 1<<20) + "\n", []line.Input{{Text: strings.Repeat("a", 1<<20), Line: 1}}},
	} {
		t.Run(name, func(t *testing.T) {
			r := line.Pipe(strings.NewReader(c.text), line.Config{Unfinished: check.Unfinished})
			var got []line.Input
			for {
				in, err := r.Read()
				if errors.Is(err, io.EOF) {
					break
				}
				require.NoError(t, err)
				got = append(got, in)
			}
			assert.Equal(t, c.want, got)
			require.NoError(t, r.Close())
		})
	}
	broken := line.Pipe(io.MultiReader(strings.NewReader("a\n"), brokenReader{}), line.Config{Unfinished: check.Unfinished})
	_, err := broken.Read()
	require.NoError(t, err)
	_, err = broken.Read()
	assert.EqualError(t, err, "line 2: the line is cut")
}

type brokenReader struct{}

func (brokenReader) Read([]byte) (int, error) { return 0, errors.New("the line is cut") }

func TestColour(t *testing.T) {
	for _, c := range []struct {
		env      map[string]string
		terminal bool
		want     bool
	}{
		{nil, true, true},
		{nil, false, false},
		{map[string]string{"NO_COLOR": "1"}, true, false},
		{map[string]string{"TERM": "dumb"}, true, false},
		{map[string]string{"TERM": "xterm"}, true, true},
	} {
		assert.Equal(t, c.want, line.Colour(func(k string) string { return c.env[k] }, c.terminal), "%v", c)
	}
}

// The first Ctrl-C ends the context, the second stops.
func TestInterruptible(t *testing.T) {
	self, err := os.FindProcess(os.Getpid())
	require.NoError(t, err)
	if err := self.Signal(syscall.Signal(0)); err != nil {
		t.Skip("NOT TESTED ON CTRL-C: this system sends no signals to its own process")
	}
	said := make(chan string, 2)
	stopped := make(chan struct{})
	line.Interruptible(context.Background(), func() { said <- "stop"; close(stopped) }, func(ctx context.Context) {
		require.NoError(t, self.Signal(os.Interrupt))
		<-ctx.Done()
		said <- "context"
		require.NoError(t, self.Signal(os.Interrupt))
		<-stopped
	})
	assert.Equal(t, []string{"context", "stop"}, []string{<-said, <-said})
	line.Interruptible(context.Background(), func() { t.Error("stopped without a signal") }, func(ctx context.Context) {
		assert.NoError(t, ctx.Err())
	})
}

// TestMain plays the program at the other end of a pseudo-terminal.
func TestMain(m *testing.M) {
	if history, ok := os.LookupEnv("LINE_TEST_HISTORY"); ok {
		play(history)
		return
	}
	os.Exit(m.Run())
}

func play(history string) {
	r, err := line.Terminal(line.Config{
		Unfinished: check.Unfinished, Prompt: "> ", More: ". ", History: history,
		Colour: line.Colour(os.Getenv, true),
		Complete: func(text string) ([]string, int) {
			at := strings.LastIndexAny(text, " .(\n") + 1
			var out []string
			for _, w := range []string{"Printf", "Println", "Print", "motor current limit", strings.Repeat("w", 100), strings.Repeat("w", 120)} {
				if rest, ok := strings.CutPrefix(w, text[at:]); ok {
					out = append(out, rest)
				}
			}
			return out, len([]rune(text[at:]))
		},
	})
	if err != nil {
		fmt.Println("can't:", err)
		return
	}
	defer r.Close()
	for {
		in, err := r.Read()
		if err != nil {
			fmt.Printf("end: %v\n", err)
			return
		}
		if in.Text == "run" {
			line.Interruptible(context.Background(), func() { fmt.Println("stopped") }, func(ctx context.Context) {
				fmt.Println("running")
				<-ctx.Done()
				fmt.Println("interrupted")
			})
			continue
		}
		fmt.Printf("got %q at %d\n", in.Text, in.Line)
	}
}

// sit starts this binary as the program above.
func sit(t *testing.T, history string, columns uint16, env ...string) *linetest.Person {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), append([]string{"LINE_TEST_HISTORY=" + history, "TERM=xterm", "NO_COLOR="}, env...)...)
	return linetest.Sit(t, cmd, columns)
}

func TestTerminal(t *testing.T) {
	history := filepath.Join(t.TempDir(), "history")
	p := sit(t, history, 60)
	p.Sees("> ")
	p.Types("1+1" + linetest.Enter)
	p.Gets(`got "1+1" at 1`)

	// More lines, with the other prompt.
	p.Types("func f() {" + linetest.Enter)
	p.Sees(". ")
	p.Types(linetest.Tab + "g()" + linetest.Enter) // Tab in front is room, as in pasted text
	p.Types("}" + linetest.Enter)
	p.Gets(`got "func f() {\n    g()\n}" at 2`)

	// An input of several lines comes back as one.
	p.Types(linetest.Up + linetest.Enter)
	p.Gets(`got "func f() {\n    g()\n}" at 5`)
	p.Types(linetest.Up + linetest.Up + linetest.Enter)
	p.Gets(`got "1+1"`)

	// Search.
	p.Types(linetest.CtrlR + "g()" + linetest.Enter)
	p.Gets(`got "func f() {\n    g()\n}"`)

	// Completion: what is common, then the candidates.
	p.Types("x := fmt.Pr" + linetest.Tab)
	p.Sees("int")
	p.Types("ln()" + linetest.Enter)
	p.Gets(`got "x := fmt.Println()"`)
	p.Types("mot" + linetest.Tab + linetest.Enter)
	p.Gets(`got "motor current limit"`)
	p.Types("w" + linetest.Tab + linetest.Tab + linetest.Tab + linetest.CtrlA + linetest.Enter) // candidates wider than the terminal
	p.Gets("got")

	// Ctrl-C forgets the line, or the lines.
	p.Types("nonsense" + linetest.CtrlC)
	p.Gets("^C")
	p.Types("func g() {" + linetest.Enter)
	p.Sees(". ")
	p.Types("half" + linetest.CtrlC)
	p.Gets("^C")
	p.Types("2+2" + linetest.Enter)
	p.Gets(`got "2+2"`)

	// Ctrl-Z where no shell could let it go on keeps what is typed; Ctrl-C while something runs stops that.
	p.Types("3" + linetest.CtrlZ + "+3" + linetest.Enter)
	p.Gets(`got "3+3"`)
	p.Types("run" + linetest.Enter)
	p.Sees("running")
	p.Types(linetest.CtrlC)
	p.Gets("interrupted")
	p.Types("4+4" + linetest.Enter)
	p.Gets(`got "4+4"`)

	// Another width while a long line is being typed.
	long := strings.Repeat("abcdefghij", 8)
	p.Types(long[:40])
	p.Sees(long[39:40])
	p.Resizes(30)
	p.Types(long[40:] + linetest.Enter)
	p.Gets(fmt.Sprintf("got %q", long))

	// Pasted lines are read one after the other, whether the terminal marks a paste or not.
	p.Types("5+5\r6+6\r")
	p.Sees(`got "5+5"`)
	p.Gets(`got "6+6"`)
	p.Types(linetest.PasteBegin + "if x {\r\ty()\r}\r7+7\r" + linetest.PasteEnd)
	p.Sees(`got "if x {\n    y()\n}"`)
	p.Gets(`got "7+7"`)

	p.Types(linetest.CtrlD)
	p.Sees("end: EOF")

	// The next session remembers.
	q := sit(t, history, 60)
	q.Sees("> ")
	q.Types(linetest.Up + linetest.Enter)
	q.Gets(`got "7+7"`)
	q.Types(linetest.CtrlR + "g()" + linetest.Enter)
	q.Gets(`got "func f() {\n    g()\n}"`)
	q.Types(linetest.CtrlD)
	q.Sees("end: EOF")
	saved, err := os.ReadFile(history)
	require.NoError(t, err)
	assert.Contains(t, string(saved), "func f() {␤    g()␤}\n")
	assert.NotContains(t, string(saved), "nonsense")
}

// A pipe shows prompts only where it is given something to show them on.
func TestPipePrompts(t *testing.T) {
	var out strings.Builder
	r := line.Pipe(strings.NewReader("a\n\nf(\n)\n"), line.Config{Unfinished: check.Unfinished, Prompt: "> ", More: ". ", Stdout: &out})
	for range 2 {
		_, err := r.Read()
		require.NoError(t, err)
	}
	assert.Equal(t, "> > > . ", out.String())
}
