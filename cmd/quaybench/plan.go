package main

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2/maybe"
	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// planOptions are what `quaybench plan` is asked.
type planOptions struct {
	boat          string
	to, hold, out string
	steps         int
	moored        bool
	example       bool
}

func (o *planOptions) run(ctx context.Context, sys *system) error {
	b, err := findBerth(sys, o.boat, nil)
	if err != nil {
		return err
	}
	if err := own(b.Setup); err != nil && !o.example {
		return fmt.Errorf("%w; --example plans it all the same", err)
	}
	p := &plan{sys: sys, berth: b, steps: o.steps}
	seconds, err := parseQuantity("--hold", o.hold, "s")
	if err != nil {
		return err
	}
	if err := p.lay(o.to, seconds, o.moored); err != nil {
		return input(err)
	}
	if o.out != "" {
		if err := p.keep(o.out); err != nil {
			return input(err)
		}
	}
	return p.show(ctx)
}

func planCommand(sys *system) *cobra.Command {
	var o planOptions
	cmd := &cobra.Command{
		Use:   "plan BOAT --to KEY=VALUE",
		Short: "plan the way from a present limit to a new one, step by step",
		Long: `Lays a staircase from the present value of a setting to a new one: for each step the hold, what to read, the predicted values with their band, and when
to stop. With --out it writes the throttle programme, and says for each step the commands that write the setting and run the test.`,
		Example: `  quaybench plan petrel --to limits.motor_current="170 A"
  quaybench plan petrel --to limits.motor_current="170 A" --steps 4 --hold "2 min" --moored --out ./plan`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().StringVar(&o.to, "to", "", "the setting and its new value: `KEY=VALUE`")
	_ = cmd.MarkFlagRequired("to")
	_ = cmd.RegisterFlagCompletionFunc("to", completeKeys)
	cmd.Flags().StringVar(&o.hold, "hold", "60 s", "how long full throttle is held in each step")
	cmd.Flags().IntVar(&o.steps, "steps", 5, "number of steps")
	addExample(cmd, &o.example)
	cmd.Flags().BoolVar(&o.moored, "moored", false, "the boat is held fast")
	cmd.Flags().StringVar(&o.out, "out", "", "`FOLDER` to write the throttle programme to")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// plan is a staircase from a present setting to a new one.
type plan struct {
	sys     *system
	berth   *berth
	steps   int
	key     string
	from    string
	stairs  []string // the value of each step, as it is written
	program *trial.Trial
	read    float64 // when the meters are read, s
	file    string  // of the programme; "" where it was not written
}

// lay lays the stairs. A step is rounded, for a person writes it down; the last is what was asked for.
func (p *plan) lay(assignment string, hold float64, moored bool) error {
	target, err := bench.Propose(p.berth.Settings, []string{assignment})
	if err != nil {
		return err
	}
	key, _, _ := strings.Cut(assignment, "=")
	p.key = strings.TrimSpace(key)
	from, ok := p.berth.Settings.Number(p.key)
	to, _ := target.Number(p.key)
	p.from, _ = p.berth.Settings.Get(p.key)
	end, _ := target.Get(p.key)
	switch {
	case !ok:
		return fmt.Errorf("%s is no number to approach step by step", p.key)
	case from == to:
		return fmt.Errorf("%s is %s already", p.key, p.from)
	case p.steps < 1 || p.steps > 20:
		return fmt.Errorf("--steps must be 1 to 20, got %d", p.steps)
	}
	if least := target.Ramp.Rise + 2; hold < least {
		return fmt.Errorf("--hold must be %.3g s at least, for the ramp takes %.3g s: got %.3g s", least, target.Ramp.Rise, hold)
	}
	unit := settings.Unit(p.key)
	for i := 1; i < p.steps; i++ {
		text := quantity.Format(from+(to-from)*float64(i)/float64(p.steps), unit, 3)
		if n := len(p.stairs); text != quantity.Format(from, unit, 3) && text != quantity.Format(to, unit, 3) && (n == 0 || p.stairs[n-1] != text) {
			p.stairs = append(p.stairs, text)
		}
	}
	p.stairs = append(p.stairs, end)

	t := *bench.HoldTrial(hold)
	t.Name, t.About, t.Moored = "plan", "a step of a commissioning plan: full throttle, held", moored
	full := 1.0
	if p.key == "limits.astern_current" {
		full = -1
	}
	t.Steps = []trial.Step{{At: 1, To: full, Over: 1}, {At: hold + 2, To: 0, Over: 0.5}}
	t.Duration = hold + 8
	p.program, p.read = &t, hold+1
	return nil
}

// keep writes the throttle programme into a folder.
func (p *plan) keep(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("the folder for the plan cannot be made: %w", err)
	}
	p.file = filepath.Join(dir, "plan.toml")
	head := "# Throttle programme of a commissioning plan, written by quaybench. If something is warm before a step, say how warm in [start].\n"
	if err := maybe.WriteFile(p.file, append([]byte(head), trial.Write(p.program)...), 0o644); err != nil {
		return fmt.Errorf("the plan cannot be written: %w", err)
	}
	return nil
}

func (p *plan) show(ctx context.Context) error {
	out, width := p.sys.Out, p.sys.width()
	say := func(prefix, text string) { fmt.Fprintln(out, hung(prefix, text, width)) }
	last := p.stairs[len(p.stairs)-1]
	held := map[bool]string{true: "moored", false: "under way"}[p.program.Moored]
	say("", fmt.Sprintf("%s: plan for %s from %s to %s in %d steps, %s", p.berth.Boat.Name, p.key, p.from, last, len(p.stairs), held))
	say("each step: ", fmt.Sprintf("lever to full over 1 s, held for %s, back to neutral; the meters are read just before %s.", shownTime(p.read-1), shownTime(p.read)))
	say("before each step: ", "heat sink, motor and battery back to within 5 K of the air, or note what they read and say so in the programme's [start].")
	say("go back one step when ", "a part is close or over, a reading lies outside its band, or at the first smell, noise or discoloured joint.")
	fmt.Fprintln(out, "the test stops at once when")
	for _, b := range bench.HardLimits(p.berth.Setup, panelMeters) {
		say("  ", fmt.Sprintf("%s passes %s: %s", b.Channel, boundText(b), b.Why))
	}
	for i, value := range p.stairs {
		level, err := p.step(ctx, i, value)
		if err != nil {
			return err
		}
		if level == verdict.Over {
			say("", "the plan ends here: this step is over a limit in simulation; do not go on")
			fmt.Fprintln(out, wrapped(bench.Caution, width))
			return overError{}
		}
	}
	if p.file == "" {
		say("\n", "--out FOLDER writes the throttle programme, and each step then says how to run it")
	} else if p.berth.book != nil {
		fmt.Fprintf(out, "\nafter the last step:\n  quaybench set %s %s\n  quaybench profile save %s -m %q\n", word(p.berth.name), assigned(p.key, last), word(p.berth.name), p.key+" to "+last+", step by step")
	}
	fmt.Fprintln(out, wrapped(bench.Caution, width))
	return nil
}

// step shows one step, with what it is predicted to read.
func (p *plan) step(ctx context.Context, i int, value string) (verdict.Level, error) {
	out := p.sys.Out
	setup := *p.berth.Setup
	var err error
	if setup.Settings, err = setup.Settings.With(p.key, value); err != nil {
		return 0, input(err)
	}
	bar := newBar(p.sys, fmt.Sprintf("step %d of %d", i+1, len(p.stairs)))
	predicted, err := bench.Predict(ctx, &setup, p.program, panelMeters, bench.StepOptions{Draws: 60, Seed: 1, Progress: bar.show})
	bar.done()
	if stopped(err) {
		return 0, stopError{err}
	}
	if err != nil {
		return 0, err
	}
	fmt.Fprintf(out, "\nstep %d: %s = %s\n", i+1, p.key, value)
	tab := &table{right: map[int]bool{1: true, 2: true}}
	tab.add("  read", "predicted", "band")
	for k := range predicted.Channels {
		c := &predicted.Channels[k]
		tr, ok := predicted.Run.Trace(c.Trace)
		nominal := math.NaN()
		if ok {
			nominal = predicted.Run.At(tr, p.read)
		}
		low, high := c.At(p.read)
		tab.add("  "+link.TraceName(c.Channel), quantity.Format(nominal, c.Unit, 3), quantity.Format(low, c.Unit, 3)+" to "+quantity.Format(high, c.Unit, 3))
	}
	for _, l := range tab.fitted(p.sys.tableWidth()) {
		fmt.Fprintln(out, l)
	}
	showLeftOut(p.sys, predicted.LeftOut)
	found := verdict.Join(bench.Check(&setup), []verdict.Trial{predicted.Verdict})
	fmt.Fprintf(out, "  simulation: %s\n", p.sys.painted(found.Level, found.Level.String()))
	showFindings(p.sys, found.Findings)
	if p.file != "" && found.Level != verdict.Over {
		boat, set := word(p.berth.name), assigned(p.key, value)
		fmt.Fprintf(out, "  write: quaybench controller write %s --set %s --on PORT\n", boat, set)
		fmt.Fprintf(out, "  run:   quaybench step %s --script %s --set %s --on PORT\n", boat, word(p.file), set)
	}
	return found.Level, nil
}

// assigned is an assignment as a shell takes it.
func assigned(key, value string) string { return key + `="` + value + `"` }

// word is a text as a shell takes it for one word.
func word(text string) string {
	if strings.ContainsAny(text, " \t'\"\\$`!&|;<>()*?[]{}~#") {
		return "'" + strings.ReplaceAll(text, "'", `'\''`) + "'"
	}
	return text
}
