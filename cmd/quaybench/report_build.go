package main

import (
	"quaybench/bench"
	"quaybench/bench/measure"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// paperOf is a report on a boat, without what only the command line knows.
func paperOf(setup *bench.Setup, proposal *settings.Set, result report.Result) *report.Paper {
	return &report.Paper{
		Boat: setup.Boat, Settings: setup.Settings, Proposal: proposal, Result: result, Caution: bench.Caution,
		Made: report.Made{Tool: bench.Version, BoatFile: setup.BoatFile, BoatHash: setup.BoatHash, SettingsFile: setup.SettingsFile},
	}
}

func triedResult(t *bench.Tried) *report.Tried {
	out := &report.Tried{Present: t.Present, Proposed: t.Proposed, Change: t.Change}
	if t.NotJudged != nil {
		out.NotJudged = t.NotJudged.Error()
	}
	return out
}

func stepResult(r *bench.StepResult, blank error) *report.Step {
	judged, rules := r.Verdict, []string(nil)
	side := withRules(r.Setup, judged)
	switch {
	case blank != nil:
		judged.Level, judged.Unjudged = verdict.NotJudged, []string{blank.Error()}
	case side.Level > judged.Level:
		judged.Level = side.Level
		rules = reasons(side)
	}
	out := &report.Step{
		Measured: r.Run, Verdict: judged, Rules: rules, Predicted: r.Prediction.Run, Draws: r.Prediction.Draws, Differences: r.Differences,
		Finished: r.Measured.Stop.Reason == measure.Finished, Ended: r.Measured.Stop.Text, EndedAt: r.Measured.Stop.At,
	}
	for i := range r.Prediction.Channels {
		c := &r.Prediction.Channels[i]
		b := report.PredictedBand{Trace: c.Trace, Predicted: c.Simulated}
		for _, at := range r.Run.Time { // as the test held it, sample by sample
			low, high := c.At(at)
			b.Low, b.High = append(b.Low, low), append(b.High, high)
		}
		out.Bands = append(out.Bands, b)
	}
	return out
}

func highestResult(h *bench.HighestResult) *report.Highest {
	return &report.Highest{Highest: h.Highest, Trials: h.Trials, Odds: h.Odds, Draws: h.Draws}
}

// frontResult is a front judged in the trials; none: all built-in ones.
func frontResult(f *bench.FrontResult, trials []*trial.Trial) *report.Front {
	out := &report.Front{Front: f.Front}
	for _, t := range trials {
		out.Trials = append(out.Trials, t.Name)
	}
	if trials == nil {
		out.Trials = trial.Names()
	}
	return out
}

func envelopeResult(e *bench.EnvelopeResult) *report.Envelope {
	return &report.Envelope{Envelope: e.Envelope, Air: e.Air, Note: e.Note}
}

func oddsResult(o *bench.OddsResult, seed uint64) *report.Odds {
	return &report.Odds{Odds: o.Odds, Trials: o.Trials, Seed: seed}
}
