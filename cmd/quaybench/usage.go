package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
)

// helpWidth is the width of help texts.
const helpWidth = 100

// known refuses arguments of a command that only has others below it.
func known(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	text := fmt.Sprintf("there is no command %q", args[0])
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		text += "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return fmt.Errorf("%s (`%s --help` lists the commands)", text, cmd.CommandPath())
}

// dress sets the help texts of all commands, and gives those that cobra brings along what all others have: examples, and
// an error for a wrong word.
func dress(root *cobra.Command) {
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	setHelp(root)
	for _, c := range root.Commands() {
		if c.HasSubCommands() && !c.Runnable() {
			c.Args, c.RunE = known, root.RunE
			if c.Example == "" {
				c.Example = c.Commands()[0].Example
			}
		}
		switch c.Name() {
		case "help":
			c.Example = "  quaybench help try"
			c.Args = func(_ *cobra.Command, args []string) error {
				about, rest, _ := root.Find(args)
				return known(about, rest)
			}
		case "completion":
			c.Example = "  source <(quaybench completion bash)\n  quaybench completion fish > ~/.config/fish/completions/quaybench.fish"
			for _, shell := range c.Commands() {
				shell.Example = "  " + shell.CommandPath()
				if shell.Name() == "bash" {
					completeInAnyBash(root, shell)
				}
			}
		}
	}
}

// setHelp breaks the paragraphs of help texts into lines of helpWidth. A paragraph with an indented line is left as it is.
func setHelp(cmd *cobra.Command) {
	paragraphs := strings.Split(cmd.Long, "\n\n")
	for i, p := range paragraphs {
		if !strings.Contains("\n"+p, "\n\t") && !strings.Contains("\n"+p, "\n ") {
			paragraphs[i] = wrapped(p, helpWidth)
		}
	}
	cmd.Long = strings.Join(paragraphs, "\n\n")
	for _, c := range cmd.Commands() {
		setHelp(c)
	}
}

// keepJSON has every command with --json print one JSON object or nothing: whatever else it shows is dropped, also where it
// is stopped half-way.
func keepJSON(cmd *cobra.Command, sys *system) {
	if run := cmd.RunE; run != nil && cmd.Flags().Lookup("json") != nil {
		cmd.RunE = func(cmd *cobra.Command, args []string) error {
			if asked, _ := cmd.Flags().GetBool("json"); asked {
				sys.json, sys.Out = sys.Out, io.Discard
				defer func() { sys.json, sys.Out = nil, sys.json }()
			}
			return run(cmd, args)
		}
	}
	for _, c := range cmd.Commands() {
		keepJSON(c, sys)
	}
}

// markUsage makes a wrong number of arguments bad use, in every command.
func markUsage(cmd *cobra.Command) {
	if check := cmd.Args; check != nil {
		cmd.Args = func(cmd *cobra.Command, args []string) error { return input(check(cmd, args)) }
	}
	for _, c := range cmd.Commands() {
		markUsage(c)
	}
}

// arguments checks how many arguments a command has; what names one of them.
func arguments(least, most int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch n := len(args); {
		case n < least:
			return fmt.Errorf("%s is missing: %s (see `%s --help`)", what, cmd.UseLine(), cmd.CommandPath())
		case n > most:
			return fmt.Errorf("%q is one too many: %s (see `%s --help`)", args[most], cmd.UseLine(), cmd.CommandPath())
		}
		return nil
	}
}
