// Command quaybench tries controller settings of an electric boat in simulation, before anything burns.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"sync"
	"syscall"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/study"
	"quaybench/repl/child"
)

// Exit codes.
const (
	exitClear     = 0 // clear or close
	exitOther     = 1 // any other failure
	exitInput     = 2 // bad use or bad input
	exitOver      = 3 // something is over its limit
	exitNotJudged = 4 // a test that stopped early, too little to judge by, or values that are still the example's
)

func main() {
	if !enoughHandles() {
		_, _ = os.Stderr.WriteString("quaybench: this process may open too few files to work: raise the limit (ulimit -n 256), or close what has them open\n")
		os.Exit(exitOther)
	}
	child.Main(scriptProcess)
	ends := endings
	if signal.Ignored(syscall.SIGHUP) { // as nohup has it
		ends = slices.DeleteFunc(slices.Clone(ends), func(s os.Signal) bool { return s == syscall.SIGHUP })
	}
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, ends...)
	ctx := untilSignal(context.Background(), signals)
	context.AfterFunc(ctx, func() { signal.Stop(signals) }) // a second Ctrl-C ends the process at once
	os.Exit(run(ctx, os.Args[1:], process()))
}

// untilSignal returns a context that the first signal ends, in the words of a command that was stopped: its cause stands in the
// messages of whatever was stopped by it.
func untilSignal(parent context.Context, signals <-chan os.Signal) context.Context {
	ctx, cancel := context.WithCancelCause(parent)
	go func() {
		<-signals
		cancel(stopError{context.Canceled})
	}()
	return ctx
}

// run executes the whole program without the process around it, and returns the exit code.
func run(ctx context.Context, args []string, sys system) int {
	out := &output{Writer: sys.Out}
	sys.Out = out
	ports := watchPorts(&sys)
	root := newRoot(&sys)
	root.SetArgs(args)
	root.SetIn(sys.In)
	root.SetOut(sys.Out)
	root.SetErr(sys.Err)
	err := ports.withUsers(root.ExecuteContext(ctx))
	if err != nil && strings.HasPrefix(err.Error(), "required flag(s)") { // cobra's own word has no type
		err = input(missingFlags(err, sys.called))
	}
	if out.err != nil { // a result that nobody got is no success, whatever the verdict
		err = fmt.Errorf("the result cannot be written: %w", out.err)
	}
	return exitCode(err, &sys)
}

// missingFlags returns in words which flags a command lacks.
func missingFlags(err error, cmd *cobra.Command) error {
	quoted := strings.Split(err.Error(), `"`)
	var names []string
	for i := 1; i < len(quoted); i += 2 {
		names = append(names, "--"+quoted[i])
	}
	see := ""
	if cmd != nil {
		see = fmt.Sprintf(" (see `%s --help`)", cmd.CommandPath())
	}
	return fmt.Errorf("%s is missing%s", strings.Join(names, " and "), see)
}

// output is a writer that keeps its first error, so that a full disk is not taken for a result. Several goroutines may write.
type output struct {
	io.Writer
	mu  sync.Mutex
	err error
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	n, err := o.Writer.Write(p)
	if o.err == nil {
		o.err = err
	}
	return n, err
}

// overError ends a command whose verdict is over. It has been shown; nothing more is said.
type overError struct{}

func (overError) Error() string { return "the verdict is over" }

// notJudgedError ends a command that could not reach a verdict.
type notJudgedError struct {
	why   string
	shown bool  // nothing more is said
	err   error // what lies behind it; nil: no error
}

func (e notJudgedError) Error() string { return "not judged: " + e.why }

func (e notJudgedError) Unwrap() error { return e.err }

// inputError is bad use or bad input.
type inputError struct{ error }

func (e inputError) Unwrap() error { return e.error }

// input marks an error as bad input. That a command was stopped is none, nor is what the machine cannot do at this moment.
func input(err error) error {
	if err == nil || stopped(err) || isMachines(err) {
		return err
	}
	return inputError{err}
}

// isMachines reports whether an error is of the machine at this moment and not of the input.
func isMachines(err error) bool {
	for _, of := range []error{context.DeadlineExceeded, syscall.ENOSPC, syscall.EDQUOT, syscall.EROFS, syscall.EIO, syscall.EMFILE, syscall.ENFILE} {
		if errors.Is(err, of) {
			return true
		}
	}
	return false
}

// exitCode prints an error, once, and returns its exit code.
func exitCode(err error, sys *system) int {
	var bad inputError
	var blank notJudgedError
	switch {
	case err == nil:
		return exitClear
	case errors.As(err, new(overError)):
		return exitOver
	case errors.As(err, &blank):
		if !blank.shown {
			sys.say("quaybench: " + err.Error())
		}
		return exitNotJudged
	case errors.As(err, new(datafile.Problems)): // begins with file:line:column, so that editors find the place
		sys.say(err.Error())
		return exitInput
	case errors.As(err, &bad), errors.As(err, new(*study.NoToleranceError)):
		sys.say("quaybench: " + err.Error())
		return exitInput
	}
	sys.say("quaybench: " + onceEach(err.Error()))
	return exitOther
}

// onceEach leaves out lines that say what another one before says, in the same words: where a line is lost, everything that ends with it
// says so.
func onceEach(text string) string {
	var kept []string
	for _, line := range strings.Split(text, "\n") {
		if !slices.ContainsFunc(kept, func(said string) bool { return strings.Contains(said, line) }) {
			kept = append(kept, line)
		}
	}
	return strings.Join(kept, "\n")
}

func newRoot(sys *system) *cobra.Command {
	root := &cobra.Command{
		Use:   "quaybench",
		Short: "try the controller settings of an electric boat before anything burns",
		Long: `quaybench tries the settings of a boat's traction controller in simulation: what gets too hot or trips, when, and by how much.

` + bench.Caution,
		Example:       "  quaybench demo\n  quaybench new heron\n  quaybench check heron\n  quaybench try heron --set limits.motor_current=\"150 A\"",
		Version:       bench.Version,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          known,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if wanted, _ := cmd.Flags().GetBool("licences"); wanted {
				return printLicences(sys)
			}
			return cmd.Help()
		},
	}
	root.SetOut(sys.Out) // the commands that print completions take it now
	root.PersistentPreRun = func(cmd *cobra.Command, _ []string) { sys.called = cmd }
	root.SuggestionsMinimumDistance = 2
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return input(fmt.Errorf("%w (see `%s --help`)", err, cmd.CommandPath()))
	})
	root.Flags().Bool("licences", false, "print the licences of the software in this program")
	root.PersistentFlags().StringVar(&sys.Book, "book", "", "`FOLDER` of the book (default: QUAYBENCH_BOOK, else quaybench/book in your data directory)")
	root.AddCommand(demoCommand(sys), newCommand(sys), checkCommand(sys), tryCommand(sys), highestCommand(sys), envelopeCommand(sys), oddsCommand(sys), chooseCommand(sys), proposeCommand(sys), learnCommand(sys), compareRecordCommand(sys), readingsCommand(sys), trialsCommand(sys), settingsCommand(sys),
		stepCommand(sys), planCommand(sys), profileCommand(sys), setCommand(sys), controllerCommand(sys), simulateControllerCommand(sys),
		replCommand(sys), runCommand(sys))
	root.AddCommand(sheetCommand(sys), driftCommand(sys))
	takeOldFlags(root, sys)
	keepJSON(root, sys)
	dress(root, sys)
	markUsage(root)
	return root
}
