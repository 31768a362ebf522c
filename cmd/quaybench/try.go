package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/trial"
)

// tryOptions are what `quaybench try` is asked.
type tryOptions struct {
	boat        string
	set, trials []string
	proposals   []string
	csv         tableFile
	json        bool
	example     bool
	paper       paperFlags
}

func (o *tryOptions) run(ctx context.Context, sys *system) error {
	setup, err := loadBoat(sys, o.boat)
	if err != nil {
		return err
	}
	asked := bench.TryOptions{Set: o.set, Examples: o.example, Bands: true}
	sides := []string{"present"}
	if asked.Proposals, err = bench.ParseProposals(o.proposals); err != nil {
		return input(err)
	}
	switch {
	case len(o.set) > 0 && asked.Proposals != nil:
		return input(errors.New("--set makes one proposal and --proposal several: put the values of --set into a --proposal \"NAME: KEY=VALUE\""))
	case len(o.set) > 0:
		sides = append(sides, "proposed")
	}
	for _, p := range asked.Proposals {
		sides = append(sides, p.Name)
		if _, err := setup.With(p.Set); err != nil {
			return input(fmt.Errorf("proposal %q: %w", p.Name, err))
		}
	}
	if asked.Trials, err = loadTrials(sys, o.trials); err != nil {
		return err
	}
	if _, err := setup.With(o.set); err != nil {
		return input(err)
	}
	if err := checkRecords(sys, &o.csv, asked.Trials, sides, o.json); err != nil { // before the work, not after it
		return err
	}
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	tried, err := try(ctx, sys, setup, asked)
	switch {
	case stopped(err) && !o.json:
		showTried(sys, tried, asked.Trials, true)
		return err
	case err != nil:
		return err
	}
	wrote, err := writeRecords(&o.csv, tried)
	if err != nil {
		return err
	}
	if o.json {
		err = writeJSON(sys, tried)
	} else {
		showTried(sys, tried, asked.Trials, false)
		for _, name := range wrote {
			fmt.Fprintln(sys.Out, "wrote", name)
		}
	}
	if err != nil {
		return err
	}
	if err := o.paper.write(ctx, sys, setup, tried.Proposal, resultOf(tried, asked.Trials, false), o.json); err != nil {
		return err
	}
	return ended(tried.Level(), tried.NotJudged)
}

func tryCommand(sys *system) *cobra.Command {
	var o tryOptions
	cmd := &cobra.Command{
		Use:   "try BOAT",
		Short: "simulate what the helm does and say what overheats or trips, when, and by how much",
		Long: `Simulates the boat with its settings as they stand, and with a proposal beside them where --set
makes one, and judges both. BOAT is a boat file, a boat's folder, or a name in the book. Without
--trial all built-in trials run and the table shows each part's worst, with the trial it came from.

close means that more than 90 % of a limit is used (the share can be set per boat and part) or that
a temperature is within 5 K of its limit, over that it is beyond. The share of a temperature is
counted from 25 °C, whatever the air of the trial. Every current in the output says whether it is battery or motor current.

A proposal may change settings, values of the boat file (propeller.pitch, "cable[motor cable].section"), and air, water
or charge of all trials. What follows from a changed value follows, and is told: another section of a cable has another
ampacity, resistance and heat capacity; another propeller keeps the correction found with the measured one.

Up to five proposals stand side by side where --proposal makes them; try the one you like alone, with --set, for its
events, the bands of its margins and what would make it clear. The exit code is then that of the gravest.

Exit code: 0 clear or close, 3 over (the proposal's, where there is one), 4 not judged (values are still the example's), 2 bad use or input, 1 any other failure.`,
		Example: `  quaybench try petrel
  quaybench try petrel --set limits.motor_current="180 A"
  quaybench try petrel --set propeller.pitch="0.24 m" --set air="35 °C"
  quaybench try petrel --proposal "gentle: limits.motor_current=120 A" --proposal "thick: limits.motor_current=170 A, cable[motor cable].section=70 mm²"
  quaybench try petrel --trial crash-stop --trial hot-day --set ramp.reversal="1 s"
  quaybench try ./petrel/boat.toml --trial my-trial.toml --csv run.csv
  quaybench try petrel --json | jq .verdict`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	addSet(cmd, sys, &o.set, "part of the proposal")
	cmd.Flags().StringArrayVar(&o.proposals, "proposal", nil, "one of up to five proposals side by side: `\"NAME: KEY=VALUE, ...\"` (may be repeated)")
	_ = cmd.RegisterFlagCompletionFunc("proposal", completeProposal(sys))
	addTrials(cmd, &o.trials, "all built-in ones")
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	o.csv.add(cmd, "the run's traces to this `FILE`; with several runs, one file each beside it")
	addExample(cmd, &o.example)
	o.paper.add(cmd)
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// addExample adds the flag that judges a boat although values of its files are still the template's.
func addExample(cmd *cobra.Command, example *bool) {
	cmd.Flags().BoolVar(example, "example", false, "judge although values are still the example's; nothing is approved or written on that")
}

// own returns the end of a command that needs a boat's own values while some are still the example's, else nil.
func own(setup *bench.Setup) error {
	if err := setup.Own(); err != nil {
		return notJudgedError{why: err.Error()}
	}
	return nil
}

// loadTrials finds trials by name or file.
func loadTrials(sys *system, names []string) (trials []*trial.Trial, err error) {
	seen := map[string]bool{}
	for _, name := range names {
		t, err := loadTrial(sys, name)
		if err != nil {
			return nil, input(err)
		}
		if seen[t.Name] {
			return nil, input(fmt.Errorf("two trials are called %q; give each its own name", t.Name))
		}
		seen[t.Name] = true
		trials = append(trials, t)
	}
	return trials, nil
}

// try runs bench.Try with a progress bar on a terminal.
func try(ctx context.Context, sys *system, setup *bench.Setup, o bench.TryOptions) (*bench.Tried, error) {
	bar := newBar(sys, "trials")
	defer bar.done()
	o.Progress = bar.show
	tried, err := bench.Try(ctx, setup, o)
	if stopped(err) {
		err = stopError{err}
	}
	return tried, err
}

// stopError is the end of a command that the user stopped.
type stopError struct{ cause error }

func (stopError) Error() string   { return "stopped before the end" }
func (e stopError) Unwrap() error { return e.cause }

// stopped reports whether the user stopped the work.
func stopped(err error) bool { return errors.Is(err, context.Canceled) }
