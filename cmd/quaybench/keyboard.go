package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
)

// keyboard gives the lines that a person types, or that come through a pipe. A command has one, for it reads ahead.
type keyboard struct {
	sys *system
	in  *bufio.Reader
}

func newKeyboard(sys *system) *keyboard { return &keyboard{sys, bufio.NewReader(sys.In)} }

// person reports whether somebody sits at a terminal.
func (k *keyboard) person() bool { return terminal(k.sys.In) != nil }

// empty discards what was typed before a question was asked: it answers something else. What comes through a pipe stays.
func (k *keyboard) empty() {
	switch s := terminal(k.sys.In).(type) {
	case nil:
		return
	case file:
		forget(s.File)
	}
	_, _ = k.in.Discard(k.in.Buffered())
}

// line reads a line, or gives up with the context.
func (k *keyboard) line(ctx context.Context) (string, error) {
	type answer struct {
		text string
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		text, err := k.in.ReadString('\n')
		if errors.Is(err, io.EOF) && text != "" {
			err = nil
		}
		got <- answer{strings.TrimRight(text, "\r\n"), err}
	}()
	select {
	case a := <-got:
		if ctx.Err() != nil {
			return "", ctx.Err()
		}
		return a.text, a.err
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// confirm asks the person to type a word. Only a terminal can answer.
func (k *keyboard) confirm(ctx context.Context, word, what string) error {
	if !k.person() {
		return input(fmt.Errorf("this asks a person %s: run it in a terminal", what))
	}
	k.empty()
	fmt.Fprintf(k.sys.Out, "type %s %s: ", word, what)
	answer, err := k.line(ctx)
	switch {
	case stopped(err):
		fmt.Fprintln(k.sys.Out)
		return stopError{err}
	case err != nil && !errors.Is(err, io.EOF):
		return err
	case strings.TrimSpace(answer) != word:
		return input(fmt.Errorf("not confirmed: nothing was done"))
	}
	return nil
}
