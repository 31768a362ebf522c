package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// completeKeys offers the keys of all settings.
func completeKeys(*cobra.Command, []string, string) (keys []string, d cobra.ShellCompDirective) {
	for _, f := range settings.Fields() {
		if f.Kind != datafile.KindGroup {
			keys = append(keys, f.Key+"=\t"+f.Doc)
		}
	}
	return keys, cobra.ShellCompDirectiveNoSpace | cobra.ShellCompDirectiveNoFileComp
}

// completeBoats offers the boats of the book, and files.
func completeBoats(sys *system) cobra.CompletionFunc {
	return func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		if len(args) > 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		dir, err := bookDir(cmd, sys)
		if err != nil {
			return nil, cobra.ShellCompDirectiveDefault
		}
		names := boatNames(os.DirFS(dir))
		if !explicitBook(cmd, sys) {
			names = append(names, boatNames(demoBook())...)
		}
		return names, cobra.ShellCompDirectiveDefault
	}
}

func trialsCommand(sys *system) *cobra.Command {
	return &cobra.Command{
		Use:     "trials [NAME]",
		Short:   "list the built-in trials, or print one as a file to start your own from",
		Example: "  quaybench trials\n  quaybench trials crash-stop > my-trial.toml",
		Args:    cobra.MaximumNArgs(1),
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return trial.Names(), cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) == 1 {
				text, ok := trial.Text(args[0])
				if !ok {
					_, err := trial.Builtin(args[0])
					return input(err)
				}
				fmt.Fprint(sys.Out, text)
				return nil
			}
			all, err := bench.AllTrials()
			if err != nil {
				return err
			}
			for _, t := range all {
				fmt.Fprintf(sys.Out, "%-17s %s\n", t.Name, t.About)
			}
			return nil
		},
	}
}

func settingsCommand(sys *system) *cobra.Command {
	return &cobra.Command{
		Use:     "settings [KEY]",
		Short:   "explain the parameters of a settings file",
		Example: "  quaybench settings\n  quaybench settings limits.motor_current",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			found := false
			for _, f := range settings.Fields() {
				if f.Kind == datafile.KindGroup || len(args) == 1 && f.Key != args[0] {
					continue
				}
				found = true
				var facts []string
				if f.Min != "" {
					facts = append(facts, f.Min+" to "+f.Max)
				}
				if len(f.One) > 0 {
					facts = append(facts, strings.Join(f.One, " | "))
				}
				if f.Default != "" {
					facts = append(facts, "left out: "+f.Default)
				}
				fmt.Fprintf(sys.Out, "%s\n    %s\n    (%s)\n", f.Key, f.Doc, strings.Join(facts, "; "))
			}
			if !found {
				_, err := settings.Set{}.With(args[0], "")
				return input(err)
			}
			return nil
		},
	}
}
