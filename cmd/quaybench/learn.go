package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/renameio/v2/maybe"
	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/learn"
	"quaybench/bench/report"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/profiles"
	"quaybench/scripts"
)

// recordFlags say which records a boat is held against.
type recordFlags struct {
	set   []string
	trial string
}

func (f *recordFlags) add(cmd *cobra.Command, sys *system) {
	addSet(cmd, sys, &f.set, insteadOfFile)
	addTrial(cmd, &f.trial, "that the records were made in, where they do not say: weather, moored or not, charge, and the lever where it was not recorded")
	cmd.ValidArgsFunction = completeBoats(sys)
}

// read loads a boat and reads its records; texts are those of the files.
func (f *recordFlags) read(sys *system, boat string, files []string) (b *berth, records []*learn.Record, texts [][]byte, err error) {
	if b, err = findBerth(sys, boat, f.set); err != nil {
		return nil, nil, nil, err
	}
	var t *trial.Trial
	if f.trial != "" {
		if t, err = loadTrial(sys, f.trial); err != nil {
			return nil, nil, nil, input(err)
		}
	}
	for _, name := range files {
		text, err := datafile.ReadFile(name, largestRecord)
		if err != nil {
			return nil, nil, nil, input(fmt.Errorf("%s: the record cannot be read: %w", name, err))
		}
		r, err := bench.ReadRecord(b.Setup, name, text, t)
		if err != nil {
			if !bytes.HasPrefix(bytes.TrimPrefix(text, []byte("\ufeff")), []byte("#")) { // no record of ours
				err = fmt.Errorf("%w; it does not look like a record: `quaybench readings %s %s` makes one of what another logger or a person wrote", err, word(boat), word(name))
			}
			return nil, nil, nil, input(err)
		}
		records, texts = append(records, r), append(texts, text)
	}
	return b, records, texts, nil
}

// largestRecord is more than any record that the tool writes, in bytes.
const largestRecord = 1 << 30

// learnOptions are what `quaybench learn` is asked.
type learnOptions struct {
	recordFlags
	boat     string
	records  []string
	next     bool
	meters   []string
	write    bool
	practice bool
	example  bool
	author   string
	json     bool
	paper    paperFlags
}

func (o *learnOptions) run(ctx context.Context, sys *system) error {
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	b, records, texts, err := o.read(sys, o.boat, o.records)
	if err != nil {
		return err
	}
	if o.write {
		if err := own(b.Setup); err != nil {
			return err
		}
	}
	boatText, err := b.boatText()
	if err != nil {
		return err
	}
	var kept []*learn.Record
	if b.book != nil && b.home != "" {
		if kept, _, err = keptRecords(ctx, b.book, b.name, b.Setup, nil); err != nil {
			return err
		}
	}
	for _, r := range records {
		for _, k := range append([]*learn.Record{r}, kept...) {
			if bytes.Contains(boatText, []byte(k.Hash)) && r.Repeats(k) {
				return input(fmt.Errorf("%s: %s has learned from these readings already (%s): they would count twice", r.Name, b.BoatFile, k.Hash))
			}
		}
		if o.write && bench.IsSimulated(r) && !o.practice {
			return input(fmt.Errorf("%s is a record of a simulated controller: nothing of the boat was measured, so nothing is written (--practice writes it, as estimated)", r.Name))
		}
	}
	bar := newBar(sys, "learning")
	learned, err := bench.Learn(ctx, b.Setup, records, nil)
	bar.done()
	if err != nil {
		return learnFailed(err)
	}
	_, source, err := boat.Read(b.BoatFile, boatText)
	if err != nil {
		return input(err)
	}
	out := learnedResult(learned, source.Unit)
	if o.write {
		if out.Written, err = o.keep(ctx, sys, b, learned, records, texts); err != nil {
			return err
		}
	} else if counting(learned) > 0 {
		out.Written = []string{fmt.Sprintf("Nothing was written. --write would put %s into %s.", study.Plural(counting(learned), "value"), b.BoatFile)}
	}
	return o.paper.handOver(ctx, sys, b.Setup, learned, out, o.json)
}

// learnFailed marks an error of the record as bad input.
func learnFailed(err error) error {
	switch {
	case stopped(err):
		return stopError{err}
	case errors.As(err, new(*learn.UselessError)), errors.As(err, new(*bench.RecordError)):
		return input(err)
	}
	return err
}

// whatNext shows which test to make next.
func (o *learnOptions) whatNext(ctx context.Context, sys *system) error {
	if len(o.records) > 0 || o.write {
		return input(errors.New("--next looks ahead from the boat file as it is: write what records tell first (--write), then ask --next without a record"))
	}
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	b, err := findBerth(sys, o.boat, o.set)
	if err != nil {
		return err
	}
	if !o.example {
		if err := own(b.Setup); err != nil {
			return err
		}
	}
	ask := bench.NextOptions{}
	for _, m := range o.meters {
		ask.Meters = append(ask.Meters, strings.TrimSpace(m))
	}
	if o.trial != "" {
		t, err := loadTrial(sys, o.trial)
		if err != nil {
			return input(err)
		}
		ask.Trials = []*trial.Trial{t}
	}
	bar := newBar(sys, "looking ahead")
	defer bar.done()
	if o.trial == "" {
		if ask.Also, err = programmes(ctx, sys, o.boat, b); err != nil {
			return err
		}
	}
	next, err := bench.FindNextTests(ctx, b.Setup, ask)
	bar.done()
	switch {
	case err == nil:
	case stopped(err):
		return stopError{err}
	default:
		return input(err)
	}
	out := nextResult(next)
	if o.json {
		err = writeJSON(sys, next)
	} else {
		show(sys, paperOf(b.Setup, nil, out))
	}
	if err != nil {
		return err
	}
	return o.paper.write(ctx, sys, b.Setup, nil, out, o.json)
}

// nextResult returns what to measure next, for screen and paper.
func nextResult(next *bench.NextTests) *report.Next {
	out := &report.Next{
		Part: next.Tight.Part, In: next.Tight.Trial, Unit: next.Tight.Unit, Margin: next.Tight.Before, Half: next.Tight.Around,
		AtHand: next.AtHand, LeftOut: next.LeftOut,
	}
	for _, t := range next.Tests {
		out.Tests = append(out.Tests, report.NextTest{Trial: t.Trial, With: t.With, Minutes: t.Minutes, Half: t.Now, Level: t.Level})
	}
	return out
}

// programmes returns those that the shipped scripts ask a step test for, named after their scripts. Each is stopped as soon as it has asked.
func programmes(ctx context.Context, sys *system, boat string, b *berth) (list []*trial.Trial, err error) {
	folders, err := scripts.Tests().ReadDir(".")
	if err != nil {
		return nil, err
	}
	enough := errors.New("only the programme was asked for")
	for _, f := range folders {
		file := f.Name() + "/main.go"
		source, err := scripts.Tests().ReadFile(file)
		if err != nil {
			return nil, err
		}
		var asked *trial.Trial
		s := &script{sys: sys, file: file, source: string(source), boat: boat, setup: b.Setup, assume: b.assume, longest: time.Minute}
		err = s.run(ctx, func(_ context.Context, _ *bench.Setup, program *trial.Trial, _ float64) (*bench.StepResult, error) {
			asked = program
			return nil, enough
		}, func(string) {})
		switch {
		case ctx.Err() != nil:
			return nil, stopError{ctx.Err()}
		case asked == nil:
			return nil, fmt.Errorf("the shipped script %s asks for no test: %w", f.Name(), err)
		}
		named := *asked
		named.Name = "scripts/" + f.Name()
		list = append(list, &named)
	}
	return list, nil
}

// counting returns the number of values that may be written.
func counting(l *bench.Learned) (n int) {
	for i := range l.Values {
		if ok, _ := l.Counts(&l.Values[i]); ok {
			n++
		}
	}
	return n
}

// boatText returns the text of the boat file, wherever it comes from.
func (b *berth) boatText() ([]byte, error) {
	if b.home == "" {
		return demoFiles.ReadFile("demo/" + b.name + "/" + bench.BoatFile)
	}
	return datafile.ReadFile(b.BoatFile, largestText)
}

// keep writes the values that count into the boat file, comments and order kept, and saves a version with the records.
func (o *learnOptions) keep(ctx context.Context, sys *system, b *berth, l *bench.Learned, records []*learn.Record, texts [][]byte) ([]string, error) {
	if counting(l) == 0 {
		return []string{"Nothing was written: no value counts."}, nil
	}
	if len(b.assume) > 0 {
		return nil, input(errors.New("--write goes with the boat's own settings: leave --set out, or set them first"))
	}
	edit := func(text []byte) ([]byte, error) {
		next, err := bench.WriteLearned(b.BoatFile, text, l, sys.Clock.Now())
		return next, input(err)
	}
	if b.book == nil && b.home != "" {
		text, err := datafile.ReadFile(b.BoatFile, largestText)
		if err == nil {
			text, err = edit(text)
		}
		if err == nil {
			err = maybe.WriteFile(b.BoatFile, text, 0o644)
		}
		if err != nil {
			return nil, fmt.Errorf("%s is left as it was: %w", b.BoatFile, err)
		}
		return []string{fmt.Sprintf("Wrote %s into %s. The boat is in no book, so no version was saved.", study.Plural(counting(l), "value"), b.BoatFile)}, nil
	}
	who, err := author(sys, o.author)
	if err != nil {
		return nil, err
	}
	book, done, err := openBookWith(ctx, sys, b.name, true)
	if err != nil {
		return nil, err
	}
	defer done()
	approved := ""
	if list, err := book.List(ctx, b.name); err == nil {
		for i := range list.Versions {
			if len(list.Versions[i].Approvals()) > 0 {
				approved = versionName(&list.Versions[i])
			}
		}
	}
	if err := book.Edit(ctx, b.name, profiles.BoatFile, edit); err != nil {
		return nil, fromBook(err)
	}
	save := profiles.SaveOptions{Author: who, Tool: bench.Version}
	var names []string
	for i, r := range records {
		names = append(names, filepath.Base(r.Name)+" ("+r.Hash+")")
		save.Evidence = append(save.Evidence, profiles.File{Role: profiles.RoleRecord, Name: filepath.Base(r.Name), Content: texts[i]})
	}
	save.Reason = fmt.Sprintf("learned %s from %s", study.Plural(counting(l), "value"), strings.Join(names, ", "))
	now, err := book.Texts(ctx, b.name)
	if err != nil {
		return nil, fromBook(err)
	}
	tried, err := tryTexts(ctx, sys, book, b.name, now)
	if err != nil {
		return nil, err
	}
	save.Verdicts, save.Tried = profileVerdicts(tried), &now
	v, err := book.Save(ctx, b.name, save)
	if err != nil {
		return nil, fmt.Errorf("the values are in %s, and no version was saved: %w", b.BoatFile, fromBook(err))
	}
	said := []string{fmt.Sprintf("Wrote %s into %s of %s and saved v%d %s: %s.", study.Plural(counting(l), "value"), bench.BoatFile, b.name, v.Number, v.Hash.Short(), resultText(v.Result))}
	if approved != "" {
		said = append(said, fmt.Sprintf("The approval of %s lapses: it was given for other numbers. Approve the new version when you have read its verdict.", approved))
	}
	return said, nil
}

func learnCommand(sys *system) *cobra.Command {
	var o learnOptions
	cmd := &cobra.Command{
		Use:   "learn BOAT RECORD...",
		Short: "find the boat's values that its records tell, and what becomes of the margins",
		Long: `Finds the values of the boat file under which the model repeats what was measured. The file's own tolerances are the starting point; every value with a
tolerance takes part. A meter may be off by an offset and a gain, the lever may come early or late, single readings may be wrong. Each value is shown before
and after with its 95 % interval; one whose tolerance hardly shrinks is listed as one that this record cannot tell.

RECORD is a file that "step --record" or "readings" wrote. Give all records of the boat together.

--write puts the told values into boat.toml, with the date, the tolerance and the record's hash, comments and order kept, and saves a version. A value that makes
a part cooler counts only if the last record given, held out, agrees with the others. An approval given before lapses.

Exit code: 0 done, 2 bad use, or a record of another boat, of other settings, without a current, or too short; 4 not judged (values are still the example's); 1 any other failure.`,
		Example: `  quaybench step petrel --trial endurance.toml --on /dev/ttyUSB0@115200 --record monday.csv
  quaybench learn petrel monday.csv
  quaybench learn petrel monday.csv friday.csv --write
  quaybench learn petrel --next
  quaybench learn petrel --next --meters "voltage,battery_current,winding resistance"
  quaybench learn petrel monday.csv --json | jq '.values[] | select(.told)'`,
		Args: arguments(1, 100, "BOAT RECORD..."),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat, o.records = args[0], args[1:]
			switch {
			case o.next:
				return o.whatNext(cmd.Context(), sys)
			case len(o.meters) > 0:
				return input(errors.New("--meters goes with --next: a record says itself what was read"))
			case len(o.records) == 0:
				return input(errors.New("name one record or more: what `quaybench step --record FILE` or `quaybench readings` wrote"))
			}
			return o.run(cmd.Context(), sys)
		},
	}
	o.add(cmd, sys)
	cmd.Flags().BoolVar(&o.next, "next", false, "without a record: say which test narrows the tightest margin most, in how many minutes, and whether it is clear")
	cmd.Flags().StringSliceVar(&o.meters, "meters", nil, "with --next: the `METERS` at hand, parted by commas: "+strings.Join(bench.NextMeters(), ", ")+" (default: sets that people usually have)")
	cmd.Flags().BoolVar(&o.write, "write", false, "put the values that count into boat.toml and save a version")
	cmd.Flags().BoolVar(&o.practice, "practice", false, "with --write: take records of a simulated controller too; what is written is called estimated")
	cmd.Flags().BoolVar(&o.example, "example", false, "with --next: look ahead although values are still the example's")
	cmd.Flags().StringVar(&o.author, "author", "", "who stands for it (default: QUAYBENCH_AUTHOR, else the machine's user)")
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	o.paper.tables = true
	o.paper.add(cmd)
	return cmd
}

// learnedResult returns what was learned, for screen and paper; written tells in which unit a boat file has a key's value.
func learnedResult(l *bench.Learned, written func(key, otherwise string) string) *report.Learned {
	out := &report.Learned{Practice: l.Practice, Suspects: suspectsOf(l.Suspects), Warnings: examplesLeft(l.Setup)}
	for _, r := range l.Records {
		out.Records = append(out.Records, report.LearnedRecord{Name: filepath.Base(r.Name), Hash: r.Hash, Readings: r.Readings, Channels: r.Channels, Driven: r.Driven, Charge: r.Charge, Notes: r.Notes})
	}
	for i := range l.Values {
		v := &l.Values[i]
		unit := cmp.Or(v.Unit, "1")
		if v.Factor {
			unit = "%"
		}
		k := report.LearnedValue{
			Name: l.Setup.Boat.KeyName(v.Name()), Unit: unit, Before: v.Before, BeforeLow: v.BeforeLow, BeforeHigh: v.BeforeHigh,
			After: v.After, Low: v.Low, High: v.High, Width: v.Width, Told: v.Told, Little: v.ALittle(),
		}
		if u := written(v.Key, v.Unit); !v.Factor && u != v.Unit {
			k.Written = u
		}
		if ok, why := l.Counts(v); v.Told && !ok {
			k.Note = why
		}
		out.Values = append(out.Values, k)
	}
	for i, p := range l.Pairs {
		if i < 4 {
			out.Pairs = append(out.Pairs, [2]string{l.Setup.Boat.KeyName(p.A), l.Setup.Boat.KeyName(p.B)})
		}
	}
	for _, m := range l.Margins {
		out.Margins = append(out.Margins, report.LearnedMargin{Part: m.Part, Trial: m.Trial, Unit: m.Unit, Before: m.Before, Around: m.Around, After: m.After, AroundNow: m.AroundNow})
	}
	if l.Doubtful() {
		out.Warnings = append(out.Warnings, learn.DoubtSentence(len(l.Records), l.Doubt))
	}
	out.Warnings = append(out.Warnings, l.Meters...)
	if !math.IsNaN(l.Agreement) {
		word := "agrees with the others"
		if l.Agreement < 0.01 {
			word = "does not agree with the others"
		}
		out.Warnings = append(out.Warnings, fmt.Sprintf("The last record, held out, %s (chance %.2g %%).", word, 100*l.Agreement))
	}
	return out
}

// examplesLeft warns of values that are still the example's: the numbers are another boat's.
func examplesLeft(s *bench.Setup) []string {
	if err := s.Own(); err != nil {
		return []string{"The numbers are not this boat's: " + err.Error() + "."}
	}
	return nil
}

func suspectsOf(list []learn.Suspect) (out []report.Suspected) {
	for _, s := range list {
		k := report.Suspected{Cause: s.Cause, Score: s.Score, Odds: s.Odds, Named: s.Named(), Like: s.Like}
		if s.From > 0 {
			k.Cause += " from about " + report.ShownTime(s.From)
		}
		k.Size = fmt.Sprintf("%+.0f %% ± %.0f %%", 100*s.Size, 196*s.SD)
		if !s.Share {
			k.Size = fmt.Sprintf("%.0f %% of it ± %.0f %%", 100*s.Size, 196*s.SD)
		}
		if s.Most {
			k.Size += ", the most it can be"
		}
		out = append(out, k)
	}
	return out
}
