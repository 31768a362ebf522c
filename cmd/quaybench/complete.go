package main

import (
	_ "embed" // of the functions for bash
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/layout"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/profiles"
)

// keys lists keys with what they are, parted by a separator.
func keys(fields []datafile.Field, separator string) (out []string) {
	for _, f := range fields {
		if f.Kind != datafile.KindGroup {
			out = append(out, f.Key+separator+f.Doc)
		}
	}
	return out
}

//go:embed complete_bash.sh
var bashCompletion string

// completeInBash replaces the script for bash by our own: the usual one takes no names with spaces and wants the package bash-completion.
func completeInBash(bash *cobra.Command) {
	bash.Long = `Writes the script for bash. It needs no package.

  source <(quaybench completion bash)
  quaybench completion bash > ~/.quaybench-completion

The first is for this shell; the file of the second is sourced in ~/.bashrc. A name with a space in it is typed up to the space, with
a backslash or between quotes: "cable[motor cable].section".`
	bash.RunE = func(cmd *cobra.Command, _ []string) error {
		script := bashCompletion
		if without, _ := cmd.Flags().GetBool("no-descriptions"); without {
			script = strings.ReplaceAll(script, " "+cobra.ShellCompRequestCmd+" ", " "+cobra.ShellCompNoDescRequestCmd+" ")
		}
		_, err := io.WriteString(cmd.OutOrStdout(), script)
		return err
	}
}

// completeSettings offers the keys of settings, ready for a value.
func completeSettings(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return keys(settings.Fields(), "=\t"), cobra.ShellCompDirectiveNoSpace | cobra.ShellCompDirectiveNoFileComp
}

// completeKeys offers the keys of settings, of the boat that the command line names and of the trials' conditions, ready for a value.
func completeKeys(sys *system) cobra.CompletionFunc {
	return func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		return keysOf(sys, args), cobra.ShellCompDirectiveNoSpace | cobra.ShellCompDirectiveNoFileComp
	}
}

// completeProposal offers, after the name of a proposal and after each of its values, the keys that completeKeys offers and that it does
// not have yet.
func completeProposal(sys *system) cobra.CompletionFunc {
	return func(_ *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
		const directive = cobra.ShellCompDirectiveNoSpace | cobra.ShellCompDirectiveNoFileComp
		name, assignments, named := strings.Cut(word, ":")
		if !named || strings.TrimSpace(name) == "" {
			return nil, directive
		}
		typed := word[:strings.LastIndexAny(word, ":,")+1] + " "
		var out []string
		for _, key := range keysOf(sys, args) {
			if assigned, _, _ := strings.Cut(key, "\t"); !strings.Contains(assignments, " "+assigned) {
				out = append(out, typed+key)
			}
		}
		return out, directive
	}
}

// keysOf lists the keys of the boat that arguments name first, each ready for a value, with what it is.
func keysOf(sys *system, args []string) []string {
	name := ""
	if len(args) > 0 {
		name = args[0]
	}
	return keys(variantOf(sys, name).Keys(), "=\t")
}

// variantOf returns a boat by its name, as far as it can be read: its cables and joints have keys by their names.
func variantOf(sys *system, name string) variant.Variant {
	quiet := *sys
	quiet.Err = io.Discard
	if setup, err := loadBoat(&quiet, name); name != "" && err == nil {
		return setup.Variant()
	}
	return variant.Of(&boat.Boat{}, settings.Set{})
}

// completeTrials offers the built-in trials.
func completeTrials() (out []string) {
	all, err := bench.AllTrials()
	if err != nil {
		return nil
	}
	for _, t := range all {
		out = append(out, t.Name+"\t"+t.About)
	}
	return out
}

// completeBoats offers the boats of the book, and files.
func completeBoats(sys *system) cobra.CompletionFunc {
	return func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		if len(args) > 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		var names []string
		if dir, err := bookDir(sys); err == nil {
			names = boatNames(os.DirFS(dir))
		}
		for _, demo := range boatNames(demoBook()) {
			if !slices.Contains(names, demo) {
				names = append(names, demo+"\tinvented, from the demo book")
			}
		}
		return names, cobra.ShellCompDirectiveDefault
	}
}

// completeVersions offers boats, and then, for as many arguments as name versions, the versions of the boat.
func completeVersions(sys *system, most int) cobra.CompletionFunc {
	return func(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return completeBoats(sys)(cmd, args, word)
		}
		if len(args) > most {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return versionsOf(cmd, sys, args), cobra.ShellCompDirectiveNoFileComp
	}
}

// versionsOf lists what may name a version of the boat args[0], each with what it is: head, labels, hashes.
func versionsOf(cmd *cobra.Command, sys *system, args []string) (out []string) {
	if len(args) == 0 {
		return nil
	}
	if dir, err := bookDir(sys); err != nil || !hasBoat(dir, args[0]) {
		if _, isDemo := demoBoat(args[0]); !isDemo {
			return nil
		}
		return []string{profiles.RefHead, "summer", "spring"} // of its invented history, which takes a while to make
	}
	quiet := *sys
	quiet.Err = io.Discard
	book, done, err := openBookWith(cmd.Context(), &quiet, args[0], false)
	if err != nil {
		return nil
	}
	defer done()
	l, err := book.List(cmd.Context(), args[0])
	if err != nil {
		return nil
	}
	add := func(name string, e *profiles.Entry) {
		out = append(out, fmt.Sprintf("%s\t%s, %s: %s", name, e.Time.Format("2006-01-02"), resultText(e.Result), e.Reason))
	}
	for i := range slices.Backward(l.Versions) {
		e := &l.Versions[i]
		if e.Head && len(l.Working.Heads) == 1 {
			add(profiles.RefHead, e)
		}
		for _, label := range e.Labels {
			add(label, e)
		}
		add(e.Hash.Short(), e)
	}
	if strings.HasSuffix(cmd.CommandPath(), " diff") {
		out = append(out, profiles.RefWorking+"\tthe working files")
	}
	return out
}

func trialsCommand(sys *system) *cobra.Command {
	return &cobra.Command{
		Use:     "trials [NAME]",
		Short:   "list the built-in trials, or print one as a file to start your own from",
		Example: "  quaybench trials\n  quaybench trials crash-stop > my-trial.toml",
		Args:    arguments(0, 1, "NAME"),
		ValidArgsFunction: func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			if len(args) > 0 {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			return completeTrials(), cobra.ShellCompDirectiveNoFileComp
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
			tab := &layout.Table{}
			for _, t := range all {
				tab.Add(t.Name, t.About)
			}
			sys.table(tab)
			return nil
		},
	}
}

func settingsCommand(sys *system) *cobra.Command {
	return &cobra.Command{
		Use:     "settings [KEY or GROUP]",
		Short:   "explain the parameters of a settings file",
		Example: "  quaybench settings\n  quaybench settings limits.motor_current\n  quaybench settings stall",
		Args:    arguments(0, 1, "KEY"),
		ValidArgsFunction: func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			if len(args) > 0 {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			return keys(settings.Fields(), "\t"), cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(_ *cobra.Command, args []string) error {
			found := false
			for _, f := range settings.Table() {
				if len(args) == 1 && f.Key != args[0] && !strings.HasPrefix(f.Key, args[0]+".") {
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
				switch {
				case f.SaferMore:
					facts = append(facts, "more is safer")
				case f.Heats == "motor" || f.Heats == "battery":
					facts = append(facts, "heats what carries "+f.Heats+" current; raised for "+f.Raise)
				case f.Raise != "":
					facts = append(facts, "raised for "+f.Raise)
				}
				fmt.Fprintf(sys.Out, "%s\n%s\n%s\n", f.Key, hung("    ", f.Doc, sys.width()), hung("    ", "("+strings.Join(facts, "; ")+")", sys.width()))
			}
			if !found {
				_, err := settings.Set{}.With(args[0], "")
				return input(err)
			}
			return nil
		},
	}
}
