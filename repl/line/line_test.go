package line_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/repl/check"
	"quaybench/repl/line"
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
		t.Skip("this system sends no signals to its own process")
	}
	var said []string
	stopped := make(chan struct{})
	line.Interruptible(context.Background(), func() { said = append(said, "stop"); close(stopped) }, func(ctx context.Context) {
		require.NoError(t, self.Signal(os.Interrupt))
		<-ctx.Done()
		said = append(said, "context")
		require.NoError(t, self.Signal(os.Interrupt))
		<-stopped
	})
	assert.Equal(t, []string{"context", "stop"}, said)
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

// A person types at a pseudo-terminal.
type person struct {
	t   *testing.T
	tty *os.File
	cmd *exec.Cmd

	mu   sync.Mutex
	seen strings.Builder
	more chan struct{}
	from int
}

func sit(t *testing.T, history string, columns uint16, env ...string) *person {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), append(env, "LINE_TEST_HISTORY="+history, "TERM=xterm")...)
	tty, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: columns})
	if err != nil {
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	p := &person{t: t, tty: tty, cmd: cmd, more: make(chan struct{}, 1)}
	go func() {
		in := bufio.NewReader(tty)
		for {
			b, err := in.ReadByte()
			if err != nil {
				return
			}
			p.mu.Lock()
			p.seen.WriteByte(b)
			p.mu.Unlock()
			select {
			case p.more <- struct{}{}:
			default:
			}
		}
	}()
	t.Cleanup(func() { tty.Close(); _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return p
}

func (p *person) types(s string) {
	p.t.Helper()
	_, err := p.tty.WriteString(s)
	require.NoError(p.t, err)
}

// sees waits for text to come, after what it saw before.
func (p *person) sees(text string) {
	p.t.Helper()
	deadline := time.After(20 * time.Second)
	for {
		p.mu.Lock()
		rest := p.seen.String()[p.from:]
		i := strings.Index(rest, text)
		if i >= 0 {
			p.from += i + len(text)
		}
		p.mu.Unlock()
		if i >= 0 {
			return
		}
		select {
		case <-p.more:
		case <-deadline:
			p.t.Fatalf("%q does not come; there is %q", text, rest)
		}
	}
}

// gets waits for an answer and the next prompt. What is typed before that goes
// to the terminal, not to the editor.
func (p *person) gets(text string) {
	p.t.Helper()
	p.sees(text)
	p.sees("> ")
}

const (
	ctrlC, ctrlD, ctrlR, ctrlZ = "\x03", "\x04", "\x12", "\x1a"
	up                         = "\x1b[A"
)

func TestTerminal(t *testing.T) {
	history := filepath.Join(t.TempDir(), "history")
	p := sit(t, history, 60)
	p.sees("> ")
	p.types("1+1\r")
	p.gets(`got "1+1" at 1`)

	// More lines, with the other prompt.
	p.types("func f() {\r")
	p.sees(". ")
	p.types("\tg()\r") // Tab in front is room, as in pasted text
	p.types("}\r")
	p.gets(`got "func f() {\n    g()\n}" at 2`)

	// An input of several lines comes back as one.
	p.types(up + "\r")
	p.gets(`got "func f() {\n    g()\n}" at 5`)
	p.types(up + up + "\r")
	p.gets(`got "1+1"`)

	// Search.
	p.types(ctrlR + "g()")
	p.types("\r")
	p.gets(`got "func f() {\n    g()\n}"`)

	// Completion: what is common, then the candidates.
	p.types("x := fmt.Pr\t")
	p.sees("int")
	p.types("ln()\r")
	p.gets(`got "x := fmt.Println()"`)
	p.types("mot\t\r")
	p.gets(`got "motor current limit"`)
	p.types("w\t\t\t\x01\r") // candidates wider than the terminal
	p.gets("got")

	// Ctrl-C forgets the line, or the lines.
	p.types("nonsense" + ctrlC)
	p.gets("^C")
	p.types("func g() {\r")
	p.sees(". ")
	p.types("half" + ctrlC)
	p.gets("^C")
	p.types("2+2\r")
	p.gets(`got "2+2"`)

	// Ctrl-Z does nothing; Ctrl-C while something runs stops that.
	p.types(ctrlZ + "3+3\r")
	p.gets(`got "3+3"`)
	p.types("run\r")
	p.sees("running")
	p.types(ctrlC)
	p.gets("interrupted")
	p.types("4+4\r")
	p.gets(`got "4+4"`)

	// Another width while at it.
	require.NoError(t, pty.Setsize(p.tty, &pty.Winsize{Rows: 10, Cols: 30}))
	long := strings.Repeat("abcdefghij", 8)
	p.types(long + "\r")
	p.gets(fmt.Sprintf("got %q", long))

	// Pasted lines are read one after the other.
	p.types("5+5\r6+6\r")
	p.sees(`got "5+5"`)
	p.gets(`got "6+6"`)

	p.types(ctrlD)
	p.sees("end: EOF")

	// The next session remembers.
	q := sit(t, history, 60)
	q.sees("> ")
	q.types(up + "\r")
	q.sees(`got "6+6"`)
	q.types(ctrlD)
	q.sees("end: EOF")
	saved, err := os.ReadFile(history)
	require.NoError(t, err)
	assert.Contains(t, string(saved), "func f() {␤    g()␤}\n")
	assert.NotContains(t, string(saved), "nonsense")
}

func TestNoColour(t *testing.T) {
	for _, c := range []struct {
		env    string
		colour bool
	}{{"NO_COLOR=1", false}, {"NO_COLOR=", true}} {
		p := sit(t, "", 80, c.env)
		p.sees("> ")
		p.types("1\r")
		p.sees("got")
		p.types(ctrlD)
		p.sees("end: EOF")
		assert.Equal(t, c.colour, strings.Contains(p.seen.String(), "\x1b[36m"), c.env)
	}
}
