package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/settings"
	"quaybench/bench/study"
	"quaybench/bench/variant"
)

// proposeOptions are what `quaybench propose` is asked.
type proposeOptions struct {
	studyFlags
	boat  string
	want  []string
	draws int
}

func (f *proposeOptions) run(ctx context.Context, sys *system) error {
	wishes, err := study.ParseWishes(f.want)
	if err == nil {
		err = study.CheckOdds(wishes, f.draws)
	}
	if err != nil {
		return input(err)
	}
	setup, trials, err := f.load(sys, f.boat)
	if err != nil {
		return err
	}
	bar := newBar(sys, "simulations")
	r, err := bench.FindProposal(ctx, setup, f.want, trials, study.ProposeOptions{Seed: f.seed, Draws: f.draws, Progress: bar.show}, f.example)
	bar.done()
	switch {
	case stopped(err) && !f.json && r != nil:
		show(sys, paperOf(setup, nil, &r.Proposed))
		return stopError{err}
	case err != nil:
		return err
	}
	if r.Found {
		r.Next, r.Keep = goOn(sys, f.boat, setup, &r.Setup.Settings)
	}
	if f.json {
		err = writeJSON(sys, r)
	} else {
		show(sys, paperOf(setup, nil, &r.Proposed))
	}
	if err = errors.Join(err, f.paper.write(ctx, sys, setup, nil, &r.Proposed, f.json)); err != nil {
		return err
	}
	return ended(r.Level(), nil)
}

// goOn returns the commands that go on with proposed settings of a boat, as it was named: try them, plan the way to each limit, write
// them into the file and save a version; keep says how to keep them where no command does. assumed is the boat with what --set changed of it.
func goOn(sys *system, name string, assumed *bench.Setup, proposed *settings.Set) (lines []string, keep string) {
	file, err := loadBoat(sys, name)
	if err != nil {
		return nil, ""
	}
	var set, try []string
	for _, key := range settings.Differing(file.Settings, *proposed) {
		text, _ := proposed.Get(key)
		set = append(set, assigned(key, text))
		try = append(try, "--set "+assigned(key, text))
	}
	var others []string
	for _, a := range assumed.Assumed {
		if !variant.IsSetting(a.Key) {
			try, others = append(try, "--set "+word(a.Key+"="+a.To)), append(others, a.Key+" "+a.To)
		}
	}
	if set == nil {
		return nil, ""
	}
	program, boat := "quaybench", word(name)
	if sys.Book != "" {
		program += " --book " + word(sys.Book)
	}
	lines = append(lines, program+" try "+boat+" "+strings.Join(try, " "))
	switch {
	case others != nil:
		return lines, "These settings are for the boat with " + strings.Join(others, ", ") + ": what of that is the boat's, write into its file first; then ask again."
	case isPath(name):
		return lines, "The boat is in no book: to keep them, write them into " + file.SettingsFile + "."
	}
	for _, p := range settings.Table() {
		text, _ := proposed.Get(p.Key)
		if was, _ := file.Settings.Get(p.Key); was != text && p.Heats != "" {
			lines = append(lines, fmt.Sprintf("%s plan %s --to %s", program, boat, assigned(p.Key, text)))
		}
	}
	return append(lines, program+" set "+boat+" "+strings.Join(set, " "), program+" profile save "+boat+` -m "set by wishes"`), ""
}

func proposeCommand(sys *system) *cobra.Command {
	var f proposeOptions
	var wishes []string
	for _, w := range study.WishKinds() {
		wishes = append(wishes, hung("  ", w, helpWidth))
	}
	cmd := &cobra.Command{
		Use:   "propose BOAT",
		Short: "find settings for what you want of the boat",
		Long: `Finds a set of settings that meets wishes and is clear in every trial named (default: all built-in ones):

` + strings.Join(wishes, "\n") + `

The answer names each setting that differs and the wish it serves, what each wish ended at, and where they cannot all be met what one costs in terms
of the other and a single change of the boat that would do. Nothing is proposed beyond the makers' ratings or what the battery's management bears.

Where a rule finds the present settings close or over and names a change, the search sets out from there. What no setting mends is told.

Exit code: 0 a clear set was found (the wishes may be missed: --json says so), 3 no set of settings is clear, 2 bad use or input.`,
		Example: `  quaybench propose petrel --want "speed >= 10 km/h" --want "endurance >= 2 h"
  quaybench propose petrel --want "speed >= 9 km/h" --want "rise-time <= 3 s" --want "stopping <= 25 m"`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.boat = args[0]
			return f.run(cmd.Context(), sys)
		},
	}
	f.paper.tables = true
	f.add(cmd, sys)
	f.addTrials(cmd, "all built-in ones")
	cmd.Flags().StringArrayVar(&f.want, "want", nil, "a `WISH`, for example \"speed >= 10 km/h\" (may be repeated)")
	_ = cmd.MarkFlagRequired("want")
	_ = cmd.RegisterFlagCompletionFunc("want", func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		var out []string
		for _, w := range study.WishKinds() {
			out = append(out, strings.Replace(w, ": ", "\t", 1))
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	})
	cmd.Flags().IntVar(&f.draws, "draws", 0, "number of boats drawn for a wish of odds (default: 200, or more where the wish needs more)")
	cmd.Flags().Uint64Var(&f.seed, "seed", 1, "the same seed gives the same answer")
	return cmd
}
