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
	defer stop()
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
	root := newRoot(&sys)
	root.SetArgs(args)
	root.SetIn(sys.In)
	root.SetOut(sys.Out)
	root.SetErr(sys.Err)
	err := root.ExecuteContext(ctx)
	return exitCode(err, sys.Err)
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
	var problems datafile.Problems
	var bad inputError
	switch {
	case err == nil:
		return exitClear
	case errors.As(err, new(overError)):
		return exitOver
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(to, "stopped: what is shown above is what there was by then")
		return exitOther
	case errors.As(err, &problems):
		fmt.Fprintln(to, problems)
		return exitInput
	case errors.As(err, &bad), usage(err):
		fmt.Fprintln(to, "quaybench:", err)
		return exitInput
	}
	fmt.Fprintln(to, "quaybench:", err)
	return exitOther
}

// usage tells cobra's own complaints, which have no type, from ours.
func usage(err error) bool {
	for _, start := range []string{"unknown command", "unknown flag", "unknown shorthand", "flag needs", "invalid argument", "accepts ", "requires ", "required flag", "bad flag"} {
		if strings.HasPrefix(err.Error(), start) {
			return true
		}
	}
	return false
}

func newRoot(sys *system) *cobra.Command {
	root := &cobra.Command{
		Use:   "quaybench",
		Short: "try the controller settings of an electric boat before anything burns",
		Long: `quaybench tries the settings of a boat's traction controller in simulation: what gets too hot or trips, when, and by how much.

` + bench.Caution,
		Version:       bench.Version,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
	}
	root.PersistentFlags().String("book", "", "folder of the book (default: QUAYBENCH_BOOK, else quaybench/book in your data directory)")
	root.AddCommand(demoCommand(sys), newCommand(sys), checkCommand(sys), tryCommand(sys), trialsCommand(sys), settingsCommand(sys))
	return root
}
