package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/repl"
)

// runOptions are what `quaybench run` is asked.
type runOptions struct {
	rest    []string // boat and arguments of the script
	script  string
	longest string
	compare bool // compiled, too
	trusted bool
	paper   paperFlags
}

func (o *runOptions) run(ctx context.Context, sys *system) error {
	s, err := readScript(sys, o.script)
	if err != nil {
		return err
	}
	if s.longest, err = parseLongest(o.longest); err != nil {
		return err
	}
	if err := o.paper.check(sys, false); err != nil {
		return err
	}
	if o.compare && o.paper.wanted() {
		return input(errors.New("--compare looks at what a script prints: leave out --report and --plot"))
	}
	if o.paper.wanted() {
		s.papers = &o.paper
	}
	s.boat = "petrel"
	if len(o.rest) > 0 {
		s.boat, s.args = o.rest[0], o.rest[1:]
	}
	if s.setup, err = loadBoat(sys, s.boat); err != nil {
		return err
	}
	if !o.compare {
		return s.run(ctx, bench.RunSimulated, func(text string) { fmt.Fprint(sys.Out, text) })
	}
	if err := repl.CheckScript(s.file, s.source, s.more...); err != nil {
		return input(err)
	}
	c, err := s.findCompiler(ctx)
	if err != nil {
		return err
	}
	if err := c.trust(ctx, o.trusted); err != nil {
		return err
	}
	var printed strings.Builder
	err = s.run(ctx, bench.RunSimulated, func(text string) {
		printed.WriteString(text)
		fmt.Fprint(sys.Out, text)
	})
	return c.compare(ctx, printed.String(), err)
}

func runCommand(sys *system) *cobra.Command {
	var o runOptions
	cmd := &cobra.Command{
		Use:   "run SCRIPT [BOAT] [ARGUMENTS]",
		Short: "run a script, interpreted, in a process of its own",
		Long: `Runs a script: a folder with main.go and the other files of its program, or a .go file. It reaches the tool's packages and a named part of the standard library, no files, network, processes
or environment, and runs in a process of its own with limits on memory and time. Files that follow the boat it may read by their names: trials (s.TryIn), records
and other loggers' CSV (s.Readings, s.Compare). What it hands over by s.Report goes to --report and --plot.

--compare compiles it, too, where a Go toolchain and the source of quaybench are, runs it on the simulated controller both ways, and shows where what it
prints differs. Compiled, nothing holds a script back: you are asked whether you trust it; versions of the book and reports are not there for it.

Exit code: 0 done, 2 bad use, or a script that is refused, ends with an error or takes too much, 4 values of the boat's files are still the example's, 1 it differs compiled (--compare), or any other failure.`,
		Example: "  quaybench run scripts/staircase petrel\n  quaybench run scripts/staircase petrel --compare\n  quaybench run my-script.go ./petrel/boat.toml --longest \"10 min\"\n  quaybench run scripts/everyday petrel readings monday.csv --report monday.html",
		Args:    arguments(1, 100, "SCRIPT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.rest = args[1:]
			o.script = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().StringVar(&o.longest, "longest", "30 min", "how long the script may run, with its unit")
	cmd.Flags().BoolVar(&o.compare, "compare", false, "compile it, too, and show where what it prints differs")
	cmd.Flags().BoolVar(&o.trusted, "i-trust-this-script", false, "with --compare: it may reach what you reach")
	o.paper.add(cmd)
	return cmd
}

// parseLongest reads how long a script may run.
func parseLongest(text string) (time.Duration, error) {
	seconds, err := parseQuantity("--longest", text, "s")
	if err != nil {
		return 0, err
	}
	if !(seconds >= 1 && seconds <= 24*3600) {
		return 0, input(fmt.Errorf("--longest must be 1 s to 24 h, got %s", text))
	}
	return time.Duration(seconds * float64(time.Second)), nil
}
