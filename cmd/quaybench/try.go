package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2/maybe"
	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

func tryCommand(sys *system) *cobra.Command {
	var asJSON bool
	var set, trials []string
	var csv string
	cmd := &cobra.Command{
		Use:   "try BOAT",
		Short: "simulate what the helm does and say what overheats or trips, when, and by how much",
		Long: `Simulates the boat with its settings as they stand, and with a proposal beside them where --set makes one, and judges both. BOAT is a boat file, a boat's
folder, or a name in the book. Without --trial all built-in trials run and the table shows each part's worst, with the trial it came from.

close means more than 90 % of a limit is used (the share can be set per boat and part), over more than all of it. Every current in the output says whether it
is battery or motor current.

Exit code: 0 clear or close, 3 over (the proposal's, where there is one), 2 bad use or input, 1 any other failure.`,
		Example: `  quaybench try petrel
  quaybench try petrel --set limits.motor_current="180 A"
  quaybench try petrel --trial crash-stop --trial hot-day --set ramp.reversal="1 s"
  quaybench try ./petrel/boat.toml --trial my-trial.toml --csv run.csv
  quaybench try petrel --json | jq .verdict`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			setup, err := loadBoat(cmd, sys, args[0])
			if err != nil {
				return err
			}
			o := bench.TryOptions{Set: set}
			seen := map[string]bool{}
			for _, name := range trials {
				t, err := bench.LoadTrial(name)
				if err != nil {
					return input(err)
				}
				if seen[t.Name] {
					return input(fmt.Errorf("two trials are called %q; give each its own name", t.Name))
				}
				seen[t.Name] = true
				o.Trials = append(o.Trials, t)
			}
			if _, err := bench.Propose(setup.Settings, set); err != nil {
				return input(err)
			}
			tried, err := try(cmd.Context(), sys, setup, o)
			if tried == nil {
				return err
			}
			if csv != "" && err == nil {
				if err := writeRecords(csv, tried); err != nil {
					return err
				}
			}
			if asJSON {
				if err != nil {
					return err
				}
				if err := writeJSON(sys, tried); err != nil {
					return err
				}
				return ended(tried.Level())
			}
			showTried(sys, tried, o.Trials)
			if err != nil {
				return err
			}
			return ended(tried.Level())
		},
	}
	cmd.Flags().StringArrayVar(&set, "set", nil, "part of the proposal: KEY=VALUE, for example limits.motor_current=\"240 A\" (may be repeated)")
	cmd.Flags().StringArrayVar(&trials, "trial", nil, "a built-in trial or a trial file (may be repeated; default: all built-in ones)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.Flags().StringVar(&csv, "csv", "", "write the run's traces to this file; with several runs, one file each beside it")
	_ = cmd.RegisterFlagCompletionFunc("trial", func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return trial.Names(), cobra.ShellCompDirectiveDefault
	})
	_ = cmd.RegisterFlagCompletionFunc("set", completeKeys)
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// try runs bench.Try with a progress bar on a terminal.
func try(ctx context.Context, sys *system, setup *bench.Setup, o bench.TryOptions) (*bench.Tried, error) {
	bar := newBar(sys, "trials")
	defer bar.done()
	o.Progress = bar.show
	tried, err := bench.Try(ctx, setup, o)
	if err != nil && !errors.Is(err, context.Canceled) {
		return tried, fmt.Errorf("%w", err)
	}
	return tried, err
}

// writeRecords writes the records of all runs: to the file itself where there is one, else to files beside it.
func writeRecords(file string, t *bench.Tried) error {
	type named struct {
		suffix string
		run    *record.Run
	}
	var runs []named
	add := func(side string, s *verdict.Side) {
		for i := range s.Trials {
			runs = append(runs, named{"." + side + "." + s.Trials[i].Name, s.Trials[i].Run})
		}
	}
	add("present", &t.Present)
	if t.Proposed != nil {
		add("proposed", t.Proposed)
	}
	for _, r := range runs {
		name := file
		if len(runs) > 1 {
			ext := filepath.Ext(file)
			name = strings.TrimSuffix(file, ext) + r.suffix + ext
		}
		var text strings.Builder
		if err := recordWrite(&text, r.run); err != nil {
			return err
		}
		if err := maybe.WriteFile(name, []byte(text.String()), 0o644); err != nil {
			var path *os.PathError
			if errors.As(err, &path) {
				err = path.Err
			}
			return input(fmt.Errorf("the record cannot be written to %s: %w", name, err))
		}
	}
	return nil
}
