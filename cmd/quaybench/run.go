package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
)

// runOptions are what `quaybench run` is asked.
type runOptions struct {
	rest    []string // boat and arguments of the script
	script  string
	longest string
}

func (o *runOptions) run(ctx context.Context, sys *system) error {
	s, err := readScript(sys, o.script)
	if err != nil {
		return err
	}
	if s.longest, err = parseLongest(o.longest); err != nil {
		return err
	}
	s.boat = "petrel"
	if len(o.rest) > 0 {
		s.boat, s.args = o.rest[0], o.rest[1:]
	}
	if s.setup, err = loadBoat(sys, s.boat); err != nil {
		return err
	}
	return s.run(ctx, bench.RunSimulated, func(text string) { fmt.Fprint(sys.Out, text) })
}

func runCommand(sys *system) *cobra.Command {
	var o runOptions
	cmd := &cobra.Command{
		Use:   "run SCRIPT [BOAT] [ARGUMENTS]",
		Short: "run a script, interpreted, in a process of its own",
		Long: `Runs a script: a folder with main.go, or a .go file. It reaches the tool's packages and a named part of the standard library, no files, network, processes
or environment, and runs in a process of its own with limits on memory and time.`,
		Example: "  quaybench run scripts/staircase petrel\n  quaybench run my-script.go ./petrel/boat.toml --longest \"10 min\"",
		Args:    arguments(1, 100, "SCRIPT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.rest = args[1:]
			o.script = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().StringVar(&o.longest, "longest", "30 min", "how long the script may run, with its unit")
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
