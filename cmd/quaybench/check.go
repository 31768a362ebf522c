package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/report"
	"quaybench/bench/verdict"
)

// checkOptions are what `quaybench check` is asked.
type checkOptions struct {
	boat string
	json bool
	set  []string

	values  bool
	example bool
	seed    uint64
	paper   paperFlags
}

func (o *checkOptions) run(ctx context.Context, sys *system) error {
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	setup, err := loadBoat(sys, o.boat)
	if err != nil {
		return err
	}
	if setup, err = setup.With(o.set); err != nil {
		return input(err)
	}
	if o.values {
		return o.measureFirst(ctx, sys, setup)
	}
	side := verdict.Join(bench.Check(setup), nil)
	blank := setup.Own()
	out := &report.Checked{Side: side, NotJudged: reasonOf(blank)}
	if o.json {
		word, reason, findings := side.Level.String(), "", bench.FindingsJSON(side.Findings)
		if blank != nil {
			word, reason = bench.NotJudged, blank.Error()
			for i := range findings {
				findings[i].Verdict = word
			}
		}
		err = writeJSON(sys, struct {
			Format   int                 `json:"format"`
			Boat     string              `json:"boat"`
			Caution  string              `json:"caution"`
			Findings []bench.FindingJSON `json:"findings"`
			Verdict  string              `json:"verdict"`
			Reason   string              `json:"reason,omitempty"`
		}{1, setup.Boat.Name, bench.Caution, findings, word, reason})
	} else {
		show(sys, paperOf(setup, nil, out))
	}
	if err = errors.Join(err, o.paper.write(ctx, sys, setup, nil, out, o.json)); err != nil {
		return err
	}
	return ended(side.Level, blank)
}

// measureFirst lists the boat's values in the order in which they move its tightest margin.
func (o *checkOptions) measureFirst(ctx context.Context, sys *system, setup *bench.Setup) error {
	if err := own(setup); err != nil && !o.example {
		return fmt.Errorf("%w; --example lists them all the same", err)
	}
	bar := newBar(sys, "runs")
	r, err := bench.FindValues(ctx, setup, bench.ValuesOptions{Examples: o.example, Seed: o.seed, Progress: bar.show})
	bar.done()
	switch {
	case stopped(err):
		return stopError{err}
	case err != nil:
		return err
	}
	out := valuesResult(r)
	if o.json {
		err = writeJSON(sys, r)
	} else {
		show(sys, aboutBoat(setup.Boat.Name, out))
	}
	return errors.Join(err, o.paper.write(ctx, sys, setup, nil, out, o.json))
}

func checkCommand(sys *system) *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:   "check BOAT",
		Short: "apply the rules that need no simulation",
		Long: `Checks settings against the boat: fuse against cable, voltage ratings, limits against what cable,
controller, contactor and battery bear, the order of deratings, pre-charge; and whether the boat's data
agree with each other (the data- rules). BOAT is a boat file, a boat's folder, or a name in the book.

With --values it says instead what to measure first: the boat file's values in the order in which they
move the tightest margin of all built-in trials, how well each is known, how to measure it, and by how much
that would narrow the margin's 95 % interval.

Exit code: 0 clear or close, 3 over, 4 not judged (values are still the example's), 2 bad use or input, 1 any other failure.`,
		Example: "  quaybench check petrel\n  quaybench check ./petrel/boat.toml --set limits.battery_current=\"260 A\"\n  quaybench check petrel --values --report first.html",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	cmd.Flags().BoolVar(&o.values, "values", false, "what to measure first: the values in the order in which they move the tightest margin")
	cmd.Flags().Uint64Var(&o.seed, "seed", 1, "of the draws for --values: the same seed gives the same answer")
	o.paper.tables = true
	o.paper.add(cmd)
	addExample(cmd, &o.example)
	addSet(cmd, sys, &o.set, "check with this value changed")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// ended turns a verdict that was shown, or the reason why there is none, into the end of a command.
func ended(l verdict.Level, blank error) error {
	if blank != nil {
		return notJudgedError{why: blank.Error(), shown: true}
	}
	switch l {
	case verdict.Over:
		return overError{}
	case verdict.NotJudged:
		return notJudgedError{why: "a run did not reach its end, or did not try what it was to try; the reasons stand with the verdict"}
	}
	return nil
}

func writeJSON(sys *system, v any) error {
	to := sys.Out
	if sys.json != nil {
		to = sys.json
	}
	e := json.NewEncoder(to)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}
