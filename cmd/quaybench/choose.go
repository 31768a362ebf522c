package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/choose"
	"quaybench/bench/verdict"
)

// chooseOptions are what `quaybench choose` is asked.
type chooseOptions struct {
	studyFlags
	boat, kind  string
	part, speed string
}

func (f *chooseOptions) run(ctx context.Context, sys *system) error {
	if !slices.Contains(choose.Kinds(), f.kind) {
		return input(fmt.Errorf("nothing is known of choosing a %q; there are %s", f.kind, strings.Join(choose.Kinds(), ", ")))
	}
	setup, trials, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	switch cables := setup.Boat.Cables; {
	case f.part != "" && f.kind != "cable":
		return input(fmt.Errorf("--part names one of several cables: the boat has one %s", f.kind))
	case f.speed != "" && f.kind != "propeller" && f.kind != "gear":
		return input(fmt.Errorf("--speed is what a propeller or a gear has to give, and no %s", f.kind))
	case f.part != "" && !slices.ContainsFunc(cables, func(c boat.Cable) bool { return c.Name == f.part }):
		return input(fmt.Errorf("the boat has no cable %q", f.part))
	}
	o := choose.Options{Part: f.part}
	if f.speed != "" {
		if o.Speed, err = parseQuantity("--speed", f.speed, "m/s"); err != nil {
			return err
		}
	}
	bar := newBar(sys, "sizes")
	c, err := bench.Choose(ctx, setup, f.kind, trials, o, f.example)
	bar.done()
	if err != nil {
		return err
	}
	if f.json {
		err = writeJSON(sys, c)
	} else {
		show(sys, paperOf(setup, nil, &c.Chosen))
	}
	if err = errors.Join(err, f.paper.write(ctx, sys, setup, nil, &c.Chosen, f.json)); err != nil {
		return err
	}
	if !c.Fits() {
		return ended(verdict.Over, nil)
	}
	return nil
}

func chooseCommand(sys *system) *cobra.Command {
	var f chooseOptions
	cmd := &cobra.Command{
		Use:   "choose BOAT PART",
		Short: "which size of a cable, fuse, contactor, pre-charge resistor, propeller or gear does",
		Long: `Goes through the published series for a part (` + strings.Join(choose.Kinds(), ", ") + `): sections of IEC 60228 and American wire gauges, ratings of
IEC 60269 and ISO 8820, rated currents of IEC 60059, resistors of IEC 60063, propellers by the inch, gears by preferred numbers. Each size is put into the boat with what
follows from it, held against the rules that need no simulation and simulated in the trials that are hardest on the part; the one chosen is simulated in all of them.
The list says what is left, why a smaller one fails and what a larger one costs.

` + bench.FollowTheCode + `

Exit code: 0 a size does, 3 none of the series does, 2 bad use or input.`,
		Example: `  quaybench choose petrel fuse
  quaybench choose petrel cable --part "motor cable" --set limits.motor_current="180 A"
  quaybench choose petrel propeller --speed "9 km/h"`,
		Args: arguments(2, 2, "BOAT or PART"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.boat, f.kind = args[0], args[1]
			return f.run(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	f.addTrials(cmd, "all built-in ones")
	boats := cmd.ValidArgsFunction
	cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
		switch len(args) {
		case 0:
			return boats(cmd, args, word)
		case 1:
			return choose.Kinds(), cobra.ShellCompDirectiveNoFileComp
		}
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	cmd.Flags().StringVar(&f.part, "part", "", "one cable, by its `NAME` (default: all)")
	_ = cmd.RegisterFlagCompletionFunc("part", func(_ *cobra.Command, args []string, _ string) (names []string, _ cobra.ShellCompDirective) {
		if len(args) > 0 {
			for _, c := range variantOf(sys, args[0]).Boat.Cables {
				names = append(names, c.Name)
			}
		}
		return names, cobra.ShellCompDirectiveNoFileComp
	})
	cmd.Flags().StringVar(&f.speed, "speed", "", "what a propeller or gear has to give, for example \"9 km/h\" (default: 98 % of what it gives now)")
	return cmd
}
