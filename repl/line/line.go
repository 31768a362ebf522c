// Package line reads inputs of one or more lines: from a terminal with
// editing, history and completion, or from a pipe.
package line

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"

	"github.com/chzyer/readline"
)

// An Input is a complete input.
type Input struct {
	Text string
	// Line is the number of its first line, from 1.
	Line int
}

// A Reader gives one input after the other, and io.EOF at the end.
type Reader interface {
	Read() (Input, error)
	Close() error
}

// Config says how inputs are read.
type Config struct {
	// Unfinished tells whether more lines belong to a text; check.Unfinished is meant.
	Unfinished func(text string) bool

	// Prompt stands in front of an input, More in front of its further lines.
	Prompt, More string

	// The rest is for terminals.

	// History is the file that keeps the inputs; "" for none.
	History string
	// Complete gives what may follow the text typed so far, which may be of
	// several lines, and how many of its last characters (not bytes) belong
	// to what is completed. It may be nil.
	Complete func(text string) (endings []string, length int)
	// Colour allows colours.
	Colour bool
	// Stdin and Stdout are the process's if they are nil, Width is the
	// terminal's.
	Stdin  io.ReadCloser
	Stdout io.Writer
	Width  func() int
}

// Pipe reads inputs where nobody sits, or at a terminal that can't move its cursor: no editing, no history. Prompts are
// written to Stdout if there is one.
func Pipe(r io.Reader, c Config) Reader {
	s := bufio.NewScanner(r)
	s.Buffer(nil, 1<<24)
	if c.Stdout == nil {
		c.Stdout = io.Discard
	}
	return &pipe{scanner: s, c: c}
}

type pipe struct {
	c       Config
	scanner *bufio.Scanner
	line    int
}

func (p *pipe) Read() (Input, error) {
	var text strings.Builder
	first := 0
	for p.scan(first > 0) {
		p.line++
		if first == 0 {
			if strings.TrimSpace(p.scanner.Text()) == "" {
				continue
			}
			first = p.line
		} else {
			text.WriteByte('\n')
		}
		text.WriteString(p.scanner.Text())
		if !p.c.Unfinished(text.String()) {
			return Input{text.String(), first}, nil
		}
	}
	if err := p.scanner.Err(); err != nil {
		return Input{}, fmt.Errorf("line %d: %w", p.line+1, err)
	}
	if first > 0 {
		return Input{text.String(), first}, nil // the checker says what is missing
	}
	return Input{}, io.EOF
}

func (p *pipe) scan(more bool) bool {
	prompt := p.c.Prompt
	if more {
		prompt = p.c.More
	}
	fmt.Fprint(p.c.Stdout, prompt)
	return p.scanner.Scan()
}

func (p *pipe) Close() error { return nil }

// lineBreak stands for a line break in the history, where an input of several
// lines is one entry, and in the line when it is called back.
const lineBreak = "␤"

// Terminal reads inputs at a terminal. Ctrl-C forgets what was typed of an
// input, Ctrl-D on an empty line is the end, Ctrl-R searches the history,
// Ctrl-Z stops the job until the shell lets it go on.
func Terminal(c Config) (Reader, error) {
	t := &terminal{c: c}
	config := &readline.Config{
		Prompt:                 t.colour(c.Prompt),
		HistoryFile:            c.History,
		HistorySearchFold:      true,
		DisableAutoSaveHistory: true, // it would save each line alone
		AutoComplete:           t,
		InterruptPrompt:        "^C",
		EOFPrompt:              "\n",
		Stdin:                  c.Stdin,
		Stdout:                 c.Stdout,
		FuncGetWidth:           c.Width,
		FuncFilterInputRune:    t.filter,
	}
	rl, err := readline.NewEx(config)
	if err != nil {
		return nil, fmt.Errorf("the terminal can't be used: %w", err)
	}
	t.rl = rl
	return t, nil
}

type terminal struct {
	c     Config
	rl    *readline.Instance
	line  int
	typed string // lines of the input that is being typed
}

func (t *terminal) colour(prompt string) string {
	if !t.c.Colour || prompt == "" {
		return prompt
	}
	return "\x1b[36m" + prompt + "\x1b[0m"
}

// filter sees every key first. readline's own way with Ctrl-Z stops the program that started this one, too.
func (t *terminal) filter(r rune) (rune, bool) {
	if r != readline.CharCtrlZ {
		return r, true
	}
	t.rl.Clean()
	_ = t.rl.Terminal.ExitRawMode() // what the terminal refuses, the shell puts right
	suspend()
	_ = t.rl.Terminal.EnterRawMode()
	t.rl.Refresh()
	// A key that does nothing: after one that is held back, readline would read on while an input runs, and hang at the end.
	return readline.CharBell, true
}

func (t *terminal) Read() (Input, error) {
	t.typed = ""
	first := t.line + 1
	for {
		prompt := t.c.Prompt
		if t.typed != "" {
			prompt = t.c.More
		}
		t.rl.SetPrompt(t.colour(prompt))
		text, err := t.rl.Readline()
		switch {
		case errors.Is(err, readline.ErrInterrupt):
			t.typed = ""
			continue
		case errors.Is(err, io.EOF) && t.typed != "":
			// The end in the middle of an input: let it be looked at.
			out := Input{strings.TrimSuffix(t.typed, "\n"), first}
			t.typed = ""
			return out, nil
		case errors.Is(err, io.EOF):
			return Input{}, io.EOF
		case err != nil:
			return Input{}, fmt.Errorf("the terminal can't be read: %w", err)
		}
		t.line++
		t.typed += strings.ReplaceAll(text, lineBreak, "\n")
		if strings.TrimSpace(t.typed) == "" {
			t.typed = ""
			continue
		}
		if t.c.Unfinished(t.typed) {
			t.typed += "\n"
			continue
		}
		out := Input{t.typed, first}
		t.typed = ""
		// A session goes on without a history.
		_ = t.rl.SaveHistory(strings.ReplaceAll(out.Text, "\n", lineBreak))
		return out, nil
	}
}

func (t *terminal) Close() error {
	if err := t.rl.Close(); err != nil {
		return fmt.Errorf("leaving the terminal: %w", err)
	}
	return nil
}

// tabWidth is what Tab gives at the beginning of a line, also in pasted text.
const tabWidth = 4

// Do implements readline.AutoCompleter.
func (t *terminal) Do(line []rune, pos int) ([][]rune, int) {
	before := string(line[:pos])
	if strings.TrimSpace(before) == "" {
		return [][]rune{[]rune(strings.Repeat(" ", tabWidth))}, 0
	}
	if t.c.Complete == nil {
		return nil, 0
	}
	endings, length := t.c.Complete(t.typed + strings.ReplaceAll(before, lineBreak, "\n"))
	var out [][]rune
	for _, e := range endings {
		r := []rune(e)
		// readline counts columns of candidates and divides by the count.
		if len(endings) > 1 && length+len(r) > t.widest() {
			continue
		}
		out = append(out, r)
	}
	return out, length
}

func (t *terminal) widest() int {
	w := readline.GetScreenWidth()
	if t.c.Width != nil {
		w = t.c.Width()
	}
	return max(w-2, 10)
}

// Colour reports whether colours are welcome, by the environment and by whether
// the output is a terminal. See https://no-color.org.
func Colour(getenv func(string) string, terminal bool) bool {
	return terminal && getenv("NO_COLOR") == "" && getenv("TERM") != "dumb"
}

// Interruptible runs f so that Ctrl-C reaches it and nothing else: the first
// ends the context of f, a further one calls stop. It returns when f does.
func Interruptible(ctx context.Context, stop func(), f func(context.Context)) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	interrupts := make(chan os.Signal, 2)
	signal.Notify(interrupts, os.Interrupt)
	defer signal.Stop(interrupts)
	done := make(chan struct{})
	watching := make(chan struct{})
	go func() {
		defer close(watching)
		for first := true; ; first = false {
			select {
			case <-interrupts:
				if first {
					cancel()
				} else {
					stop()
				}
			case <-done:
				return
			}
		}
	}()
	f(ctx)
	close(done)
	<-watching
}
