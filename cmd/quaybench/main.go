// Command quaybench tries controller settings of an electric boat in simulation, before anything burns.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
)

// Exit codes.
const (
	exitClear = 0 // clear or close
	exitOther = 1 // any other failure
	exitInput = 2 // bad use or bad input
	exitOver  = 3 // something is over its limit
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second Ctrl-C ends the process at once
	os.Exit(run(ctx, os.Args[1:], system{In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Getenv: os.Getenv}))
}

// system is what the command line has of the world around it.
type system struct {
	In       io.Reader
	Out, Err io.Writer
	Getenv   func(string) string
}

// run is the whole program but for the process around it.
func run(ctx context.Context, args []string, sys system) int {
	out := &output{Writer: sys.Out}
	sys.Out = out
	root := newRoot(&sys)
	root.SetArgs(args)
	root.SetIn(sys.In)
	root.SetOut(sys.Out)
	root.SetErr(sys.Err)
	err := root.ExecuteContext(ctx)
	if out.err != nil { // a result that nobody got is no success, whatever the verdict
		err = fmt.Errorf("the result cannot be written: %w", out.err)
	}
	return exitCode(err, sys.Err)
}

// output is a writer that keeps its first error, so that a full disk is not taken for a result.
type output struct {
	io.Writer
	err error
}

func (o *output) Write(p []byte) (int, error) {
	n, err := o.Writer.Write(p)
	if o.err == nil {
		o.err = err
	}
	return n, err
}

// overError ends a command whose verdict is over. It has been shown; nothing more is said.
type overError struct{}

func (overError) Error() string { return "the verdict is over" }

// inputError is bad use or bad input.
type inputError struct{ error }

func (e inputError) Unwrap() error { return e.error }

// input marks an error as the user's to mend.
func input(err error) error {
	if err == nil {
		return nil
	}
	return inputError{err}
}

// exitCode says what went wrong, once, and turns it into the exit code.
func exitCode(err error, to io.Writer) int {
	var bad inputError
	switch {
	case err == nil:
		return exitClear
	case errors.As(err, new(overError)):
		return exitOver
	case errors.As(err, new(datafile.Problems)): // begins with file:line:column, so that editors find the place
		fmt.Fprintln(to, err)
		return exitInput
	case errors.As(err, &bad):
		fmt.Fprintln(to, "quaybench:", err)
		return exitInput
	}
	fmt.Fprintln(to, "quaybench:", err)
	return exitOther
}

func newRoot(sys *system) *cobra.Command {
	root := &cobra.Command{
		Use:   "quaybench",
		Short: "try the controller settings of an electric boat before anything burns",
		Long: `quaybench tries the settings of a boat's traction controller in simulation: what gets too hot or trips, when, and by how much.

` + wrapped(bench.Caution, helpWidth),
		Example:       "  quaybench demo\n  quaybench new heron\n  quaybench check heron\n  quaybench try heron --set limits.motor_current=\"150 A\"",
		Version:       bench.Version,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          known,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SuggestionsMinimumDistance = 2
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return input(fmt.Errorf("%w (see `%s --help`)", err, cmd.CommandPath()))
	})
	root.PersistentFlags().String("book", "", "folder of the book (default: QUAYBENCH_BOOK, else quaybench/book in your data directory)")
	root.AddCommand(demoCommand(sys), newCommand(sys), checkCommand(sys), tryCommand(sys), highestCommand(sys), envelopeCommand(sys), oddsCommand(sys), trialsCommand(sys), settingsCommand(sys),
		stepCommand(sys), planCommand(sys), controllerCommand(sys), simulateControllerCommand(sys))
	dress(root)
	markUsage(root)
	return root
}

// helpWidth is the width of help texts.
const helpWidth = 100

// known refuses arguments of a command that only has others below it.
func known(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	text := fmt.Sprintf("there is no command %q", args[0])
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		text += "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return fmt.Errorf("%s (`%s --help` lists the commands)", text, cmd.CommandPath())
}

// dress gives the commands that cobra brings along what all others have: examples, and an error for a wrong word.
func dress(root *cobra.Command) {
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		switch c.Name() {
		case "help":
			c.Example = "  quaybench help try"
			c.Args = func(_ *cobra.Command, args []string) error {
				about, rest, _ := root.Find(args)
				return known(about, rest)
			}
		case "completion":
			c.Example = "  source <(quaybench completion bash)\n  quaybench completion fish > ~/.config/fish/completions/quaybench.fish"
			c.Args, c.RunE = known, root.RunE
			for _, shell := range c.Commands() {
				shell.Example = "  " + shell.CommandPath()
			}
		}
	}
}

// markUsage makes a wrong number of arguments bad use, in every command.
func markUsage(cmd *cobra.Command) {
	if check := cmd.Args; check != nil {
		cmd.Args = func(cmd *cobra.Command, args []string) error { return input(check(cmd, args)) }
	}
	for _, c := range cmd.Commands() {
		markUsage(c)
	}
}

// arguments checks how many arguments a command has; what names one of them.
func arguments(least, most int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch n := len(args); {
		case n < least:
			return fmt.Errorf("%s is missing: %s (see `%s --help`)", what, cmd.UseLine(), cmd.CommandPath())
		case n > most:
			return fmt.Errorf("%q is one too many: %s (see `%s --help`)", args[most], cmd.UseLine(), cmd.CommandPath())
		}
		return nil
	}
}
