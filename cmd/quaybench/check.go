package main

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/verdict"
)

// checkOptions are what `quaybench check` is asked.
type checkOptions struct {
	boat string
	json bool
	set  []string
}

func (o *checkOptions) run(ctx context.Context, sys *system) error {
	setup, err := loadBoat(sys, o.boat)
	if err != nil {
		return err
	}
	if setup.Settings, err = bench.Propose(setup.Settings, o.set); err != nil {
		return input(err)
	}
	side := verdict.Join(bench.Check(setup), nil)
	blank := setup.Own()
	if o.json {
		word, reason := side.Level.String(), ""
		if blank != nil {
			word, reason = bench.NotJudged, blank.Error()
		}
		err = writeJSON(sys, struct {
			Format   int                 `json:"format"`
			Boat     string              `json:"boat"`
			Caution  string              `json:"caution"`
			Findings []bench.FindingJSON `json:"findings"`
			Verdict  string              `json:"verdict"`
			Reason   string              `json:"reason,omitempty"`
		}{1, setup.Boat.Name, bench.Caution, bench.FindingsJSON(side.Findings), word, reason})
	} else {
		showChecked(sys, setup, side)
	}
	if err != nil {
		return err
	}
	return ended(side.Level, blank)
}

func checkCommand(sys *system) *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:   "check BOAT",
		Short: "apply the rules that need no simulation",
		Long: `Checks settings against the boat: fuse against cable, voltage ratings, limits against what cable,
controller, contactor and battery bear, the order of deratings, pre-charge; and whether the boat's data
agree with each other (the data- rules). BOAT is a boat file, a boat's folder, or a name in the book.

Exit code: 0 clear or close, 3 over, 4 not judged (values are still the example's), 2 bad use or input, 1 any other failure.`,
		Example: "  quaybench check petrel\n  quaybench check ./petrel/boat.toml --set limits.battery_current=\"260 A\"",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	cmd.Flags().StringArrayVar(&o.set, "set", nil, "check with this setting changed: `KEY=VALUE` (may be repeated)")
	_ = cmd.RegisterFlagCompletionFunc("set", completeKeys)
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// showChecked prints every rule: what it found, or that all is well.
func showChecked(sys *system, setup *bench.Setup, side verdict.Side) {
	fmt.Fprintf(sys.Out, "%s: %d rules that need no simulation\n", setup.Boat.Name, len(verdict.Rules()))
	for _, rule := range verdict.Rules() {
		var found []verdict.Finding
		for _, f := range side.Findings {
			if f.Rule == rule.Name {
				found = append(found, f)
			}
		}
		if len(found) == 0 {
			fmt.Fprintln(sys.Out, hung("  "+sys.painted(verdict.Clear, verdict.Clear.String())+"  ", rule.Name+": "+rule.Title, sys.width()))
		}
		showFindings(sys, found)
		if rule.Note != nil {
			if note := rule.Note(setup.Boat, setup.Settings); note != "" {
				fmt.Fprintln(sys.Out, hung("         ", "mind: "+note, sys.width()))
			}
		}
	}
	fmt.Fprintln(sys.Out)
	for _, text := range restsOn(setup) {
		fmt.Fprintln(sys.Out, wrapped(text, sys.width()))
	}
	showVerdict(sys, side, false, setup.Own())
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
		return notJudgedError{why: "a run did not reach its end"}
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
