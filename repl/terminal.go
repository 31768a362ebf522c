package repl

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"

	"quaybench/repl/line"
)

const prompt, more = "> ", ". "

// Terminal runs a session at a terminal until Ctrl-D. history is the file of the inputs, "" for none.
func Terminal(ctx context.Context, s *Session, history string, colour bool) error {
	r, err := line.Terminal(line.Config{
		Unfinished: Unfinished, Prompt: prompt, More: more,
		History: history, Complete: s.Complete, Colour: colour,
	})
	if err != nil {
		return err
	}
	defer r.Close()
	defer context.AfterFunc(ctx, func() { _ = r.Close() })() // whoever waits at the prompt sees the end
	return converse(ctx, s, r)
}

// PlainTerminal is Terminal where the cursor can't be moved: no editing, no history.
func PlainTerminal(ctx context.Context, s *Session, in io.Reader) error {
	return converse(ctx, s, line.Pipe(in, line.Config{Unfinished: Unfinished, Prompt: prompt, More: more, Stdout: s.config.Out}))
}

// converse answers one input after the other; an error is no reason to leave.
func converse(ctx context.Context, s *Session, r line.Reader) error {
	// A Ctrl-C that comes too late for what it was meant for ends nothing.
	late := make(chan os.Signal, 1)
	signal.Notify(late, os.Interrupt)
	defer signal.Stop(late)
	for ctx.Err() == nil {
		in, err := r.Read()
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
		line.Interruptible(ctx, s.Stop, func(ctx context.Context) { err = s.Eval(ctx, in) })
		if errors.Is(err, errLeave) {
			return nil
		}
		if err != nil {
			fmt.Fprintln(s.config.Out, Shown(err.Error()))
		}
	}
	return nil
}

// Piped runs a session on input that is no terminal: no prompt, no history; it ends with the
// first error, since what follows would build on what failed, and its exit code is what a program that called it sees.
func Piped(ctx context.Context, s *Session, in io.Reader) error {
	r := line.Pipe(in, line.Config{Unfinished: Unfinished})
	for {
		in, err := r.Read()
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
		if err := s.Eval(ctx, in); errors.Is(err, errLeave) {
			return nil
		} else if err != nil {
			return err
		}
	}
}
