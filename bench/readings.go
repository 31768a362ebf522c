package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/readings"
	"quaybench/bench/record"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// Logged is what somebody else's logger wrote, as a record like a step test's.
type Logged struct {
	Files   []*readings.Understood
	Run     *record.Run
	Verdict verdict.Trial
	// NotInferred says why nothing was inferred of the parts; "": it was.
	NotInferred string
}

// JudgeReadings joins what files of other loggers hold into one record of a boat, completes it as a step test is completed, and judges
// it; where that cannot be done, Logged.NotInferred says why. t is the weather, the charge, and the lever where none was recorded.
func JudgeReadings(ctx context.Context, s *Setup, files []*readings.Understood, t *trial.Trial) (*Logged, error) {
	if err := readings.Align(files); err != nil {
		return nil, err
	}
	out := &Logged{Files: files}
	joined := joinReadings(files)
	program := *t
	program.Duration = joined.Time[len(joined.Time)-1]
	program.Throttle = slices.DeleteFunc(slices.Clone(t.Throttle), func(x trial.Step) bool { return x.At > program.Duration })
	head := record.Provenance{Source: "readings of other loggers", Tool: Version, Settings: s.Settings.Hash(), Boat: s.BoatHash, Program: string(trial.Write(&program))}
	if i := slices.IndexFunc(files, func(u *readings.Understood) bool { return !u.Begins.IsZero() }); i >= 0 {
		head.Clock = files[i].Begins.Format(time.RFC3339)
	}
	joined.Boat, joined.Trial, joined.Provenance = s.Boat.Name, t.Name, head
	out.Run = joined
	result := measure.ResultOf(joined)
	if _, has := joined.Trace(record.Lever); !has {
		for i := range result.Samples {
			x := &result.Samples[i]
			x.Lever = program.Lever(x.At)(x.At)
		}
	}
	complete, err := measure.Complete(ctx, s.Boat, s.Settings, &program, result)
	switch {
	case ctx.Err() != nil:
		return nil, context.Cause(ctx)
	case err != nil:
		out.NotInferred = err.Error()
		return out, nil
	}
	if err := addBands(ctx, s, &program, study.Draws(s.Boat, s.draws(spreadBoats), 1), complete, result); err != nil {
		return nil, err
	}
	joined.Events, joined.Parts = complete.Events, complete.Parts
	joined.Assumed, joined.LeftOut, joined.Doubts = complete.Assumed, complete.LeftOut, complete.Doubts
	for _, tr := range complete.Traces {
		if !tr.Inferred {
			continue
		}
		if held, ok := joined.Trace(tr.Name); ok {
			beside(joined, held, &tr, s.Boat.Instruments.Temperature.SI)
		}
		joined.Traces = append(joined.Traces, tr)
	}
	if out.Verdict, err = verdict.Judge(joined); err != nil {
		out.NotInferred = err.Error()
	}
	return out, nil
}

// beside merges what a thermometer showed that was held to a part into what was inferred of the part, which is judged by the higher of the two: the thermometer was read
// now and then, and may read low. Where it shows more than its error explains, what the same current heats is not judged.
func beside(r *record.Run, held, inferred *record.Trace, off float64) {
	if m := held.Meter; m != nil && m.Offset > 0 {
		off = m.Offset
	}
	part, current := held.Name, ""
	inferred.Name += " inferred"
	for i := range r.Parts {
		if p := &r.Parts[i]; p.Trace == part {
			p.Trace, current = inferred.Name, p.Current
		}
	}
	most, at := 0.0, 0
	for k, v := range held.Values {
		if v <= inferred.Values[k] || math.IsNaN(v) {
			continue
		}
		if more := v - inferred.Values[k]; more > most {
			most, at = more, k
		}
	}
	if most > record.CloseMargin+off {
		r.Doubts = append(r.Doubts, fmt.Sprintf("a thermometer on the %s showed %s at %s, where %s follow from what else was measured: it is cooled worse, or took more, than the boat file has it", part,
			quantity.Format(held.Values[at], "°C", 2), quantity.FormatTime(r.Time[at]), quantity.Format(inferred.Values[at], "°C", 2)))
		for i := range r.Parts {
			if p := &r.Parts[i]; p.Measure == record.Temperature && p.Current == current && p.Trace != inferred.Name && p.Unsure == "" {
				p.Unsure = "not known, since a thermometer shows that the boat file has it too cool"
			}
		}
	}
	for k, v := range held.Values {
		if v > inferred.Values[k] {
			inferred.Values[k] = v
			if inferred.High != nil {
				inferred.High[k] = max(v, inferred.High[k])
			}
		}
	}
}

// joinReadings joins the rows of several files by time. A channel that two files have is the first one's as long as that runs, and the other one's before and after it; the
// other file says so.
func joinReadings(files []*readings.Understood) *record.Run {
	if len(files) == 1 {
		return files[0].Run
	}
	out := new(record.Run)
	for _, f := range files {
		out.Time = append(out.Time, f.Run.Time...)
	}
	slices.Sort(out.Time)
	out.Time = slices.Compact(out.Time)
	names := []string{record.Lever}
	for _, f := range files {
		for _, tr := range f.Run.Traces {
			if !slices.Contains(names, tr.Name) {
				names = append(names, tr.Name)
			}
		}
	}
	for _, name := range names {
		if tr, ok := joinTrace(out.Time, files, name); ok {
			out.Traces = append(out.Traces, tr)
		}
	}
	return out
}

// joinTrace joins the traces of one name over all instants.
func joinTrace(time []float64, files []*readings.Understood, name string) (joined record.Trace, ok bool) {
	var ran [][2]float64 // when the files before it did
	for _, f := range files {
		tr, has := f.Run.Trace(name)
		if !has {
			continue
		}
		if ok {
			f.AlsoIn(name)
		} else {
			joined, ok = *tr, true
			joined.Gaps, joined.Values = true, make([]float64, len(time))
			for i := range time {
				joined.Values[i] = math.NaN()
			}
		}
		for i, t := range time {
			if slices.ContainsFunc(ran, func(r [2]float64) bool { return t >= r[0] && t <= r[1] }) {
				continue
			}
			if n := len(f.Run.Time); name == record.Lever && t >= f.Run.Time[0] && t <= f.Run.Time[n-1] {
				joined.Values[i] = f.Run.At(tr, t)
			} else if k, at := slices.BinarySearch(f.Run.Time, t); at {
				joined.Values[i] = tr.Values[k]
			}
		}
		ran = append(ran, [2]float64{f.Run.Time[0], f.Run.Time[len(f.Run.Time)-1]})
	}
	if ok && name == record.Lever { // before and after, it stays where it is
		joined.Gaps = false
		last := 0.0
		if k := slices.IndexFunc(joined.Values, func(v float64) bool { return !math.IsNaN(v) }); k >= 0 {
			last = joined.Values[k]
		}
		for i, v := range joined.Values {
			if !math.IsNaN(v) {
				last = v
			}
			joined.Values[i] = last
		}
	}
	return joined, ok
}

// CheckLogged reports why a boat's record cannot be made of files: no current among them.
func CheckLogged(files []*readings.Understood) error {
	for _, f := range files {
		for _, name := range []string{record.MotorCurrent, record.BatteryCurrent} {
			if _, ok := f.Run.Trace(name); ok {
				return nil
			}
		}
	}
	return fmt.Errorf("nothing here measures a current: a record needs %s; a columns file says which column that is", link.CurrentNames())
}

// MarshalJSON writes the judgement of the record as one object: why it is not judged, what it takes for granted, its parts and events.
func (l *Logged) MarshalJSON() ([]byte, error) {
	out := struct {
		Verdict     string     `json:"verdict"`
		NotInferred string     `json:"nothing_inferred_because,omitempty"`
		Assumed     []string   `json:"assumed"`
		LeftOut     []string   `json:"parts_left_out"`
		Trial       *trialJSON `json:"trial,omitempty"`
	}{Verdict: NotJudged, NotInferred: l.NotInferred, Assumed: append([]string{}, l.Run.Assumed...), LeftOut: append([]string{}, l.Run.LeftOut...)}
	if l.NotInferred == "" {
		t := trialOf(&l.Verdict)
		out.Verdict, out.Trial = t.Verdict, &t
	}
	return json.Marshal(out)
}
