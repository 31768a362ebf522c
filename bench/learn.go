package bench

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/learn"
	"quaybench/bench/measure"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// RecordError is a record that a boat cannot be held against.
type RecordError struct{ Record, Why string }

func (e *RecordError) Error() string { return e.Record + ": " + e.Why }

// ReadRecord reads a record's file and reports, as a *RecordError, why nothing of this boat can be learned from it: another boat, other settings, no current,
// too few rows, a simulation. t is the trial it was made in, nil where the record says.
func ReadRecord(s *Setup, name string, text []byte, t *trial.Trial) (*learn.Record, error) {
	run, err := record.Read(name, bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	bad := func(format string, args ...any) (*learn.Record, error) {
		return nil, &RecordError{name, fmt.Sprintf(format, args...)}
	}
	switch p := run.Provenance; {
	case run.Boat != s.Boat.Name:
		return bad("it is a record of %s, not of %s", cmp.Or(run.Boat, "a boat without a name"), s.Boat.Name)
	case p.Source == "simulation":
		return bad("it is a simulation: nothing was measured")
	case p.Settings != "" && p.Settings != s.Settings.Hash():
		return bad("it was made with other settings (%s) than %s holds (%s): restore that version, or say with --set what the controller held then", p.Settings, s.SettingsFile, s.Settings.Hash())
	case !measured(run, record.MotorCurrent) && !measured(run, record.BatteryCurrent):
		return bad("it holds neither motor current nor battery current, so nothing can be learned from it")
	case len(run.Time) < learn.LeastRows:
		return bad("it has %d rows: %d are the fewest to learn from", len(run.Time), learn.LeastRows)
	}
	if t == nil {
		if t, err = programOf(run); err != nil {
			return bad("%v", err)
		}
	}
	if why := notLearned(t); why != "" && t.LoadFrom < run.Time[len(run.Time)-1] {
		return bad("%s", why)
	}
	denied, err := measure.FindContradictions(s.Boat, s.Settings, t, measure.ResultOf(run))
	if err != nil {
		return bad("%v", err)
	}
	if lines := denied.Lines(); lines != nil {
		return bad("%s", strings.Join(lines, "; "))
	}
	sum := sha256.Sum256(text)
	return &learn.Record{Name: name, Hash: hex.EncodeToString(sum[:4]), Run: run, Trial: t}, nil
}

// notLearned returns why nothing is learned from a trial; "": something is. A shaft that is locked or turns dry is as exact as plain running; how much a fouled or ventilated
// propeller takes is invented.
func notLearned(t *trial.Trial) string {
	switch {
	case t.Electrical:
		return "its programme asks for electrical transients: learn from plain running"
	case t.Load != "normal" && t.Load != "dry" && t.Load != "locked":
		return "its programme has a " + t.Load + " propeller, and nobody knows how much that takes: learn from plain running"
	}
	return ""
}

// measured reports whether a run holds a trace that was measured.
func measured(run *record.Run, name string) bool {
	tr, ok := run.Trace(name)
	return ok && !tr.Inferred
}

// programOf returns the trial that a record was made in.
func programOf(run *record.Run) (*trial.Trial, error) {
	if run.Provenance.Program != "" {
		t, err := trial.Read("the record's programme", []byte(run.Provenance.Program))
		if err != nil {
			return nil, fmt.Errorf("the programme in it cannot be read: %w", err)
		}
		return t, nil
	}
	t, err := trial.Builtin(run.Trial)
	if err != nil {
		return nil, fmt.Errorf("it does not hold its programme, and %s is no built-in trial: name the trial's file with --trial", cmp.Or(run.Trial, "what it names"))
	}
	return t, nil
}

// IsSimulated reports whether a record was made on a simulated controller: what it teaches is practice, not measurement.
func IsSimulated(r *learn.Record) bool {
	return strings.Contains(r.Run.Provenance.Source, "simulated controller")
}

// Learned is what records tell of a boat.
type Learned struct {
	*learn.Result
	Setup    *Setup
	Margins  []learn.Margin
	Practice bool // a record is of a simulated controller

	// Cooler lists the values whose change makes a part cooler than the file has it. They count only where a record that was held out agrees.
	Cooler []string
	// Agreement is the probability that the last record agrees as badly as it does with the others; NaN: there was none to hold out.
	Agreement float64
}

// agrees is the probability below which a record that was held out does not agree.
const agrees = 0.01

// Counts reports whether a value may be written, and if not why: the records tell it, no value of the boat's files is still the
// template's, the records fit the boat with no cause or meter that stands out, and it makes no part cooler, or a record that was held out agrees.
func (l *Learned) Counts(v *learn.Value) (ok bool, why string) {
	switch {
	case !v.Told:
		return false, "this record cannot tell"
	case l.Setup != nil && l.Setup.Own() != nil:
		return false, "values of the file are still the example's, and it was found beside them"
	case l.Doubtful() || len(l.Suspects) > 0 && l.Suspects[0].Named():
		return false, "the records do not fit the boat: find the cause first"
	case len(l.Meters) > 0:
		return false, "a meter cannot have shown what was read: find out first"
	case !slices.Contains(l.Cooler, v.Name()):
		return true, ""
	case math.IsNaN(l.Agreement):
		return false, "it makes a part cooler: give a second record to hold against it"
	case l.Agreement < agrees:
		return false, "it makes a part cooler, and the last record does not agree"
	}
	return true, ""
}

// coolerBy is the least change of a margin that makes a part cooler, K.
const coolerBy = 0.5

// Learn finds the values that records tell, and what becomes of the margins in some trials; none: all built-in ones.
func Learn(ctx context.Context, s *Setup, records []*learn.Record, trials []*trial.Trial) (*Learned, error) {
	trials, err := s.trials(trials)
	if err != nil {
		return nil, err
	}
	out := &Learned{Setup: s, Agreement: math.NaN()}
	for _, r := range records {
		out.Practice = out.Practice || IsSimulated(r)
	}
	if out.Result, err = learn.Learn(ctx, s.Boat, s.Settings, records); err != nil {
		return nil, err
	}
	if out.Margins, err = out.Result.Margins(ctx, trials); err != nil {
		return nil, err
	}
	for i := range out.Values {
		v := &out.Values[i]
		for _, m := range out.Margins {
			if v.Told && (m.Moves == nil || m.Moves[i] > coolerBy) { // what nobody knows may be cooler
				out.Cooler = append(out.Cooler, v.Name())
				break
			}
		}
	}
	if len(out.Cooler) > 0 && len(records) > 1 {
		first, err := learn.Learn(ctx, s.Boat, s.Settings, records[:len(records)-1])
		if err != nil {
			return nil, err
		}
		out.Agreement = learn.Agreement(first, out.Result)
	}
	return out, nil
}

// ComparedRecord is a record beside the prediction of the boat file.
type ComparedRecord struct {
	*learn.Compared
	Setup  *Setup
	Record *learn.Record
}

// CompareRecord compares a record with what the boat file predicts for the same lever and weather, and finds which causes explain the
// differences.
func CompareRecord(ctx context.Context, s *Setup, r *learn.Record) (*ComparedRecord, error) {
	c, err := learn.Compare(ctx, s.Boat, s.Settings, r)
	if err != nil {
		return nil, err
	}
	return &ComparedRecord{Compared: c, Setup: s, Record: r}, nil
}

// Departs reports whether a channel lies outside what meters and tolerances explain: in more than one row of ten, or at its largest
// difference by more than half as much again.
func Departs(o *learn.Overlay) bool {
	for i := range o.Time {
		if o.Time[i] == o.At && math.Abs(o.Largest) > 1.5*o.Half[i] {
			return true
		}
	}
	return o.Outside > 0.1
}
