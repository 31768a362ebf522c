package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
)

func runCommand(sys *system) *cobra.Command {
	var longest string
	cmd := &cobra.Command{
		Use:   "run SCRIPT [BOAT] [ARGUMENTS]",
		Short: "run a script, interpreted, in a process of its own",
		Long: `Runs a script: a folder with main.go, or a .go file. It reaches the tool's packages and a named part of the standard library, no files, network, processes
or environment, and runs in a process of its own with limits on memory and time.`,
		Example: "  quaybench run scripts/staircase petrel\n  quaybench run my-script.go ./petrel/boat.toml --longest \"10 min\"",
		Args:    arguments(1, 100, "SCRIPT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := readScript(sys, args[0])
			if err != nil {
				return err
			}
			if s.longest, err = parseLongest(longest); err != nil {
				return err
			}
			s.boat = "petrel"
			if len(args) > 1 {
				s.boat, s.args = args[1], args[2:]
			}
			if s.setup, err = loadBoat(cmd, sys, s.boat); err != nil {
				return err
			}
			return s.run(cmd, bench.RunSimulated, func(text string) { fmt.Fprint(sys.Out, text) })
		},
	}
	cmd.Flags().StringVar(&longest, "longest", "30 min", "how long the script may run, with its unit")
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
