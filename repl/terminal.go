package repl

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

	"quaybench/repl/check"
)

// newline stands for a line break in the history, which keeps an input of several lines as one entry.
const newline = "␤"

// Terminal runs a session at a terminal until Ctrl-D. history is the file of the inputs, "" for none.
func Terminal(ctx context.Context, s *Session, history string, colour bool) error {
	prompt, more := "> ", ". "
	if colour {
		prompt, more = "\x1b[36m> \x1b[0m", "\x1b[36m. \x1b[0m"
	}
	rl, err := readline.NewEx(&readline.Config{
		Prompt: prompt, HistoryFile: history, HistorySearchFold: true, DisableAutoSaveHistory: true,
		AutoComplete: completer{s}, InterruptPrompt: "^C", EOFPrompt: "",
		FuncFilterInputRune: func(r rune) (rune, bool) { return r, r != readline.CharCtrlZ }, // it would stop the parent too
	})
	if err != nil {
		return fmt.Errorf("the terminal cannot be used: %w", err)
	}
	defer rl.Close()
	var text string
	for ctx.Err() == nil {
		rl.SetPrompt(prompt)
		if text != "" {
			rl.SetPrompt(more)
		}
		line, err := rl.Readline()
		switch {
		case errors.Is(err, readline.ErrInterrupt):
			text = ""
			continue
		case errors.Is(err, io.EOF):
			fmt.Fprintln(s.config.Out)
			return nil
		case err != nil:
			return fmt.Errorf("the terminal cannot be read: %w", err)
		}
		text += strings.ReplaceAll(line, newline, "\n")
		if check.Unfinished(text) {
			text += "\n"
			continue
		}
		if strings.TrimSpace(text) != "" {
			_ = rl.SaveHistory(strings.ReplaceAll(text, "\n", newline)) // a session goes on without a history
		}
		if err := interruptible(ctx, s, text); err != nil {
			fmt.Fprintln(s.config.Out, err)
		}
		text = ""
	}
	return nil
}

// interruptible runs an input that Ctrl-C stops, and only that.
func interruptible(ctx context.Context, s *Session, text string) error {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt)
	defer stop()
	return s.Eval(ctx, text)
}

// completer offers completions to readline.
type completer struct{ session *Session }

// Do implements readline.AutoCompleter.
func (c completer) Do(line []rune, pos int) (endings [][]rune, length int) {
	found, length := c.session.Complete(string(line[:pos]))
	for _, f := range found {
		endings = append(endings, []rune(f))
	}
	return endings, length
}

// Piped runs a session on input that is no terminal: no prompt, no history; it ends with the first error.
func Piped(ctx context.Context, s *Session, in io.Reader) error {
	lines := bufio.NewScanner(in)
	lines.Buffer(make([]byte, 64<<10), 4<<20)
	var text string
	for lines.Scan() {
		text += lines.Text()
		if check.Unfinished(text) {
			text += "\n"
			continue
		}
		if err := s.Eval(ctx, text); err != nil {
			return err
		}
		text = ""
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("the input cannot be read: %w", err)
	}
	if strings.TrimSpace(text) != "" {
		return s.Eval(ctx, text)
	}
	return nil
}
