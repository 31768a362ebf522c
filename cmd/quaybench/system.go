package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"slices"
	"syscall"

	"github.com/spf13/cobra"

	"quaybench/bench/link/port"
	"quaybench/repl/child"
)

// system is what the command line has of the world around it. A test puts its own in each place: a clock that does not wait
// for the machine, a line in memory, a terminal that is none.
type system struct {
	In       io.Reader
	Out, Err io.Writer
	Getenv   func(string) string
	Book     string // folder of the book, as --book names it; "": where Getenv says, else its usual place
	// DespiteDamage has a damaged book written to.
	DespiteDamage bool
	called        *cobra.Command // how the command line called what runs; nil: something else did
	Clock         port.Clock
	Draws         int // for the bands of results; 0: as many as each wants (bench.Setup.Draws)
	// Open opens a line to a controller or to a logger.
	Open func(port.Address) (port.Port, error)
	// Users tells which other programs hold a port open; nil: nobody can tell.
	Users func(name string) []string
	// Guard keeps signals from ending the process until done.
	Guard func() (done func())
	// RunScript runs a script apart from this process, as child.Run does.
	// json is where --json goes; Out then takes no other text.
	json io.Writer
	// taken: a file went to the standard output, and Out is the standard error.
	taken bool
	// told holds what was told in this run and is not told again.
	told      map[string]bool
	RunScript func(ctx context.Context, job child.Job, talk func(ctx context.Context, from io.Reader, to io.Writer) error) error
}

// process returns the system of a process: its own files, the machine's clock, serial ports.
func process() system {
	return system{
		In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Getenv: os.Getenv,
		Clock: port.SystemClock(), Open: port.Open, Users: port.Users, Guard: guardSignals, RunScript: child.Run,
	}
}

// endings are the signals that end a command in order: Ctrl-C, kill, a closed terminal, and Ctrl-\, which a hurried hand hits
// for Ctrl-C and which would else end the program with the throttle on.
var endings = []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGQUIT}

// guardSignals lets signals end the context of a running test only, so that zero throttle is still commanded. A closed pipe is an
// error to write to, and no reason to die either.
func guardSignals() (done func()) {
	caught := make(chan os.Signal, 1)
	signal.Notify(caught, append(slices.Clone(endings), syscall.SIGPIPE)...)
	return func() { signal.Stop(caught) }
}
