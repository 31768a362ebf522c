package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// planOptions are what `quaybench plan` is asked.
type planOptions struct {
	boat          string
	set           []string
	to, hold, out string
	steps         int
	moored        bool
	example, json bool
	force         forceFlag
	paper         paperFlags
	despite       string
}

func (o *planOptions) run(ctx context.Context, sys *system) error {
	b, err := findBerth(sys, o.boat, o.set)
	if err != nil {
		return err
	}
	if err := own(b.Setup); err != nil && !o.example {
		return fmt.Errorf("%w; --example plans it all the same", err)
	}
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	seconds, err := parseQuantity("--hold", o.hold, "s")
	if err != nil {
		return err
	}
	o.despite = strings.TrimSpace(o.despite)
	bar := newBar(sys, "judging")
	p, err := bench.Plan(ctx, b.Setup, o.to, bench.PlanOptions{Steps: o.steps, Hold: seconds, Moored: o.moored, Despite: o.despite != "", Meters: panelMeters, Progress: bar.show})
	bar.done()
	switch {
	case stopped(err):
		return stopError{err}
	case errors.As(err, new(*bench.PlanError)):
		return input(err)
	case err != nil:
		return err
	}
	p.Despite = o.despite
	if p.Planned() && o.out != "" {
		if p.File, err = keepPlan(sys, p, o.out, o.force.given()); err != nil {
			return input(err)
		}
	}
	showCommands(b, p)
	if o.json {
		err = writeJSON(sys, p)
	} else {
		show(sys, paperOf(b.Setup, nil, &p.Plan))
	}
	if err = errors.Join(err, o.paper.write(ctx, sys, b.Setup, nil, &p.Plan, o.json)); err != nil {
		return err
	}
	return ended(p.Level(), nil)
}

// showCommands prints how to run each step, and what comes after.
func showCommands(b *berth, p *bench.Planned) {
	boat, last := word(b.name), p.Target().Value
	if !p.Planned() {
		example := "" // what was asked to plan examples is let through by highest alike
		if b.Own() != nil {
			example = " --example"
		}
		p.After = []string{fmt.Sprintf("quaybench highest %s %s%s finds how far it may go", boat, p.Key, example), "--despite REASON plans it all the same"}
		return
	}
	if p.File == "" {
		return
	}
	var all, write, settings string // what else is changed: for a step test, and for what takes settings alone
	for _, text := range b.assume {
		key, value, _ := strings.Cut(text, "=")
		set := assigned(strings.TrimSpace(key), strings.TrimSpace(value))
		all += " --set " + set
		if _, ok := b.Settings.Get(strings.TrimSpace(key)); ok {
			write, settings = write+" --set "+set, settings+" "+set
		}
	}
	_, _, _, err := b.mapText("", "")
	byHand := errors.Is(err, fs.ErrNotExist) // without a map no command reaches the controller
	for i := range p.Steps {
		k := &p.Steps[i]
		if k.Own != nil && k.Own.Level != verdict.Over {
			set := assigned(p.Key, k.Value)
			k.Shell = []string{
				fmt.Sprintf("quaybench controller write %s --set %s%s --on PORT", boat, set, write),
				fmt.Sprintf("quaybench step %s --trial %s --set %s%s --on PORT", boat, word(p.File), set, all),
			}
			if byHand {
				k.Shell = []string{
					fmt.Sprintf("quaybench sheet %s --settings --set %s%s", boat, set, write),
					fmt.Sprintf("quaybench step %s --trial %s --set %s%s --prompted", boat, word(p.File), set, all),
				}
			}
		}
	}
	if b.book != nil {
		p.After = []string{
			fmt.Sprintf("quaybench set %s %s%s", boat, assigned(p.Key, last), settings),
			fmt.Sprintf("quaybench profile save %s -m %q", boat, p.Key+" to "+last+", step by step"),
		}
	}
}

// keepPlan writes the throttle programme into a folder.
func keepPlan(sys *system, p *bench.Planned, dir string, force bool) (file string, err error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("the folder for the plan cannot be made: %w", err)
	}
	file = filepath.Join(dir, "plan.toml")
	t := p.Target()
	head := "# Throttle programme of a commissioning plan, written by quaybench. If something is warm before a step, say how warm in [start].\n"
	head += fmt.Sprintf("# For %s from %s to %s, which is %s in the built-in trials.\n", p.Key, p.From, t.Value, t.Side.Level)
	if p.Despite != "" && t.Side.Level >= verdict.NotJudged {
		head += fmt.Sprintf("# It is over by %s; planned despite that: %s\n", t.Because(), strings.Join(strings.Fields(p.Despite), " "))
	}
	text := append([]byte(head), trial.Write(p.Program)...)
	if there, err := datafile.ReadFile(file, largestText); err == nil && bytes.Equal(there, text) {
		return file, nil
	}
	err = writeWhole(sys.Out, file, force, func(w io.Writer) error { // the one that is there may have its [start] filled in
		_, err := w.Write(text)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("the plan cannot be written: %w", err)
	}
	return file, nil
}

func planCommand(sys *system) *cobra.Command {
	var o planOptions
	cmd := &cobra.Command{
		Use:   "plan BOAT --to KEY=VALUE",
		Short: "plan the way from a present limit to a new one, step by step",
		Long: `Lays a staircase from the present value of a setting to a new one: for each step the hold, what to read, the predicted values with their band, and when
to stop. With --out it writes the throttle programme, and says for each step the commands that write the setting and run the test.

Before anything else the target and each step are judged in all built-in trials. A target that is over there is not planned, but with --despite and a reason, which
is kept with the plan. A step whose programme never reaches the setting says that it does not test it.

Exit code: 0 planned, 3 the target or a step is over, 2 bad use or input, 1 any other failure.`,
		Example: `  quaybench plan petrel --to limits.motor_current="170 A"
  quaybench plan petrel --to limits.motor_current="170 A" --steps 4 --hold "2 min" --moored --out ./plan`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	addSet(cmd, sys, &o.set, insteadOfFile)
	cmd.Flags().StringVar(&o.to, "to", "", "the setting and its new value: `KEY=VALUE`")
	_ = cmd.MarkFlagRequired("to")
	_ = cmd.RegisterFlagCompletionFunc("to", completeSettings)
	cmd.Flags().StringVar(&o.hold, "hold", "60 s", "how long full throttle is held in each step")
	cmd.Flags().IntVar(&o.steps, "steps", 5, "number of steps")
	addExample(cmd, &o.example)
	cmd.Flags().StringVar(&o.despite, "despite", "", "plan a target that is over in a built-in trial all the same, for this `REASON`, which is kept with the plan")
	cmd.Flags().BoolVar(&o.moored, "moored", false, "the boat is held fast")
	cmd.Flags().StringVar(&o.out, "out", "", "`FOLDER` to write the throttle programme to")
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	o.paper.tables = true
	o.paper.add(cmd)
	o.force = o.paper.force
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// assigned returns an assignment as a shell takes it.
func assigned(key, value string) string {
	if word(key) != key {
		return word(key + "=" + value)
	}
	return key + `="` + value + `"`
}

// word returns a text as a shell takes it for one word.
func word(text string) string {
	if strings.ContainsAny(text, " \t'\"\\$`!&|;<>()*?[]{}~#") {
		return "'" + strings.ReplaceAll(text, "'", `'\''`) + "'"
	}
	return text
}
