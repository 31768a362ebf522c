package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quaybench/bench/layout"
)

// helpWidth is the width of help texts where the terminal has so much.
const helpWidth = 80

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
func dress(root *cobra.Command, sys *system) {
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	setHelp(root, sys)
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
					completeInBash(shell)
				}
			}
		}
	}
}

// setHelp lets all commands show their help in lines of helpWidth, or of what a narrower terminal has.
func setHelp(root *cobra.Command, sys *system) {
	root.SetHelpFunc(func(cmd *cobra.Command, _ []string) {
		width := helpWidth
		if w, ok := sys.columns(sys.Out); ok {
			width = min(width, w)
		}
		fmt.Fprint(cmd.OutOrStdout(), helpText(cmd, width))
	})
}

// helpText returns the help of a command: what it does, its use, examples, the commands below it, its flags.
func helpText(cmd *cobra.Command, width int) string {
	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	for _, p := range strings.Split(strings.TrimSpace(cmp.Or(cmd.Long, cmd.Short)), "\n\n") {
		if !strings.Contains("\n"+p, "\n\t") && !strings.Contains("\n"+p, "\n ") { // one with an indented line is left as it is
			p = wrapped(p, width)
		}
		say("%s\n\n", strings.TrimRight(p, "\n"))
	}
	say("Usage:\n")
	if cmd.Runnable() {
		say("  %s\n", cmd.UseLine())
	}
	if cmd.HasAvailableSubCommands() {
		say("  %s COMMAND\n", cmd.CommandPath())
	}
	if cmd.Example != "" {
		say("\nExamples:\n")
		for _, line := range strings.Split(cmd.Example, "\n") {
			say("%s\n", continued(line, width))
		}
	}
	if cmd.HasAvailableSubCommands() {
		say("\nCommands:\n")
		for _, c := range cmd.Commands() {
			if c.IsAvailableCommand() || c.Name() == "help" {
				say("%s\n", hung(fmt.Sprintf("  %-*s ", c.NamePadding(), c.Name()), c.Short, width))
			}
		}
	}
	if cmd.HasAvailableLocalFlags() {
		say("\nFlags:\n%s", withPlaceholders(cmd.LocalFlags()).FlagUsagesWrapped(width))
	}
	if cmd.HasAvailableInheritedFlags() {
		say("\nFlags of all commands:\n%s", withPlaceholders(cmd.InheritedFlags()).FlagUsagesWrapped(width))
	}
	if cmd.HasAvailableSubCommands() {
		say("\n`%s COMMAND --help` explains a command.\n", cmd.CommandPath())
	}
	return b.String()
}

// takes is what a flag takes, where its text has no word for it in back quotes and it is no number.
var takes = map[string]string{
	"air": "TEMPERATURE", "author": "NAME", "charge": "SHARE", "csv": "FILE", "current": "CURRENTS", "despite": "REASON",
	"evidence": "FILE", "fault": "FAULT", "hold": "TIME", "longest": "TIME", "map": "FILE", "message": "TEXT", "odds": "SHARE",
	"parent": "VERSION", "rate": "RATE", "speed": "SPEED", "times": "TIMES", "to": "FILE", "within": "INDICES",
}

// namedValue is the value of a flag whose help names what it takes.
type namedValue struct {
	pflag.Value
	word string
}

func (v namedValue) Type() string { return v.word }

// withPlaceholders returns flags for their help, in which each that takes something says what.
func withPlaceholders(flags *pflag.FlagSet) *pflag.FlagSet {
	out := pflag.NewFlagSet("", pflag.ContinueOnError)
	flags.VisitAll(func(f *pflag.Flag) {
		shown := *f
		switch kind := f.Value.Type(); {
		case kind == "bool" || strings.Contains(f.Usage, "`"):
		case strings.HasPrefix(kind, "string"):
			shown.Value, shown.DefValue = namedValue{f.Value, cmp.Or(takes[f.Name], "TEXT")}, strings.TrimSuffix(f.DefValue, "[]")
		default:
			shown.Value = namedValue{f.Value, "NUMBER"}
		}
		out.AddFlag(&shown)
	})
	return out
}

// continued breaks an example that is too wide as a shell takes it. What is said beside it, after spaces and a #, stands above it then.
func continued(line string, width int) string {
	if layout.Visible(line) <= width {
		return line
	}
	command, said, ok := strings.Cut(line, "  #")
	if ok {
		said = "  #" + said + "\n"
	}
	return said + layout.Command(strings.TrimSpace(command), width)
}

// keepJSON lets every command with --json print one JSON object or nothing: whatever else it shows is dropped, also where it
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

// markUsage reports a wrong number of arguments as bad use, in every command.
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
