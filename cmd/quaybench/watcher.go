package main

import (
	"bytes"
	"cmp"
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
	"quaybench/bench/record"
	"quaybench/bench/trial"
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
		return cmp.Or(newRecord(t.file), input(unrecorded(t.file, err)))
	case err != nil:
		return input(unrecorded(t.file, err))
	}
	w.file = f
	head := &record.Run{Boat: t.berth.Boat.Name, Trial: t.program.Name, Provenance: record.Provenance{
		Tool: bench.Version, Settings: t.berth.Settings.Hash(), Boat: t.berth.BoatHash, Clock: w.since.Format(time.RFC3339), Program: string(trial.Write(t.program)),
	}}
	w.provenance(&head.Provenance)
	head.Traces = append(head.Traces, record.Trace{Name: record.Lever, Unit: "%"})
	for _, c := range t.channels {
		head.Traces = append(head.Traces, record.Trace{Name: link.TraceName(c.Name), Unit: cmp.Or(c.Unit, "1"), Source: c.Source, Gaps: c.Source != ""})
	}
	if w.writer, err = record.NewWriter(f, head); err != nil {
		return errors.Join(unrecorded(t.file, err), w.close())
	}
	return nil
}

// errNoStream refuses the standard output for a record.
var errNoStream = input(errors.New("--record - would be the standard output, which shows the result: a record needs a file"))

// newRecord refuses the name of a plain file that is there: what was measured is never written over, whatever --force says.
func newRecord(name string) error {
	if name == "-" {
		return errNoStream
	}
	if info, err := os.Stat(name); err == nil && info.Mode().IsRegular() {
		return input(fmt.Errorf("%s exists already: name a new file for the record, since one is never written over, not with --force either", name))
	}
	return nil
}

// provenance writes into the record what measured, and which version of the boat's profile.
func (w *watcher) provenance(p *record.Provenance) {
	p.Source = w.test.instrument
	if v := w.test.berth.version(context.Background()); v != nil {
		p.Version = versionName(v)
	}
}

// unrecorded adds to an error which record it is about.
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
	if r.Stop.Unusual != "" {
		err = errors.Join(err, note(r.Stop.At, r.Stop.Unusual))
	}
	if err = errors.Join(err, note(r.Stop.At, r.Stop.Reason.String()+": "+r.Stop.Text)); err == nil && w.plain {
		err = w.file.Sync()
	}
	return unrecorded(w.test.file, err)
}

// complete replaces the record that was written sample by sample by the completed one: whole, or not at all.
func (w *watcher) complete(run *record.Run) error {
	if w.writer == nil || !w.plain {
		return nil
	}
	if w.rows == 0 { // close removes the file
		fmt.Fprintln(w.test.sys.Out, wrapped("no record: the test ended before its first reading, so "+w.test.file+" is not kept", w.test.sys.width()))
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
