package repl

import (
	"errors"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// Chart is what Config.Show draws: traces of a run over time; none named: those that say most.
type Chart struct {
	Run    *record.Run
	Traces []string
}

// plot draws traces of what was run, or of a trial by its name, which it runs first.
func (s *Session) plot(boat *bench.Script, what any, traces []string) error {
	if name, ok := what.(string); ok {
		tried, err := boat.TryIn(name)
		if err != nil {
			return err
		}
		what = tried
	}
	run := runIn(what)
	if run == nil {
		return errors.New("there is no run in this to plot: give a trial's name, or what boat.Simulate, boat.Step or boat.TryIn returned")
	}
	for _, name := range traces {
		if _, err := run.FindTrace(name); err != nil {
			return err
		}
	}
	if !s.config.Show(Chart{run, traces}) {
		return errors.New("the run has nothing to draw")
	}
	return nil
}

// runIn returns the run in a result of the tool, nil where there is none.
func runIn(what any) *record.Run {
	switch v := what.(type) {
	case *record.Run:
		return v
	case *bench.SimulationResult:
		if v != nil {
			return v.Run
		}
	case *bench.StepResult:
		if v != nil {
			return v.Run
		}
	case *bench.Tried:
		if v != nil && len(v.Side().Trials) == 1 {
			return v.Side().Trials[0].Run
		}
	case verdict.Trial:
		return v.Run
	}
	return nil
}

// runOf finds the run a trace belongs to among the session's values: a trace alone has no times.
func (s *Session) runOf(tr *record.Trace) *record.Run {
	for _, v := range s.interp.Env().Vars() {
		value, ok := s.interp.Get(v.Name)
		if !ok {
			continue
		}
		run := runIn(value)
		if run == nil {
			continue
		}
		for i := range run.Traces {
			if &run.Traces[i] == tr {
				return run
			}
		}
	}
	return nil
}

func traceNames(run *record.Run) (out []string) {
	for i := range run.Traces {
		out = append(out, run.Traces[i].Name)
	}
	return out
}
