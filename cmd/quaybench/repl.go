package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"reflect"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
	"quaybench/profiles"
	"quaybench/repl"
	"quaybench/repl/check"
)

// replOptions are what `quaybench repl` is asked.
type replOptions struct {
	boat  string
	files []string // that the session may read
	out   string
	force forceFlag
}

func (o *replOptions) run(ctx context.Context, sys *system) error {
	own := map[string]bool{} // files of this session: it may write them again
	write := func(name, text string) error {
		err := writeWhole(sys.Out, name, own[name] || o.force.given(), func(w io.Writer) error {
			_, err := io.WriteString(w, text)
			return err
		})
		own[name] = own[name] || err == nil
		return err
	}
	if o.out != "" {
		if err := readyToWrite("--script", o.out, o.force.given()); err != nil {
			return err
		}
	}
	s, err := repl.NewSession(repl.Config{
		Host: scriptHost(ctx, sys, o.boat, o.files), Boat: o.boat, Out: sys.Out, Show: shower(sys),
		Boats: func() []string { return knownBoats(sys) }, Width: sys.width, WriteScript: write,
	})
	if err != nil {
		return input(err)
	}
	err = converse(ctx, sys, s, o.boat)
	if errors.As(err, new(check.Errors)) {
		err = input(err)
	}
	if o.out != "" {
		text, wrong := s.Script()
		if wrong == nil {
			wrong = write(o.out, text)
		}
		err = errors.Join(err, wrong)
	}
	return err
}

func replCommand(sys *system) *cobra.Command {
	var o replOptions
	cmd := &cobra.Command{
		Use:   "repl [BOAT] [FILE...]",
		Short: "a session in interpreted Go with the boat loaded",
		Long: `Starts a session with the boat (default: the invented petrel) as the variable boat. An expression prints its value: a verdict as its table, a trace as
a chart. help lists what to try first, help NAME explains a name. Tab completes names, settings and trials; Ctrl-C stops what runs and keeps the session;
quit or Ctrl-D leaves. Files named behind the boat the session may read: records, other loggers' CSV, trials (boat.Args lists them). Piped input works too: no prompt;
it ends with the first error, whose exit code it has.`,
		Example: "  quaybench repl petrel\n  echo 'boat.Get(\"limits.motor_current\")' | quaybench repl petrel\n  quaybench repl petrel monday.csv    # boat.Learn(\"monday.csv\")\n  quaybench repl petrel --script session.go    # writes the session out as a script when it ends",
		Args:    arguments(0, 100, "[BOAT] [FILE...]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = "petrel"
			if len(args) > 0 {
				o.boat, o.files = args[0], args[1:]
			}
			return o.run(cmd.Context(), sys)
		},
	}
	o.force = forced(cmd)
	cmd.Flags().StringVar(&o.out, "script", "", "write the session out as a script to this `FILE` when it ends")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// knownBoats returns the names of the boats that the session's boat could be.
func knownBoats(sys *system) []string {
	names, _ := completeBoats(sys)(sys.called, nil, "")
	for i, n := range names {
		names[i], _, _ = strings.Cut(n, "\t") // what follows is its description
	}
	return names
}

// converse runs a session at a terminal, or on what is piped in.
func converse(ctx context.Context, sys *system, s *repl.Session, boat string) error {
	if terminal(sys.In) == nil {
		return repl.Piped(ctx, s, sys.In)
	}
	history := ""
	if dir, err := bookDir(sys); err == nil {
		history = filepath.Join(filepath.Dir(dir), "history")
		if os.MkdirAll(filepath.Dir(dir), 0o755) != nil {
			history = ""
		}
	}
	fmt.Fprintf(sys.Out, "%s is loaded as boat; help lists what to try, Ctrl-D leaves\n%s\n", boat, wrapped(bench.Caution, sys.width()))
	ctx, stop := signal.NotifyContext(context.WithoutCancel(ctx), syscall.SIGTERM, syscall.SIGHUP, syscall.SIGQUIT) // Ctrl-C is the session's
	defer stop()
	if sys.Getenv("TERM") == "dumb" {
		return repl.PlainTerminal(ctx, s, sys.In)
	}
	return repl.Terminal(ctx, s, history, sys.colour())
}

// scriptHost returns what a session gets: boats of the book, built-in trials, the files that the command line names, the simulated
// controller, and the book to save in.
func scriptHost(ctx context.Context, sys *system, boat string, more []string) bench.ScriptHost {
	files := append([]string{boat}, more...)
	return bench.ScriptHost{
		Args:    more,
		Load:    scriptBoats(sys, files),
		Trial:   scriptTrials(files),
		Run:     bench.RunSimulated,
		Profile: scriptProfiles(sys),
		File:    scriptFiles(files),
		Records: scriptRecords(sys),
		Save: func(ctx context.Context, s *bench.Setup, why string) (string, error) {
			boat := filepath.Base(filepath.Dir(s.BoatFile))
			book, done, err := openBookWith(ctx, sys, boat, true)
			if err != nil {
				return "", err
			}
			defer done()
			texts, err := book.Texts(ctx, boat)
			if err != nil {
				return "", err
			}
			tried, err := tryTexts(ctx, sys, book, boat, texts)
			if err != nil {
				return "", err
			}
			who, err := author(sys, "")
			if err != nil {
				return "", err
			}
			v, err := book.Save(ctx, boat, profiles.SaveOptions{Reason: why, Author: who, Tool: bench.Version, Verdicts: profileVerdicts(tried), Tried: &texts})
			if err != nil {
				return "", err
			}
			return fmt.Sprintf("saved v%d %s of %s: %s", v.Number, v.Hash.Short(), v.Boat, resultText(v.Result)), nil
		},
	}
}

// chart draws traces of a run; without names those that every run has.
func chart(sys *system, c repl.Chart) bool {
	if c.Run == nil {
		return false
	}
	traces := c.Traces
	if len(traces) == 0 {
		traces = []string{record.MotorCurrent, record.MotorSpeed, "winding"}
	}
	text, err := report.Terminal(c.Run, sys.width(), 8, traces...)
	if err != nil {
		return false
	}
	fmt.Fprintln(sys.Out, text)
	return true
}

// only returns the one trial there is, for its heading; nil where there are more.
func only(judged []verdict.Trial) []*trial.Trial {
	if len(judged) != 1 {
		return nil
	}
	if t, err := trial.Builtin(judged[0].Name); err == nil {
		return []*trial.Trial{t}
	}
	return []*trial.Trial{{Name: judged[0].Name, About: "a programme of this session"}}
}

// paperOn returns a result of the tool on paper, with the boat that it is about where it says; nil for anything else.
func paperOn(value any) (*report.Paper, *bench.Setup) {
	tried := func(t *bench.Tried) (*report.Paper, *bench.Setup) {
		return paperOf(t.Setup, t.Proposal, resultOf(t, only(t.Present.Trials), false)), t.Setup
	}
	switch v := value.(type) {
	case *bench.Tried:
		return tried(v)
	case *bench.SimulationResult:
		return tried(&bench.Tried{Setup: v.Setup, Present: verdict.Join(nil, []verdict.Trial{v.Verdict})})
	case *bench.HighestResult:
		return aboutBoat(v.Boat, &v.Highest), nil
	case *bench.EnvelopeResult:
		return aboutBoat(v.Boat, &v.Envelope), nil
	case *bench.OddsResult:
		return aboutBoat(v.Boat, &v.Odds), nil
	case *bench.StepResult:
		return paperOf(v.Setup, nil, stepResult(v, v.Setup.Own())), v.Setup
	case *bench.ComparedRecord:
		return paperOf(v.Setup, nil, comparedResult(v)), v.Setup
	case *bench.Learned:
		return paperOf(v.Setup, nil, learnedResult(v, func(_, unit string) string { return unit })), v.Setup
	case *bench.Drifted:
		return paperOf(v.Setup, nil, driftResult(v)), v.Setup
	case *bench.Sheet:
		return paperOf(v.Setup, nil, clipboardOf(v)), v.Setup
	case *bench.NextTests:
		return paperOf(v.Setup, nil, nextResult(v)), v.Setup
	}
	return nil, nil
}

// shower prints the tool's values as a person wants them.
func shower(sys *system) func(any) bool {
	return func(value any) bool {
		if v := reflect.ValueOf(value); v.Kind() == reflect.Pointer && v.IsNil() {
			return false
		}
		if p, _ := paperOn(value); p != nil {
			show(sys, p)
			return true
		}
		switch v := value.(type) {
		case verdict.Trial:
			show(sys, &report.Paper{Result: &report.Judged{Trial: v}, Caution: bench.Caution})
		case []verdict.Finding:
			if len(v) == 0 {
				fmt.Fprintln(sys.Out, "nothing found")
				return true
			}
			showFindings(sys, v)
		case settings.Set:
			fmt.Fprintln(sys.Out, strings.TrimRight(v.Text(), "\n"))
		case *bench.Script:
			fmt.Fprintf(sys.Out, "%s\n%s\n", hung(v.Boat()+": ", v.Setup.Boat.About, sys.width()), strings.TrimRight(v.Setup.Settings.Text(), "\n"))
		case *record.Run:
			return chart(sys, repl.Chart{Run: v})
		case repl.Chart:
			return chart(sys, v)
		default:
			return false
		}
		return true
	}
}
