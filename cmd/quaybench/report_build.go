package main

import (
	"fmt"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/measure"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// paperOf returns a report on a boat, without what only the command line knows.
func paperOf(setup *bench.Setup, proposal *settings.Set, result report.Result) *report.Paper {
	return &report.Paper{
		Boat: setup.Boat, Settings: setup.Settings, Proposal: proposal, Basis: setup.Basis.Lines(), Result: result, Caution: bench.Caution, Assumed: setup.AssumedWords(),
		Made: report.Made{Tool: bench.Version, BoatFile: setup.BoatFile, BoatHash: setup.BoatHash, SettingsFile: setup.SettingsFile},
	}
}

// aboutBoat returns a result about a boat of which only the name is known, for a screen.
func aboutBoat(name string, result report.Result) *report.Paper {
	return &report.Paper{Boat: &boat.Boat{Name: name}, Result: result, Caution: bench.Caution}
}

// resultOf returns what was tried in these trials, one proposal or several; nil: in all built-in ones.
func resultOf(t *bench.Tried, trials []*trial.Trial, stopped bool) report.Result {
	if t.Several != nil {
		r := t.Compared()
		r.Asked, r.Stopped = trials, stopped
		return r
	}
	r := triedResult(t, trials)
	r.Stopped = stopped
	return r
}

// triedResult returns what was tried in these trials; nil: in all built-in ones.
func triedResult(t *bench.Tried, trials []*trial.Trial) *report.Tried {
	words, follows := t.Words()
	return &report.Tried{Words: words, Follows: follows, Remedies: t.Remedies, Untested: t.Untested, Asked: trials, Present: t.Present, Proposed: t.Proposed, Change: t.Change, Bands: t.Bands, NotJudged: reasonOf(t.NotJudged)}
}

// stepResult returns a step test; blank is why there is no verdict, nil: there is one.
func stepResult(r *bench.StepResult, blank error) *report.Step {
	stop := r.Measured.Stop
	out := &report.Step{
		Measured: r.Run, Verdict: r.Verdict, Side: withRules(r.Setup, r.Verdict), NotJudged: reasonOf(blank), Predicted: r.Prediction.Run, Draws: r.Prediction.Draws, Differences: r.Differences,
		Finished: stop.Reason == measure.Finished, Ended: stop.Reason.String() + ": " + stop.Text, EndedAt: stop.At, Flags: bench.Flags(r.Verdict), Forecast: forecastOf(r.Setup, r.Prediction, blank),
	}
	if n := len(r.Measured.Discarded); n > 0 {
		out.Notes = append(out.Notes, fmt.Sprintf("%d sample thrown away: a later reply cast doubt on it", n))
	}
	for _, e := range r.Doubtful {
		note := fmt.Sprintf("at %s %s", shownTime(e.At), e.What)
		if e.Count > 1 {
			note += fmt.Sprintf("; %d such readings until %s", e.Count, shownTime(e.Until))
		}
		out.Notes = append(out.Notes, note)
	}
	for _, l := range r.Measured.Lines {
		if l.None > 0 {
			out.Notes = append(out.Notes, fmt.Sprintf("of %d readings of %s %d were none (no fix, overload, nothing to measure)", l.Good, l.From, l.None))
		}
		if l.Bad > 0 {
			out.Notes = append(out.Notes, fmt.Sprintf("of %d lines of %s %d could not be used; the newest: %s", l.Good+l.Bad, l.From, l.Bad, l.Why))
		}
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

// forecastOf returns what a step test is expected to show; blank is why there is no verdict, nil: there is one.
func forecastOf(setup *bench.Setup, p *bench.Prediction, blank error) *report.Forecast {
	out := &report.Forecast{Draws: p.Draws, LeftOut: p.LeftOut.Lines(), Side: withRules(setup, p.Verdict), NotJudged: reasonOf(blank)}
	if p.ByHand() {
		out.Beside = "; a lever by hand, 3 s early or late and 5 % beside"
	}
	for _, c := range p.Channels {
		low, high := c.Range()
		out.Readings = append(out.Readings, report.ForecastReading{Channel: c.Channel, Unit: c.Unit, Low: low, High: high})
	}
	return out
}

// valuesResult lists the values of a boat that move its tightest margin.
func valuesResult(r *bench.ValuesResult) *report.Values {
	out := &report.Values{Margin: r.Lines()[0], Withheld: r.Withheld, Made: r.Made.String(), LeftOut: r.LeftOut.Lines()}
	for _, v := range r.Worth(15) {
		out.Rows = append(out.Rows, report.ValueRow{
			Key: v.Key, Origin: v.Spread.Origin, Known: v.Known(), Then: v.Then(), Measure: v.Measure,
			Moves: v.Half, Gains: v.Gains, Unit: r.Unit,
		})
	}
	out.All = len(r.Values)
	return out
}
