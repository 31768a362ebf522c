package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/google/renameio/v2/maybe"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
)

// watcher sees the samples of a test: it draws them and keeps them in the record's file.
type watcher struct {
	test   *stepTest
	scope  *scope
	file   *os.File // nil: no record is kept
	writer *record.Writer
	rows   int
	plain  bool // the file is a file, not a device or pipe
	since  time.Time
}

// begin opens the record's file and takes the samples from here on. gone is called when nobody can see the test any more.
func (t *stepTest) begin(gone context.CancelCauseFunc) (*watcher, error) {
	pause := 1.0
	if !t.hardware() { // it is over in a moment
		pause = max(pause, t.program.Duration/30)
	}
	w := &watcher{test: t, scope: newScope(t.sys, t.channels, t.prediction, pause, gone), since: t.sys.Clock.Now()}
	if t.file != "" {
		if err := w.open(); err != nil {
			w.scope.end()
			return nil, err
		}
	}
	t.voice.above(w.scope)
	t.options.Tell = func(text string) { w.scope.say(">> " + text) }
	t.options.Observe = func(s measure.Sample) error {
		if t.source != nil {
			w.scope.sample(s)
		}
		if w.writer == nil {
			return nil
		}
		w.rows++
		return unrecorded(t.file, w.writer.Sample(s.At, append([]float64{s.Lever}, s.Values...)...))
	}
	return w, nil
}

func (w *watcher) open() error {
	t := w.test
	flags := os.O_CREATE | os.O_WRONLY | os.O_TRUNC
	if info, err := os.Stat(t.file); err != nil || info.Mode().IsRegular() {
		flags |= os.O_EXCL // a record is never written over
		w.plain = true
	}
	f, err := os.OpenFile(t.file, flags, 0o644)
	switch {
	case errors.Is(err, fs.ErrExist):
		return input(fmt.Errorf("%s exists already: name a new file for the record", t.file))
	case err != nil:
		return input(unrecorded(t.file, err))
	}
	w.file = f
	head := &record.Run{Boat: t.berth.Boat.Name, Trial: t.program.Name, Provenance: record.Provenance{
		Tool: bench.Version, Settings: t.berth.Settings.Hash(), Boat: t.berth.BoatHash, Clock: w.since.Format(time.RFC3339),
	}}
	w.provenance(&head.Provenance)
	head.Traces = append(head.Traces, record.Trace{Name: record.Lever, Unit: "%"})
	for _, c := range t.channels {
		head.Traces = append(head.Traces, record.Trace{Name: link.TraceName(c.Name), Unit: orElse(c.Unit, "1")})
	}
	if w.writer, err = record.NewWriter(f, head); err != nil {
		return errors.Join(unrecorded(t.file, err), w.close())
	}
	return nil
}

// provenance says what measured, and which version of the boat's profile.
func (w *watcher) provenance(p *record.Provenance) {
	p.Source = w.test.instrument
	if v := w.test.berth.version(context.Background()); v != nil {
		p.Version = versionName(v)
	}
}

// unrecorded says which record an error is about.
func unrecorded(name string, err error) error {
	if err == nil {
		return nil
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		err = path.Err
	}
	return fmt.Errorf("the record cannot be written to %s: %w", name, err)
}

// end ends the drawing, and the record as it was written sample by sample.
func (w *watcher) end(r *measure.Result) error {
	w.test.voice.above(nil)
	w.scope.end()
	if w.writer == nil {
		return nil
	}
	note := func(at float64, what string) error {
		return w.writer.Event(record.Event{At: at, Device: "step test", What: what, Kind: record.Note, Count: 1})
	}
	var err error
	for _, at := range r.Discarded {
		err = errors.Join(err, note(at, "the sample here is not to be believed: a reply was out of step"))
	}
	if err = errors.Join(err, note(r.Stop.At, r.Stop.Reason.String()+": "+r.Stop.Text)); err == nil && w.plain {
		err = w.file.Sync()
	}
	return unrecorded(w.test.file, err)
}

// complete puts the completed record in place of the one written sample by sample: whole, or not at all.
func (w *watcher) complete(run *record.Run) error {
	if w.writer == nil || !w.plain {
		return nil
	}
	var text bytes.Buffer
	err := record.Write(&text, run)
	if err == nil {
		err = maybe.WriteFile(w.test.file, text.Bytes(), 0o644)
	}
	if err != nil {
		return fmt.Errorf("%w; what was measured is in it, without what was inferred", unrecorded(w.test.file, err))
	}
	fmt.Fprintf(w.test.sys.Out, "record: %s\n", w.test.file)
	return nil
}

// close closes the file, and removes it where there was no test.
func (w *watcher) close() error {
	w.test.voice.above(nil)
	w.scope.end()
	if w.file == nil {
		return nil
	}
	err := w.file.Close()
	if w.rows == 0 && w.plain {
		err = errors.Join(err, os.Remove(w.test.file))
	}
	w.file = nil
	return err
}

// showStep prints how a test ended, where it parts from the prediction, what nobody measured, and the verdict;
// blank is why there is none.
func showStep(sys *system, r *bench.StepResult, blank error) {
	out := sys.Out
	stop := r.Measured.Stop
	how := "STOPPED after " + shownTime(stop.At) + ": " + stop.Reason.String() + ": " + stop.Text
	if stop.Reason == measure.Finished {
		how = "ran to its end, " + shownTime(stop.At)
	}
	fmt.Fprintln(out, hung("the test ", how, sys.width()))
	if n := len(r.Measured.Discarded); n > 0 {
		fmt.Fprintf(out, "  %d sample thrown away: a later reply cast doubt on it\n", n)
	}
	if l := r.Measured.Lines; l.Bad > 0 {
		fmt.Fprintln(out, hung("  ", fmt.Sprintf("of %d lines of the instrument %d could not be used; the newest: %s", l.Good+l.Bad, l.Bad, l.Why), sys.width()))
	}
	showDifferences(sys, r)
	if len(r.Verdict.Parts) > 0 {
		showInferred(sys, r)
	}
	if flags := bench.Flags(r.Verdict); len(flags) > 0 {
		fmt.Fprintln(out, "\nlikely to overheat or to open:")
		for _, f := range flags {
			fmt.Fprintln(out, hung("  ", f, sys.width()))
		}
	}
	side := withRules(r.Setup, r.Verdict)
	if blank != nil || side.Level > r.Verdict.Level { // not by what was measured
		showVerdict(sys, side, false, blank)
		return
	}
	fmt.Fprintln(out, "\nverdict: "+sys.painted(side.Level, side.Level.String()))
	for _, why := range r.Verdict.Unjudged {
		fmt.Fprintln(out, hung("  ", why, sys.width()))
	}
	fmt.Fprintln(out, wrapped(bench.Caution, sys.width()))
}

// showDifferences lays measured over predicted: where they part, and by how much.
func showDifferences(sys *system, r *bench.StepResult) {
	if len(r.Differences) == 0 {
		return
	}
	fmt.Fprintln(sys.Out, "\nmeasured less predicted:")
	tab := &table{right: map[int]bool{1: true, 2: true, 3: true}}
	tab.add("  trace", "largest", "at", "rms", "outside the predicted band")
	parted, when, within := "", 0.0, 0
	for i := range r.Differences {
		d := &r.Differences[i]
		if tr, ok := r.Run.Trace(d.Trace); ok && tr.Inferred {
			if _, left := d.LeftBand(); !left {
				within++
				continue
			}
		}
		unit := orElse(d.Unit, "1")
		if unit == "°C" {
			unit = "K"
		}
		outside := "never"
		if at, ok := d.LeftBand(); ok {
			outside = "from " + shownTime(at)
			if parted == "" || at < when {
				parted, when = d.Trace, at
			}
		}
		tab.add("  "+d.Trace, quantity.Format(d.Largest, unit, 2), shownTime(d.At), quantity.Format(d.RMS, unit, 2), outside)
	}
	for _, l := range tab.fitted(sys.tableWidth()) {
		fmt.Fprintln(sys.Out, l)
	}
	if within > 0 {
		fmt.Fprintln(sys.Out, hung("  ", fmt.Sprintf("and the temperatures of %d parts that nobody measured: within their predicted bands", within), sys.width()))
	}
	switch {
	case parted == "" && within == 0:
		text := "every measurement lies within its predicted band"
		if len(r.Verdict.Parts) == 0 {
			text += "; no part could be inferred from them"
		}
		fmt.Fprintln(sys.Out, wrapped(text, sys.width()))
	case parted == "":
		fmt.Fprintln(sys.Out, wrapped("every measurement, and every part that follows from them, lies within its predicted band", sys.width()))
	default:
		fmt.Fprintf(sys.Out, "measured and predicted part at %s: %s leaves its band first\n", shownTime(when), parted)
	}
}

// showInferred prints the parts.
func showInferred(sys *system, r *bench.StepResult) {
	fmt.Fprintln(sys.Out, "\n"+wrapped("parts, inferred from what was measured by the drive's own equations (band: 95 % of draws over the tolerances)", sys.width()))
	tab := &table{right: map[int]bool{2: true, 3: true, 4: true, 5: true, 6: true, 7: true}}
	tab.add("part", "current of", "limit", "peak", "band", "when", "margin", "used", "verdict")
	for _, p := range r.Verdict.Parts {
		band := "-"
		if tr, ok := r.Run.Trace(p.Trace); ok && len(tr.Low) > 0 {
			low, high := tr.Low[0], tr.High[0]
			for i := range tr.Low {
				if p.Worse(tr.Low[i], low) {
					low = tr.Low[i]
				}
				if p.Worse(tr.High[i], high) {
					high = tr.High[i]
				}
			}
			band = shown(low, p.Unit) + " to " + shown(high, p.Unit)
		}
		tab.add(p.Name, orElse(p.Current, "-"), shown(p.Limit, p.Unit), shown(p.Peak, p.Unit), band, shownTime(p.At), shownMargin(p.Margin, p.Unit), shownShare(p.Used), sys.painted(p.Level, p.Level.String()))
	}
	if widest(tab.fitted(sys.tableWidth())) > sys.tableWidth() {
		tab = tab.without(2) // peak and margin tell the limit
	}
	for _, l := range tab.fitted(sys.tableWidth()) {
		fmt.Fprintln(sys.Out, l)
	}
	for _, text := range r.Run.Assumed {
		fmt.Fprintln(sys.Out, hung("  assumed: ", text, sys.width()))
	}
}
