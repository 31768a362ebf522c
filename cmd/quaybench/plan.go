package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

func planCommand(sys *system) *cobra.Command {
	var to, hold, out string
	var steps int
	var moored bool
	cmd := &cobra.Command{
		Use:   "plan BOAT",
		Short: "plan the way from a present limit to a new one, step by step",
		Long: `Lays a staircase from the present value of a setting to a new one: for each step the hold, what to read, the predicted values with their band, and when
to stop. --out writes the throttle programme that step runs.`,
		Example: `  quaybench plan petrel --to limits.motor_current="170 A"
  quaybench plan petrel --to limits.motor_current="170 A" --steps 4 --hold "2 min" --moored --out ./plan`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			setup, err := loadBoat(cmd, sys, args[0])
			if err != nil {
				return err
			}
			target, err := bench.Propose(setup.Settings, []string{to})
			if err != nil {
				return input(err)
			}
			key, _, _ := strings.Cut(to, "=")
			key = strings.TrimSpace(key)
			from, ok := setup.Settings.Number(key)
			end, _ := target.Number(key)
			switch {
			case !ok:
				return input(fmt.Errorf("%s is no number to approach step by step", key))
			case from == end:
				return input(fmt.Errorf("%s is %s already", key, quantity.Format(from, settings.Unit(key), 4)))
			case steps < 1 || steps > 20:
				return input(fmt.Errorf("--steps must be 1 to 20, got %d", steps))
			}
			seconds, err := parseQuantity("--hold", hold, "s")
			if err != nil {
				return err
			}
			program := staircaseProgramme(key, seconds, moored)
			if out != "" {
				if err := writeProgramme(out, program); err != nil {
					return err
				}
			}
			return showPlan(cmd.Context(), sys, setup, program, key, from, end, steps, out, args[0])
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "the setting and its new value: `KEY=VALUE`")
	_ = cmd.MarkFlagRequired("to")
	_ = cmd.RegisterFlagCompletionFunc("to", completeKeys)
	cmd.Flags().StringVar(&hold, "hold", "60 s", "how long full throttle is held in each step")
	cmd.Flags().IntVar(&steps, "steps", 5, "number of steps")
	cmd.Flags().BoolVar(&moored, "moored", false, "the boat is held fast")
	cmd.Flags().StringVar(&out, "out", "", "`FOLDER` to write the throttle programme to")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// staircaseProgramme is the lever's part of a step: full throttle held, in the direction the setting is about.
func staircaseProgramme(key string, hold float64, moored bool) *trial.Trial {
	t := *bench.HoldTrial(hold)
	t.Name = "plan"
	t.Moored = moored
	full := 1.0
	if key == "limits.astern_current" {
		full = -1
	}
	t.Steps = []trial.Step{{At: 1, To: full, Over: 1}, {At: hold + 2, To: 0, Over: 0.5}}
	t.Duration = hold + 8
	return &t
}

func writeProgramme(dir string, t *trial.Trial) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return input(fmt.Errorf("the folder for the plan cannot be made: %w", err))
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# Throttle programme of a commissioning plan, written by quaybench.\nname = %q\nduration = \"%g s\"\nmoored = %v\n", t.Name, t.Duration, t.Moored)
	for _, s := range t.Steps {
		fmt.Fprintf(&b, "\n[[throttle]]\nat = \"%g s\"\nto = \"%g %%\"\nover = \"%g s\"\n", s.At, 100*s.To, s.Over)
	}
	name := filepath.Join(dir, "plan.toml")
	if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
		return input(fmt.Errorf("the plan cannot be written: %w", err))
	}
	return nil
}

func showPlan(ctx context.Context, sys *system, setup *bench.Setup, program *trial.Trial, key string, from, to float64, steps int, out, boatArg string) error {
	unit := settings.Unit(key)
	show := func(v float64) string { return quantity.Format(v, unit, 4) }
	file := "plan.toml"
	if out != "" {
		file = filepath.Join(out, file)
	}
	fmt.Fprintf(sys.Out, "%s: plan for %s from %s to %s, %d steps, full throttle held for %s in each%s\n",
		setup.Boat.Name, key, show(from), show(to), steps, shownTime(program.Steps[1].At-program.Steps[0].At-1), map[bool]string{true: ", moored"}[program.Moored])
	fmt.Fprintf(sys.Out, "before each step: heat sink, motor and battery back to within 5 K of the air, or note what they read and say so in the trial's [start].\nstop and go back one step when a part is close or over, when a reading lies outside its band, or at the first smell, noise or discoloured joint.\n")
	fmt.Fprintf(sys.Out, "the test stops by itself when\n")
	for _, b := range bench.HardLimits(setup, panelMeters) {
		fmt.Fprintf(sys.Out, "  %s passes %s: %s\n", b.Channel, boundText(b), b.Why)
	}
	level := verdict.Clear
	for i := 1; i <= steps; i++ {
		value := from + (to-from)*float64(i)/float64(steps)
		set, err := setup.Settings.WithNumber(key, value)
		if err != nil {
			return input(err)
		}
		step := *setup
		step.Settings = set
		bar := newBar(sys, fmt.Sprintf("step %d of %d", i, steps))
		p, err := bench.Predict(ctx, &step, program, panelMeters, bench.StepOptions{Draws: 60, Seed: 1, Progress: bar.show})
		bar.done()
		if err != nil {
			return err
		}
		at := program.Steps[1].At - 1
		fmt.Fprintf(sys.Out, "\nstep %d: set %s to %s; lever to full over 1 s, hold, read just before %s:\n", i, key, show(value), shownTime(at))
		tab := &table{right: map[int]bool{1: true, 2: true}}
		tab.add("  read", "predicted", "band")
		for k := range p.Channels {
			c := &p.Channels[k]
			low, high := c.At(at)
			tab.add("  "+c.Channel+currentOf(c.Channel), quantity.Format((low+high)/2, c.Unit, 3), quantity.Format(low, c.Unit, 3)+" to "+quantity.Format(high, c.Unit, 3))
		}
		for _, l := range tab.lines() {
			fmt.Fprintln(sys.Out, l)
		}
		found := verdict.Join(bench.Check(&step), []verdict.Trial{p.Verdict})
		fmt.Fprintf(sys.Out, "  simulation: %s\n", sys.painted(found.Level, found.Level.String()))
		showFindings(sys, found.Findings)
		if out != "" {
			fmt.Fprintf(sys.Out, "  run: quaybench step %s --script %s --set %s=%q --on PORT\n", boatArg, file, key, show(value))
		}
		if level = found.Level; level == verdict.Over {
			fmt.Fprintln(sys.Out, "the plan ends here: this step is over a limit in simulation; do not go on")
			break
		}
	}
	fmt.Fprintln(sys.Out, wrapped(bench.Caution, sys.width()))
	if level == verdict.Over {
		return overError{}
	}
	return nil
}

func currentOf(channel string) string {
	switch channel {
	case link.MotorCurrent:
		return " (motor current)"
	case link.BatteryCurrent:
		return " (battery current)"
	}
	return ""
}
